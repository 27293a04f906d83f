"""Turns the parameters of an ODX answer into a layout. What a layout cannot say is told, never dropped silently."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import assert_never

from odxtools.compumethods.compumethod import CompuMethod
from odxtools.compumethods.compuscale import CompuScale
from odxtools.compumethods.identicalcompumethod import IdenticalCompuMethod
from odxtools.compumethods.intervaltype import IntervalType
from odxtools.compumethods.linearcompumethod import LinearCompuMethod
from odxtools.compumethods.texttablecompumethod import TexttableCompuMethod
from odxtools.dataobjectproperty import DataObjectProperty
from odxtools.diagcodedtype import DiagCodedType
from odxtools.dtcdop import DtcDop
from odxtools.encoding import Encoding
from odxtools.minmaxlengthtype import MinMaxLengthType
from odxtools.odxtypes import DataType
from odxtools.parameters.codedconstparameter import CodedConstParameter
from odxtools.parameters.matchingrequestparameter import MatchingRequestParameter
from odxtools.parameters.parameter import Parameter
from odxtools.parameters.parameterwithdop import ParameterWithDOP
from odxtools.parameters.physicalconstantparameter import PhysicalConstantParameter
from odxtools.parameters.reservedparameter import ReservedParameter
from odxtools.parameters.valueparameter import ValueParameter
from odxtools.standardlengthtype import StandardLengthType
from odxtools.structure import Structure

from decoders.layout import Bits, Field, FieldKind, Layout, Scale
from gateway.profiles.fields import MAX_INTEGER, plain
from gateway.profiles.layouts import FLOAT_BITS, MOST_NUMBER_BITS

# A name for a range of raw numbers is written out for each of them, up to so many.
_MOST_NAMES = 256
_LONGEST_OFFSET = 10**28

_KINDS: dict[DataType, FieldKind] = {
    DataType.A_UINT32: "unsigned",
    DataType.A_INT32: "signed",
    DataType.A_FLOAT32: "float",
    DataType.A_FLOAT64: "float",
    DataType.A_ASCIISTRING: "text",
    DataType.A_UTF8STRING: "text",
    DataType.A_BYTEFIELD: "bytes",
}
# The ways of writing a value that `decoders.layout` reads the same way.
_PLAIN: dict[FieldKind, frozenset[Encoding | None]] = {
    "unsigned": frozenset({None, Encoding.NONE}),
    "signed": frozenset({None, Encoding.NONE, Encoding.TWOC}),
    "float": frozenset({None, Encoding.NONE}),
    "text": frozenset({None, Encoding.NONE, Encoding.ISO_8859_1, Encoding.UTF8, Encoding.WINDOWS_1252}),
    "bytes": frozenset({None, Encoding.NONE, Encoding.BCD_P, Encoding.BCD_UP}),
}


class NotExpressibleError(Exception):
    """A layout, or a field of one, cannot say this; the text is the reason."""


@dataclass(slots=True, kw_only=True)
class OdxBlock:
    """An answer's data as a layout.

    Args:
        layout: where its fields lie.
        losses: what of its fields the layout does not say, in words.
    """

    layout: Layout
    losses: tuple[str, ...]


def layout_of(name: str, parameters: Iterable[Parameter], *, first: int) -> OdxBlock:
    """The layout of what an answer carries behind its first bytes.

    Args:
        name: what the layout is called.
        parameters: those of the answer.
        first: where the data begins; the bytes before it repeat the request and must be fixed.

    Raises:
        NotExpressibleError: how long the data is, or where something lies, differs from answer to answer.
    """
    walk = _Walk(first=first)
    walk.structure(parameters, origin=0, prefix="")
    if walk.end <= first:
        raise NotExpressibleError("its answer carries no data")
    layout = Layout(name=name, length=walk.end - first, fields=tuple(walk.fields))
    return OdxBlock(layout=layout, losses=tuple(walk.losses))


@dataclass(slots=True, kw_only=True)
class _Walk:
    """One walk over the parameters of an answer, front to back."""

    first: int
    fields: list[Field] = field(default_factory=list)
    losses: list[str] = field(default_factory=list)
    cursor: int = 0
    end: int = 0

    def structure(self, parameters: Iterable[Parameter], *, origin: int, prefix: str) -> None:
        """The parameters of a structure that begins at byte `origin`."""
        given = list(parameters)
        titles = Counter(_title(parameter) for parameter in given)
        for parameter in given:
            if parameter.byte_position is not None:
                self.cursor = origin + parameter.byte_position
            title = _title(parameter)
            self._parameter(parameter, f"{prefix}{title if titles[title] == 1 else plain(parameter.short_name)}")

    def _parameter(self, parameter: Parameter, name: str) -> None:
        bit = parameter.bit_position or 0
        match parameter:
            case ReservedParameter():
                self._advance(bit, parameter.bit_length)
            case MatchingRequestParameter():
                self._repeated(parameter, name)
            case CodedConstParameter():
                self._atom(name, bit, parameter.diag_coded_type, None, "", is_fixed=True)
            case ValueParameter() | PhysicalConstantParameter():
                self._with_dop(parameter, name, bit)
            case _:
                raise NotExpressibleError(f"{name} is a parameter of type {parameter.parameter_type}")

    def _with_dop(self, parameter: ParameterWithDOP, name: str, bit: int) -> None:
        is_fixed = isinstance(parameter, PhysicalConstantParameter)
        match parameter.dop:
            case DataObjectProperty() as dop:
                unit = plain(dop.unit.display_name) if dop.unit is not None else ""
                if dop.internal_constr is not None or dop.physical_constr is not None:
                    self.losses.append(f"limits of {name}")
                self._atom(name, bit, dop.diag_coded_type, dop.compu_method, unit, is_fixed=is_fixed)
            case DtcDop() as dop:
                self.losses.append(f"{name} is a trouble code: it stays a number")
                self._atom(name, bit, dop.diag_coded_type, None, "", is_fixed=is_fixed)
            case Structure() as structure:
                origin = self.cursor
                self.structure(structure.parameters, origin=origin, prefix=f"{name}: ")
                if structure.byte_size is not None:
                    self.cursor = origin + structure.byte_size
                    self.end = max(self.end, self.cursor)
            case other:
                raise NotExpressibleError(f"{name} is of the varying kind {type(other).__name__}")

    def _repeated(self, parameter: MatchingRequestParameter, name: str) -> None:
        """Bytes of the request: those in front of the data say nothing new."""
        place = Bits(start=(self.cursor - self.first) * 8, length=parameter.byte_length * 8)
        if self._advance(0, place.length):
            self._add(Field(name=name, bits=place))

    def _atom(
        self,
        name: str,
        bit: int,
        coded: DiagCodedType,
        compu: CompuMethod | None,
        unit: str,
        *,
        is_fixed: bool,
    ) -> None:
        """One value that is not made of others."""
        length = _bit_length(name, coded)
        start = self.cursor
        size = (bit + length + 7) // 8
        if not self._advance(bit, length):
            if not is_fixed:
                raise NotExpressibleError("its answer does not repeat what was asked for")
            return
        little = not coded.is_highlow_byte_order and _KINDS.get(coded.base_data_type) in ("unsigned", "signed", "float")
        begin = (start - self.first) * 8
        bits = Bits(
            start=begin + bit if little else begin + size * 8 - bit - length,
            length=length,
            order="little" if little else "big",
        )
        try:
            self._add(self._field(name, bits, coded, compu, unit))
        except NotExpressibleError as error:
            self.losses.append(f"{name}: {error}")

    def _advance(self, bit: int, length: int) -> bool:
        """Go behind a value; True if it lies in the data."""
        begin, self.cursor = self.cursor, self.cursor + (bit + length + 7) // 8
        self.end = max(self.end, self.cursor)
        if begin < self.first < self.cursor:
            raise NotExpressibleError("its answer has a value across the end of what repeats the request")
        return begin >= self.first

    def _add(self, made: Field) -> None:
        if any(item.name == made.name for item in self.fields):
            raise NotExpressibleError("there are two fields of this name")
        self.fields.append(made)

    def _field(self, name: str, bits: Bits, coded: DiagCodedType, compu: CompuMethod | None, unit: str) -> Field:
        kind = _kind(coded)
        if kind in ("text", "bytes"):
            if bits.start % 8 or bits.length % 8:
                raise NotExpressibleError("it does not lie on whole bytes")
            if compu is not None and not isinstance(compu, IdenticalCompuMethod):
                raise NotExpressibleError(f"its conversion {compu.category.value} starts from {kind}")
            return Field(name=name, bits=bits, kind=kind)
        if kind == "float" and bits.length not in FLOAT_BITS:
            raise NotExpressibleError(f"no floating-point number has {bits.length} bits")
        if bits.length > MOST_NUMBER_BITS:
            raise NotExpressibleError(f"a number of {bits.length} bits")
        match compu:
            case None | IdenticalCompuMethod():
                return Field(name=name, bits=bits, kind=kind, unit=unit)
            case LinearCompuMethod():
                return Field(name=name, bits=bits, kind=kind, unit=unit, scale=self._scale(name, compu))
            case TexttableCompuMethod() if kind != "float":
                return Field(name=name, bits=bits, kind=kind, unit=unit, names=self._names(name, compu, bits, kind))
            case _:
                raise NotExpressibleError(f"its conversion is {compu.category.value}")

    def _scale(self, name: str, compu: LinearCompuMethod) -> Scale:
        segment = compu.segment
        if segment.internal_lower_limit is not None or segment.internal_upper_limit is not None:
            self.losses.append(f"limits of {name}")
        try:
            divisor, factor, offset = (
                Fraction(repr(number)) for number in (segment.denominator, segment.factor, segment.offset)
            )
            factor, offset = factor / divisor, offset / divisor
        except (ValueError, ZeroDivisionError):
            raise NotExpressibleError("its scale is no number") from None
        if max(abs(factor.numerator), factor.denominator) > MAX_INTEGER:
            raise NotExpressibleError("its scale has too many digits")
        if max(abs(offset.numerator), offset.denominator) > _LONGEST_OFFSET:
            raise NotExpressibleError("its offset has too many digits")
        return Scale.of(factor, offset)

    def _names(
        self, name: str, compu: TexttableCompuMethod, bits: Bits, kind: FieldKind
    ) -> tuple[tuple[int, str], ...]:
        table = compu.compu_internal_to_phys
        if table is not None and table.compu_default_value is not None:
            self.losses.append(f"the text of {name} for all other numbers")
        lowest = -(1 << bits.length - 1) if kind == "signed" else 0
        names: dict[int, str] = {}
        for scale in table.compu_scales if table is not None else ():
            numbers = _numbers(scale)
            meaning = plain(str(scale.compu_const.value or "")) if scale.compu_const is not None else ""
            if numbers is None or not meaning.strip():
                self.losses.append(
                    f"a name of {name} for a range of numbers" if numbers is None else f"a name of {name}"
                )
                continue
            for number in numbers:
                if lowest <= number < lowest + (1 << bits.length):
                    names.setdefault(number % (1 << bits.length), meaning)
        return tuple(sorted(names.items()))


def _title(parameter: Parameter) -> str:
    return plain(parameter.long_name or "") or plain(parameter.short_name)


def _bit_length(name: str, coded: DiagCodedType) -> int:
    match coded:
        case StandardLengthType() if coded.bit_length > 0:
            return coded.bit_length
        case MinMaxLengthType() if coded.min_length == coded.max_length and coded.min_length:
            return coded.min_length * 8
        case _:
            raise NotExpressibleError(f"{name} has no fixed length")


def _kind(coded: DiagCodedType) -> FieldKind:
    kind = _KINDS.get(coded.base_data_type)
    if kind is None:
        raise NotExpressibleError(f"its bytes are {coded.base_data_type.value}")
    if coded.base_type_encoding not in _PLAIN[kind]:
        raise NotExpressibleError(f"its bytes are {coded.base_data_type.value} as {coded.base_type_encoding}")
    if isinstance(coded, StandardLengthType) and coded.bit_mask is not None:
        raise NotExpressibleError("a mask hides some of its bits")
    return kind


def _numbers(scale: CompuScale) -> range | None:
    """The whole numbers a scale is for, or None where those are too many or not told."""
    limits = [limit for limit in (scale.lower_limit, scale.upper_limit) if limit is not None]
    values = [limit.value for limit in limits]
    if not values or not all(isinstance(value, int) for value in values):
        return None
    low, high = int(str(values[0])), int(str(values[-1]))
    for limit, step in zip(limits, (1, -1), strict=False):
        match limit.interval_type:
            case IntervalType.INFINITE:
                return None
            case IntervalType.OPEN if len(limits) == 2:
                low, high = low + (step > 0), high - (step < 0)
            case IntervalType.OPEN | IntervalType.CLOSED | None:
                pass
            case other:
                assert_never(other)
    return range(low, high + 1) if high - low < _MOST_NAMES else None

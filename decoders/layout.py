"""Layouts: where the fields of a block of bytes lie and how they scale, as values.

By them snapshots, extended data, OBD identifiers and broadcast frames are read. A layout comes from a table
here, from a user's profile, or from a vehicle description file that the gateway turned into layouts.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from decoders.errors import DecodeError

Order = Literal["big", "little"]
FieldKind = Literal["unsigned", "signed", "float", "text", "bytes"]
Number = int | float

_FLOATS: Mapping[int, str] = {16: "e", 32: "f", 64: "d"}
_TEXT_FILL = b"\x00\xff "


@dataclass(frozen=True, slots=True, kw_only=True)
class Bits:
    """Which bits of a block make up one number.

    Args:
        start: big: place of the highest bit, counted from the front of the block, where bit 0 is the highest bit of
            byte 0. little: place of the lowest bit, where bit 0 is the lowest bit of byte 0.
        length: number of bits, at least 1.
        order: which byte comes first: the highest (big) or the lowest (little).
    """

    start: int
    length: int
    order: Order = "big"

    @property
    def size(self) -> int:
        """Bytes a block must have for these bits to be in it."""
        return (self.start + self.length + 7) // 8

    def word(self, data: bytes) -> int:
        """The bits as an unsigned number; `data` has at least `size` bytes."""
        shift = len(data) * 8 - self.start - self.length if self.order == "big" else self.start
        return int.from_bytes(data, self.order) >> shift & (1 << self.length) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What a raw number means: value = (raw * `num` + `add`) / `den`. `den` is above 0."""

    num: int = 1
    add: int = 0
    den: int = 1

    @classmethod
    def of(cls, factor: Fraction, offset: Fraction) -> Scale:
        """The scale value = raw * factor + offset, exactly."""
        den = factor.denominator * offset.denominator
        return cls(num=int(factor * den), add=int(offset * den), den=den)

    def apply(self, raw: Number) -> Number:
        """The value of a raw number; a whole number stays one where the scale has no divisor."""
        value = raw * self.num + self.add
        return value if self.den == 1 else value / self.den


@dataclass(frozen=True, slots=True, kw_only=True)
class When:
    """A condition: these bits of the same block hold one of these numbers."""

    bits: Bits
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a layout.

    Args:
        name: what it is.
        bits: where it lies; text and bytes lie on whole bytes.
        kind: how its bits are read. A float is IEEE 754 of 16, 32 or 64 bits.
        scale: applied to numbers.
        unit: unit of the value, empty where it has none.
        names: (raw number, its meaning) where single numbers have one.
        when: all of these must hold, otherwise the block does not carry the field.
    """

    name: str
    bits: Bits
    kind: FieldKind = "unsigned"
    scale: Scale = Scale()
    unit: str = ""
    names: tuple[tuple[int, str], ...] = ()
    when: tuple[When, ...] = ()

    @property
    def size(self) -> int:
        """Bytes a block must have for the field and its conditions to be in it."""
        return max(self.bits.size, *(item.bits.size for item in self.when), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A block of bytes.

    Args:
        name: what the block is.
        length: its bytes.
        fields: in the order they are shown.
    """

    name: str
    length: int
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldValue:
    """One field as read.

    Args:
        name: what it is.
        value: in `unit`; text for text, upper-case hex for bytes; None for text bytes that are no text.
        unit: unit of the value, empty where it has none.
        label: what this raw number means, where the layout names it.
        raw: the bits as an unsigned number.
    """

    name: str
    value: Number | str | None
    unit: str
    label: str | None
    raw: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutReading:
    """A block as read by a layout.

    Args:
        layout: name of the layout.
        values: the fields that the block carries, in the layout's order.
        absent: names of the fields whose condition does not hold.
        leftover: bytes behind the layout's length.
        raw: the whole block.
    """

    layout: str
    values: tuple[FieldValue, ...]
    absent: tuple[str, ...]
    leftover: bytes
    raw: bytes


def read_layout(layout: Layout, data: bytes) -> LayoutReading:
    """Read a block by its layout.

    Raises:
        DecodeError: the block is shorter than the layout, the layout puts a field outside itself, or a number of
            hundreds of bytes is too large for its scale.
    """
    if len(data) < layout.length:
        reason = f"{layout.length} bytes are needed, {len(data)} are there"
        raise DecodeError(layout.name, len(data), data, reason)
    block = data[: layout.length]
    values: list[FieldValue] = []
    absent: list[str] = []
    for field in layout.fields:
        if _carries(field, block):
            values.append(_read(field, block))
        else:
            absent.append(field.name)
    return LayoutReading(
        layout=layout.name,
        values=tuple(values),
        absent=tuple(absent),
        leftover=data[layout.length :],
        raw=data,
    )


def _carries(field: Field, block: bytes) -> bool:
    if field.size > len(block):
        reason = f"the layout puts it at byte {field.size - 1} of {len(block)}"
        raise DecodeError(field.name, len(block), block, reason)
    return all(item.bits.word(block) in item.values for item in field.when)


def _read(field: Field, block: bytes) -> FieldValue:
    raw = field.bits.word(block)
    label = next((meaning for number, meaning in field.names if number == raw), None) if field.names else None
    try:
        value = _value(field, raw)
    except OverflowError as error:
        raise DecodeError(field.name, field.bits.start // 8, block, "the number is too large for its scale") from error
    return FieldValue(name=field.name, value=value, unit=field.unit, label=label, raw=raw)


def _value(field: Field, raw: int) -> Number | str | None:
    length = field.bits.length
    if field.kind == "unsigned":
        return field.scale.apply(raw)
    if field.kind == "signed":
        return field.scale.apply(raw - (raw >> length - 1 << length))
    if field.kind == "float":
        return field.scale.apply(_float(field.name, raw, length))
    content = raw.to_bytes((length + 7) // 8, "big")
    return content.hex().upper() if field.kind == "bytes" else _text(content)


def _float(name: str, raw: int, length: int) -> float:
    form = _FLOATS.get(length)
    content = raw.to_bytes((length + 7) // 8, "big")
    if form is None:
        raise DecodeError(name, 0, content, f"no floating-point number has {length} bits")
    value: float = struct.unpack(f">{form}", content)[0]
    return value


def _text(content: bytes) -> str | None:
    text = content.rstrip(_TEXT_FILL)
    if any(not 0x20 <= byte <= 0x7E for byte in text):
        return None
    return text.decode("ascii")


def whole_bytes(
    name: str,
    first: int,
    count: int,
    *,
    kind: FieldKind = "unsigned",
    scale: Scale = Scale(),
    unit: str = "",
    names: Iterable[tuple[int, str]] = (),
    when: Iterable[When] = (),
) -> Field:
    """A field of `count` whole bytes from byte `first` on, high byte first: the form of ISO 14229-1 and SAE J1979."""
    return Field(
        name=name,
        bits=Bits(start=first * 8, length=count * 8),
        kind=kind,
        scale=scale,
        unit=unit,
        names=tuple(names),
        when=tuple(when),
    )

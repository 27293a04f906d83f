"""Turns an ODX or PDX file into a profile, and says what it could not take over."""

from __future__ import annotations

import difflib
import warnings
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from decoders.errors import UsageError
from decoders.layout import Layout
from decoders.values import CanId, Dtc, UnitAddress
from decoders.values.address import MAX_11_BIT, MAX_29_BIT
from gateway.profiles.fields import plain
from gateway.profiles.write import comment, profile_text, shown
from sessions.profile import Profile, ProfileCode, ProfileIdentifier, ProfileLayout, ProfileUnit

if TYPE_CHECKING:
    from odxtools.comparaminstance import ComparamInstance
    from odxtools.database import Database
    from odxtools.diaglayers.basevariant import BaseVariant
    from odxtools.diaglayers.ecuvariant import EcuVariant
    from odxtools.diagservice import DiagService

    Variant = BaseVariant | EcuVariant

_READ_IDENTIFIER = b"\x22"
_DATA_AT = 3
_LONGEST = 0xFF
_NO_SERVICE = "a profile does not describe this service"
_REASONS = {
    b"": "its request does not begin with fixed bytes",
    b"\x2e": "writes are not taken over",
    b"\x2f": "actuator tests are not taken over",
    b"\x31": "routines are not taken over: a person must state their conditions and caution first",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Something of the file that is not in the profile, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OdxImport:
    """What became of a file.

    Args:
        profile: what could be taken over.
        layers: each diagnostic layer of the file and what it was used for.
        left_out: everything that could not be taken over.
    """

    profile: Profile
    layers: tuple[str, ...]
    left_out: tuple[LeftOut, ...]

    def text(self, source: str) -> str:
        """The profile as the text of a file, with comments; `source` is the name of the file it came from."""
        head = (
            f"Written by mendproof profile from-odx from {source}. Read it before you use it.",
            "",
            "Layers of that file:",
            *(f"- {layer}" for layer in self.layers),
        )
        tail = ("Left out:", *(f"- {line}" for line in self.left_out_lines()))
        parts = [comment(head), profile_text(self.profile), *([comment(tail)] if self.left_out else [])]
        return "\n".join(parts)

    def left_out_lines(self) -> Iterator[str]:
        """What was left out, one line for each reason."""
        by_reason: dict[str, list[str]] = defaultdict(list)
        for item in self.left_out:
            by_reason[item.why].append(item.what)
        for why, what in by_reason.items():
            yield f"{why}: {', '.join(dict.fromkeys(what))}"


def read_odx(path: Path, variants: Sequence[str] = ()) -> OdxImport:
    """Read an ODX or PDX file.

    Args:
        path: the file.
        variants: short names of the variants to use in place of the base variants they belong to.

    Raises:
        UsageError: odxtools is not installed, the file cannot be read, or there is no such variant.
    """
    try:
        import odxtools
    except ImportError as error:
        raise UsageError(
            "ODX files are read by odxtools, which is not installed", next_step="pip install 'mendproof[odx]'"
        ) from error
    if not path.is_file():
        raise UsageError(f"There is no file {path}", next_step="check the path")
    with warnings.catch_warnings(record=True) as noticed:
        warnings.simplefilter("always")
        try:
            database = odxtools.load_file(path, use_weakrefs=False)
            made = _Import(database)
            made.take(_chosen(database, variants))
        except UsageError:
            raise
        except Exception as error:  # whatever the reader finds in a file that breaks the standard
            reason = " ".join(str(error).split()) or type(error).__name__
            raise UsageError(f"{path.name} cannot be read as ODX: {reason}", next_step="check the file") from error
    made.left_out += [LeftOut(what=" ".join(str(item.message).split()), why="odxtools warns") for item in noticed]
    return OdxImport(
        profile=made.profile(shown(path.stem)), layers=tuple(made.layers), left_out=tuple(dict.fromkeys(made.left_out))
    )


def _chosen(database: Database, variants: Sequence[str]) -> list[Variant]:
    """The layer to read for each unit: the variant asked for, else its base variant."""
    known: list[Variant] = [*database.base_variants]
    known += database.ecu_variants
    names = [item.short_name for item in known]
    for name in variants:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1)
            hint = f"; did you mean '{near[0]}'?" if near else f"; there are: {', '.join(names) or 'none'}"
            raise UsageError(f"There is no variant '{name}'{hint}", next_step="choose another --variant")
    chosen: list[Variant] = []
    for base in (item for item in known if _base(item) is item):
        wanted = [item for item in known if _base(item) is base and item.short_name in variants]
        if len(wanted) > 1:
            both = " and ".join(item.short_name for item in wanted)
            raise UsageError(f"{both} are variants of one unit", next_step="choose one --variant for each unit")
        chosen += wanted or [base]
    return chosen


def _base(variant: Variant) -> Variant:
    """The base variant that a variant belongs to, else itself."""
    base: BaseVariant | None = getattr(variant, "base_variant", None)
    return variant if base is None else base


@dataclass(slots=True)
class _Import:
    """What has been taken over so far."""

    database: Database
    units: list[ProfileUnit] = field(default_factory=list)
    codes: dict[tuple[str, str], ProfileCode] = field(default_factory=dict)
    blocks: dict[tuple[int, Layout], list[str]] = field(default_factory=dict)
    read: set[tuple[str, int]] = field(default_factory=set)
    layers: list[str] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)

    def profile(self, name: str) -> Profile:
        """All of it as a profile of this name."""
        identifiers: dict[tuple[int, str, int], list[str]] = defaultdict(list)
        for (number, layout), units in self.blocks.items():
            identifiers[number, layout.name, layout.length] += units
        return Profile(
            name=name,
            units=tuple(self.units),
            codes=tuple(self.codes.values()),
            identifiers=tuple(
                ProfileIdentifier(number=number, name=title, length=length, units=tuple(units))
                for (number, title, length), units in identifiers.items()
            ),
            layouts=tuple(
                ProfileLayout(subject="identifier", number=number, layout=layout, units=tuple(units))
                for (number, layout), units in self.blocks.items()
            ),
        )

    def take(self, chosen: list[Variant]) -> None:
        """Take over the units that these layers describe, and note every other layer."""
        for layer in chosen:
            self._take_unit(layer)
        for other in self.database.diag_layers:
            kind, name = other.variant_type.value, other.short_name
            if all(layer is not other for layer in chosen):
                use = f"not read; --variant {name} takes it" if kind == "ECU-VARIANT" else "read where units inherit it"
                self.layers.append(f"{kind} {name}: {use}")
        for what, items in (
            ("ECU configurations", self.database.ecu_configs),
            ("flash data", self.database.flashs),
            ("vehicle information", self.database.vehicle_info_specs),
            ("jobs for several units", self.database.multiple_ecu_job_specs),
            ("function dictionaries", self.database.function_dictionaries),
        ):
            self._leave(f"{what} ({len(items)})" if items else "", "a profile has no place for it")

    def _leave(self, what: str, why: str) -> None:
        if what:
            self.left_out.append(LeftOut(what=what, why=why))

    def _take_unit(self, layer: Variant) -> None:
        from gateway.profiles.odx_fields import NotExpressibleError

        kind, name = layer.variant_type.value, layer.short_name
        try:
            address = _address(layer)
            for unit in self.units:
                halves = zip(unit.address.split("/"), address.split("/"), strict=True)
                if any(ours == theirs for ours, theirs in halves):
                    raise NotExpressibleError(f"it shares a CAN identifier with {unit.name}")
        except NotExpressibleError as error:
            self.layers.append(f"{kind} {name}: left out")
            self._leave(f"the unit {name} with all that it has", str(error))
            return
        self.layers.append(f"{kind} {name}: the unit {address}")
        self.units.append(ProfileUnit(address=address, name=plain(layer.long_name or "") or plain(name)))
        self._take_codes(layer, address)
        for service in layer.services:
            try:
                self._take_service(service, address)
            except NotExpressibleError as error:
                self._leave(f"{name}.{service.short_name}", str(error))
            except RecursionError:
                self._leave(f"{name}.{service.short_name}", "its answer contains itself")
        for job in layer.single_ecu_jobs:
            self._leave(f"{name}.{job.short_name}", "a job is a program of its own")
        for chart in layer.state_charts:
            self._leave(f"{name}.{chart.short_name}", "a profile has no states")
        for data in layer.diag_data_dictionary_spec.env_data_descs:
            self._leave(f"{name}.{data.short_name}", "data that depends on the code has no layout")

    def _take_codes(self, layer: Variant, address: str) -> None:
        for dop in layer.diag_data_dictionary_spec.dtc_dops:
            size = dop.diag_coded_type.get_static_bit_length()
            for code in dop.dtcs:
                what = f"{layer.short_name}.{code.short_name}"
                text = " ".join(plain(str(code.text)).split())
                if size not in (16, 24) or not 0 <= code.trouble_code < 1 << size:
                    self._leave(what, "a code has two or three bytes")
                elif dop.compu_method.category.value != "IDENTICAL":
                    self._leave(what, f"the conversion of its codes is {dop.compu_method.category.value}")
                elif not text:
                    self._leave(what, "the code has no text")
                else:
                    name = Dtc.from_bytes(code.trouble_code.to_bytes(size // 8, "big")).text
                    made = ProfileCode(unit=address, code=name, text=text)
                    if self.codes.setdefault((address, name), made) != made:
                        self._leave(what, "the code is there already, with another text")

    def _take_service(self, service: DiagService, address: str) -> None:
        from gateway.profiles.odx_fields import NotExpressibleError, layout_of

        request, is_fixed = _request(service)
        if not request.startswith(_READ_IDENTIFIER):
            raise NotExpressibleError(_REASONS.get(request[:1], _NO_SERVICE))
        if not is_fixed or len(request) != _DATA_AT:
            raise NotExpressibleError("its request is not for one fixed identifier of two bytes")
        if len(service.positive_responses) != 1:
            raise NotExpressibleError(f"it has {len(service.positive_responses)} positive answers")
        title = plain(service.long_name or "") or plain(service.short_name)
        block = layout_of(title, service.positive_responses[0].parameters, first=_DATA_AT)
        if block.layout.length > _LONGEST:
            raise NotExpressibleError(f"an identifier has at most {_LONGEST} bytes")
        number = int.from_bytes(request[1:], "big")
        if (address, number) in self.read:
            raise NotExpressibleError(f"{number:04X} is there already")
        self.read.add((address, number))
        self.blocks.setdefault((number, block.layout), []).append(address)
        for loss in block.losses:
            self._leave(f"{service.short_name}: {loss}", "a layout does not say this")


def _request(service: DiagService) -> tuple[bytes, bool]:
    """The bytes with which a request begins, and True if those are all it has."""
    if service.request is None:
        return b"", False
    is_fixed = all(item.parameter_type in ("CODED-CONST", "PHYS-CONST") for item in service.request.parameters)
    return bytes(service.request.coded_const_prefix()), is_fixed


def _address(layer: Variant) -> str:
    """The address of a unit by its communication parameters."""
    from gateway.profiles.odx_fields import NotExpressibleError

    tables = [layer.get_comparam("CP_UniqueRespIdTable", protocol=item) for item in layer.protocols or [None]]
    found = {address for table in tables if table is not None if (address := _table_address(table)) is not None}
    if len(found) != 1:
        several = f"its protocols have different CAN identifiers: {', '.join(sorted(found))}"
        raise NotExpressibleError(several if found else "no CAN identifiers are there for it")
    return found.pop()


def _table_address(table: ComparamInstance) -> str | None:
    request, response = (_can_id(table, name) for name in ("CP_CanPhysReq", "CP_CanRespUSDT"))
    return None if request is None or response is None else UnitAddress(request, response).text


def _can_id(table: ComparamInstance, name: str) -> CanId | None:
    """An identifier by its number, its frame format and its address byte; None if it is not there or not told.

    Raises:
        NotExpressibleError: one of them is no number.
    """
    text, form = table.get_subvalue(f"{name}Id"), table.get_subvalue(f"{name}Format") or ""
    if text is None or not 0 <= (number := _parameter(f"{name}Id", text)) <= MAX_29_BIT:
        return None
    is_29_bit = "29-bit" in form or number > MAX_11_BIT
    if not is_29_bit and "11-bit" not in form:
        return None
    if form.startswith("normal"):
        return CanId(number, is_29_bit)
    extension = table.get_subvalue(f"{name}ExtAddr")
    if extension is None or not 0 <= (byte := _parameter(f"{name}ExtAddr", extension)) <= 0xFF:
        return None
    return CanId(number, is_29_bit, byte)


def _parameter(name: str, text: str) -> int:
    from gateway.profiles.odx_fields import NotExpressibleError

    try:
        return int(text, 0)
    except ValueError:
        raise NotExpressibleError(f"its communication parameter {name} is no number") from None

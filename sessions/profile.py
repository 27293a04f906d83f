"""A profile as a value: a vehicle's units, identifiers and codes, as a user's file describes them.

The gateway reads the file; a job's journal keeps both the file's text and this value, so that a verdict
needs nothing but the journal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Literal, TypeVar, get_args

from decoders.layout import Bits, Field, Layout, Scale, When

System = Literal["powertrain", "chassis", "body", "network"]
Quantity = Literal[
    "engine_rpm", "load_percent", "coolant_c", "road_kmh", "ambient_c", "supply_v", "odometer_km", "other"
]
SYSTEMS: tuple[str, ...] = get_args(System)
QUANTITIES: tuple[str, ...] = get_args(Quantity)
LayoutSubject = Literal["identifier", "record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileUnit:
    """One unit the vehicle can have.

    Args:
        address: canonical address text.
        name: what people call it.
        system: which part of the vehicle it belongs to; decides whose conditions count. None: nobody said.
        fitted: True if this vehicle has it for certain, so that its silence is a finding.
        occurrence_record: number of the extended data record that holds the occurrence counter, or None.
        extended_sizes: (record number, bytes) of its extended data records, as the maker lays them out.
    """

    address: str
    name: str
    system: System | None = None
    fitted: bool = True
    occurrence_record: int | None = None
    extended_sizes: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileCode:
    """What the profile says of one code in one unit.

    Args:
        unit: address of the unit that sets it.
        code: code text such as ``C0035-13``.
        text: the maker's words for it.
        continuous: True if its test runs all the time while the unit is awake.
        about: address of the unit a network code complains about, or None.
        hold_s: how long its conditions must hold, seconds; None for the default.
    """

    unit: str
    code: str
    text: str
    continuous: bool = False
    about: str | None = None
    hold_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileIdentifier:
    """One data identifier: scaled = raw * scale_num / scale_den + offset.

    Args:
        number: the identifier, 0..FFFF.
        name: what it holds.
        length: bytes.
        signed: True for two's complement.
        scale_num: numerator of the scale.
        scale_den: denominator of the scale, not 0.
        offset: added after scaling, in `unit`.
        unit: unit of the scaled value.
        quantity: which operating condition it is, or ``other``.
        units: addresses of the units that use it; empty for all.
    """

    number: int
    name: str
    length: int
    signed: bool = False
    scale_num: int = 1
    scale_den: int = 1
    offset: int = 0
    unit: str = ""
    quantity: Quantity = "other"
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileLayout:
    """How the bytes of one data identifier or of one extended data record are divided.

    Args:
        subject: which of the two.
        number: the identifier, 0..FFFF, or the record, 01..EF.
        layout: where its fields lie.
        quantities: (name of a field, which operating condition it is).
        units: addresses of the units that use it; empty for all.
    """

    subject: LayoutSubject
    number: int
    layout: Layout
    quantities: tuple[tuple[str, Quantity], ...] = ()
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileMessage:
    """One message that a unit broadcasts.

    Args:
        can_id: its CAN identifier in hex: 3 digits for 11 bits, 8 for 29.
        layout: where its signals lie.
        quantities: (name of a signal, which operating condition it is).
        sender: who sends it, as the file names it; empty where it does not say.
        cycle_ms: time from one to the next, ms; None where the file does not say.
    """

    can_id: str
    layout: Layout
    quantities: tuple[tuple[str, Quantity], ...] = ()
    sender: str = ""
    cycle_ms: int | None = None


Shared = TypeVar("Shared", ProfileIdentifier, ProfileLayout)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """A whole profile.

    Args:
        name: what people call the vehicle.
        maker: its maker.
        model: its model.
        electric_drive: True for a car that can move without its engine running.
        broadcast: the file that describes its broadcast messages, or empty.
        units: its units.
        codes: what its codes mean.
        identifiers: its data identifiers.
        layouts: how identifiers and extended data records are divided.
        messages: the messages its units broadcast.
        settings: figures of the rules, for this vehicle only.
    """

    name: str
    maker: str = ""
    model: str = ""
    electric_drive: bool = False
    broadcast: str = ""
    units: tuple[ProfileUnit, ...] = ()
    codes: tuple[ProfileCode, ...] = ()
    identifiers: tuple[ProfileIdentifier, ...] = ()
    layouts: tuple[ProfileLayout, ...] = ()
    messages: tuple[ProfileMessage, ...] = ()
    settings: Mapping[str, int] = field(default_factory=dict)

    def unit(self, address: str) -> ProfileUnit | None:
        """The unit at this address, or None."""
        return next((unit for unit in self.units if unit.address == address), None)

    def code(self, unit: str, code: str) -> ProfileCode | None:
        """What the profile says of this code in this unit, or None."""
        return next((item for item in self.codes if item.unit == unit and item.code == code), None)

    def identifiers_for(self, unit: str) -> dict[int, ProfileIdentifier]:
        """The identifiers that hold in this unit, by number; those naming the unit win."""
        return _of_unit(self.identifiers, unit)

    def layouts_for(self, unit: str, subject: LayoutSubject) -> dict[int, ProfileLayout]:
        """The layouts that hold in this unit, by number; those naming the unit win."""
        return _of_unit((item for item in self.layouts if item.subject == subject), unit)

    def identifier_lengths(self, unit: str) -> dict[int, int]:
        """Bytes of each identifier whose length the profile tells, in this unit."""
        lengths = {number: item.length for number, item in self.identifiers_for(unit).items()}
        return lengths | _lengths(self.layouts_for(unit, "identifier"))

    def record_sizes(self, unit: str) -> dict[int, int]:
        """Bytes of each extended data record whose size the profile tells, in this unit."""
        known = self.unit(unit)
        return dict(known.extended_sizes if known else ()) | _lengths(self.layouts_for(unit, "record"))

    def to_payload(self) -> dict[str, Any]:
        """The profile as a journal payload: no key without a value."""
        payload: dict[str, Any] = _drop_none(asdict(replace(self, layouts=(), messages=())))
        payload["layouts"] = [_block_form(item) for item in self.layouts]
        payload["messages"] = [_block_form(item) for item in self.messages]
        return payload

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Profile:
        """The profile of a journal payload made by `to_payload`."""
        values = dict(payload)
        values["units"] = tuple(
            ProfileUnit(**{**unit, "extended_sizes": tuple((n, size) for n, size in unit["extended_sizes"])})
            for unit in payload["units"]
        )
        values["codes"] = tuple(ProfileCode(**code) for code in payload["codes"])
        values["identifiers"] = tuple(
            ProfileIdentifier(**{**item, "units": tuple(item["units"])}) for item in payload["identifiers"]
        )
        values["layouts"] = tuple(
            ProfileLayout(**{**_block(item), "units": tuple(item["units"])}) for item in payload.get("layouts", ())
        )
        values["messages"] = tuple(ProfileMessage(**_block(item)) for item in payload.get("messages", ()))
        return cls(**values)


def _of_unit(items: Iterable[Shared], unit: str) -> dict[int, Shared]:
    shared: dict[int, Shared] = {}
    own: dict[int, Shared] = {}
    for item in items:
        if not item.units:
            shared[item.number] = item
        elif unit in item.units:
            own[item.number] = item
    return shared | own


def _lengths(layouts: Mapping[int, ProfileLayout]) -> dict[int, int]:
    return {number: item.layout.length for number, item in layouts.items()}


def _block_form(block: ProfileLayout | ProfileMessage) -> dict[str, Any]:
    form = {item.name: getattr(block, item.name) for item in fields(block)}
    kept: dict[str, Any] = _drop_none({**form, "layout": _layout_form(block.layout)})
    return kept


def _layout_form(layout: Layout) -> dict[str, Any]:
    return {"name": layout.name, "length": layout.length, "fields": [_field_form(item) for item in layout.fields]}


def _field_form(item: Field) -> dict[str, Any]:
    # Numbers of a raw field and of a scale are text: they may be larger than the integers of a journal.
    form = {
        "name": item.name,
        "bits": _bits_form(item.bits),
        "kind": item.kind,
        "scale": [str(item.scale.num), str(item.scale.add), str(item.scale.den)],
        "unit": item.unit,
        "names": [[str(number), meaning] for number, meaning in item.names],
        "when": [[_bits_form(when.bits), [str(value) for value in when.values]] for when in item.when],
    }
    return {key: value for key, value in form.items() if value}


def _bits_form(bits: Bits) -> list[Any]:
    return [bits.start, bits.length, bits.order]


def _block(form: Mapping[str, Any]) -> dict[str, Any]:
    """The fields that both kinds of block with a layout have, and the rest as it is."""
    layout = form["layout"]
    return {
        **form,
        "layout": Layout(
            name=layout["name"], length=layout["length"], fields=tuple(_field(item) for item in layout["fields"])
        ),
        "quantities": tuple((name, quantity) for name, quantity in form["quantities"]),
    }


def _field(form: Mapping[str, Any]) -> Field:
    num, add, den = (int(number) for number in form["scale"])
    return Field(
        name=form["name"],
        bits=_bits(form["bits"]),
        kind=form["kind"],
        scale=Scale(num=num, add=add, den=den),
        unit=form.get("unit", ""),
        names=tuple((int(number), meaning) for number, meaning in form.get("names", ())),
        when=tuple(
            When(bits=_bits(bits), values=tuple(int(value) for value in values))
            for bits, values in form.get("when", ())
        ),
    )


def _bits(form: Iterable[Any]) -> Bits:
    start, length, order = form
    return Bits(start=start, length=length, order=order)


def _drop_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _drop_none(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, (list, tuple)):
        return [_drop_none(inner) for inner in value]
    return value


NO_PROFILE = Profile(name="no profile")

"""A profile as a value: a vehicle's units, identifiers and codes, as a user's file describes them.

The gateway reads the file; a job's journal keeps both the file's text and this value, so that a verdict
needs nothing but the journal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, get_args

System = Literal["powertrain", "chassis", "body", "network"]
Quantity = Literal[
    "engine_rpm", "load_percent", "coolant_c", "road_kmh", "ambient_c", "supply_v", "odometer_km", "other"
]
SYSTEMS: tuple[str, ...] = get_args(System)
QUANTITIES: tuple[str, ...] = get_args(Quantity)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileUnit:
    """One unit the vehicle can have.

    Args:
        address: canonical address text.
        name: what people call it.
        system: which part of the vehicle it belongs to; decides whose conditions count.
        fitted: True if this vehicle has it for certain, so that its silence is a finding.
        occurrence_record: number of the extended data record that holds the occurrence counter, or None.
        extended_sizes: (record number, bytes) of its extended data records, as the maker lays them out.
    """

    address: str
    name: str
    system: System
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
class Profile:
    """A whole profile. `electric_drive` is True for a car that can move without its engine running."""

    name: str
    maker: str = ""
    model: str = ""
    electric_drive: bool = False
    units: tuple[ProfileUnit, ...] = ()
    codes: tuple[ProfileCode, ...] = ()
    identifiers: tuple[ProfileIdentifier, ...] = ()
    settings: Mapping[str, int] = field(default_factory=dict)

    def unit(self, address: str) -> ProfileUnit | None:
        """The unit at this address, or None."""
        return next((unit for unit in self.units if unit.address == address), None)

    def code(self, unit: str, code: str) -> ProfileCode | None:
        """What the profile says of this code in this unit, or None."""
        return next((item for item in self.codes if item.unit == unit and item.code == code), None)

    def identifiers_for(self, unit: str) -> dict[int, ProfileIdentifier]:
        """The identifiers that hold in this unit, by number; those naming the unit win."""
        shared = {item.number: item for item in self.identifiers if not item.units}
        return shared | {item.number: item for item in self.identifiers if unit in item.units}

    def to_payload(self) -> dict[str, Any]:
        """The profile as a journal payload: no key without a value."""
        return {key: _drop_none(value) for key, value in asdict(self).items()}

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Profile:
        """The profile of a journal payload made by `to_payload`."""
        fields = dict(payload)
        fields["units"] = tuple(
            ProfileUnit(**{**unit, "extended_sizes": tuple((n, size) for n, size in unit["extended_sizes"])})
            for unit in payload["units"]
        )
        fields["codes"] = tuple(ProfileCode(**code) for code in payload["codes"])
        fields["identifiers"] = tuple(
            ProfileIdentifier(**{**item, "units": tuple(item["units"])}) for item in payload["identifiers"]
        )
        return cls(**fields)


def _drop_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _drop_none(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, (list, tuple)):
        return [_drop_none(inner) for inner in value]
    return value


NO_PROFILE = Profile(name="no profile")

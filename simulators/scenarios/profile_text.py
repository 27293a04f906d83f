"""The profile of a scenario's vehicle: what its file says of it, written as a user would write it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from fractions import Fraction

from simulators.broadcast import Broadcast, BroadcastSignal
from simulators.monitors import When
from simulators.scenarios.vehicle import IdentifierFacts, Vehicle
from simulators.unit import UnitSpec

_OCCURRENCE_RECORD = 1

Value = str | int | bool | Mapping[str, int] | tuple[str, ...]


def profile_text(vehicle: Vehicle, scenario: str, addresses: Mapping[str, str] | None = None) -> str:
    """The TOML text of the profile. Routines are not in it: they are not there to be run by whoever opens a job.

    Args:
        vehicle: what the file says.
        scenario: its name.
        addresses: what stands for each unit's address, for a link that reaches the units by other ones.
    """
    lines = [f'# The vehicle of the scenario "{scenario}". Maker and model are invented.']
    for header, table in _tables(vehicle, addresses or {}):
        lines += ["", header, *(f"{key} = {_toml(value)}" for key, value in table.items() if value is not None)]
    return "\n".join(lines) + "\n"


def _tables(vehicle: Vehicle, written: Mapping[str, str]) -> Iterator[tuple[str, Mapping[str, Value | None]]]:
    head = {key: getattr(vehicle, key) for key in ("name", "maker", "model", "electric_drive")}
    yield "[profile]", head
    for spec in vehicle.units:
        yield "[[unit]]", _unit(spec, vehicle) | {"address": written.get(spec.address, spec.address)}
    for spec in vehicle.units:
        for test in spec.monitors:
            facts = vehicle.code_facts[spec.address, test.code]
            table: dict[str, Value | None] = {"unit": written.get(spec.address, spec.address), "code": test.code}
            # Only a test that runs whatever the car does counts as run under whatever holds at a reading.
            table |= {"text": facts.text, "continuous": test.when == When() or None}
            yield "[[code]]", table | {"about": facts.about and written.get(facts.about, facts.about)}
    for identifier in vehicle.identifiers:
        yield "[[identifier]]", _identifier(identifier, written)
    for message in vehicle.broadcasts:
        yield "[[layout]]", _message(message)
        for signal in message.signals:
            yield "[[layout.field]]", _signal(signal)


def _unit(spec: UnitSpec, vehicle: Vehicle) -> dict[str, Value | None]:
    facts = vehicle.unit_facts[spec.address]
    table: dict[str, Value | None] = {
        "address": spec.address,
        "name": spec.name,
        "system": facts.system,
        "fitted": facts.fitted,
    }
    if spec.speaks_uds:
        table |= {"occurrence_record": _OCCURRENCE_RECORD, "extended_sizes": {f"{_OCCURRENCE_RECORD:02X}": 1}}
    return table


def _identifier(facts: IdentifierFacts, written: Mapping[str, str]) -> dict[str, Value | None]:
    item = facts.measured
    return {
        "number": f"{item.number:04X}",
        "name": facts.name,
        "length": item.length,
        "signed": item.signed or None,
        "scale_num": None if item.scale_num == 1 else item.scale_num,
        "scale_den": None if item.scale_den == 1 else item.scale_den,
        "offset": item.offset or None,
        "unit": facts.unit,
        "quantity": facts.quantity,
        "units": tuple(written.get(unit, unit) for unit in facts.units) or None,
    }


def _message(message: Broadcast) -> dict[str, Value | None]:
    digits = 8 if message.is_29_bit else 3
    return {"name": message.name, "message": f"{message.can_id:0{digits}X}", "length": message.length}


def _signal(signal: BroadcastSignal) -> dict[str, Value | None]:
    return {
        "name": signal.name,
        "bit": signal.first_bit,
        "bits": signal.bits,
        "little_endian": signal.little_endian or None,
        "kind": "signed" if signal.signed else None,
        "scale_num": None if signal.scale == 1 else signal.scale.numerator,
        "scale_den": None if signal.scale.denominator == 1 else signal.scale.denominator,
        "offset": _exact(signal.offset) if signal.offset else None,
        "unit": signal.unit or None,
    }


def _exact(value: Fraction) -> int | str:
    return value.numerator if value.denominator == 1 else f"{value.numerator}/{value.denominator}"


def _toml(value: Value) -> str:
    """A value as TOML writes it. JSON's texts and numbers are TOML's as well."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{json.dumps(key)} = {number}' for key, number in value.items())} }}"
    if isinstance(value, tuple):
        return f"[{', '.join(json.dumps(item) for item in value)}]"
    return json.dumps(value, ensure_ascii=False)

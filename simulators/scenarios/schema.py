"""The tables of a scenario file: which keys each has, and how their values are read.

`docs/scenarios.md` explains each key; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from simulators.broadcast import LAMP_MARK
from simulators.live_data import COMPRESSION_MONITORS, CONTINUOUS, PARAMETERS, SPARK_MONITORS
from simulators.measured import VALUES
from simulators.monitors import When
from simulators.scenarios import fields as read
from simulators.scenarios.fields import Field, Node, Reader, optional, required
from simulators.unit import ROUTINE_CONTROL, USUAL_SERVICES

SYSTEMS = ("powertrain", "chassis", "body", "network")
QUANTITIES = (
    *("engine_rpm", "load_percent", "coolant_c", "road_kmh", "ambient_c"),
    *("supply_v", "odometer_km", "other"),
)

_DAY_S = 86_400
_MOST_KM = 2_000_000
_MOST = 2**53 - 1
_SERVICES = sorted((*USUAL_SERVICES, ROUTINE_CONTROL))


class Row(NamedTuple):
    """A table of a list of tables: its place and what was read of it."""

    node: Node
    values: dict[str, Any]


def rows(fields: Mapping[str, Field]) -> Reader:
    """A list of tables."""
    return lambda node: tuple(Row(row, row.table(fields)) for row in node.rows())


WHEN: Mapping[str, Field] = {
    "key": optional(read.one_of(("on", "off")), "on"),
    "engine": optional(read.one_of(("running", "off"))),
    "min_kmh": optional(read.integer(0, 300), 0),
    "max_kmh": optional(read.integer(0, 300)),
    "min_coolant_c": optional(read.integer(-40, 150)),
    "max_coolant_c": optional(read.integer(-40, 150)),
    "min_run_s": optional(read.integer(0, _DAY_S), 0),
    "min_key_s": optional(read.integer(0, _DAY_S), 0),
}


def when(node: Node) -> When:
    """The conditions under which something may run."""
    values = node.table(WHEN)
    key, engine = values.pop("key"), values.pop("engine")
    if key == "off" and engine == "running":
        node.fail("no engine runs while the key is off", "engine")
    return When(key_off=key == "off", engine=engine == "running", engine_off=engine == "off", **values)


def _parameter(node: Node) -> int:
    number: int = read.number(0xFF)(node)
    if number not in PARAMETERS:
        known = ", ".join(f"{each:02X}" for each in PARAMETERS)
        node.fail(f"parameter {number:02X} is not one that the bench measures: {known}")
    return number


def _service(node: Node) -> int:
    number: int = read.number(0xFF)(node)
    if number not in _SERVICES:
        node.fail(
            f"service {number:02X} is not one that the bench has: {', '.join(f'{s:02X}' for s in sorted(_SERVICES))}"
        )
    return number


def _signals(node: Node) -> dict[str, str]:
    """What each signal of a message shows: a value of the world, or a unit's lamp."""
    if not isinstance(node.value, dict):
        node.fail("must be a table")
    kept: dict[str, str] = {}
    for name, value in node.value.items():
        place = node.at(name, value)
        shown = read.text(place)
        kept[name] = (
            LAMP_MARK + read.address(Node(shown.removeprefix(LAMP_MARK), place.path, place.source))
            if shown.startswith(LAMP_MARK)
            else read.one_of((*VALUES, f"{LAMP_MARK}ADDRESS"))(place)
        )
    return kept


SCENARIO: Mapping[str, Field] = {"about": required(read.text)}
SINCE_CLEAR: Mapping[str, Field] = {
    "warm_ups": optional(read.integer(0, 255), 0),
    "distance_km": optional(read.integer(0, _MOST_KM), 0),
    "run_h": optional(read.integer(0, 50_000), 0),
}
VEHICLE: Mapping[str, Field] = {
    "name": required(read.text),
    "maker": optional(read.text),
    "model": optional(read.text),
    "vin": required(read.shaped(read.VIN)),
    "electric_drive": optional(read.boolean, default=False),
    "odometer_km": required(read.integer(0, _MOST_KM)),
    "ambient_c": optional(read.integer(-30, 45), 14),
    "since_clear": required(read.sub(SINCE_CLEAR)),
    "broadcast": optional(read.shaped(read.FILE)),
}
OBD: Mapping[str, Field] = {
    "parameters": required(read.each(_parameter)),
    "over_uds": optional(read.boolean, default=False),
    "permanent": optional(read.boolean, default=False),
    "ignition": optional(read.one_of(("spark", "compression")), "spark"),
    "vin": optional(read.boolean, default=False),
    "calibration": optional(read.short(16)),
    "verification": optional(read.hex_bytes(4)),
    "acronym": optional(read.short(4)),
    "title": optional(read.short(15)),
}
CODE: Mapping[str, Field] = {
    "code": required(read.shaped(read.CODE)),
    "text": required(read.text),
    "component": optional(read.shaped(read.PART)),
    "lost_unit": optional(read.address),
    "also": optional(read.each(read.shaped(read.PART)), ()),
    "about": optional(read.address),
    "when": optional(when, When()),
    "debounce_s": required(read.integer(1, _DAY_S)),
    "trips": optional(read.integer(1, 20), 1),
    "lamp": optional(read.boolean, default=False),
    "aging_cycles": optional(read.integer(0, 255), 40),
    "aging_by": optional(read.one_of(("cycles", "warm-ups")), "cycles"),
    "aging_ends_failed_since_clear": optional(read.boolean, default=False),
    "similar_conditions": optional(read.boolean, default=False),
    "in_use_ratio": optional(read.boolean, default=False),
    "permanent": optional(read.boolean, default=False),
    "readiness": optional(read.one_of(dict.fromkeys((*CONTINUOUS, *SPARK_MONITORS, *COMPRESSION_MONITORS)))),
}
ROUTINE: Mapping[str, Field] = {
    "number": required(read.number(0xFFFF)),
    "name": required(read.text),
    "needs": optional(when, When()),
    "session": optional(read.one_of(("01", "03")), "01"),
    "runs_s": optional(read.integer(0, _DAY_S), 0),
    "repairs": optional(read.each(read.shaped(read.PART)), ()),
    "breaks": optional(read.each(read.shaped(read.PART)), ()),
    "clears": optional(read.each(read.shaped(read.CODE)), ()),
}
UNIT: Mapping[str, Field] = {
    "address": required(read.address),
    "name": required(read.text),
    "system": optional(read.one_of(SYSTEMS)),
    "fitted": optional(read.boolean, default=True),
    "can_fd": optional(read.boolean, default=False),
    "doip": optional(read.number(0xFFFF)),
    "uds": optional(read.boolean, default=True),
    "services": optional(read.each(_service)),
    "identification": optional(read.by_number(0xFFFF, read.raw), ()),
    "tells_vin": optional(read.boolean, default=True),
    "snapshot": optional(read.each(read.number(0xFFFF)), ()),
    "obd": optional(read.sub(OBD)),
    "mask": optional(read.number(0xFF), 0xFF),
    "lists_supported": optional(read.boolean, default=True),
    "lists_untested": optional(read.boolean, default=True),
    "lists_all": optional(read.boolean, default=True),
    "keeps_latest": optional(read.boolean, default=False),
    "idle_clears": optional(read.integer(0, 100), 0),
    "electronics": optional(read.shaped(read.PART)),
    "supply": optional(read.shaped(read.PART)),
    "volatile": optional(read.boolean, default=False),
    "code": optional(rows(CODE), ()),
    "routine": optional(rows(ROUTINE), ()),
}
SERIES: Mapping[str, Field] = {
    "count": required(read.integer(1, 0x100)),
    "first": required(read.integer(0, 0xFF)),
    "step": optional(read.integer(1, 0xFF), 1),
}
IDENTIFIER: Mapping[str, Field] = {
    "number": required(read.number(0xFFFF)),
    "name": required(read.text),
    "value": required(read.one_of(VALUES)),
    "length": required(read.integer(1, 8)),
    "signed": optional(read.boolean, default=False),
    "scale_num": optional(read.integer(-_MOST, _MOST, but_not=0), 1),
    "scale_den": optional(read.integer(1, _MOST), 1),
    "offset": optional(read.integer(-_MOST, _MOST), 0),
    "unit": optional(read.text),
    "quantity": optional(read.one_of(QUANTITIES), "other"),
    "units": optional(read.each(read.address), ()),
}
COMPONENT: Mapping[str, Field] = {
    "name": required(read.shaped(read.PART)),
    "loose_when": optional(when),
    "every_km": optional(read.integer(1, _MOST_KM)),
    "due_in_km": optional(read.integer(0, _MOST_KM)),
    "every_days": optional(read.integer(1, 10_000)),
    "due_in_days": optional(read.integer(0, 10_000)),
}
DONOR: Mapping[str, Field] = {
    "name": required(read.shaped(read.PART)),
    "unit": required(read.address),
    "vin": required(read.shaped(read.VIN)),
    "identification": optional(read.by_number(0xFFFF, read.raw), ()),
    "odometer_km": required(read.integer(0, _MOST_KM)),
    "codes": optional(read.each(read.shaped(read.CODE)), ()),
}
MISHAP: Mapping[str, Field] = {
    "after": required(read.text),
    "then": required(lambda node: tuple((row, read.text(row)) for row in node.rows())),
}
BROADCAST: Mapping[str, Field] = {
    "message": required(read.text),
    "cycle_ms": optional(read.integer(1, 3_600_000)),
    "signals": required(_signals),
}
STORY: Mapping[str, Field] = {"steps": required(lambda node: tuple((row, read.text(row)) for row in node.rows()))}
ROOT: Mapping[str, Field] = {
    "scenario": required(read.sub(SCENARIO)),
    "vehicle": required(read.sub(VEHICLE)),
    "identifier": optional(rows(IDENTIFIER), ()),
    "unit": optional(rows(UNIT), ()),
    "unit_series": optional(Node.rows, ()),
    "component": optional(rows(COMPONENT), ()),
    "donor": optional(rows(DONOR), ()),
    "mishap": optional(rows(MISHAP), ()),
    "broadcast": optional(rows(BROADCAST), ()),
    "story": required(read.sub(STORY)),
}

"""A [[unit]] of a scenario file becomes what a maker built; a [[unit_series]] becomes many of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simulators.fault_memory import FaultRule
from simulators.live_data import COMPRESSION_MONITORS, CONTINUOUS, PARAMETERS, SPARK_MONITORS
from simulators.monitors import MonitorSpec
from simulators.routines import RoutineSpec
from simulators.scenarios import schema
from simulators.scenarios.fields import Node
from simulators.scenarios.schema import Row
from simulators.scenarios.vehicle import CodeFacts, IdentifierFacts, UnitFacts
from simulators.unit import ROUTINE_CONTROL, USUAL_SERVICES, UnitSpec

_VIN = 0xF190
_PLACE = "{n}"
# Keys that a unit's specification takes as they stand in the file.
_TAKEN_OVER = (
    *("address", "name", "can_fd", "doip", "mask", "lists_supported", "lists_untested", "lists_all"),
    *("keeps_latest", "idle_clears", "electronics", "supply", "volatile"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """A unit, and what a profile says of it and of its codes."""

    spec: UnitSpec
    facts: UnitFacts
    codes: dict[str, CodeFacts]


def fill_series(node: Node) -> list[Row]:
    """The units of a series: as many, with each ``{n}`` in a text replaced by the unit's number in two hex digits."""
    if not isinstance(node.value, dict):
        node.fail("must be written with two brackets: [[unit_series]]")
    how_many = {key: value for key, value in node.value.items() if key in schema.SERIES}
    row = Node(how_many, node.path, node.source).table(schema.SERIES)
    last = row["first"] + (row["count"] - 1) * row["step"]
    if last > 0xFF:
        node.fail(f"the last number would be {last:X}; two hex digits hold no more than FF", "count")
    bare = {key: value for key, value in node.value.items() if key not in schema.SERIES}
    rows = []
    for nth in range(row["first"], last + 1, row["step"]):
        filled = Node(_filled(bare, f"{nth:02X}"), node.path, node.source)
        rows.append(Row(filled, filled.table(schema.UNIT)))
    return rows


def _filled(value: Any, number: str) -> Any:
    if isinstance(value, dict):
        return {key: _filled(inner, number) for key, inner in value.items()}
    if isinstance(value, list):
        return [_filled(inner, number) for inner in value]
    return value.replace(_PLACE, number) if isinstance(value, str) else value


def build_unit(row: Row, vin: str, identifiers: tuple[IdentifierFacts, ...]) -> Built:
    """One unit.

    Args:
        row: its table.
        vin: the vehicle's.
        identifiers: the maker's own data identifiers.

    Raises:
        BenchError: its keys do not fit together.
    """
    values, obd = row.values, row.values["obd"]
    if not values["uds"] and obd is None:
        row.node.fail("a unit without UDS needs [unit.obd]: it would have no service", "uds")
    own = [one.measured for one in identifiers if not one.units or values["address"] in one.units]
    measured = tuple(own) if values["uds"] else ()
    for nth, number in enumerate(values["snapshot"]):
        if all(one.number != number for one in measured) and (number >> 8 != 0xF4 or number & 0xFF not in PARAMETERS):
            row.node.fail(
                f"{number:04X} is neither an [[identifier]] of this unit nor F4 with a parameter", "snapshot", nth
            )
    monitors = tuple(_monitor(code, obd) for code in _unlike(values["code"], "code"))
    routines = tuple(_routine(one, monitors) for one in _unlike(values["routine"], "number"))
    usual = USUAL_SERVICES | ({ROUTINE_CONTROL} if routines else frozenset())
    services = usual if values["services"] is None else frozenset(values["services"])
    if routines and ROUTINE_CONTROL not in services:
        row.node.fail("a unit with routines needs service 31", "services")
    spec = UnitSpec(
        **{key: values[key] for key in _TAKEN_OVER},
        speaks_uds=values["uds"],
        services=services,
        identity=_identity(values, vin),
        snapshot_identifiers=values["snapshot"],
        monitors=monitors,
        routines=routines,
        measured=measured,
        **({} if obd is None else _emissions(obd, vin)),
    )
    facts = UnitFacts(system=values["system"], fitted=values["fitted"])
    return Built(spec=spec, facts=facts, codes={code.values["code"]: _code_facts(code) for code in values["code"]})


def _unlike(rows: tuple[Row, ...], key: str) -> tuple[Row, ...]:
    """The rows, none of which has the same value under a key as another."""
    seen: set[Any] = set()
    for row in rows:
        if row.values[key] in seen:
            row.node.fail(f"{row.node.value[key]} is there twice", key)
        seen.add(row.values[key])
    return rows


def _identity(values: dict[str, Any], vin: str) -> tuple[tuple[int, bytes], ...]:
    """Identification by number. Source: ISO 14229-1, Annex C; F190 is the VIN."""
    if not values["uds"]:
        return ()
    own = {_VIN: vin.encode()} if values["tells_vin"] else {}
    return tuple(sorted({**own, **dict(values["identification"])}.items()))


def _emissions(obd: dict[str, Any], vin: str) -> dict[str, Any]:
    """What [unit.obd] says: parameters, and the information of service 09 (SAE J1979: 02, 04, 06, 0A)."""
    items: dict[int, bytes] = {}
    if obd["vin"]:
        items[0x02] = vin.encode()
    if obd["calibration"] is not None:
        items[0x04] = obd["calibration"].encode().ljust(16, b"\0")
    if obd["verification"] is not None:
        items[0x06] = obd["verification"]
    if obd["acronym"] is not None or obd["title"] is not None:
        acronym, title = ((obd[key] or "").encode() for key in ("acronym", "title"))
        items[0x0A] = acronym.ljust(4, b"\0") + b"-" + title.ljust(15, b"\0")
    return {
        "parameters": obd["parameters"],
        "information": tuple((number, (data,)) for number, data in items.items()),
        "obd_on_uds": obd["over_uds"],
        "reports_permanent": obd["permanent"],
        "compression": obd["ignition"] == "compression",
    }


def _monitor(row: Row, obd: dict[str, Any] | None) -> MonitorSpec:
    values = row.values
    if (values["component"] is None) == (values["lost_unit"] is None):
        row.node.fail("a code needs either component or lost_unit", "component")
    if values["permanent"] and not values["lamp"]:
        row.node.fail("a permanent copy is kept of codes with lamp = true alone", "permanent")
    readiness = values["readiness"]
    if readiness is not None:
        if obd is None:
            row.node.fail("needs [unit.obd]: no other unit tells its readiness", "readiness")
        known = (*CONTINUOUS, *(COMPRESSION_MONITORS if obd["ignition"] == "compression" else SPARK_MONITORS))
        if readiness not in known:
            row.node.fail(f"an engine with {obd['ignition']} ignition has no monitor '{readiness}'", "readiness")
    return MonitorSpec(
        code=values["code"],
        component=values["component"] or values["lost_unit"],
        also=values["also"],
        when=values["when"],
        debounce_s=values["debounce_s"],
        rule=FaultRule(
            trips=values["trips"],
            lamp=values["lamp"],
            ageing_cycles=values["aging_cycles"] or None,
            ageing_by_warm_ups=values["aging_by"] == "warm-ups",
            ageing_ends_failed_since_clear=values["aging_ends_failed_since_clear"],
            similar_conditions=values["similar_conditions"],
            in_use_ratio=values["in_use_ratio"],
            permanent=values["permanent"],
        ),
        readiness=readiness,
    )


def _code_facts(row: Row) -> CodeFacts:
    return CodeFacts(text=row.values["text"], about=row.values["about"] or row.values["lost_unit"])


def _routine(row: Row, monitors: tuple[MonitorSpec, ...]) -> RoutineSpec:
    values = dict(row.values)
    for nth, code in enumerate(values["clears"]):
        if all(one.code != code for one in monitors):
            row.node.fail(f"this unit has no code {code}", "clears", nth)
    return RoutineSpec(**{**values, "session": int(values["session"], 16)})

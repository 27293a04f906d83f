"""What a unit measures and tells of the moment: OBD parameters and data identifiers, and snapshots of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from simulators.fault_memory import (
    CONFIRMED,
    NOT_COMPLETED_SINCE_CLEAR,
    NOT_COMPLETED_THIS_CYCLE,
    Snapshot,
)
from simulators.unit import Unit
from simulators.world import World

# SAE J1979, parameter 01: bits of data byte B, then bits of bytes C and D by the way the engine ignites.
CONTINUOUS = ("misfire", "fuel", "components")
_COMPRESSION_BIT = 0x08
SPARK_MONITORS = {
    "catalyst": 0,
    "heated_catalyst": 1,
    "tank_vent": 2,
    "secondary_air": 3,
    "oxygen_sensor": 5,
    "oxygen_sensor_heater": 6,
    "recirculation": 7,
}
COMPRESSION_MONITORS = {
    "catalyst": 0,
    "nitrogen_oxides": 1,
    "boost_pressure": 3,
    "exhaust_gas_sensor": 5,
    "particle_filter": 6,
    "recirculation": 7,
}
# Complete from the start, as in many spark-ignition units: no evidence of anything.
_ALWAYS_COMPLETE = "components"


def _word(value: int) -> bytes:
    return min(value, 0xFFFF).to_bytes(2, "big")


def _of_255(percent: int) -> bytes:
    return bytes([min(255, (percent * 255 + 50) // 100)])


def _monitors(unit: Unit, bit: int) -> tuple[int, int, int]:
    """Readiness as bytes B, C, D: which monitors there are, and which have `bit` (not completed) set."""
    byte_b, byte_c, byte_d = _COMPRESSION_BIT if unit.spec.compression else 0, 0, 0
    open_names = {m.spec.readiness for m in unit.monitors.values() if m.fault.has(bit)}
    names = {m.spec.readiness for m in unit.monitors.values()} | {_ALWAYS_COMPLETE}
    for position, name in enumerate(CONTINUOUS):
        if name in names:
            byte_b |= 1 << position | (1 << position + 4 if name in open_names else 0)
    for name, position in (COMPRESSION_MONITORS if unit.spec.compression else SPARK_MONITORS).items():
        if name in names:
            byte_c |= 1 << position
            byte_d |= 1 << position if name in open_names else 0
    return byte_b, byte_c, byte_d


def _since_clear(unit: Unit, _world: World) -> bytes:
    lamp = 0x80 if unit.lamp_on else 0
    count = len(unit.short_codes(lambda fault: fault.has(CONFIRMED)))
    return bytes([lamp | count, *_monitors(unit, NOT_COMPLETED_SINCE_CLEAR)])


def _this_cycle(unit: Unit, _world: World) -> bytes:
    return bytes([0, *_monitors(unit, NOT_COMPLETED_THIS_CYCLE)])


PARAMETERS: Mapping[int, Callable[[Unit, World], bytes]] = {
    0x01: _since_clear,
    0x04: lambda _, world: _of_255(world.load_percent),
    0x05: lambda _, world: bytes([world.coolant_c + 40]),
    0x0C: lambda _, world: _word(world.rpm * 4),
    0x0D: lambda _, world: bytes([min(255, world.speed_kmh)]),
    0x1C: lambda _, __: b"\x06",
    0x1F: lambda _, world: _word(world.run_s),
    0x21: lambda unit, _: _word(unit.counters.lamp_path_kmh_s // 3600),
    0x30: lambda unit, _: bytes([min(255, unit.counters.warm_ups)]),
    0x31: lambda unit, _: _word(unit.counters.path_kmh_s // 3600),
    0x41: _this_cycle,
    0x42: lambda _, world: _word(world.supply_mv),
    0x46: lambda _, world: bytes([world.ambient_c + 40]),
    0x4D: lambda unit, _: _word(unit.counters.lamp_run_s // 60),
    0x4E: lambda unit, _: _word(unit.counters.run_s // 60),
    0xA6: lambda _, world: (world.path_kmh_s // 360).to_bytes(4, "big"),
}
"""OBD parameter -> its bytes, as SAE J1979 scales them."""


def parameter(unit: Unit, world: World, number: int) -> bytes:
    """The bytes of one parameter, as SAE J1979 scales it."""
    return PARAMETERS[number](unit, world)


def identifier(unit: Unit, world: World, number: int) -> bytes:
    """The present value behind a data identifier that this unit knows: one of the maker's own, or F4xx.

    F4xx carry the bytes of OBD parameter xx. Source: SAE J1979-2, identifiers F400 to F4FF.
    """
    for item in unit.spec.measured:
        if item.number == number:
            return item.encode(world)
    return parameter(unit, world, number & 0xFF)


def take_snapshot(unit: Unit, world: World) -> Snapshot:
    """The conditions of this moment, as this unit keeps them."""
    return tuple((number, identifier(unit, world, number)) for number in unit.spec.snapshot_identifiers)

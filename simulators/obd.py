"""The services of SAE J1979 that the bench's units know: 01, 03, 04, 07, 09, 0A."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulators import wire
from simulators.fault_memory import (
    CONFIRMED,
    NOT_COMPLETED_SINCE_CLEAR,
    NOT_COMPLETED_THIS_CYCLE,
    PENDING,
)
from simulators.world import AMBIENT_C, World

if TYPE_CHECKING:
    from simulators.unit import Unit

_PARAMETERS_PER_REQUEST = 6
_BITMAPS = (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0)
# SAE J1979, parameter 01 of a spark-ignition engine: bits of data byte B, then bits of bytes C and D.
_CONTINUOUS = ("misfire", "fuel", "components")
_ONCE = {"catalyst": 0, "tank_vent": 2, "oxygen_sensor": 5, "oxygen_sensor_heater": 6, "recirculation": 7}
# Complete from the start, as in many spark-ignition units: no evidence of anything.
_ALWAYS_COMPLETE = "components"

Handler = Callable[["Unit", World, bytes, bool], bytes | None]


@dataclass(slots=True, kw_only=True)
class Counters:
    """What a unit counts since its memory was last cleared.

    Args:
        warm_ups: warm-up cycles.
        path_kmh_s: way travelled, km/h times seconds.
        run_s: seconds with the engine running.
        lamp_path_kmh_s: way travelled with the lamp on.
        lamp_run_s: seconds with the engine running and the lamp on.
    """

    warm_ups: int = 0
    path_kmh_s: int = 0
    run_s: int = 0
    lamp_path_kmh_s: int = 0
    lamp_run_s: int = 0
    _counted_warm_up: bool = False
    _lamp_was_on: bool = False

    def step(self, world: World, lamp_on: bool) -> None:
        """Account for the second that just passed."""
        if lamp_on and not self._lamp_was_on:
            self.lamp_path_kmh_s = self.lamp_run_s = 0
        self._lamp_was_on = lamp_on
        if world.warmed_up and not self._counted_warm_up:
            self.warm_ups += 1
        self._counted_warm_up = world.warmed_up
        if world.engine_on:
            self.run_s += 1
            self.path_kmh_s += world.speed_kmh
            if lamp_on:
                self.lamp_run_s += 1
                self.lamp_path_kmh_s += world.speed_kmh

    def reset(self) -> None:
        """The memory was cleared. A warm-up already made in this drive does not count again."""
        self.warm_ups = self.path_kmh_s = self.run_s = self.lamp_path_kmh_s = self.lamp_run_s = 0
        self._lamp_was_on = False


def _word(value: int) -> bytes:
    return min(value, 0xFFFF).to_bytes(2, "big")


def _of_255(percent: int) -> bytes:
    return bytes([min(255, (percent * 255 + 50) // 100)])


def _codes_with(unit: Unit, bits: int) -> list[str]:
    return _once(code for code, monitor in unit.monitors.items() if monitor.fault.has(bits))


def _once(codes: Iterable[str]) -> list[str]:
    """Two-byte codes, each only once: OBD services know no failure types."""
    return list(dict.fromkeys(code[:5] for code in codes))


def _monitors(unit: Unit, bit: int) -> tuple[int, int, int]:
    """Readiness as bytes B, C, D: which monitors there are, and which have `bit` (not completed) set."""
    byte_b = byte_c = byte_d = 0
    open_names = {m.spec.readiness for m in unit.monitors.values() if m.fault.has(bit)}
    names = {m.spec.readiness for m in unit.monitors.values()} | {_ALWAYS_COMPLETE}
    for position, name in enumerate(_CONTINUOUS):
        if name in names:
            byte_b |= 1 << position | (1 << position + 4 if name in open_names else 0)
    for name, position in _ONCE.items():
        if name in names:
            byte_c |= 1 << position
            byte_d |= 1 << position if name in open_names else 0
    return byte_b, byte_c, byte_d


def _since_clear(unit: Unit, _world: World) -> bytes:
    lamp = 0x80 if unit.lamp_on else 0
    count = len(_codes_with(unit, CONFIRMED))
    return bytes([lamp | count, *_monitors(unit, NOT_COMPLETED_SINCE_CLEAR)])


def _this_cycle(unit: Unit, _world: World) -> bytes:
    return bytes([0, *_monitors(unit, NOT_COMPLETED_THIS_CYCLE)])


_PARAMETERS: Mapping[int, Callable[[Unit, World], bytes]] = {
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
    0x46: lambda _, __: bytes([AMBIENT_C + 40]),
    0x4D: lambda unit, _: _word(unit.counters.lamp_run_s // 60),
    0x4E: lambda unit, _: _word(unit.counters.run_s // 60),
    0xA6: lambda _, world: (world.path_kmh_s // 360).to_bytes(4, "big"),
}


def parameter(unit: Unit, world: World, number: int) -> bytes:
    """The bytes of one parameter, as SAE J1979 scales it."""
    return _PARAMETERS[number](unit, world)


def _parameter_or_bitmap(unit: Unit, world: World, number: int) -> bytes | None:
    supported = unit.spec.parameters
    if number in supported:
        return parameter(unit, world, number)
    reachable = [base for base in _BITMAPS if base == 0 or any(known > base for known in supported)]
    if number in reachable:
        return wire.support_bitmap(number, (*supported, *reachable[1:]))
    return None


def _current_data(unit: Unit, world: World, request: bytes, functional: bool) -> bytes | None:
    asked = request[1:]
    if not 1 <= len(asked) <= _PARAMETERS_PER_REQUEST:
        return None if functional else wire.negative(0x01, wire.WRONG_LENGTH)
    found = ((number, _parameter_or_bitmap(unit, world, number)) for number in asked)
    items = [(number, data) for number, data in found if data is not None]
    return wire.current_data(items) if items else wire.negative(0x01, wire.SUB_FUNCTION_NOT_SUPPORTED)


def _emission_codes(unit: Unit, _world: World, request: bytes, functional: bool) -> bytes | None:
    service = request[0]
    if service == 0x0A and not unit.spec.reports_permanent:
        return wire.negative(service, wire.SERVICE_NOT_SUPPORTED)
    if len(request) != 1:
        return None if functional else wire.negative(service, wire.WRONG_LENGTH)
    if service == 0x0A:
        codes = _once(code for code, monitor in unit.monitors.items() if monitor.fault.is_permanent)
    else:
        codes = _codes_with(unit, CONFIRMED if service == 0x03 else PENDING)
    return wire.emission_codes(service, codes)


def _clear(unit: Unit, world: World, request: bytes, functional: bool) -> bytes | None:
    if len(request) != 1:
        return None if functional else wire.negative(0x04, wire.WRONG_LENGTH)
    if not world.standing_engine_off:
        return wire.negative(0x04, wire.CONDITIONS_NOT_CORRECT)
    unit.clear(tuple(unit.monitors))
    return wire.emission_cleared()


def _information(unit: Unit, _world: World, request: bytes, functional: bool) -> bytes | None:
    if len(request) != 2:
        return None if functional else wire.negative(0x09, wire.WRONG_LENGTH)
    known = dict(unit.spec.information)
    if request[1] == 0x00:
        return wire.vehicle_information_support(wire.support_bitmap(0, known))
    if request[1] not in known:
        return wire.negative(0x09, wire.SUB_FUNCTION_NOT_SUPPORTED)
    return wire.vehicle_information(request[1], known[request[1]])


SERVICES: Mapping[int, Handler] = {
    0x01: _current_data,
    0x03: _emission_codes,
    0x04: _clear,
    0x07: _emission_codes,
    0x09: _information,
    0x0A: _emission_codes,
}

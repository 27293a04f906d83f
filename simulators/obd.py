"""The services of SAE J1979 that the bench's units know: 01, 03, 04, 07, 09, 0A."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from simulators import live_data, wire
from simulators.fault_memory import CONFIRMED, PENDING
from simulators.unit import Unit
from simulators.world import World

_PARAMETERS_PER_REQUEST = 6
_BITMAPS = (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0)

Handler = Callable[[Unit, World, bytes, bool], bytes | None]


def _parameter_or_bitmap(unit: Unit, world: World, number: int) -> bytes | None:
    supported = unit.spec.parameters
    if number in supported:
        return live_data.parameter(unit, world, number)
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
        codes = unit.short_codes(lambda fault: fault.is_permanent)
    else:
        bit = CONFIRMED if service == 0x03 else PENDING
        codes = unit.short_codes(lambda fault: fault.has(bit))
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

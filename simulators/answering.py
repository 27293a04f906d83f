"""A request in, the answers out: which service of a unit takes a request, and when the unit keeps quiet."""

from __future__ import annotations

from simulators import obd, uds, wire
from simulators.unit import Unit
from simulators.world import World

QUIET_TO_ALL = frozenset({0x11, 0x12, 0x31, 0x7E, 0x7F})
"""Refusals that a unit keeps to itself when everyone was asked. Source: ISO 14229-1, functional addressing."""


def answer(unit: Unit, request: bytes, world: World, *, functional: bool = False, at_ms: int = 0) -> list[bytes]:
    """What the unit sends back: nothing, or one message.

    Args:
        unit: the unit that was asked.
        request: the payload.
        world: the car as it is now.
        functional: True if everyone was asked.
        at_ms: machine time, for the session's time-out alone.
    """
    if not world.key_on or not unit.is_live or not request:
        return []
    unit.hear(at_ms)
    reply = _handle(unit, request, world, functional)
    if reply is None or (functional and reply[0] == 0x7F and reply[2] in QUIET_TO_ALL):
        return []
    return [reply]


def _handle(unit: Unit, request: bytes, world: World, functional: bool) -> bytes | None:
    service = request[0]
    if unit.spec.speaks_uds and service in uds.SERVICES:
        return uds.SERVICES[service](unit, world, request)
    if unit.spec.speaks_obd and service in obd.SERVICES:
        return obd.SERVICES[service](unit, world, request, functional)
    return wire.negative(service, wire.SERVICE_NOT_SUPPORTED)

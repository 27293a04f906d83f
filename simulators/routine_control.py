"""RoutineControl, service 31 of ISO 14229-1, as the bench's units know it."""

from __future__ import annotations

from simulators import wire
from simulators.routines import RoutineSpec, RunState
from simulators.unit import Unit
from simulators.world import World

SUPPRESS = 0x80
_SERVICE = 0x31
_START, _STOP, _RESULTS = 0x01, 0x02, 0x03
_SEQUENCE_ERROR = 0x24


def unless_suppressed(request: bytes, reply: bytes) -> bytes | None:
    """The reply, unless it is positive and the request's bit 7 asks to keep it back."""
    return None if request[1] & SUPPRESS and reply[0] != 0x7F else reply


def routine_control(unit: Unit, world: World, request: bytes) -> bytes | None:
    """Start a routine, stop it, or say how it stands: finished 00, running 01, stopped 02 (a layout of our own).

    The order of checks follows ISO 14229-1: length, sub-function, identifier, sequence, conditions.
    """
    if len(request) < 4:
        return wire.negative(_SERVICE, wire.WRONG_LENGTH)
    kind, number = request[1] & ~SUPPRESS, int.from_bytes(request[2:4], "big")
    if kind not in (_START, _STOP, _RESULTS):
        return wire.negative(_SERVICE, wire.SUB_FUNCTION_NOT_SUPPORTED)
    if len(request) != 4:
        return wire.negative(_SERVICE, wire.WRONG_LENGTH)
    known = (one for one in unit.spec.routines if one.session in (0x01, unit.session))
    routine = next((one for one in known if one.number == number), None)
    if routine is None:
        return wire.negative(_SERVICE, wire.OUT_OF_RANGE)
    unit.check_run(world)
    return unless_suppressed(request, _carry_out(unit, world, routine, kind))


def _carry_out(unit: Unit, world: World, routine: RoutineSpec, kind: int) -> bytes:
    run = unit.run if unit.run is not None and unit.run.spec == routine else None
    is_running = run is not None and run.state is RunState.RUNNING
    if kind == _START:
        busy = unit.run is not None and unit.run.state is RunState.RUNNING
        if busy or not routine.needs.holds(world):
            return wire.negative(_SERVICE, wire.CONDITIONS_NOT_CORRECT)
        unit.start(routine, world)
    elif run is None or (kind == _STOP and not is_running):
        return wire.negative(_SERVICE, _SEQUENCE_ERROR)
    elif kind == _STOP:
        run.state = RunState.STOPPED
    told = bytes([run.state]) if kind == _RESULTS and run is not None else b""
    return bytes([_SERVICE + wire.POSITIVE, kind]) + routine.number.to_bytes(2, "big") + told

"""Short plans: live values, a read-back after a clear, one round while the car moves."""

from __future__ import annotations

from collections.abc import Generator

from decoders.values import Exchange, Outcome, Request
from sessions.plan.unit import (
    ACTIVE_SESSION,
    CODE_LIST,
    OBD_PENDING,
    OBD_STORED,
    SUPPORTED_CODES,
    Plan,
)

ENGINE_SPEED, ROAD_SPEED = 0x0C, 0x0D


def plan_live(unit: str, pids: tuple[int, ...]) -> Plan:
    """Read live values of one unit, one identifier a request: every unit understands that."""
    for pid in pids:
        yield Request(unit, bytes([0x01, pid]))


def _plan_live_while_awake(unit: str, pids: tuple[int, ...]) -> Generator[Request, Exchange, bool]:
    """The same, ended by the first silence: a sleeping unit need not be asked for each value in turn."""
    for pid in pids:
        exchange = yield Request(unit, bytes([0x01, pid]))
        if exchange.outcome is Outcome.SILENT:
            return False
    return True


def plan_standstill(unit: str) -> Plan:
    """Engine speed and road speed, read just before something that needs a standing car."""
    yield from plan_live(unit, (ENGINE_SPEED, ROAD_SPEED))


def plan_read_back(unit: str, *, obd: bool) -> Plan:
    """Read a unit's codes at once after a clear, before its tests have had time to run."""
    yield Request(unit, CODE_LIST)
    yield Request(unit, SUPPORTED_CODES)
    if obd:
        yield Request(unit, OBD_STORED)
        yield Request(unit, OBD_PENDING)


def plan_round(unit: str, *, live: tuple[int, ...], codes: bool) -> Plan:
    """One round of watching: live values first, then the status of codes; the first silence ends it.

    Args:
        unit: the unit asked.
        live: service 01 identifiers to read.
        codes: True to read the status of its codes.
    """
    awake = yield from _plan_live_while_awake(unit, live)
    if not codes or not awake:
        return
    session = yield Request(unit, ACTIVE_SESSION)
    if session.outcome is Outcome.SILENT:
        return
    supported = yield Request(unit, SUPPORTED_CODES)
    if supported.outcome is not Outcome.ANSWERED:
        yield Request(unit, CODE_LIST)

"""Short plans: live values, a read-back after a clear, one round while the car moves."""

from __future__ import annotations

from collections.abc import Generator

from decoders.values import Exchange, Outcome, Request
from sessions.obd_values import asked_values, told_values, value_request, value_requests
from sessions.plan.unit import (
    ACTIVE_SESSION,
    CODE_LIST,
    EMISSION_CODES,
    OBD_PENDING,
    OBD_STORED,
    SUPPORTED_CODES,
    Plan,
)


def plan_live(unit: str, numbers: tuple[int, ...]) -> Plan:
    """Read live values of one unit, as many in a request as fit; what it did not tell so is asked for alone.

    Source: SAE J1979 on CAN, several PIDs in one request; a unit leaves out what it does not have.
    """
    for request in value_requests(numbers):
        exchange = yield Request(unit, request)
        for number in _untold(exchange):
            yield Request(unit, value_request(number))


def _untold(exchange: Exchange) -> tuple[int, ...]:
    """The values that a request for several did not bring."""
    asked = asked_values(exchange.request)
    if len(asked) == 1:
        return ()
    data = exchange.positive
    told = set() if data is None else {number for number, _value in told_values(exchange.request, data)}
    return tuple(number for number in asked if number not in told)


def _plan_live_while_awake(unit: str, numbers: tuple[int, ...]) -> Generator[Request, Exchange, bool]:
    """The same, ended by the first silence: a sleeping unit need not be asked for each value in turn."""
    for request in value_requests(numbers):
        exchange = yield Request(unit, request)
        for number in _untold(exchange):
            # A unit that is silent to several at once may be one that knows them one by one only.
            exchange = yield Request(unit, value_request(number))
            if exchange.outcome is Outcome.SILENT:
                return False
        if exchange.outcome is Outcome.SILENT:
            return False
    return True


def plan_read_back(unit: str, *, obd: bool, group: bool = False) -> Plan:
    """Read a unit's codes at once after a clear, before its tests have had time to run.

    Args:
        unit: the unit asked.
        obd: True to read what 03 and 07 list.
        group: True to read the list of its emissions group.
    """
    yield Request(unit, CODE_LIST)
    yield Request(unit, SUPPORTED_CODES)
    if group:
        yield Request(unit, EMISSION_CODES)
    if obd:
        yield Request(unit, OBD_STORED)
        yield Request(unit, OBD_PENDING)


def plan_round(unit: str, *, live: tuple[int, ...], codes: bool, group: bool = False) -> Plan:
    """One round of watching: live values first, then the status of codes; the first silence ends it.

    Args:
        unit: the unit asked.
        live: numbers of the values to read.
        codes: True to read the status of its codes.
        group: True to read the list of its emissions group as well.
    """
    awake = yield from _plan_live_while_awake(unit, live)
    if not codes or not awake:
        return
    session = yield Request(unit, ACTIVE_SESSION)
    if session.outcome is Outcome.SILENT:
        return
    for request in (SUPPORTED_CODES, CODE_LIST):
        exchange = yield Request(unit, request)
        if exchange.outcome is Outcome.SILENT:
            return
        if exchange.outcome is Outcome.ANSWERED:
            break
    if group:
        yield Request(unit, EMISSION_CODES)

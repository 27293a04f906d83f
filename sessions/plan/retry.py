"""Asking again: a request that came to nothing is sent once more, and each try is an exchange of its own."""

from __future__ import annotations

from collections.abc import Callable, Generator

from decoders.values import Exchange, Outcome, Request, is_functional

REPEATABLE = frozenset({0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22, 0x3E})
"""Services that only read: asked twice they do what they do once."""

BUSY = 0x21
"""busyRepeatRequest: the unit asks for the same request again. Source: ISO 14229-1, Annex A."""

Plan = Generator[Request, Exchange, None]


def retrying(plan: Plan, *, retries: int, busy_retries: int, again: Callable[[Request], None]) -> Plan:
    """The same plan; it is sent the last try of each request, while whoever runs it keeps them all.

    Asked again is what came back damaged, what a busy unit put off, and what a unit was silent to that has answered
    before in this plan; of one that never has, only its first silence, so that an absent unit costs little. What was
    never sent is not asked again: the reason is on this side.

    Args:
        plan: the plan.
        retries: how often a request that came to nothing is asked again.
        busy_retries: how often a request that the unit put off is.
        again: told of each request before it is repeated.
    """
    lost: dict[str, int] = {}
    heard: set[str] = set()
    try:
        request = next(plan)
        while True:
            exchange = yield request
            left, busy_left = retries, busy_retries
            while request.data[:1] and request.data[0] in REPEATABLE and not is_functional(request.target):
                if exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED):
                    heard.add(request.target)
                if exchange.outcome is Outcome.REFUSED and exchange.refusal == BUSY and busy_left:
                    busy_left -= 1
                elif left and _came_to_nothing(exchange, request.target in heard, lost.get(request.target, 0)):
                    left -= 1
                    lost[request.target] = lost.get(request.target, 0) + 1
                else:
                    break
                again(request)
                exchange = yield request
            request = plan.send(exchange)
    except StopIteration:
        return
    finally:
        plan.close()


def _came_to_nothing(exchange: Exchange, heard: bool, lost: int) -> bool:
    if exchange.outcome is Outcome.DAMAGED:
        return True
    return exchange.outcome is Outcome.SILENT and (heard or not lost)

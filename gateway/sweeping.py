"""An address sweep: who answers at which identifier. Only when somebody asks for it, on a standing car."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Collection, Iterable, Iterator

from decoders.errors import LinkError
from decoders.values import (
    AnswerKind,
    Exchange,
    Outcome,
    Request,
    UnitAddress,
    functional_target,
    is_doip,
    is_functional,
)
from gateway.guard import Phase
from gateway.links import Plan
from gateway.standstill import read_standstill
from gateway.visit import Visit
from sessions.plan import PRESENT, plan_presence
from sessions.record.model import answers_itself

_NARROW = range(0x700, 0x7F0)
_FUNCTIONAL = 0x7DF
_TESTER = 0xF1
_LEGISLATED = frozenset(f"{number:03X}" for number in range(0x7E8, 0x7F0))
"""Units answer under these. Source: ISO 15765-4."""

_FRESH_S = 1.5
"""So long after engine and road speed were read no request more is begun: the last one, asked again, is out before
they are 2 s old."""

_SAID = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


def sweep(visit: Visit, scan: int, *, known: Iterable[str], stated_parked: bool) -> tuple[Exchange, ...]:
    """Ask every diagnostic identifier whether anybody is there, then who seems to have answered by its own pair.

    Identifiers under which somebody is known to answer, or has answered in this very sweep, are left out: two senders
    of one identifier disturb each other. The speeds are read again before they are 2 s old.

    Args:
        visit: where to ask.
        scan: the scan it belongs to.
        known: units and sources that are known already.
        stated_parked: True if the technician states that the car is parked.

    Raises:
        RefusedError: the car does not stand with its engine off, or nobody can tell and nobody stated it.
        LinkError: the way to the vehicle is broken, or leads to no bus that can be swept.
    """
    guard = visit.guard(Phase.SWEEPING)
    kept: list[Exchange] = []
    taken = set(_answering_ids(known))
    narrow = deque(functional_target(f"{number:03X}") for number in _NARROW if number != _FUNCTIONAL)
    # Source: ISO 15765-2, normal fixed addressing: the pair is known, and units can be asked at once.
    wide = deque(f"18DA{unit:02X}F1/18DAF1{unit:02X}" for unit in range(0x100) if unit != _TESTER)
    for left, at_once in ((narrow, 1), (wide, min(visit.limits.window, visit.limits.window_begin))):
        while left:
            standstill = read_standstill(visit, stated_parked=stated_parked, not_done="Not swept")
            if standstill is None or visit.stop.is_set():
                return tuple(kept)
            until_s = standstill.read_at_s + _FRESH_S
            plans = {f"sweep {number}": ask_in_turn(left, taken, until_s=until_s) for number in range(at_once)}
            exchanges = visit.ask(plans, during="sweep", scan=scan, guard=guard)
            kept += exchanges
            never_sent = next((one for one in exchanges if one.outcome is Outcome.UNSENT), None)
            if never_sent is not None and not visit.stop.is_set():
                raise LinkError(
                    f"Not swept: {never_sent.trouble}", next_step="scan without --sweep, or sweep over a CAN adapter"
                )
    pairs = sorted({pair for exchange in kept for pair in _pairs(exchange)})
    kept += visit.ask({pair: plan_presence((pair,)) for pair in pairs}, during="sweep", scan=scan)
    return tuple(kept)


def ask_in_turn(left: deque[str], taken: set[str], *, until_s: float) -> Plan:
    """Ask one target after the other, at least one, until none is left, one cannot be asked, or the time is over.

    Args:
        left: the targets that are not asked yet, of all plans that share them; whoever asks one takes it away.
        taken: identifiers under which somebody answers; those heard here come to them.
        until_s: by the monotonic clock, when engine and road speed are to be looked at again.
    """
    while left:
        target = left.popleft()
        if _answers(target, taken):
            continue
        exchange = yield Request(target, PRESENT)
        taken.update(answer.source for answer in exchange.answers)
        if exchange.outcome is Outcome.UNSENT or time.monotonic() > until_s:
            return


def swept_units(exchanges: Iterable[Exchange]) -> tuple[str, ...]:
    """The units that a sweep found: those that said something when asked by their own pair of identifiers."""
    pairs = {one.target for one in exchanges if not is_functional(one.target) and answers_itself(one)}
    return tuple(sorted(pairs))


def _pairs(exchange: Exchange) -> tuple[str, ...]:
    """Who seems to have answered to an identifier of the sweep.

    It may have been a slow unit that was asked under an identifier before: only the pair's own answer shows it.
    """
    if not is_functional(exchange.target):
        return ()
    asked = exchange.target.partition(":")[2]
    return tuple(f"{asked}/{answer.source}" for answer in exchange.answers if answer.kind in _SAID)


def _answering_ids(known: Iterable[str]) -> Iterator[str]:
    """The identifiers, as text, under which units answer."""
    for text in known:
        if not is_doip(text) and "/" in text:
            yield UnitAddress.parse(text).response.text
        elif not is_doip(text):
            yield text


def _answers(target: str, taken: Collection[str]) -> bool:
    """True of a call to everybody under an identifier under which units answer."""
    number = target.partition(":")[2]
    return number in _LEGISLATED or number in taken

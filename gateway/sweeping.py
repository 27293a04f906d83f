"""An address sweep: who answers at which identifier. Only when somebody asks for it, on a standing car."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from decoders.values import (
    AnswerKind,
    Exchange,
    Outcome,
    Request,
    UnitAddress,
    functional_target,
    is_doip,
    is_functional,
    iso_15765_4_unit,
)
from gateway.guard import Phase
from gateway.links import Plan
from gateway.standstill import read_standstill
from gateway.visit import Visit

PRESENT = b"\x3e\x00"
_NARROW = range(0x700, 0x7F0)
_FUNCTIONAL = 0x7DF
_TESTER = 0xF1
_AT_ONCE = 16
"""So many identifiers between two looks at engine and road speed: at 110 ms each they are never older than 2 s."""

_SAID = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


def sweep(visit: Visit, scan: int, *, known: Iterable[str], stated_parked: bool) -> tuple[Exchange, ...]:
    """Ask every diagnostic identifier whether anybody is there, and keep who answered under which.

    Identifiers under which somebody is known to answer are left out: two senders of one identifier disturb each other.

    Args:
        visit: where to ask.
        scan: the scan it belongs to.
        known: units and sources that are known already.
        stated_parked: True if the technician states that the car is parked.

    Raises:
        RefusedError: the car does not stand with its engine off, or nobody can tell and nobody stated it.
        LinkError: the way to the vehicle is broken.
    """
    guard = visit.guard(Phase.SWEEPING)
    kept: list[Exchange] = []
    taken = frozenset(_answering_ids(known))
    for plans in _portions(taken):
        read_standstill(visit, stated_parked=stated_parked, not_done="Not swept")
        if visit.stop.is_set():
            break
        kept += visit.ask(plans, during="scan", scan=scan, guard=guard)
    return tuple(kept)


def swept_units(exchanges: Iterable[Exchange]) -> tuple[str, ...]:
    """The pairs that a sweep saw: asked under the one identifier, answered under the other."""
    found: set[str] = set()
    for exchange in exchanges:
        if not is_functional(exchange.target):
            if exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED):
                found.add(exchange.target)
            continue
        asked = exchange.target.partition(":")[2]
        found |= {f"{asked}/{answer.source}" for answer in exchange.answers if answer.kind in _SAID}
    return tuple(sorted(found))


def strangers(exchanges: Iterable[Exchange], units: Iterable[str]) -> tuple[str, ...]:
    """Sources that answered a request to everybody and belong to no unit that is known: nobody can ask them."""
    sources = {unit.rpartition("/")[2] for unit in units}
    heard = {
        answer.source
        for exchange in exchanges
        if is_functional(exchange.target)
        for answer in exchange.answers
        if not is_doip(answer.source) and iso_15765_4_unit(answer.source) is None
    }
    return tuple(sorted(heard - sources))


def _answering_ids(known: Iterable[str]) -> Iterator[str]:
    """The identifiers, as text, under which units answer."""
    for text in known:
        if not is_doip(text) and "/" in text:
            yield UnitAddress.parse(text).response.text
        elif not is_doip(text):
            yield text


def _portions(taken: frozenset[str]) -> Iterator[dict[str, Plan]]:
    narrow = [number for number in _NARROW if number != _FUNCTIONAL and not _answers(number, taken)]
    for at in range(0, len(narrow), _AT_ONCE):
        yield {"sweep": _ask_everybody(narrow[at : at + _AT_ONCE])}
    # Source: ISO 15765-2, normal fixed addressing: the pair is known, and units can be asked at once.
    wide = [f"18DA{unit:02X}F1/18DAF1{unit:02X}" for unit in range(0x100) if unit != _TESTER]
    for at in range(0, len(wide), _AT_ONCE * 8):
        yield {unit: _ask(unit) for unit in wide[at : at + _AT_ONCE * 8]}


def _answers(number: int, taken: frozenset[str]) -> bool:
    legislated = 0x7E8 <= number <= 0x7EF  # ISO 15765-4: units answer under these
    return legislated or f"{number:03X}" in taken


def _ask_everybody(numbers: Iterable[int]) -> Plan:
    for number in numbers:
        yield Request(functional_target(f"{number:03X}"), PRESENT)


def _ask(unit: str) -> Plan:
    yield Request(unit, PRESENT)

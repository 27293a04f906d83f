"""Rounds of reading while the vehicle is used: conditions first, then the status of what is still open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from decoders.values import Exchange
from gateway.guard import Phase
from gateway.visit import Visit
from sessions.plan import plan_round
from sessions.plan.prelude import LIVE_PIDS
from sessions.record import JobRecord

_ENGINE_SPEED, _ROAD_SPEED = 0x0C, 0x0D


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Who is asked in a round.

    Args:
        tellers: the live identifiers each unit offers, by unit.
        units: units whose codes are read.
    """

    tellers: tuple[tuple[str, tuple[int, ...]], ...]
    units: tuple[str, ...]


def watch_of(record: JobRecord, units: Sequence[str]) -> Watch:
    """Ask for conditions those units that told engine or road speed in this job, and the given ones for codes."""
    offers: dict[str, set[int]] = {}
    for item in record.live:
        if item.pid in LIVE_PIDS:
            offers.setdefault(item.unit, set()).add(item.pid)
    tellers = {
        unit: tuple(pid for pid in LIVE_PIDS if pid in pids)
        for unit, pids in sorted(offers.items())
        if pids & {_ENGINE_SPEED, _ROAD_SPEED}
    }
    # One unit with the most to tell is enough to know the conditions; each more costs bus time in every round.
    best = sorted(tellers.items(), key=lambda offer: (-len(offer[1]), offer[0]))[:1]
    return Watch(tellers=tuple(best), units=tuple(units))


def watch_round(visit: Visit, watch: Watch) -> tuple[Exchange, ...]:
    """One round: conditions of the tellers, then codes of each unit, one request at a time."""
    plans = {f"live {unit}": plan_round(unit, live=pids, codes=False) for unit, pids in watch.tellers}
    plans |= {unit: plan_round(unit, live=(), codes=True) for unit in watch.units}
    return visit.ask(plans, during="watch", guard=visit.guard(Phase.MOVING))

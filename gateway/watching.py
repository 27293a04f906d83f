"""Rounds of reading while the vehicle is used: conditions first, then the status of what is still open."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from decoders.errors import UsageError
from decoders.values import Exchange
from gateway.guard import Phase
from gateway.visit import Visit
from sessions.obd_values import offered
from sessions.plan import plan_round
from sessions.plan.prelude import LIVE_PIDS
from sessions.record import JobRecord
from sessions.verdict.listing import has_group_list
from sessions.verdict.watched import WatchedFault, watched_faults, worth_watching

_ENGINE_SPEED, _ROAD_SPEED = 0x0C, 0x0D
ROUND_S = 2.0
"""A round begins this long after the one before, or at once if that took longer: readings must join within 5 s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Who is asked in a round.

    Args:
        tellers: numbers of the live values each unit offers, by unit.
        units: units whose codes are read.
        groups: those of them that list their emissions group.
    """

    tellers: tuple[tuple[str, tuple[int, ...]], ...]
    units: tuple[str, ...]
    groups: frozenset[str] = frozenset()


def watch_of(record: JobRecord, units: Sequence[str]) -> Watch:
    """Ask for conditions those units that told engine or road speed in this job, and the given ones for codes."""
    offers: dict[str, set[int]] = {}
    for item in record.live:
        if item.pid in LIVE_PIDS:
            offers.setdefault(item.unit, set()).add(item.number)
    tellers = {
        unit: offered(LIVE_PIDS, numbers)
        for unit, numbers in sorted(offers.items())
        if offered((_ENGINE_SPEED, _ROAD_SPEED), numbers)
    }
    # One unit with the most to tell is enough to know the conditions; each more costs bus time in every round.
    best = sorted(tellers.items(), key=lambda offer: (-len(offer[1]), offer[0]))[:1]
    groups = frozenset(unit for unit in units if has_group_list(record, unit))
    return Watch(tellers=tuple(best), units=tuple(units), groups=groups)


def watch_round(visit: Visit, watch: Watch) -> tuple[Exchange, ...]:
    """One round: conditions of the tellers, then codes of each unit, one request at a time."""
    plans = {f"live {unit}": plan_round(unit, live=pids, codes=False) for unit, pids in watch.tellers}
    plans |= {unit: plan_round(unit, live=(), codes=True, group=unit in watch.groups) for unit in watch.units}
    return visit.ask(plans, during="watch", guard=visit.guard(Phase.MOVING))


def keep_watching(
    visit: Visit,
    tell: Callable[[tuple[WatchedFault, ...]], None],
    *,
    deadline_s: float | None,
    judge_every_s: float,
) -> tuple[WatchedFault, ...]:
    """Read round after round until nothing is left to watch, the deadline has passed, or the visit is stopped.

    Args:
        visit: where to ask.
        tell: told where each fault stands, at the begin and again after each judgement.
        deadline_s: by the monotonic clock, or None for no end.
        judge_every_s: how often the faults are judged; judging reads the whole journal.

    Raises:
        UsageError: there is nothing that watching could prove.
    """
    record = visit.record()
    faults = watched_faults(record)
    if not faults:
        raise UsageError(
            "There is nothing to watch: no fault that failed steadily has been cleared in this job",
            next_step="repair and clear first, then watch while the car is used",
        )
    watch = watch_of(record, worth_watching(record))
    tell(faults)
    judged_s = time.monotonic()
    while not visit.stop.is_set() and not all(fault.done for fault in faults):
        begun_s = time.monotonic()
        if deadline_s is not None and begun_s >= deadline_s:
            break
        watch_round(visit, watch)
        if time.monotonic() - judged_s >= judge_every_s:
            faults = watched_faults(visit.record())
            tell(faults)
            judged_s = time.monotonic()
        visit.stop.wait(max(0.0, ROUND_S - (time.monotonic() - begun_s)))
    faults = watched_faults(visit.record())
    tell(faults)
    return faults

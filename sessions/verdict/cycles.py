"""Operation cycles as a unit shows them: key-ons seen, and every sign that a new cycle has begun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from decoders.values import Outcome, StatusBit
from sessions.record import JobRecord, Moment
from sessions.verdict.live import LiveTracks
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import Sight, sights_of


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyOn:
    """A key-on the program saw: the unit was silent long enough with the key off, then answered."""

    last_silent: Moment
    answered: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCycles:
    """The cycles of one unit.

    Args:
        key_ons: key-ons seen, by a unit that showed that such a key-on begins its cycle.
        boundaries: journal places at which a new cycle may have begun, whatever the reason.
    """

    key_ons: tuple[KeyOn, ...]
    boundaries: tuple[int, ...]

    def same(self, start_seq: int, end_seq: int) -> bool:
        """True if nothing between two places says that a new cycle began."""
        return not any(start_seq < boundary <= end_seq for boundary in self.boundaries)


def cycles_of(record: JobRecord, unit: str, tracks: LiveTracks, settings: RuleSettings) -> UnitCycles:
    """Find a unit's cycles from its silences, its status bits and the engine's run time."""
    silences = _silences(record, unit)
    key_ons = [
        KeyOn(last_silent=last, answered=answered)
        for first, last, answered in silences
        if _long_enough(first, last, settings) and tracks.close(last, answered)
    ]
    came_on = _not_completed_came_on(record, unit)
    shown = any(
        key_on.last_silent.seq < after <= _next_silence(silences, key_on.answered.seq)
        and before < key_on.last_silent.seq
        for key_on in key_ons
        for before, after in came_on
    )
    boundaries = [answered.seq for _first, _last, answered in silences]
    boundaries += [after for before, after in came_on if not _cleared(record, unit, before, after)]
    boundaries += [later.moment.seq for earlier, later in pairwise(tracks.run_times) if later.value < earlier.value]
    return UnitCycles(key_ons=tuple(key_ons) if shown else (), boundaries=tuple(sorted(boundaries)))


def _silences(record: JobRecord, unit: str) -> list[tuple[Moment, Moment, Moment]]:
    """First silent moment, last silent moment, first answer after it.

    Only requests that this unit has answered before count: a unit may always stay quiet on some others.
    """
    known: set[bytes] = set()
    found: list[tuple[Moment, Moment, Moment]] = []
    run: list[Moment] = []
    for item in record.asked:
        exchange = item.exchange
        if exchange.target != unit or exchange.outcome is Outcome.UNSENT:
            continue
        if exchange.outcome is Outcome.SILENT:
            if exchange.request in known:
                run.append(item.moment)
            continue
        if run:
            found.append((run[0], run[-1], item.moment))
            run = []
        known.add(exchange.request)
    return found


def _long_enough(first: Moment, last: Moment, settings: RuleSettings) -> bool:
    seconds = first.seconds_until(last)
    return seconds is not None and seconds >= settings.key_off_s


def _next_silence(silences: Sequence[tuple[Moment, Moment, Moment]], after_seq: int) -> float:
    return min((first.seq for first, _last, _answered in silences if first.seq > after_seq), default=float("inf"))


def _not_completed_came_on(record: JobRecord, unit: str) -> list[tuple[int, int]]:
    """Pairs of places between which bit 6 of any code of this unit came on."""
    bit = StatusBit.NOT_COMPLETED_THIS_CYCLE
    codes = {dtc for code in record.codes if code.unit == unit for dtc in code.entries}
    found: list[tuple[int, int]] = []
    for dtc in sorted(codes):
        told = [sight for sight in sights_of(record, unit, dtc) if sight.bit(bit) is not None]
        found += [(a.seq, b.seq) for a, b in pairwise(told) if not a.bit(bit) and b.bit(bit)]
    return found


def _cleared(record: JobRecord, unit: str, start_seq: int, end_seq: int) -> bool:
    return any(clear.unit == unit and start_seq < clear.moment.seq < end_seq for clear in record.clears)


def engine_never_ran(tracks: LiveTracks, key_on: KeyOn, until: Moment, *, electric_drive: bool) -> bool:
    """True if run time 0 and a still engine at the end show that the car stood since this key-on."""
    if electric_drive:
        return False
    run_times = [item for item in tracks.run_times if key_on.last_silent.seq < item.moment.seq <= until.seq]
    speeds = [item for item in tracks.readings("engine_rpm") if key_on.last_silent.seq < item.moment.seq <= until.seq]
    return bool(
        run_times
        and speeds
        and all(item.value == 0 for item in (*run_times, *speeds))
        and tracks.close(run_times[-1].moment, until)
        and tracks.close(speeds[-1].moment, until)
    )

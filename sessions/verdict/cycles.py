"""Operation cycles as a unit shows them: key-ons seen, and every sign that a new cycle has begun."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from decoders.values import AnswerKind, Outcome, StatusBit, source_of
from sessions.record import JobRecord, LiveReading, Moment
from sessions.verdict.flips import Flip, cleared_between
from sessions.verdict.live import LiveTracks
from sessions.verdict.settings import RuleSettings

_OF_BEFORE = frozenset({AnswerKind.LATE, AnswerKind.STRAY})


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyOn:
    """A silence of a unit and its end; long enough and with the key off, it is a key-on that the program saw.

    Args:
        answered: when it said something again, or nobody can tell any more whether it was silent.
        doubtful: True if the unit may have been awake all the time: a late answer came, or the end was no answer.
    """

    first_silent: Moment
    last_silent: Moment
    answered: Moment
    doubtful: bool = False

    def lies_within(self, earlier: Moment, later: Moment) -> bool:
        """True if the whole silence stands between two moments, its end at the later one at the latest."""
        return earlier.seq < self.first_silent.seq and self.answered.seq <= later.seq


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCycles:
    """The cycles of one unit.

    Args:
        key_ons: key-ons seen, by a unit that showed that such a key-on begins its cycle.
        boundaries: journal places at which a new cycle may have begun, whatever the reason.
        starts: journal places by which a new cycle has begun for certain: the unit's own bits or the engine's run
            time show it, or it was silent long enough with the key off.
    """

    key_ons: tuple[KeyOn, ...]
    boundaries: tuple[int, ...]
    starts: tuple[int, ...]

    def same(self, start_seq: int, end_seq: int) -> bool:
        """True if nothing between two places says that a new cycle began."""
        return not any(start_seq < boundary <= end_seq for boundary in self.boundaries)


def cycles_of(
    record: JobRecord, unit: str, tracks: LiveTracks, settings: RuleSettings, flips: Sequence[Flip]
) -> UnitCycles:
    """Find a unit's cycles from its silences, its status bits and the engine's run time."""
    silences = _silences(record, unit, tracks)
    key_ons = [item for item in silences if _is_key_on(item, tracks, settings)]
    own = [flip for flip in flips if not cleared_between(record, unit, flip.earlier.seq, flip.later.seq)]
    shown = any(_begins_cycle(key_on, flip, tracks, record, silences) for key_on in key_ons for flip in own)
    boundaries = [item.answered.seq for item in silences]
    signs = [(flip.earlier, flip.later) for flip in own if _shows_new_cycle(flip)]
    signs += [
        (earlier.moment, later.moment)
        for track in tracks.run_times.values()
        for earlier, later in pairwise(track)
        if later.value < earlier.value
    ]
    # A sign that spans a silence says only that the cycle began with it.
    boundaries += [
        later.seq for earlier, later in signs if not any(item.lies_within(earlier, later) for item in silences)
    ]
    starts = [item.answered.seq for item in key_ons] + [later.seq for _earlier, later in signs]
    return UnitCycles(
        key_ons=tuple(key_ons) if shown else (),
        boundaries=tuple(sorted(boundaries)),
        starts=tuple(sorted(starts)),
    )


def _silences(record: JobRecord, unit: str, tracks: LiveTracks) -> list[KeyOn]:
    """Every silence that ended, by the stretch of silent requests just before its end.

    Only requests that this unit has answered before count: a unit may always stay quiet on some others. Silent
    requests too far apart do not join: between them the unit may have been awake. Nor does one to which it said
    something after all: a late answer comes from a unit that was awake.
    """
    source = source_of(unit)
    known: set[bytes] = set()
    found: list[KeyOn] = []
    run: list[Moment] = []
    for item in record.asked:
        exchange, is_asked = item.exchange, item.exchange.target == unit
        said = {answer.kind for answer in exchange.answers if answer.source == source}
        if exchange.outcome is Outcome.UNSENT or not (is_asked or said):
            continue
        if exchange.outcome is Outcome.SILENT and not said:
            if exchange.request in known:
                run = [*run, item.moment] if run and tracks.close(run[-1], item.moment) else [item.moment]
            continue
        if run:
            doubtful = not said or bool(said & _OF_BEFORE)
            found.append(KeyOn(first_silent=run[0], last_silent=run[-1], answered=item.moment, doubtful=doubtful))
            run = []
        if is_asked and said and exchange.outcome is not Outcome.SILENT:
            known.add(exchange.request)
    return found


def _is_key_on(silence: KeyOn, tracks: LiveTracks, settings: RuleSettings) -> bool:
    """True if it was long enough, the answer came at once after it, and nothing shows that the key was on."""
    seconds = silence.first_silent.seconds_until(silence.last_silent)
    if (
        silence.doubtful
        or seconds is None
        or seconds < settings.key_off_s
        or not tracks.close(silence.last_silent, silence.answered)
    ):
        return False
    return not (_car_ran(silence, tracks) or _engine_ran_through(silence, tracks))


def _car_ran(silence: KeyOn, tracks: LiveTracks) -> bool:
    """True if another unit told of a turning engine or a moving car meanwhile."""
    readings = (*tracks.readings("engine_rpm"), *tracks.readings("road_kmh"))
    return any(
        item.value > 0 and silence.first_silent.seq < item.moment.seq <= silence.last_silent.seq for item in readings
    )


def _engine_ran_through(silence: KeyOn, tracks: LiveTracks) -> bool:
    """True if the run time read next is longer than the engine can have run since the silence began."""
    for track in tracks.run_times.values():
        first = next((item for item in track if item.moment.seq > silence.last_silent.seq), None)
        seconds = silence.first_silent.seconds_until(first.moment) if first else None
        if first is not None and seconds is not None and first.value > seconds + tracks.gap_s:
            return True
    return False


def _begins_cycle(key_on: KeyOn, flip: Flip, tracks: LiveTracks, record: JobRecord, silences: Iterable[KeyOn]) -> bool:
    """True if bit 6 of a code came on with this key-on, before the engine ran, and not with an erasure.

    It was out just before the silence: a cycle that began earlier, unseen, would look the same.
    """
    next_silence = min(
        (item.first_silent.seq for item in silences if item.first_silent.seq > key_on.answered.seq),
        default=record.last_seq + 1,
    )
    return (
        flip.came_on(StatusBit.NOT_COMPLETED_THIS_CYCLE)
        and not flip.shows_erasure
        and key_on.lies_within(flip.earlier, flip.later)
        and tracks.close(flip.earlier, key_on.first_silent)
        and flip.later.seq < next_silence
        and engine_never_ran(tracks, key_on, flip.later, electric_drive=record.profile.electric_drive)
    )


def _shows_new_cycle(flip: Flip) -> bool:
    """True if bit 6 came on or bit 1 went out. Source: ISO 14229-1, Annex D: both move with a new cycle only."""
    return flip.came_on(StatusBit.NOT_COMPLETED_THIS_CYCLE) or flip.went_out(StatusBit.TEST_FAILED_THIS_CYCLE)


def engine_never_ran(tracks: LiveTracks, key_on: KeyOn, until: Moment, *, electric_drive: bool) -> bool:
    """True if run time 0 and a still engine, up to the end, show that the car stood since this key-on."""
    if electric_drive:
        return False
    run_times = [item for track in tracks.run_times.values() for item in track]
    return _zero_until(tracks, run_times, key_on, until) and _zero_until(
        tracks, tracks.readings("engine_rpm"), key_on, until
    )


def _zero_until(tracks: LiveTracks, readings: Iterable[LiveReading], key_on: KeyOn, until: Moment) -> bool:
    """True if every reading since the key-on is 0 and one of them stands near the end."""
    since = [item for item in readings if key_on.last_silent.seq < item.moment.seq <= until.seq]
    return all(item.value == 0 for item in since) and any(tracks.close(item.moment, until) for item in since)

"""Were a fault's conditions met: each set held long enough, and a completed test was seen under it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from decoders.values import StatusBit
from sessions.verdict.conditions import ConditionSet, checked_set, values_at
from sessions.verdict.cycles import UnitCycles, engine_never_ran
from sessions.verdict.live import LiveTracks, Test
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import Sight, run_bit

INCOMPLETE_SINCE, INCOMPLETE_NOW = StatusBit.NOT_COMPLETED_SINCE_CLEAR, StatusBit.NOT_COMPLETED_THIS_CYCLE
FAILING = StatusBit.TEST_FAILED | StatusBit.TEST_FAILED_THIS_CYCLE
_ZERO_AT_REST = frozenset({"engine_rpm", "road_kmh"})


@dataclass(frozen=True, slots=True, kw_only=True)
class SetResult:
    """How one set of conditions fared after the last clear and the last repair.

    Args:
        conditions: the set.
        words: it in words with units.
        held_s: the longest time it held, seconds.
        needed_s: how long it must hold, seconds.
        seen_at: place of the look that shows a completed test under it, or None.
        met: True if both are shown.
    """

    conditions: ConditionSet
    words: str
    held_s: float
    needed_s: float
    seen_at: int | None
    met: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is needed to judge sets of conditions for one fault.

    Args:
        sights: every look at the code.
        tracks: the live values of the job.
        cycles: the cycles of its unit.
        system: which part of the vehicle it belongs to, or None if the profile does not say.
        settings: the figures in force.
        after_seq: only what was read later counts.
        hold_s: how long conditions must hold, seconds.
        continuous: True if the profile calls its test continuous.
        electric_drive: True for a car that can move without its engine running.
        absence_counts: True if absence from a list may count as completed.
    """

    sights: Sequence[Sight]
    tracks: LiveTracks
    cycles: UnitCycles
    system: str | None
    settings: RuleSettings
    after_seq: int
    hold_s: float
    continuous: bool
    electric_drive: bool
    absence_counts: bool

    def completed(self, sight: Sight, bit: StatusBit) -> bool:
        """True if bit 4 or 6 of a look says that the test has completed."""
        told = run_bit(self.sights, sight, bit, after_seq=self.after_seq, absence_counts=self.absence_counts)
        return told is False


def judge_set(trial: Trial, conditions: ConditionSet) -> SetResult:
    """Judge one set; a set with a problem is never met."""
    words = conditions.words(trial.system, trial.settings)
    held_s, seen_at = 0.0, None
    if conditions.problem is None:
        tests = conditions.tests(trial.system, trial.settings)
        held_s = trial.tracks.held_s(tests, trial.after_seq)
        passed = (sight for sight in trial.sights if _passed(trial, sight))
        seen_at = next((sight.seq for sight in passed if _seen_under(trial, sight, tests)), None)
    return SetResult(
        conditions=conditions,
        words=words,
        held_s=held_s,
        needed_s=trial.hold_s,
        seen_at=seen_at,
        met=held_s >= trial.hold_s and seen_at is not None,
    )


def failing_sets(trial: Trial, before_seq: int) -> tuple[ConditionSet, ...]:
    """One set for each X under which a failing result was seen before the clear."""
    past = replace(trial, after_seq=0)
    found: dict[tuple[tuple[str, float], ...], ConditionSet] = {}
    for sight in trial.sights:
        if sight.seq >= before_seq or sight.status.known & FAILING != FAILING:
            continue
        values = values_at(trial.tracks, trial.system, sight.moment)
        made = checked_set("a failing result was seen", values, trial.system)
        if made.problem is None and _seen_under(past, sight, made.tests(trial.system, trial.settings)):
            found[made.values] = made
    return tuple(found.values())


def _passed(trial: Trial, sight: Sight) -> bool:
    """True if this look, after the clear and the repair, shows the test not failed."""
    return sight.seq > trial.after_seq and sight.session_ok and sight.bit(StatusBit.TEST_FAILED) is False


def _seen_under(trial: Trial, sight: Sight, tests: Mapping[str, Test]) -> bool:
    """True if the result that a look shows was seen under X."""
    this_cycle = trial.completed(sight, INCOMPLETE_NOW)
    if trial.continuous:
        tells_cycle = sight.status.bit(INCOMPLETE_NOW) is not None
        completed = this_cycle or (not tells_cycle and trial.completed(sight, INCOMPLETE_SINCE))
        if completed and trial.tracks.within(tests, sight.moment, sight.moment):
            return True
    return _seen_completing(trial, sight, tests) or (this_cycle and _seen_from_key_on(trial, sight, tests))


def _seen_completing(trial: Trial, sight: Sight, tests: Mapping[str, Test]) -> bool:
    """A look showed the test not completed, this one shows it completed, and X held all the way between."""
    earlier = [item for item in trial.sights if trial.after_seq < item.seq < sight.seq and not item.absent]
    if not earlier or not earlier[-1].session_ok:
        return False
    start = earlier[-1]
    # The same bit must have changed: a unit may set only one of the two with a clear.
    completing = any(
        start.bit(bit) is True and trial.completed(sight, bit) for bit in (INCOMPLETE_NOW, INCOMPLETE_SINCE)
    )
    return (
        completing
        and trial.cycles.same(start.seq, sight.seq)
        and trial.tracks.within(tests, start.moment, sight.moment)
    )


def _seen_from_key_on(trial: Trial, sight: Sight, tests: Mapping[str, Test]) -> bool:
    """Every reading of the cycle, from a key-on that was seen to this look, lies within X."""
    started = [item for item in trial.cycles.key_ons if trial.after_seq < item.answered.seq <= sight.seq]
    if not started:
        return False
    key_on = started[-1]
    if not trial.cycles.same(key_on.answered.seq, sight.seq):
        return False
    tracks = trial.tracks
    if not tracks.all_pass(tests, key_on.last_silent.seq, sight.seq):
        return False
    if engine_never_ran(tracks, key_on, sight.moment, electric_drive=trial.electric_drive):
        stood = all(test(0.0) for name, test in tests.items() if name in _ZERO_AT_REST)
        others = {name: test for name, test in tests.items() if name not in _ZERO_AT_REST}
        return stood and tracks.within(others, sight.moment, sight.moment)
    first = tracks.first_after(tests, key_on.last_silent)
    return first is not None and tracks.close(key_on.last_silent, first) and tracks.within(tests, first, sight.moment)

"""Were a fault's conditions met: each set held long enough, and a completed test was seen under it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from decoders.values import StatusBit
from sessions.verdict.conditions import ConditionSet
from sessions.verdict.cycles import UnitCycles, engine_never_ran
from sessions.verdict.live import LiveTracks, Test
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import Sight

INCOMPLETE_SINCE, INCOMPLETE_NOW = StatusBit.NOT_COMPLETED_SINCE_CLEAR, StatusBit.NOT_COMPLETED_THIS_CYCLE
_CAR_STOOD = {"engine_rpm": 0.0, "road_kmh": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class SetResult:
    """How one set of conditions fared after the last clear and the last repair.

    Args:
        conditions: the set.
        words: it in words with units.
        held_s: the longest time it held, seconds.
        seen_at: place of the look that shows a completed test under it, or None.
        met: True if both are shown.
    """

    conditions: ConditionSet
    words: str
    held_s: float
    seen_at: int | None
    met: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is needed to judge sets of conditions for one fault."""

    sights: Sequence[Sight]
    tracks: LiveTracks
    cycles: UnitCycles
    system: str
    settings: RuleSettings
    after_seq: int
    hold_s: float
    continuous: bool
    electric_drive: bool
    absence_counts: bool


def judge_set(trial: Trial, conditions: ConditionSet) -> SetResult:
    """Judge one set; a set with a problem is never met."""
    words = conditions.words(trial.system)
    if conditions.problem is not None:
        return SetResult(conditions=conditions, words=words, held_s=0.0, seen_at=None, met=False)
    tests = conditions.tests(trial.system, trial.settings)
    held = trial.tracks.held(tests, trial.after_seq)
    held_s = held.seconds if held else 0.0
    seen_at = next((sight.seq for index, sight in enumerate(trial.sights) if _seen_under(trial, index, tests)), None)
    met = held_s >= trial.hold_s and seen_at is not None
    return SetResult(conditions=conditions, words=words, held_s=held_s, seen_at=seen_at, met=met)


def completed_and_passed(trial: Trial, index: int) -> bool:
    """True if this look shows a test completed, not failed, after the clear and the repair.

    An absent code counts only if this very code was listed as not completed since then, and the unit's list of
    supported codes, where it has one, still holds it.
    """
    sight = trial.sights[index]
    if sight.seq <= trial.after_seq or not sight.session_ok:
        return False
    if sight.bit(StatusBit.TEST_FAILED) is not False:
        return False
    if sight.absent:
        told = [item for item in trial.sights[:index] if trial.after_seq < item.seq and not item.absent]
        return trial.absence_counts and bool(told) and told[-1].bit(INCOMPLETE_SINCE) is True
    return sight.bit(INCOMPLETE_NOW) is False or (
        sight.bit(INCOMPLETE_NOW) is None and sight.bit(INCOMPLETE_SINCE) is False
    )


def _seen_under(trial: Trial, index: int, tests: Mapping[str, Test]) -> bool:
    if not completed_and_passed(trial, index):
        return False
    sight = trial.sights[index]
    if trial.continuous and trial.tracks.within(tests, sight.moment, sight.moment):
        return True
    return _seen_completing(trial, index, tests) or _seen_from_key_on(trial, sight, tests)


def _seen_completing(trial: Trial, index: int, tests: Mapping[str, Test]) -> bool:
    """A look showed the test not completed, this one shows it completed, and X held all the way between."""
    sight = trial.sights[index]
    earlier = [item for item in trial.sights[:index] if item.seq > trial.after_seq and not item.absent]
    if not earlier or not earlier[-1].session_ok:
        return False
    start = earlier[-1]
    incomplete = start.bit(INCOMPLETE_NOW) is True or start.bit(INCOMPLETE_SINCE) is True
    return (
        incomplete
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
    if engine_never_ran(trial.tracks, key_on, sight.moment, electric_drive=trial.electric_drive):
        still = {name: test for name, test in tests.items() if name in _CAR_STOOD}
        moving = {name: test for name, test in tests.items() if name not in _CAR_STOOD}
        stood = all(test(_CAR_STOOD[name]) for name, test in still.items())
        return stood and trial.tracks.within(moving, sight.moment, sight.moment)
    first = trial.tracks.first_after(tests, key_on.last_silent)
    return (
        first is not None
        and trial.tracks.close(key_on.last_silent, first)
        and trial.tracks.all_pass(tests, key_on.last_silent.seq, first.seq)
        and trial.tracks.within(tests, first, sight.moment)
    )

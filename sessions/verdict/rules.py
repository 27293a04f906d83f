"""The verdict rules, in order; the first that speaks decides.

Each rule is a function over named facts. Rules 9 (once-per-cycle emissions monitors) and 10 (held over several
cycles) are not part of this version: their faults end `untested`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from sessions.verdict.facts import FaultFacts
from sessions.verdict.gaps import Gap, gaps_for_8
from sessions.verdict.sights import CAME_BACK, FAILED, Sight


class Verdict(StrEnum):
    """The grade of evidence for one fault."""

    FAILING = "failing"
    RETURNED = "returned"
    NEW = "new"
    UNCLEARED = "uncleared"
    UNREAD = "unread"
    UNTESTED = "untested"
    LAPSED = "lapsed"
    HELD = "held"
    PROVEN = "proven"

    @property
    def badness(self) -> int:
        """Place in the order from worst (0) to best."""
        return list(Verdict).index(self)

    @property
    def is_good(self) -> bool:
        """True if the fault needs nothing more."""
        return self in (Verdict.PROVEN, Verdict.HELD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """What a rule decided: the verdict, what it saw, and what is missing for a better one.

    Args:
        verdict: the grade.
        rule: the rule's number.
        evidence: what was seen, in words.
        missing: what is missing, in words.
        gaps: for an untested fault, the same with what can close each.
    """

    verdict: Verdict
    rule: int
    evidence: tuple[str, ...]
    missing: tuple[str, ...] = ()
    gaps: tuple[Gap, ...] = ()


Rule = Callable[[FaultFacts, tuple[str, ...]], Ruling | None]


def look_words(sight: Sight) -> str:
    """One look in words: where it stands and what it shows."""
    where = f"scan {sight.scan}" if sight.scan is not None else f"entry {sight.seq}"
    if sight.absent:
        return f"{where}: not listed (mask {sight.status.mask:02X})"
    return f"{where}: status {sight.status.byte:02X} (mask {sight.status.mask:02X})"


def rule_1_unread(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """The after-scan holds no whole answer to the request that would list this fault."""
    if facts.unread is None:
        return None
    return Ruling(
        verdict=Verdict.UNREAD,
        rule=1,
        evidence=(facts.unread,),
        missing=("an after-scan that reads this unit",),
    )


def rule_2_new(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """Not listed before the work, although that memory was read then; present after."""
    if not facts.new:
        return None
    seen = "it came with the unit" if facts.came_with_unit else "no scan before the work listed it, not even as history"
    return Ruling(verdict=Verdict.NEW, rule=2, evidence=(seen, *_after_words(facts)))


def rule_3_returned_failing(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """Its test failed in the after-scan or in any reading since an erasure."""
    if facts.base is None:
        return None
    failed = [sight for sight in (*facts.since, *facts.after_sights) if sight.is_set(FAILED)]
    if not failed:
        return None
    return Ruling(
        verdict=Verdict.RETURNED,
        rule=3,
        evidence=(facts.base.text, f"its test failed again, {look_words(failed[0])}"),
    )


def rule_4_failing(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """Its test fails in the after-scan and no clear was accepted."""
    failed = [sight for sight in facts.after_sights if sight.is_set(FAILED)]
    if facts.base is not None or not failed:
        return None
    return Ruling(
        verdict=Verdict.FAILING,
        rule=4,
        evidence=(f"its test is failing, {look_words(failed[-1])}", *_clear_trouble(facts)),
    )


def rule_5_returned(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """It failed, went pending or was confirmed again in any reading since an erasure."""
    if facts.base is None:
        return None
    seen = [look_words(sight) for sight in facts.since if sight.is_set(CAME_BACK)]
    seen += [
        f"{'scan ' + str(sight.scan) if sight.scan is not None else 'entry ' + str(sight.seq)}: "
        f"service {sight.service:02X} lists it"
        for sight in facts.obd_since
        if sight.listed and sight.service in (0x03, 0x07)
    ]
    if not seen:
        return None
    return Ruling(verdict=Verdict.RETURNED, rule=5, evidence=(facts.base.text, f"it came back, {seen[0]}"))


def rule_6_uncleared(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """Still stored, and no clear was accepted."""
    if facts.base is not None or not facts.stored_after:
        return None
    return Ruling(
        verdict=Verdict.UNCLEARED,
        rule=6,
        evidence=(*_after_words(facts), *(_clear_trouble(facts) or ("no clear was sent to this unit",))),
        missing=("a clear that the unit carries out",),
    )


def rule_7_lapsed(facts: FaultFacts, _siblings: tuple[str, ...]) -> Ruling | None:
    """No longer stored, and no clear was accepted: aged, intermittent, or taken back by the unit."""
    if facts.base is not None:
        return None
    return Ruling(
        verdict=Verdict.LAPSED,
        rule=7,
        evidence=("it is no longer stored and nobody cleared it: this proves nothing", *_after_words(facts)),
        missing=("a clear, and a test passed under the fault's conditions",),
    )


def rule_8_proven(facts: FaultFacts, siblings: tuple[str, ...]) -> Ruling | None:
    """After an accepted clear the unit's own test ran and passed under the fault's conditions."""
    if gaps_for_8(facts, siblings):
        return None
    conditions = (
        f"test seen passed under: {result.words} ({result.conditions.origin}; held {result.held_s:.0f} s, "
        f"entry {result.seen_at})"
        for result in facts.sets
    )
    return Ruling(
        verdict=Verdict.PROVEN,
        rule=8,
        evidence=(
            *_base_words(facts),
            *(f"test completed since the clear and not failed, {words}" for words in _after_words(facts)),
            *conditions,
            "no lamp requested, no permanent copy",
        ),
    )


def rule_11_untested(facts: FaultFacts, siblings: tuple[str, ...]) -> Ruling | None:
    """Cleared, and nothing above."""
    gaps = gaps_for_8(facts, siblings)
    return Ruling(
        verdict=Verdict.UNTESTED,
        rule=11,
        evidence=(*_base_words(facts), *_after_words(facts)),
        missing=tuple(gap.text for gap in gaps),
        gaps=gaps,
    )


RULES: tuple[Rule, ...] = (
    rule_1_unread,
    rule_2_new,
    rule_3_returned_failing,
    rule_4_failing,
    rule_5_returned,
    rule_6_uncleared,
    rule_7_lapsed,
    rule_8_proven,
    rule_11_untested,
)


def decide(facts: FaultFacts, siblings: tuple[str, ...]) -> Ruling:
    """The ruling of the first rule that speaks; rule 11 always does.

    Args:
        facts: the facts about the fault.
        siblings: other failure types of the same code in this unit that are new, returned or failing.
    """
    rulings = (rule(facts, siblings) for rule in RULES)
    return next(ruling for ruling in rulings if ruling is not None)


def _base_words(facts: FaultFacts) -> tuple[str, ...]:
    return () if facts.base is None else (facts.base.text,)


def _after_words(facts: FaultFacts) -> tuple[str, ...]:
    words = [look_words(facts.newest)] if facts.newest is not None else []
    words += [
        f"scan {sight.scan}: service {sight.service:02X} {'lists' if sight.listed else 'does not list'} it"
        for sight in facts.after_obd
        if sight.listed or not facts.sights
    ]
    return tuple(words)


def _clear_trouble(facts: FaultFacts) -> tuple[str, ...]:
    return (*facts.erasures.withdrawn, *facts.erasures.refused)

"""The verdict rules, in order; the first that speaks decides.

Each rule is a function over named facts. Rules 9 (once-per-cycle emissions monitors) and 10 (held over several
cycles) are not part of this version: their faults end `untested`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from decoders.values import StatusBit
from sessions.verdict.facts import FaultFacts
from sessions.verdict.permanent import Permanent
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """What a rule decided: the verdict, what it saw, and what is missing for a better one."""

    verdict: Verdict
    rule: int
    evidence: tuple[str, ...]
    missing: tuple[str, ...] = ()


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
    if missing_for_8(facts, siblings):
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
    return Ruling(
        verdict=Verdict.UNTESTED,
        rule=11,
        evidence=(*_base_words(facts), *_after_words(facts)),
        missing=missing_for_8(facts, siblings),
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


def missing_for_8(facts: FaultFacts, siblings: tuple[str, ...]) -> tuple[str, ...]:
    """Everything that keeps rule 8 from speaking, in words; empty if nothing does."""
    checks = (
        missing_clear(facts),
        missing_completion(facts),
        missing_clean_record(facts),
        missing_lamp(facts),
        missing_permanent(facts),
        missing_partner(facts),
        f"{', '.join(siblings)} of the same code is not cured" if siblings else None,
        missing_standing(facts),
        *missing_conditions(facts),
    )
    return tuple(text for text in checks if text is not None)


def missing_clear(facts: FaultFacts) -> str | None:
    """A clear of our own, later than every erasure nobody vouches for."""
    accepted, unvouched = facts.erasures.accepted, facts.erasures.unvouched
    if accepted is None:
        return "a clear of our own that the unit accepts"
    if unvouched is not None and unvouched.seq >= accepted.seq:
        return f"a clear of our own: {unvouched.text}"
    return None


def missing_completion(facts: FaultFacts) -> str | None:
    """The unit's word that the test completed since the clear."""
    sight, since = facts.newest, StatusBit.NOT_COMPLETED_SINCE_CLEAR
    if sight is None:
        return "only OBD services list it: they do not tell whether this fault's test has run"
    if sight.seq < facts.counted_from:
        return "an after-scan later than the last repair"
    if not sight.session_ok:
        return "a reading in the unit's default session"
    if sight.status.bit(since) is None:
        return _completed_without_bit_4(facts, sight)
    incomplete = facts.run_bit(sight, since)
    if incomplete is None:
        return "the unit's word that the test ran: it is merely no longer listed"
    if incomplete:
        return "its test has not completed since the clear"
    if not (facts.reset_seen or any(item.bit(since) is True for item in _counted(facts, sight))):
        return "a look after the clear that showed the test as not completed: without it, completed means nothing"
    return None


def _counted(facts: FaultFacts, until: Sight) -> tuple[Sight, ...]:
    """The looks that count for rules 8 to 10, up to one of them."""
    return tuple(item for item in facts.sights if facts.counted_from < item.seq < until.seq and item.session_ok)


def _completed_without_bit_4(facts: FaultFacts, sight: Sight) -> str | None:
    """Bit 6 = 0 in a cycle begun since the clear, where the mask lacks bit 4."""
    this_cycle = StatusBit.NOT_COMPLETED_THIS_CYCLE
    if sight.status.bit(this_cycle) is None:
        return "the unit does not tell whether its test has run"
    # A clear sets bit 6 by itself: only a look after a new cycle's begin shows that the bit came on with it.
    start = next((seq for seq in facts.cycle_starts if facts.counted_from < seq < sight.seq), sight.seq)
    begun = any(item.seq >= start and item.bit(this_cycle) is True for item in _counted(facts, sight))
    if begun and facts.run_bit(sight, this_cycle) is False:
        return None
    return "its test has not completed in a cycle begun since the clear"


def missing_clean_record(facts: FaultFacts) -> str | None:
    """The unit's word that the test has not failed since the clear."""
    sight = facts.newest
    if sight is None or sight.bit(StatusBit.FAILED_SINCE_CLEAR) is not None or facts.watched_throughout:
        return None
    return "the unit does not keep whether its test failed since the clear, and it was not watched in every cycle"


def missing_lamp(facts: FaultFacts) -> str | None:
    """No lamp requested for this fault in the after-scan."""
    lamp = StatusBit.WARNING_INDICATOR
    if any(sight.is_set(lamp) for sight in facts.after_sights):
        return "a lamp is still requested for it"
    if not facts.sights and facts.mil_on:
        return "the malfunction indicator is still on in this unit"
    return None


def missing_permanent(facts: FaultFacts) -> str | None:
    """No permanent copy, shown or known from what the unit never keeps."""
    if facts.permanent is Permanent.LISTED:
        return "a permanent copy is still listed: only the unit itself can take it back"
    if facts.permanent is Permanent.UNKNOWN:
        return "whether a permanent copy exists could not be read"
    return None


def missing_partner(facts: FaultFacts) -> str | None:
    """The unit that a network code names must answer."""
    if facts.silent_partner is None:
        return None
    return f"the unit this code names ({facts.silent_partner}) does not answer"


def missing_standing(facts: FaultFacts) -> str | None:
    """A fault that comes and goes is not proven by one passed test."""
    return None if facts.standing else f"one passed test is no proof: {facts.not_standing}"


def missing_conditions(facts: FaultFacts) -> tuple[str, ...]:
    """Each set of conditions that was not met, with what is known of it."""
    if facts.erasures.accepted is None or not facts.sights:
        return ()
    if not facts.sets:
        return ("the conditions under which it occurred are not known: no stored record, no failing test seen",)
    found = []
    for result in facts.sets:
        if result.met:
            continue
        if result.conditions.problem is not None:
            found.append(f"{result.conditions.origin} cannot be compared: {result.conditions.problem}")
        elif result.seen_at is None:
            found.append(f"a completed test seen under: {result.words} ({result.conditions.origin})")
        else:
            found.append(f"longer under: {result.words} (held {result.held_s:.0f} s)")
    return tuple(dict.fromkeys(found))


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

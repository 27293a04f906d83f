"""What keeps rule 8 from speaking: each gap in words, with the kind of thing that can close it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from decoders.values import StatusBit
from sessions.verdict.facts import FaultFacts
from sessions.verdict.permanent import Permanent
from sessions.verdict.sights import Sight
from sessions.verdict.trust import SEES_FAILURE


class Mend(StrEnum):
    """What can close a gap."""

    CLEAR = "clear this unit again"
    SCAN = "scan again"
    DRIVE = "run the car under the fault's conditions while reading"
    CYCLES = "go on driving, in several cycles"
    PARTNER = "make the unit answer that the code names"
    SIBLING = "cure the other failure type first"
    NEVER = "a passed test cannot close it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One thing that is missing for `proven`."""

    text: str
    mend: Mend


def gaps_for_8(facts: FaultFacts, siblings: tuple[str, ...]) -> tuple[Gap, ...]:
    """Everything that keeps rule 8 from speaking; empty if nothing does."""
    checks = (
        missing_clear(facts),
        missing_completion(facts),
        missing_clean_record(facts),
        missing_lamp(facts),
        missing_permanent(facts),
        missing_partner(facts),
        missing_sibling(siblings),
        missing_standing(facts),
        *missing_conditions(facts),
    )
    return tuple(gap for gap in checks if gap is not None)


def missing_sibling(siblings: tuple[str, ...]) -> Gap | None:
    """Other failure types of the same code in this unit that are not cured."""
    if not siblings:
        return None
    return Gap(text=f"{', '.join(siblings)} of the same code is not cured", mend=Mend.SIBLING)


def missing_clear(facts: FaultFacts) -> Gap | None:
    """A clear of our own, later than every erasure nobody vouches for."""
    accepted, unvouched = facts.erasures.accepted, facts.erasures.unvouched
    if accepted is None:
        return Gap(text="a clear of our own that the unit accepts", mend=Mend.CLEAR)
    if unvouched is not None and unvouched.seq >= accepted.seq:
        return Gap(text=f"a clear of our own: {unvouched.text}", mend=Mend.CLEAR)
    return None


def missing_completion(facts: FaultFacts) -> Gap | None:
    """The unit's word that the test completed since the clear."""
    sight, since = facts.newest, StatusBit.NOT_COMPLETED_SINCE_CLEAR
    if sight is None:
        return Gap(
            text="only OBD services list it: they do not tell whether this fault's test has run", mend=Mend.NEVER
        )
    if sight.seq < facts.counted_from:
        return Gap(text="an after-scan later than the last repair", mend=Mend.SCAN)
    if not sight.session_ok:
        return Gap(text="a reading in the unit's default session", mend=Mend.SCAN)
    if sight.status.bit(since) is None:
        return _completed_without_bit_4(facts, sight)
    incomplete = facts.run_bit(sight, since)
    if incomplete is None:
        return Gap(text="the unit's word that the test ran: it is merely no longer listed", mend=Mend.NEVER)
    if incomplete:
        return Gap(text="its test has not completed since the clear", mend=Mend.DRIVE)
    if not (facts.reset_seen or any(item.bit(since) is True for item in _counted(facts, sight))):
        text = "a look after the clear that showed the test as not completed: without it, completed means nothing"
        # Read back at once and completed already: the next clear would show no more.
        at_once = any(item.during == "readback" and item.bit(since) is False for item in _counted(facts, sight))
        return Gap(text=text, mend=Mend.NEVER if at_once else Mend.CLEAR)
    return None


def _counted(facts: FaultFacts, until: Sight) -> tuple[Sight, ...]:
    """The looks that count for rules 8 to 10, up to one of them."""
    return tuple(item for item in facts.sights if facts.counted_from < item.seq < until.seq and item.session_ok)


def _completed_without_bit_4(facts: FaultFacts, sight: Sight) -> Gap | None:
    """Bit 6 = 0 in a cycle begun since the clear, where the mask lacks bit 4."""
    this_cycle = StatusBit.NOT_COMPLETED_THIS_CYCLE
    if sight.status.bit(this_cycle) is None:
        return Gap(text="the unit does not tell whether its test has run", mend=Mend.NEVER)
    # A clear sets bit 6 by itself: only a look after a new cycle's begin shows that the bit came on with it.
    start = next((seq for seq in facts.cycle_starts if facts.counted_from < seq < sight.seq), sight.seq)
    begun = any(item.seq >= start and item.bit(this_cycle) is True for item in _counted(facts, sight))
    if begun and facts.run_bit(sight, this_cycle) is False:
        return None
    return Gap(text="its test has not completed in a cycle begun since the clear", mend=Mend.DRIVE)


def missing_clean_record(facts: FaultFacts) -> Gap | None:
    """The unit's word that the test has not failed since the clear."""
    sight = facts.newest
    if sight is None or sight.bit(StatusBit.FAILED_SINCE_CLEAR) is not None or facts.watched_throughout:
        return None
    text = "the unit does not keep whether its test failed since the clear, and it was not watched in every cycle"
    # Without these bits no look, however often taken, can see an earlier failure.
    sees = sight.status.mask & SEES_FAILURE == SEES_FAILURE
    return Gap(text=text, mend=Mend.CLEAR if sees else Mend.NEVER)


def missing_lamp(facts: FaultFacts) -> Gap | None:
    """No lamp requested for this fault in the after-scan."""
    lamp = StatusBit.WARNING_INDICATOR
    if any(sight.is_set(lamp) for sight in facts.after_sights):
        return Gap(text="a lamp is still requested for it", mend=Mend.CYCLES)
    if not facts.sights and facts.mil_on:
        return Gap(text="the malfunction indicator is still on in this unit", mend=Mend.CYCLES)
    return None


def missing_permanent(facts: FaultFacts) -> Gap | None:
    """No permanent copy, shown or known from what the unit never keeps."""
    if facts.permanent is Permanent.LISTED:
        return Gap(text="a permanent copy is still listed: only the unit itself can take it back", mend=Mend.CYCLES)
    if facts.permanent is Permanent.UNKNOWN:
        return Gap(text="whether a permanent copy exists could not be read", mend=Mend.SCAN)
    return None


def missing_partner(facts: FaultFacts) -> Gap | None:
    """The unit that a network code names must answer."""
    if facts.silent_partner is None:
        return None
    return Gap(text=f"the unit this code names ({facts.silent_partner}) does not answer", mend=Mend.PARTNER)


def missing_standing(facts: FaultFacts) -> Gap | None:
    """A fault that comes and goes is not proven by one passed test."""
    if facts.standing:
        return None
    return Gap(text=f"one passed test is no proof: {facts.not_standing}", mend=Mend.NEVER)


def missing_conditions(facts: FaultFacts) -> tuple[Gap, ...]:
    """Each set of conditions that was not met, with what is known of it."""
    if facts.erasures.accepted is None or not facts.sights:
        return ()
    if not facts.sets:
        unknown = "the conditions under which it occurred are not known: no stored record, no failing test seen"
        return (Gap(text=unknown, mend=Mend.NEVER),)
    found = []
    for result in facts.sets:
        if result.met:
            continue
        if result.conditions.problem is not None:
            text = f"{result.conditions.origin} cannot be compared: {result.conditions.problem}"
            found.append(Gap(text=text, mend=Mend.NEVER))
        elif result.seen_at is None:
            text = f"a completed test seen under: {result.words} ({result.conditions.origin})"
            found.append(Gap(text=text, mend=Mend.DRIVE))
        else:
            text = f"longer under: {result.words} (held {result.held_s:.0f} s)"
            found.append(Gap(text=text, mend=Mend.DRIVE))
    return tuple(dict.fromkeys(found))

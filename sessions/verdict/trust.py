"""What a unit's own words are worth: its supported list, its bit 4, and how closely it was watched."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from decoders.values import Outcome, Status, StatusBit
from sessions.record import JobRecord
from sessions.verdict.clears import Erase
from sessions.verdict.cycles import KeyOn
from sessions.verdict.flips import GROUP_CLEARS
from sessions.verdict.listing import SUPPORTED_LIST
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import FaultKey, Sight

SEES_FAILURE = StatusBit.TEST_FAILED | StatusBit.TEST_FAILED_THIS_CYCLE | StatusBit.PENDING | StatusBit.CONFIRMED


def absence_counts(record: JobRecord, key: FaultKey) -> bool:
    """True if the unit's list of supported codes, where it answered one, still holds the code."""
    lists = [
        code
        for code in record.codes
        if code.unit == key.unit and code.request == SUPPORTED_LIST and code.outcome is Outcome.ANSWERED
    ]
    return not lists or key.dtc in lists[-1].entries


def reset_seen(record: JobRecord, key: FaultKey, accepted: Erase | None) -> bool:
    """True if the first read-back after the clear shows bit 4 set for another code that had it clear before.

    The unit then sets bit 4 when it clears; that speaks for this code too where 19 0A lists it.
    """
    if accepted is None or accepted.clear is None or accepted.clear.request not in GROUP_CLEARS:
        return False
    bit = StatusBit.NOT_COMPLETED_SINCE_CLEAR
    lists = [code for code in record.codes if code.unit == key.unit and code.request == SUPPORTED_LIST and code.whole]
    earlier = [code for code in lists if code.moment.seq < accepted.clear.moment.seq]
    later = [code for code in lists if code.moment.seq > accepted.seq]
    if not earlier or not later or later[0].during != "readback" or key.dtc not in later[0].entries:
        return False
    was, now = earlier[-1], later[0]
    return any(
        dtc != key.dtc
        and Status(was.entries[dtc], was.mask or 0).bit(bit) is False
        and Status(byte, now.mask or 0).bit(bit) is True
        for dtc, byte in now.entries.items()
        if dtc in was.entries
    )


def watched_throughout(
    sights: Sequence[Sight], accepted: Erase | None, key_ons: Sequence[KeyOn], settings: RuleSettings
) -> bool:
    """True if every cycle since the accepted clear holds a look that could have seen a failure.

    Looks further apart than a key-off that counts could hide a cycle, unless just one key-on between them was seen.
    """
    if accepted is None or accepted.clear is None or accepted.clear.answered is None:
        return False
    could_see = [
        sight.moment
        for sight in sights
        if sight.seq > accepted.seq and sight.session_ok and sight.status.mask & SEES_FAILURE == SEES_FAILURE
    ]
    for earlier, later in pairwise((accepted.clear.answered, *could_see)):
        between = [item.answered for item in key_ons if earlier.seq < item.answered.seq <= later.seq]
        gap = (between[0] if between else earlier).seconds_until(later)
        if len(between) > 1 or gap is None or gap > settings.key_off_s:
            return False
    return bool(could_see)

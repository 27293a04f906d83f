"""Is a fault standing: failing where the job first listed it, and never seen to pass or to come back."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.values import StatusBit
from sessions.record import JobRecord
from sessions.verdict.clears import Erasures
from sessions.verdict.scans import last_repair
from sessions.verdict.sights import CAME_BACK, FAILED, FaultKey, ObdSight, Sight


def why_not_standing(
    record: JobRecord, key: FaultKey, sights: Sequence[Sight], obd: Sequence[ObdSight], erasures: Erasures
) -> str:
    """Why the fault is not standing; empty if it is."""
    return (
        _why_not_failing_first(sights, obd)
        or _why_it_comes_and_goes(record, key.unit, sights, erasures)
        or _why_it_came_back(record, sights, obd, erasures)
    )


def _why_not_failing_first(sights: Sequence[Sight], obd: Sequence[ObdSight]) -> str:
    first = next((sight for sight in sights if sight.lists_it), None)
    if first is not None and first.bit(FAILED) is not True:
        return f"its test was not failing where the job first listed it (status {first.status.byte:02X})"
    # Where OBD services named it first, that listing decides: only 07 tells of a test that fails now.
    limit = first.seq if first is not None else float("inf")
    earlier = [sight for sight in obd if sight.seq < limit and sight.listed and sight.service in (0x03, 0x07)]
    scans = {sight.scan for sight in earlier[:1]}
    if (earlier or first is None) and not any(sight.service == 0x07 and sight.scan in scans for sight in earlier):
        return "service 07 did not list it where the job first listed it"
    return ""


def _why_it_comes_and_goes(record: JobRecord, unit: str, sights: Sequence[Sight], erasures: Erasures) -> str:
    first = next((sight for sight in sights if sight.lists_it), None)
    if first is None:
        return ""
    clears = [clear.moment.seq for clear in record.clears if clear.unit == unit]
    before_repair = _repair_begins(record, erasures)
    for sight in sights:
        cleared = any(first.seq < seq < sight.seq for seq in clears)
        if first.seq < sight.seq < before_repair and _shows_passed(sight, cleared=cleared):
            return f"its test had passed before the repair (entry {sight.seq}): it comes and goes"
    return ""


def _repair_begins(record: JobRecord, erasures: Erasures) -> float:
    """Place before which a reading counts as before the repair."""
    if record.repairs:
        return min(repair.seq for repair in record.repairs)
    return erasures.accepted.seq if erasures.accepted else float("inf")


def _shows_passed(sight: Sight, *, cleared: bool) -> bool:
    """True if a look shows the test completed and not failed, or testFailed gone with no clear to explain it."""
    if sight.bit(FAILED) is not False or sight.not_completed_since_clear:
        return False
    completed = (StatusBit.NOT_COMPLETED_SINCE_CLEAR, StatusBit.NOT_COMPLETED_THIS_CYCLE)
    return any(sight.bit(bit) is False for bit in completed) or not cleared


def _why_it_came_back(record: JobRecord, sights: Sequence[Sight], obd: Sequence[ObdSight], erasures: Erasures) -> str:
    repaired = last_repair(record)
    for erase in erasures.all_accepted[:-1]:
        if erase.seq <= repaired:
            continue
        came_back = any(sight.seq > erase.seq and sight.is_set(FAILED | CAME_BACK) for sight in sights) or any(
            sight.seq > erase.seq and sight.listed and sight.service != 0x0A for sight in obd
        )
        if came_back:
            return f"it came back after {erase.text}"
    return ""

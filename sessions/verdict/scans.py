"""Which scan is the before-scan and which the after-scan."""

from __future__ import annotations

from decoders.values import Outcome
from sessions.record import JobRecord, Scan

_SINCE_CLEAR = (0x30, 0x31, 0x4E)


def before_scan(record: JobRecord) -> Scan | None:
    """The newest complete scan taken as `before` that read a unit, older than every clear and repair."""
    limit = first_change(record)
    found = [
        scan
        for scan in record.scans
        if scan.taken_as == "before"
        and scan.complete
        and scan.end is not None
        and scan.end.seq <= limit
        and _read_a_unit(record, scan)
    ]
    return found[-1] if found else None


def after_scan(record: JobRecord) -> Scan | None:
    """The newest complete scan that began after the last clear, and after the before-scan if there is one.

    One taken as `before` can only be it beside a before-scan: on its own it is a before-scan that came too late.
    """
    before = before_scan(record)
    last_clear = max((clear.moment.seq for clear in record.clears), default=0)
    found = [
        scan
        for scan in record.scans
        if scan.complete
        and scan.begin.seq > last_clear
        and (scan.taken_as != "before" if before is None else scan.begin.seq > before.begin.seq)
    ]
    return found[-1] if found else None


def first_change(record: JobRecord) -> float:
    """Place of the first repair or clear, or infinity."""
    places = [repair.seq for repair in record.repairs] + [clear.moment.seq for clear in record.clears]
    return min(places, default=float("inf"))


def last_change(record: JobRecord) -> int:
    """Place of the last repair or clear, or 0."""
    return max((last_repair(record), *(clear.moment.seq for clear in record.clears)))


def last_repair(record: JobRecord) -> int:
    """Place of the last repair, or 0."""
    return max((repair.seq for repair in record.repairs), default=0)


def taken_after_erase(record: JobRecord, scan: Scan) -> bool:
    """True if a person said so, or distance, warm-ups and engine time since clear all read 0 in one unit."""
    if scan.stated_after_erase:
        return True
    end = scan.end.seq if scan.end else float("inf")
    zero: dict[str, set[int]] = {}
    for item in record.live:
        if scan.begin.seq <= item.moment.seq <= end and item.pid in _SINCE_CLEAR and item.value == 0:
            zero.setdefault(item.unit, set()).add(item.pid)
    return any(len(pids) == len(_SINCE_CLEAR) for pids in zero.values())


def _read_a_unit(record: JobRecord, scan: Scan) -> bool:
    """True if some unit listed its codes, even if it listed none."""
    by_uds = any(code.scan == scan.number and code.outcome is Outcome.ANSWERED for code in record.codes)
    return by_uds or any(item.scan == scan.number and item.outcome is Outcome.ANSWERED for item in record.obd)

"""Is a fault's memory read in the after-scan, and is the fault new there."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.values import Outcome
from sessions.record import JobRecord, Scan
from sessions.verdict.listing import listing_requests, naming_requests
from sessions.verdict.scans import first_change
from sessions.verdict.sights import FaultKey, ObdSight, Sight


def listed_at(sights: Sequence[Sight], obd: Sequence[ObdSight], scan: int) -> bool:
    """True if a scan lists it, even as history."""
    return any(sight.scan == scan and sight.lists_it for sight in sights) or any(
        sight.scan == scan and sight.listed for sight in obd
    )


def why_unread(record: JobRecord, key: FaultKey, obd: Sequence[ObdSight], after: Scan | None) -> str | None:
    """Why the after-scan cannot speak of this fault, or None if it can."""
    if after is None:
        return "there is no complete scan after the last clear"
    if key.memory == "dtc":
        for listing in listing_requests(record, key.unit, key.dtc):
            lists = [
                code.outcome
                for code in record.codes
                if (code.unit, code.scan, code.request) == (key.unit, after.number, listing)
            ]
            why = _why_none_whole(lists, f"scan {after.number}, {listing[:2].hex(' ').upper()}")
            if why is not None:
                return why
        return None
    permanent_only = {sight.service for sight in obd if sight.listed} == {0x0A}
    for service in (0x0A,) if permanent_only else (0x03, 0x07):
        asked = [
            item.outcome
            for item in record.obd
            if (item.unit, item.scan, item.service) == (key.unit, after.number, service)
        ]
        why = _why_none_whole(asked, f"scan {after.number}, service {service:02X}")
        if why is not None:
            return why
    return None


def _why_none_whole(outcomes: list[Outcome], where: str) -> str | None:
    """Why no whole answer is among the outcomes of one request, or None if one is."""
    if Outcome.ANSWERED in outcomes:
        return None
    return f"{where}: {outcomes[-1].value if outcomes else 'not asked'}"


def is_new(record: JobRecord, key: FaultKey, sights: Sequence[Sight], obd: Sequence[ObdSight], after: Scan) -> bool:
    """True if it is there now, and no scan before the first change listed it though that memory was read then.

    Read then means that the same request was answered and did not name it, not even as history.
    """
    limit = first_change(record)
    earlier = {scan.number for scan in record.scans if scan.begin.seq < limit and scan.number != after.number}
    if not listed_at(sights, obd, after.number) or any(listed_at(sights, obd, number) for number in earlier):
        return False
    if key.memory == "dtc":
        listings = naming_requests(record, key.unit, key.dtc)
        return any(
            code.unit == key.unit
            and code.scan in earlier
            and code.request in listings
            and code.outcome is Outcome.ANSWERED
            for code in record.codes
        )
    read = {
        item.service
        for item in record.obd
        if item.unit == key.unit and item.scan in earlier and item.outcome is Outcome.ANSWERED
    }
    return {sight.service for sight in obd if sight.listed} <= read

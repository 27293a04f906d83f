"""Is there a permanent copy of a code: yes, no, or not known."""

from __future__ import annotations

from enum import StrEnum

from decoders.values import Outcome
from sessions.record import CodeReading, JobRecord, ObdReading, Scan
from sessions.verdict.listing import PERMANENT_LISTS, has_group_list
from sessions.verdict.sights import FaultKey

_NOT_SUPPORTED = frozenset({0x11, 0x12})


class Permanent(StrEnum):
    """What the after-scan says of a permanent copy."""

    LISTED = "listed"
    NONE = "none"
    UNKNOWN = "unknown"


def permanent_copy(record: JobRecord, key: FaultKey, after: Scan) -> Permanent:
    """Look for the code among the permanent ones.

    No answer to 0A is not "no permanent codes", except from a unit that keeps none by all it ever answered.
    Source: SAE J1979 service 0A; ISO 14229-1 sub-functions 15 and 55.
    """
    listed_0a = _obd_listed(record, key, after)
    listed_19 = _uds_listed(record, key, after)
    if Permanent.LISTED in (listed_0a, listed_19):
        return Permanent.LISTED
    if Permanent.UNKNOWN in (listed_0a, listed_19):
        return Permanent.UNKNOWN
    return Permanent.NONE


def _obd_listed(record: JobRecord, key: FaultKey, after: Scan) -> Permanent:
    asked = [item for item in record.obd if item.unit == key.unit and item.service == 0x0A]
    answered = [item for item in asked if item.outcome is Outcome.ANSWERED]
    in_after = [item for item in answered if item.scan == after.number]
    if in_after:
        return Permanent.LISTED if key.dtc.base_only in in_after[-1].codes else Permanent.NONE
    return Permanent.NONE if _keeps_none(record, key.unit, after) else Permanent.UNKNOWN


def _keeps_none(record: JobRecord, unit: str, after: Scan) -> bool:
    """True if this unit, asked by its own address in every scan, has shown that it keeps no permanent codes."""
    own = [item for item in record.obd if item.unit == unit]
    asked = [item for item in own if item.service == 0x0A]
    scans = {scan.number for scan in record.scans if scan.complete and unit in scan.units} | {after.number}
    if not scans <= {item.scan for item in asked}:
        return False
    if not all(_plainly_absent(item) for item in asked):
        return False
    emissions = [item for item in own if item.service in (0x03, 0x07)]
    answered = {item.service for item in emissions if item.outcome is Outcome.ANSWERED}
    if answered == {0x03, 0x07}:
        return True
    # No positive answer to 03, 07 or 0A in any scan: what service 19 says of permanent codes decides alone.
    in_after = {item.service for item in emissions if item.scan == after.number}
    quiet = all(item.outcome in (Outcome.SILENT, Outcome.REFUSED) for item in emissions)
    return quiet and in_after == {0x03, 0x07}


def _plainly_absent(item: ObdReading) -> bool:
    return item.outcome is Outcome.SILENT or (item.outcome is Outcome.REFUSED and item.refusal in _NOT_SUPPORTED)


def _uds_listed(record: JobRecord, key: FaultKey, after: Scan) -> Permanent:
    own = [code for code in record.codes if code.unit == key.unit]
    found = [_in_list(own, key, after, request) for request in PERMANENT_LISTS]
    # A unit that tells its emission codes through service 19 tells the permanent ones too, or nobody knows.
    told = any(
        code.request in PERMANENT_LISTS and code.scan == after.number and code.outcome is Outcome.ANSWERED
        for code in own
    ) or any(
        (item.unit, item.scan, item.service, item.outcome) == (key.unit, after.number, 0x0A, Outcome.ANSWERED)
        for item in record.obd
    )
    if has_group_list(record, key.unit) and not told:
        found.append(Permanent.UNKNOWN)
    return next((state for state in Permanent if state in found and state is not Permanent.NONE), Permanent.NONE)


def _in_list(own: list[CodeReading], key: FaultKey, after: Scan, request: bytes) -> Permanent:
    """What one list of permanent codes says; a unit that never answered it may have none to tell."""
    asked = [code for code in own if code.request == request]
    answered = [code for code in asked if code.outcome is Outcome.ANSWERED]
    in_after = [code for code in answered if code.scan == after.number]
    if in_after:
        bases = {dtc.base for dtc in in_after[-1].entries}
        return Permanent.LISTED if key.dtc.base in bases else Permanent.NONE
    damaged = any(code.outcome in (Outcome.DAMAGED, Outcome.UNSENT) for code in asked)
    return Permanent.UNKNOWN if answered or damaged else Permanent.NONE

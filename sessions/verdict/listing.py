"""By which request a unit lists its codes, and whether it was heard at all.

19 02 is how a unit lists them. One that plainly does not have it may list its emissions group by 19 42 instead, and one
that has both may name a code in either: what one list leaves out, the other may hold.
Source: ISO 14229-1, sub-functions 02 and 42; SAE J1979-2 / ISO 27145-3, functional group 33.
"""

from __future__ import annotations

from decoders import decode_dtc_count, decode_dtc_list, decode_group_list
from decoders.errors import DecodeError
from decoders.values import Dtc, Outcome
from sessions.record import CodeReading, JobRecord

FULL_LIST = bytes.fromhex("1902FF")
SUPPORTED_LIST = bytes.fromhex("190A")
EMISSION_LIST = bytes.fromhex("194233FF1E")
PERMANENT_LISTS = (bytes.fromhex("1915"), bytes.fromhex("195533"))
"""Permanent codes of the unit and of its emissions group. Source: ISO 14229-1, sub-functions 15 and 55."""

OBD_ON_UDS = bytes.fromhex("22F810")
_STATING_FORMAT = frozenset({b"\x19\x01", b"\x19\x42", b"\x19\x55"})
NOT_THERE = frozenset({0x11, 0x12, 0x31})
"""Refusals by which a unit says that it has no such request. Source: ISO 14229-1, Annex A."""


def plainly_absent(reading: CodeReading) -> bool:
    """True if the unit said that it has no such request; silence and other refusals do not."""
    return reading.outcome is Outcome.REFUSED and reading.refusal in NOT_THERE


def _sent(record: JobRecord, unit: str, request: bytes) -> list[CodeReading]:
    return [
        code
        for code in record.codes
        if code.unit == unit and code.request == request and code.outcome is not Outcome.UNSENT
    ]


def lists_group_alone(record: JobRecord, unit: str) -> bool:
    """True if a unit answered 19 42 and each time said that it has no 19 02."""
    full = _sent(record, unit, FULL_LIST)
    group = _sent(record, unit, EMISSION_LIST)
    return bool(full) and all(map(plainly_absent, full)) and any(code.outcome is Outcome.ANSWERED for code in group)


def has_group_list(record: JobRecord, unit: str) -> bool:
    """True if a unit tells emission codes by service 19, or may: it said that it does and did not take it back."""
    group = _sent(record, unit, EMISSION_LIST)
    if group:
        return not all(map(plainly_absent, group))
    return any(
        item.exchange.target == unit and item.exchange.request == OBD_ON_UDS and item.exchange.positive is not None
        for item in record.asked
    )


def listing_request(record: JobRecord, unit: str) -> bytes:
    """The request by which a unit lists its faults: 19 02, or 19 42 from one that has that alone."""
    return EMISSION_LIST if lists_group_alone(record, unit) else FULL_LIST


def naming_requests(record: JobRecord, unit: str, dtc: Dtc) -> tuple[bytes, ...]:
    """The lists that ever named this code, 19 02 first; without any, the one by which the unit lists its faults."""
    named = {
        code.request
        for code in record.codes
        if code.unit == unit and code.outcome is Outcome.ANSWERED and dtc in code.entries
    }
    found = tuple(request for request in (FULL_LIST, EMISSION_LIST) if request in named)
    return found or (listing_request(record, unit),)


def listing_requests(record: JobRecord, unit: str, dtc: Dtc) -> tuple[bytes, ...]:
    """The requests that would list this code: those that ever named it, and 19 02 of a unit that may have it."""
    named = naming_requests(record, unit, dtc)
    return named if FULL_LIST in named or lists_group_alone(record, unit) else (*named, FULL_LIST)


def code_format(record: JobRecord, unit: str) -> int | None:
    """The DTC format identifier that a unit last stated, 0..FF, or None. Source: ISO 14229-1, DTCFormatIdentifier."""
    for item in reversed(record.asked):
        data = item.exchange.positive if item.exchange.target == unit else None
        if data is None or item.exchange.request[:2] not in _STATING_FORMAT:
            continue
        try:
            if data[1] == 0x01:
                return decode_dtc_count(data).format_id
            return decode_group_list(data).format_id if data[1] == 0x42 else decode_dtc_list(data).scope.format_id
        except DecodeError:
            continue
    return None


def in_emissions_group(record: JobRecord, unit: str, dtc: Dtc, before_seq: int) -> bool:
    """True if 19 42, 03 or 07 listed the code earlier: what 14 FFFF33 and 04 erase."""
    return any(
        code.unit == unit and code.request == EMISSION_LIST and code.moment.seq < before_seq and dtc in code.entries
        for code in record.codes
    ) or any(
        item.unit == unit
        and item.service in (0x03, 0x07)
        and item.moment.seq < before_seq
        and dtc.base_only in item.codes
        for item in record.obd
    )

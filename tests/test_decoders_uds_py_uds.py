"""py-uds, whose field tables follow ISO 14229-1:2020, reads answers and requests of service 19 like we do.

It alone of our judges knows the reports 1A and 56 and the form of 55 without a severity.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uds.translator import BASE_TRANSLATOR
from uds_codes import BYTE, CODE, FORMAT, LISTED

from decoders import decode_dtc_list, decode_dtc_request, decode_fault_counters, decode_group_list, decode_severity_list
from simulators import wire_dtc
from simulators.wire_dtc import Graded

READ_DTC = BASE_TRANSLATOR.services_mapping[0x19]
Codes = list[tuple[bytes, int]]
GRADED = st.lists(st.builds(Graded, severity=BYTE, code=CODE, status=BYTE, functional_unit=BYTE), max_size=20)


def fields(data: bytes) -> list[dict[str, Any]]:
    """The fields that py-uds finds in a message."""
    with warnings.catch_warnings():
        # It warns of every number that its tables have no label for.
        warnings.simplefilter("ignore")
        found: list[dict[str, Any]] = READ_DTC.decode(data)
    return found


def head(data: bytes) -> dict[str, int]:
    """Its fields of one number, by name."""
    return {field["name"]: field["raw_value"] for field in fields(data) if isinstance(field["raw_value"], int)}


def records(data: bytes) -> Iterator[tuple[int, ...]]:
    """Its repeated records, each a row of numbers."""
    for field in fields(data):
        if isinstance(field["raw_value"], tuple):
            for record in field["children"]:
                yield tuple(part["raw_value"] for part in record)


def number(code: bytes) -> int:
    return int.from_bytes(code, "big")


@given(st.sampled_from([0x02, 0x0A, 0x15]), BYTE, LISTED)
def test_a_list_of_codes(report: int, mask: int, codes: Codes) -> None:
    data = wire_dtc.listed(report, mask, codes)
    found = decode_dtc_list(data)
    assert (head(data)["DTCStatusAvailabilityMask"], list(records(data))) == (
        found.mask,
        [(number(entry.dtc.raw), entry.status) for entry in found.entries],
    )


@given(BYTE, BYTE, LISTED)
def test_a_list_of_codes_that_have_an_extended_data_record(mask: int, record: int, codes: Codes) -> None:
    data = wire_dtc.listed_with_record(mask, record, codes)
    found = decode_dtc_list(data)
    theirs = head(data)
    assert (theirs["DTCStatusAvailabilityMask"], theirs.get("DTCExtDataRecordNumber")) == (
        found.mask,
        found.scope.record_number,
    )
    assert list(records(data)) == [(number(entry.dtc.raw), entry.status) for entry in found.entries]


@given(BYTE, BYTE, FORMAT, LISTED)
def test_the_permanent_codes_of_a_group(group: int, mask: int, code_format: int, codes: Codes) -> None:
    data = wire_dtc.listed_permanent_of_group(group, mask, code_format, codes)
    found = decode_dtc_list(data)
    theirs = head(data)
    assert (theirs["FunctionalGroupIdentifier"], theirs["DTCFormatIdentifier"]) == (
        found.scope.group,
        found.scope.format_id,
    )
    assert list(records(data)) == [(number(entry.dtc.raw), entry.status) for entry in found.entries]


@given(BYTE, BYTE, FORMAT, BYTE, LISTED)
def test_a_readiness_group(group: int, mask: int, code_format: int, readiness: int, codes: Codes) -> None:
    data = wire_dtc.listed_by_readiness(group, mask, code_format, readiness, codes)
    found = decode_dtc_list(data)
    theirs = head(data)
    assert (theirs["DTCReadinessGroupIdentifier"], theirs["DTCStatusAvailabilityMask"]) == (
        found.scope.readiness_group,
        found.mask,
    )
    assert list(records(data)) == [(number(entry.dtc.raw), entry.status) for entry in found.entries]


@given(BYTE, BYTE, BYTE, FORMAT, GRADED)
def test_the_codes_of_a_group(group: int, mask: int, severities: int, code_format: int, codes: list[Graded]) -> None:
    data = wire_dtc.graded_of_group(group, mask, severities, code_format, codes)
    found = decode_group_list(data)
    assert head(data)["DTCSeverityAvailabilityMask"] == found.severity_mask
    assert list(records(data)) == [
        (entry.severity.byte, number(entry.dtc.raw), entry.status) for entry in found.entries
    ]


@given(BYTE, GRADED)
def test_codes_with_severity(mask: int, codes: list[Graded]) -> None:
    data = wire_dtc.graded(0x08, mask, codes)
    found = decode_severity_list(data)
    assert list(records(data)) == [
        (entry.severity.byte, entry.functional_unit, number(entry.dtc.raw), entry.status) for entry in found.entries
    ]


@given(st.lists(st.tuples(CODE, st.integers(-128, 127)), max_size=20))
def test_fault_detection_counters(codes: Codes) -> None:
    data = wire_dtc.counters(codes)
    # py-uds leaves the counter as its byte.
    ours = [(number(dtc.raw), counter & 0xFF) for dtc, counter in decode_fault_counters(data).counters]
    assert list(records(data)) == ours


@pytest.mark.parametrize(
    ("data_hex", "theirs", "ours"),
    [
        ("19 1A 07", "DTCExtDataRecordNumber", "record_number"),
        ("19 56 33 05", "DTCReadinessGroupIdentifier", "readiness_group"),
        ("19 55 33", "FunctionalGroupIdentifier", "group"),
        ("19 42 33 08 1E", "DTCSeverityMask", "severity_mask"),
        ("19 17 08 02", "MemorySelection", "memory"),
    ],
)
def test_a_request(data_hex: str, theirs: str, ours: str) -> None:
    data = bytes.fromhex(data_hex)
    assert head(data)[theirs] == getattr(decode_dtc_request(data), ours)

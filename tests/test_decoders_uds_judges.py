"""Answers of service 19 as udsoncan and scapy read them; where they read wrong, a test shows it."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.automotive.uds import UDS
from uds_codes import BYTE, CODE, FORMAT, ITEMS, LENGTHS, LISTED, RECORD_NUMBER, by_udsoncan
from udsoncan.exceptions import InvalidResponseException

from decoders.errors import DecodeError
from decoders.uds_dtc import decode_dtc_count, decode_dtc_list, decode_fault_counters, decode_snapshot_index
from decoders.uds_records import decode_extended, decode_extended_by_number, decode_snapshots, decode_stored_data
from decoders.uds_severity import decode_group_list, decode_severity_list
from decoders.values import Dtc
from simulators import wire_dtc
from simulators.wire_dtc import Graded, Stored

Codes = list[tuple[bytes, int]]
Snapshots = list[tuple[int, list[tuple[int, bytes]]]]
GRADED = st.lists(st.builds(Graded, BYTE, CODE, BYTE, BYTE), max_size=12)
THREE_BYTES = {"didconfig": {"default": "3s"}}
OLD = {"standard_version": 2013}
"""udsoncan refuses the reports of the mirror memory under the edition of 2020."""


def with_status(theirs: Any) -> Codes:
    return [(dtc.id.to_bytes(3, "big"), dtc.status.get_byte_as_int()) for dtc in theirs.dtcs]


def kept(dtc: Any) -> list[tuple[int, int, bytes]]:
    """(record number, identifier, bytes) of each snapshot that udsoncan hangs on a code."""
    return [(one.record_number, one.did, one.raw_data) for one in dtc.snapshots]


@given(st.sampled_from([0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15]), BYTE, LISTED)
def test_udsoncan_reads_the_same_list(report: int, mask: int, codes: Codes) -> None:
    data = wire_dtc.listed(report, mask, codes)
    theirs, ours = by_udsoncan(data, **OLD), decode_dtc_list(data)
    assert (ours.subfunction, ours.mask) == (theirs.subfunction_echo, theirs.status_availability.get_byte_as_int())
    assert [(entry.dtc.raw, entry.status) for entry in ours.entries] == with_status(theirs)


@pytest.mark.parametrize("fill", [0x55, 0xAA, 0xCC, 0xFF])
def test_udsoncan_takes_fill_bytes_for_a_code(fill: int) -> None:
    # Common practice: an answer is filled up with one byte; no unit has a code and a status of that byte alone.
    data = b"\x59\x02\xff" + bytes([fill]) * 4
    assert [(bytes([fill]) * 3, fill)] == with_status(by_udsoncan(data))
    assert ((), bytes([fill]) * 4) == (decode_dtc_list(data).entries, decode_dtc_list(data).leftover)


@given(BYTE, BYTE, LISTED)
def test_udsoncan_reads_the_same_list_of_a_memory(memory: int, mask: int, codes: Codes) -> None:
    data = wire_dtc.listed_in_memory(memory, mask, codes)
    theirs, ours = by_udsoncan(data), decode_dtc_list(data)
    assert (ours.scope.memory, ours.mask) == (
        theirs.memory_selection_echo,
        theirs.status_availability.get_byte_as_int(),
    )
    assert [(entry.dtc.raw, entry.status) for entry in ours.entries] == with_status(theirs)


@given(st.sampled_from([0x01, 0x07, 0x11, 0x12]), BYTE, FORMAT, st.integers(0, 0xFFFF))
def test_udsoncan_reads_the_same_count(report: int, mask: int, code_format: int, count: int) -> None:
    data = wire_dtc.counted(report, mask, code_format, count)
    theirs, ours = by_udsoncan(data, **OLD), decode_dtc_count(data)
    assert (ours.subfunction, ours.mask) == (report, theirs.status_availability.get_byte_as_int())
    assert (ours.format_id, ours.count) == (theirs.dtc_format, theirs.dtc_count)


@given(LISTED)
def test_udsoncan_knows_the_same_snapshots(records: Codes) -> None:
    data = wire_dtc.snapshots_kept(records)
    theirs = {dtc.id.to_bytes(3, "big"): dtc.snapshots for dtc in by_udsoncan(data).dtcs}
    ours: dict[bytes, list[int]] = {}
    for dtc, number in decode_snapshot_index(data).records:
        ours.setdefault(dtc.raw, []).append(number)
    assert ours == theirs


@given(st.lists(st.tuples(CODE, st.integers(0, 127)), max_size=20))
def test_udsoncan_reads_the_same_counters_above_zero(codes: Codes) -> None:
    data = wire_dtc.counters(codes)
    theirs = [(dtc.id.to_bytes(3, "big"), dtc.fault_counter) for dtc in by_udsoncan(data).dtcs]
    assert theirs == [(dtc.raw, counter) for dtc, counter in decode_fault_counters(data).counters]


@given(st.sampled_from([0x08, 0x09]), BYTE, GRADED)
def test_udsoncan_reads_the_same_severities(report: int, mask: int, codes: list[Graded]) -> None:
    data = wire_dtc.graded(report, mask, codes)
    theirs, ours = by_udsoncan(data), decode_severity_list(data)
    assert ours.mask == theirs.status_availability.get_byte_as_int()
    # udsoncan keeps the three upper bits of a severity only.
    assert [(e.severity.byte & 0xE0, e.functional_unit, e.dtc.raw, e.status) for e in ours.entries] == [
        (dtc.severity.get_byte_as_int(), dtc.functional_unit, dtc.id.to_bytes(3, "big"), dtc.status.get_byte_as_int())
        for dtc in theirs.dtcs
    ]


@given(BYTE, BYTE, BYTE, st.sampled_from([2, 4]), GRADED)
def test_udsoncan_reads_the_same_functional_group(
    group: int, mask: int, severities: int, code_format: int, codes: list[Graded]
) -> None:
    data = wire_dtc.graded_of_group(group, mask, severities, code_format, codes)
    theirs, ours = by_udsoncan(data), decode_group_list(data)
    assert (ours.group, ours.format_id) == (theirs.functional_group_id, theirs.dtc_format)
    assert ours.mask == theirs.status_availability.get_byte_as_int()
    assert [(e.severity.byte & 0xE0, e.dtc.raw, e.status) for e in ours.entries] == [
        (dtc.severity.get_byte_as_int(), dtc.id.to_bytes(3, "big"), dtc.status.get_byte_as_int()) for dtc in theirs.dtcs
    ]


@given(CODE, BYTE, st.lists(st.tuples(RECORD_NUMBER, ITEMS), max_size=3), st.none() | BYTE)
def test_udsoncan_reads_the_same_snapshots(code: bytes, status: int, records: Snapshots, memory: int | None) -> None:
    data = wire_dtc.snapshots(code, status, records, memory)
    theirs, ours = by_udsoncan(data, **THREE_BYTES), decode_snapshots(data, LENGTHS)
    assert ours.memory == theirs.memory_selection_echo
    assert [(ours.dtc.raw, ours.status)] == with_status(theirs)
    assert [(r.number, did, value) for r in ours.records for did, value in r.values] == kept(theirs.dtcs[0])


@given(st.lists(st.builds(Stored, RECORD_NUMBER, CODE, BYTE, ITEMS), min_size=1, max_size=3))
def test_udsoncan_reads_the_same_stored_data(records: list[Stored]) -> None:
    data = wire_dtc.stored_data(records)
    theirs, ours = by_udsoncan(data, **THREE_BYTES), decode_stored_data(data, LENGTHS)
    assert [(r.dtc.raw if r.dtc else b"", r.status) for r in ours.records] == with_status(theirs)
    assert [[(r.number, did, value) for did, value in r.values] for r in ours.records] == [
        kept(dtc) for dtc in theirs.dtcs
    ]


@given(
    CODE,
    BYTE,
    st.lists(st.tuples(RECORD_NUMBER, st.binary(min_size=2, max_size=2)), max_size=5),
    st.none() | BYTE,
    st.booleans(),
)
def test_udsoncan_reads_the_same_extended_data_of_one_size(
    code: bytes, status: int, records: list[tuple[int, bytes]], memory: int | None, mirror: bool
) -> None:
    data = wire_dtc.extended(code, status, records, memory, mirror=mirror)
    theirs, ours = by_udsoncan(data, extended_data_size=2, **OLD), decode_extended(data, dict.fromkeys(range(256), 2))
    assert [(ours.dtc.raw, ours.status)] == with_status(theirs)
    assert ours.memory == theirs.memory_selection_echo
    assert list(ours.records) == [(one.record_number, one.raw_data) for one in theirs.dtcs[0].extended_data]


@given(
    RECORD_NUMBER,
    st.lists(st.tuples(CODE, BYTE, st.binary(min_size=2, max_size=2)), max_size=9, unique_by=lambda item: item[0]),
)
def test_udsoncan_reads_the_same_extended_data_by_number(number: int, codes: list[tuple[bytes, int, bytes]]) -> None:
    data = wire_dtc.extended_by_number(number, codes)
    theirs, ours = by_udsoncan(data, extended_data_size=2), decode_extended_by_number(data, {number: 2})
    assert [(e.dtc.raw, e.status) for e in ours.entries] == with_status(theirs)
    assert [[(ours.number, e.data)] for e in ours.entries] == [
        [(one.record_number, one.raw_data) for one in dtc.extended_data] for dtc in theirs.dtcs
    ]


def test_udsoncan_invents_records_where_extended_data_is_of_mixed_size() -> None:
    # Record 01 has one byte and record 02 three; udsoncan wants one size for both, and finds a record 04.
    data = bytes.fromhex("59 06 04 20 00 2F 01 05 02 03 04 06")
    theirs = by_udsoncan(data, extended_data_size=1).dtcs[0].extended_data
    assert [(1, "05"), (2, "03"), (4, "06")] == [(one.record_number, one.raw_data.hex()) for one in theirs]
    assert ((1, b"\x05"), (2, b"\x03\x04\x06")) == decode_extended(data, {1: 1, 2: 3}).records


@pytest.mark.parametrize("data_hex", ["59 1A FF 91 04 20 00 28", "59 56 33 FF 04 01 04 20 00 28"])
def test_udsoncan_gives_an_empty_list_for_reports_it_does_not_know(data_hex: str) -> None:
    data = bytes.fromhex(data_hex)
    assert [] == by_udsoncan(data).dtcs
    assert [(Dtc.parse("P0420-00"), 0x28)] == [(entry.dtc, entry.status) for entry in decode_dtc_list(data).entries]


def test_udsoncan_gives_an_empty_list_for_a_report_that_does_not_exist() -> None:
    data = bytes.fromhex("59 7F FF 04 20 00 28")
    assert [] == by_udsoncan(data).dtcs
    with pytest.raises(DecodeError, match="sub-function at byte 1: 7F is not expected here"):
        decode_dtc_list(data)


def test_udsoncan_wants_a_severity_among_permanent_codes_of_a_group() -> None:
    # ISO 14229-1 has code and status there (from memory; the field table of py-uds 4.0.0 says the same).
    codes = [(bytes.fromhex(code), 0x08) for code in ("042000", "014300", "019600", "023400", "02CD00")]
    data = wire_dtc.listed_permanent_of_group(0x33, 0xFF, 4, codes)
    assert 4 == len(by_udsoncan(data).dtcs)
    assert codes == [(entry.dtc.raw, entry.status) for entry in decode_dtc_list(data).entries]
    with pytest.raises(InvalidResponseException, match="multiple of 5"):
        by_udsoncan(wire_dtc.listed_permanent_of_group(0x33, 0xFF, 4, codes[:1]))


def test_udsoncan_gives_no_sign_of_counters_below_zero() -> None:
    # ISO 14229-1, DTCFaultDetectionCounter is one signed byte (from memory; py-uds 4.0.0 says the same).
    data = bytes.fromhex("59 14 04 20 00 FF")
    assert [255] == [dtc.fault_counter for dtc in by_udsoncan(data).dtcs]
    assert ((Dtc.parse("P0420-00"), -1),) == decode_fault_counters(data).counters


def test_udsoncan_drops_zero_records_without_a_word() -> None:
    data = bytes.fromhex("59 02 FF 00 00 00 00 04 20 00 2F")
    assert 1 == len(by_udsoncan(data).dtcs)
    assert (1, 1) == (len(decode_dtc_list(data).entries), decode_dtc_list(data).zero_entries)


def by_scapy(record: Any) -> tuple[int, int, int]:
    """One code and status as scapy splits them: base, failure type, status."""
    dtc = record.dtc
    base = dtc.system << 14 | dtc.type << 12 | dtc.numeric_value_code
    return base, dtc.additional_information_code, int(record.status)


@given(st.sampled_from([0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15]), BYTE, LISTED)
def test_scapy_dissects_the_same_list(report: int, mask: int, codes: Codes) -> None:
    data = wire_dtc.listed(report, mask, codes)
    packet, ours = UDS(data), decode_dtc_list(data)
    assert (packet.reportType, int(packet.DTCStatusAvailabilityMask)) == (ours.subfunction, ours.mask)
    assert [by_scapy(record) for record in packet.DTCAndStatusRecord] == [
        (entry.dtc.base, entry.dtc.failure_type, entry.status) for entry in ours.entries
    ]


@given(st.sampled_from([0x01, 0x07, 0x11, 0x12]), BYTE, FORMAT, st.integers(0, 0xFFFF))
def test_scapy_dissects_the_same_count(report: int, mask: int, code_format: int, count: int) -> None:
    data = wire_dtc.counted(report, mask, code_format, count)
    packet, ours = UDS(data), decode_dtc_count(data)
    assert (packet.reportType, int(packet.DTCStatusAvailabilityMask)) == (ours.subfunction, ours.mask)
    assert (packet.DTCFormatIdentifier, packet.DTCCount) == (ours.format_id, ours.count)


@given(BYTE, st.builds(Graded, BYTE, CODE, BYTE, BYTE))
def test_scapy_dissects_the_same_severity_of_a_code(mask: int, code: Graded) -> None:
    data = wire_dtc.graded(0x09, mask, [code])
    packet, ours = UDS(data), decode_severity_list(data).entries[0]
    assert (packet.DTCSeverity, packet.DTCFunctionalUnit) == (ours.severity.byte, ours.functional_unit)
    assert [by_scapy(packet.DTCAndStatusRecord[0])] == [(ours.dtc.base, ours.dtc.failure_type, ours.status)]


@given(CODE, BYTE, RECORD_NUMBER, ITEMS)
def test_scapy_dissects_the_same_head_of_a_snapshot(
    code: bytes, status: int, number: int, items: list[tuple[int, bytes]]
) -> None:
    data = wire_dtc.snapshots(code, status, [(number, items)])
    record, ours = UDS(data).snapshotRecord, decode_snapshots(data, LENGTHS)
    assert by_scapy(record.dtcAndStatus) == (ours.dtc.base, ours.dtc.failure_type, ours.status)
    assert (record.snapshots[0].record_number, record.snapshots[0].record_number_of_identifiers) == (
        ours.records[0].number,
        len(ours.records[0].values),
    )


@given(CODE, BYTE, st.lists(st.tuples(RECORD_NUMBER, st.binary(min_size=1, max_size=1)), max_size=5))
def test_scapy_dissects_the_same_extended_data_of_single_bytes(
    code: bytes, status: int, records: list[tuple[int, bytes]]
) -> None:
    data = wire_dtc.extended(code, status, records)
    record, ours = UDS(data).extendedDataRecord, decode_extended(data, dict.fromkeys(range(256), 1))
    assert by_scapy(record.dtcAndStatus) == (ours.dtc.base, ours.dtc.failure_type, ours.status)
    assert [(one.data_type, bytes([one.record])) for one in record.extendedData] == list(ours.records)


def test_scapy_invents_records_where_extended_data_has_more_than_one_byte() -> None:
    # The record 05 has three bytes; scapy knows records of one byte only, and finds a record 79.
    data = bytes.fromhex("59 06 12 34 56 24 05 17 79 02")
    theirs = UDS(data).extendedDataRecord.extendedData
    assert [(0x05, 0x17), (0x79, 0x02)] == [(one.data_type, one.record) for one in theirs]
    assert ((5, bytes.fromhex("177902")),) == decode_extended(data, {5: 3}).records

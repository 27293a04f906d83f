"""Service 19 and the other ISO 14229-1 answers: what is refused, round trips, and two outside judges."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.automotive.uds import UDS
from udsoncan import Response
from udsoncan.services import ReadDTCInformation

from decoders import (
    DecodeError,
    DtcEntry,
    decode_clear,
    decode_dtc_count,
    decode_dtc_list,
    decode_extended,
    decode_identifier,
    decode_session,
    decode_snapshots,
    decode_tester_present,
    identifier_name,
    text_of,
)
from decoders.values import Dtc

BYTE = st.integers(0, 0xFF)
# The first byte is kept off zero: a record of four zero bytes names no code.
ENTRY = st.tuples(st.integers(0x01, 0xFFFFFF), BYTE)
ENTRIES = st.lists(ENTRY, max_size=20)
LISTS = st.sampled_from([0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x13, 0x15])
RECORD = st.tuples(BYTE, st.binary(min_size=1, max_size=6))
RECORDS = st.lists(RECORD, max_size=8, unique_by=lambda record: record[0])
Entries = list[tuple[int, int]]


def list_answer(subfunction: int, mask: int, entries: Entries) -> bytes:
    head = bytes([0x59, subfunction, mask])
    return head + b"".join(dtc.to_bytes(3, "big") + bytes([status]) for dtc, status in entries)


@given(LISTS, BYTE, ENTRIES)
def test_a_list_gives_back_what_was_put_in(subfunction: int, mask: int, entries: Entries) -> None:
    # ISO 14229-1, DTCAndStatusRecord
    found = decode_dtc_list(list_answer(subfunction, mask, entries))
    back = [(int.from_bytes(entry.dtc.raw, "big"), entry.status) for entry in found.entries]
    assert (found.subfunction, found.mask, back) == (subfunction, mask, entries)
    assert (found.zero_entries, found.leftover) == (0, b"")


@given(st.sampled_from([0x02, 0x0A, 0x15]), BYTE, ENTRIES)
def test_udsoncan_reads_the_same_list(subfunction: int, mask: int, entries: Entries) -> None:
    # udsoncan, ReadDTCInformation.interpret_response
    data = list_answer(subfunction, mask, entries)
    theirs = ReadDTCInformation.interpret_response(Response.from_payload(data), subfunction).service_data
    ours = decode_dtc_list(data)
    assert ours.mask == theirs.status_availability.get_byte_as_int()
    assert [(int.from_bytes(entry.dtc.raw, "big"), entry.status) for entry in ours.entries] == [
        (dtc.id, dtc.status.get_byte_as_int()) for dtc in theirs.dtcs
    ]


@given(st.sampled_from([0x01, 0x07, 0x12]), BYTE, st.sampled_from([0, 1, 2, 3, 4]), st.integers(0, 0xFFFF))
def test_udsoncan_reads_the_same_count(subfunction: int, mask: int, format_id: int, count: int) -> None:
    # udsoncan, ReadDTCInformation.interpret_response
    data = bytes([0x59, subfunction, mask, format_id]) + count.to_bytes(2, "big")
    theirs = ReadDTCInformation.interpret_response(Response.from_payload(data), subfunction).service_data
    ours = decode_dtc_count(data)
    assert (ours.subfunction, ours.mask) == (subfunction, theirs.status_availability.get_byte_as_int())
    assert (ours.format_id, ours.count) == (theirs.dtc_format, theirs.dtc_count)


@given(st.sampled_from([0x02, 0x0A]), BYTE, ENTRIES)
def test_scapy_dissects_the_same_list(subfunction: int, mask: int, entries: Entries) -> None:
    # scapy, UDS layer
    data = list_answer(subfunction, mask, entries)
    packet = UDS(data)
    theirs = [
        (
            record.dtc.system << 14 | record.dtc.type << 12 | record.dtc.numeric_value_code,
            record.dtc.additional_information_code,
            int(record.status),
        )
        for record in packet.DTCAndStatusRecord
    ]
    ours = decode_dtc_list(data)
    assert (packet.reportType, int(packet.DTCStatusAvailabilityMask)) == (ours.subfunction, ours.mask)
    assert theirs == [(entry.dtc.base, entry.dtc.failure_type, entry.status) for entry in ours.entries]


def test_a_list_cut_within_a_record_is_refused() -> None:
    with pytest.raises(DecodeError, match=r"code at byte 7: 2 bytes too many or too few: C0 64") as caught:
        decode_dtc_list(bytes.fromhex("59 02 FF 0E 31 01 28 C0 64"))
    assert (caught.value.field, caught.value.offset) == ("code", 7)


def test_a_zero_code_with_a_status_is_kept() -> None:
    found = decode_dtc_list(bytes.fromhex("59 02 FF 00 00 00 08"))
    assert found.entries == (DtcEntry(dtc=Dtc(0, 0), status=0x08),)


def test_a_list_without_a_mask_is_no_empty_list() -> None:
    with pytest.raises(DecodeError, match="status availability mask at byte 2"):
        decode_dtc_list(bytes.fromhex("59 02"))


@pytest.mark.parametrize("data_hex", ["7F 19 11", "59 01 FF 01 00 00", "59 03", ""])
def test_another_answer_is_no_list(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_dtc_list(bytes.fromhex(data_hex))


def test_a_snapshot_cut_within_a_value_is_refused() -> None:
    with pytest.raises(DecodeError, match="identifier F40C at byte 11: 2 bytes are needed, 1 are left"):
        decode_snapshots(bytes.fromhex("59 04 04 20 00 2F 01 01 F4 0C 0B"), {0xF40C: 2})


def test_a_snapshot_cut_between_identifiers_is_refused() -> None:
    with pytest.raises(DecodeError, match="identifier in record 01 at byte 11"):
        decode_snapshots(bytes.fromhex("59 04 04 20 00 2F 01 02 F4 0D 32"), {0xF40D: 1})


def test_extended_data_cut_within_a_record_is_refused() -> None:
    with pytest.raises(DecodeError, match="record 05 at byte 8: 2 bytes are needed, 1 are left"):
        decode_extended(bytes.fromhex("59 06 12 34 56 24 05 17"), {5: 2})


@given(RECORDS)
def test_extended_data_gives_back_what_was_put_in(records: list[tuple[int, bytes]]) -> None:
    # ISO 14229-1, DTCExtDataRecord
    data = bytes.fromhex("59 06 04 20 00 2F") + b"".join(bytes([number]) + body for number, body in records)
    found = decode_extended(data, {number: len(body) for number, body in records})
    assert (found.records, found.undecoded) == (tuple(records), b"")


@given(st.lists(st.lists(st.tuples(st.integers(1, 0xFFFF), st.binary(min_size=3, max_size=3)), min_size=1)))
def test_snapshots_give_back_what_was_put_in(records: list[list[tuple[int, bytes]]]) -> None:
    # ISO 14229-1, DTCSnapshotRecord
    data = bytes.fromhex("59 04 04 20 00 2F")
    for number, values in enumerate(records):
        body = b"".join(did.to_bytes(2, "big") + value for did, value in values)
        data += bytes([number + 1, len(values)]) + body
    found = decode_snapshots(data, dict.fromkeys(range(0x10000), 3))
    assert [list(record.values) for record in found.records] == records
    assert all(record.whole for record in found.records)


@pytest.mark.parametrize(
    ("decode", "data_hex", "field"),
    [
        (decode_clear, "54 01", "end of answer"),
        (decode_clear, "7F 14 22", "service"),
        (decode_session, "50 03 00 32 01", r"P2\*"),
        (decode_session, "50 03 00", "P2"),
        (decode_session, "50", "session"),
        (decode_tester_present, "7E 01", "sub-function"),
        (decode_tester_present, "7E", "sub-function"),
        (decode_identifier, "62 F1 90", "data of identifier F190"),
        (decode_identifier, "62 F1", "identifier"),
        (decode_identifier, "7F 22 31", "service"),
    ],
)
def test_an_answer_of_another_form_is_refused(decode: Callable[[bytes], object], data_hex: str, field: str) -> None:
    with pytest.raises(DecodeError, match=f"^{field} at byte"):
        decode(bytes.fromhex(data_hex))


@pytest.mark.parametrize(
    ("did", "name"),
    [
        # ISO 14229-1, Annex C
        (0xF186, "active session"),
        (0xF187, "spare part number"),
        (0xF189, "software version"),
        (0xF18A, "supplier"),
        (0xF18B, "manufacture date"),
        (0xF18C, "serial number"),
        (0xF190, "VIN"),
        (0xF191, "hardware number"),
        (0xF197, "system name"),
        (0x4711, None),
        (0xF1A0, None),
    ],
)
def test_standard_identifiers_have_names(did: int, name: str | None) -> None:
    assert identifier_name(did) == name


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"ZZ9ZZ9ZZ6NZ000023", "ZZ9ZZ9ZZ6NZ000023"),
        (b"AB 12  \x00\x00", "AB 12"),
        (b"AB\xff\xff", "AB"),
        (b" AB", " AB"),
        (b"A\x00B", None),
        (b"\x01\x02", None),
        (b"\x00\x00", None),
        (b"\x7f", None),
        (b"", None),
    ],
)
def test_text_is_printable_ascii_without_its_fill(data: bytes, text: str | None) -> None:
    # ISO 14229-1, Annex C leaves the coding to the maker; fill bytes: common practice
    assert text_of(data) == text

"""Answers of service 19 and the other ISO 14229-1 services: what is refused, and what the bytes are called."""

from collections.abc import Callable
from functools import partial

import pytest

from decoders.errors import DecodeError
from decoders.uds_data import (
    decode_clear,
    decode_dtc_setting,
    decode_identifier,
    decode_identifiers,
    decode_refusal,
    decode_routine,
    decode_session,
    decode_tester_present,
    identifier_name,
    text_of,
)
from decoders.uds_dtc import DtcEntry, decode_dtc_count, decode_dtc_list, decode_fault_counters, decode_snapshot_index
from decoders.uds_records import decode_extended, decode_extended_by_number, decode_snapshots, decode_stored_data
from decoders.uds_severity import Severity, SeverityBit, decode_group_list, decode_severity_list
from decoders.values import Dtc


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
    with pytest.raises(DecodeError, match="identifier F40C at byte 11: 2 bytes are needed, 1 is left"):
        decode_snapshots(bytes.fromhex("59 04 04 20 00 2F 01 01 F4 0C 0B"), {0xF40C: 2})


def test_a_snapshot_cut_between_identifiers_is_refused() -> None:
    with pytest.raises(DecodeError, match="identifier in record 01 at byte 11"):
        decode_snapshots(bytes.fromhex("59 04 04 20 00 2F 01 02 F4 0D 32"), {0xF40D: 1})


def test_extended_data_cut_within_a_record_is_refused() -> None:
    with pytest.raises(DecodeError, match="record 05 at byte 8: 2 bytes are needed, 1 is left"):
        decode_extended(bytes.fromhex("59 06 12 34 56 24 05 17"), {5: 2})


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
        (partial(decode_identifiers, lengths={}), "62", "identifier"),
        (partial(decode_identifiers, lengths={0xF190: 17}), "62 F1 90 41", "data of identifier F190"),
        (partial(decode_identifiers, lengths={0xF186: 1}), "62 F1 86 01 F1", "identifier"),
        (decode_routine, "71 04 02 03", "sub-function"),
        (decode_routine, "71 01 02", "routine identifier"),
        (decode_dtc_setting, "C5 00", "sub-function"),
        (decode_dtc_setting, "C5 82", "sub-function"),
        (decode_dtc_setting, "C5 02 01", "end of answer"),
        (decode_refusal, "7F 19", "negative response code"),
        (decode_refusal, "7F 19 11 01", "end of answer"),
        (decode_refusal, "59 02 FF", "service"),
        (decode_dtc_count, "59 01 FF 01 00", "count"),
        (decode_dtc_list, "59 17 18", "status availability mask"),
        (decode_dtc_list, "59 55 33 FF", "format identifier"),
        (decode_dtc_list, "59 56 33 FF 04", "readiness group"),
        (decode_dtc_list, "59 1A FF 91 04 20", "code"),
        (decode_snapshot_index, "59 03 04 20 00", "code"),
        (decode_fault_counters, "59 14 04 20 00", "code"),
        (decode_fault_counters, "59 15 FF", "sub-function"),
        (decode_severity_list, "59 08", "status availability mask"),
        (decode_severity_list, "59 09 7F 40 10 08 05 11", "severity record"),
        (decode_group_list, "59 42 33 FF 1E", "format identifier"),
        (decode_group_list, "59 42 33 FF 1E 04 82 04 20 00", "severity record"),
        (partial(decode_snapshots, lengths={}), "59 18", "memory selection"),
        (partial(decode_snapshots, lengths={}), "59 04 04 20 00", "status"),
        (partial(decode_stored_data, lengths={}), "59 05", "record number"),
        (partial(decode_stored_data, lengths={}), "59 05 01 04 20", "code of record 01"),
        (partial(decode_stored_data, lengths={}), "59 05 01 04 20 00", "status of record 01"),
        (partial(decode_extended, sizes={}), "59 19 18 04 20", "code"),
        (partial(decode_extended_by_number, sizes={}), "59 16", "record number"),
        (partial(decode_extended_by_number, sizes={}), "59 16 02 04 20", "code"),
        (partial(decode_extended_by_number, sizes={2: 2}), "59 16 02 04 20 00 2F 07", "code"),
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
        (0xFF00, "version of ISO 14229-1 that the unit follows"),
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


def test_the_severity_bits_are_those_of_the_standard() -> None:
    # ISO 14229-1, Annex D, DTC severity and class definition (classes from memory; udsoncan names the same)
    assert [(bit.name, bit.value) for bit in SeverityBit] == [
        ("NO_CLASS", 0x01),
        ("CLASS_A", 0x02),
        ("CLASS_B1", 0x04),
        ("CLASS_B2", 0x08),
        ("CLASS_C", 0x10),
        ("MAINTENANCE_ONLY", 0x20),
        ("CHECK_AT_NEXT_HALT", 0x40),
        ("CHECK_IMMEDIATELY", 0x80),
    ]


@pytest.mark.parametrize(
    ("byte", "words"),
    [
        (0x00, "no severity given"),
        (0x01, "no class"),
        (0x82, "class A, check immediately"),
        (0x44, "class B1, check at next halt"),
        (0x28, "class B2, maintenance only"),
        (0x10, "class C"),
    ],
)
def test_a_severity_is_said_in_words(byte: int, words: str) -> None:
    assert (Severity(byte).words, Severity(byte).bits) == (words, SeverityBit(byte))

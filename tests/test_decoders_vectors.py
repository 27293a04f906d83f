"""Every vector decodes to its meaning; cut anywhere or at random, bytes decode or raise DecodeError."""

import os
import random
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st
from vectors.obd import OBD_VECTORS
from vectors.uds import UDS_VECTORS
from vectors.uds_reports import UDS_REPORT_VECTORS
from vectors.uds_requests import UDS_REQUEST_VECTORS
from vectors.vector import Vector

import decoders
from decoders import (
    DecodeError,
    uds_data,
    uds_dtc,
    uds_dtc_requests,
    uds_records,
    uds_requests,
    uds_severity,
)

VECTORS = UDS_VECTORS + UDS_REPORT_VECTORS + UDS_REQUEST_VECTORS + OBD_VECTORS
LENGTHS = {0x0000: 0, 0xF40C: 2, 0xF40D: 1, 0x4711: 5, 0x5555: 1}
SIZES = {0x01: 1, 0x05: 2, 0x10: 0, 0x55: 3}
STRINGS = int(os.environ.get("MENDPROOF_FUZZ", "300"))
"""How many random strings each decoder gets."""


class Fuzzed(NamedTuple):
    """A decoder and beginnings of payloads that lead far into it, in hex."""

    decode: Callable[[bytes], Any]
    heads: str


DECODERS = {
    "clear": Fuzzed(uds_data.decode_clear, "54 44"),
    "clear request": Fuzzed(uds_dtc_requests.decode_clear_request, "14 14FFFFFF"),
    "count": Fuzzed(uds_dtc.decode_dtc_count, "5901 5901FF 5907FF01 5911FF 5912FF0000"),
    "data by identifier": Fuzzed(uds_data.decode_identifier, "62 62F190"),
    "extended data": Fuzzed(
        lambda data: uds_records.decode_extended(data, SIZES), "5906042000 59060420002F01 591018 591918 59191804200028"
    ),
    "extended data by number": Fuzzed(
        lambda data: uds_records.decode_extended_by_number(data, SIZES), "5916 591601 591605 591610 591602 591655"
    ),
    "fault counters": Fuzzed(uds_dtc.decode_fault_counters, "5914 591404200055"),
    "group list": Fuzzed(uds_severity.decode_group_list, "5942 594233 594233FF1E04"),
    "identifier request": Fuzzed(uds_requests.decode_identifier_request, "22 22F190"),
    "identifiers": Fuzzed(lambda data: uds_data.decode_identifiers(data, LENGTHS), "62 62F40C 62F40D32 625555"),
    "list": Fuzzed(
        uds_dtc.decode_dtc_list, "5902FF 590AFF 590F 5913 5915FF 5917 591718FF 591A 591AFF 5955 595533FF04 5956 595633"
    ),
    "OBD codes": Fuzzed(decoders.decode_obd_codes, "43 4302 47 4A"),
    "OBD information": Fuzzed(decoders.decode_info, "4900 4902 490201 4904 4906 490A"),
    "OBD live data": Fuzzed(decoders.decode_live, "41 410C 410D 4131 62F40C"),
    "OBD monitors": Fuzzed(decoders.decode_monitor_status, "4101 4141 62F401"),
    "OBD supported": Fuzzed(decoders.decode_supported, "4100 4120"),
    "refusal": Fuzzed(uds_data.decode_refusal, "7F 7F19 7F1978"),
    "report request": Fuzzed(
        uds_dtc_requests.decode_dtc_request, "19 1902 1904 1906042000 1908 1917 1918 1982 1942 1955 1956 191A"
    ),
    "routine": Fuzzed(uds_data.decode_routine, "71 7101 71030203"),
    "routine request": Fuzzed(uds_requests.decode_routine_request, "31 3101 31820203"),
    "session": Fuzzed(uds_data.decode_session, "50 5001 50030032"),
    "session request": Fuzzed(uds_requests.decode_session_request, "10 1003 1081"),
    "setting": Fuzzed(uds_data.decode_dtc_setting, "C5 C502"),
    "setting request": Fuzzed(uds_requests.decode_dtc_setting_request, "85 8502 8582"),
    "severity list": Fuzzed(uds_severity.decode_severity_list, "5908 5908FF 5909FF40100805112F"),
    "snapshot index": Fuzzed(uds_dtc.decode_snapshot_index, "5903 590312345601"),
    "snapshots": Fuzzed(
        lambda data: uds_records.decode_snapshots(data, LENGTHS),
        "5904042000 59040420002F01 59040420002F0102F40D 591818 5918180420002F0101F40D",
    ),
    "stored data": Fuzzed(
        lambda data: uds_records.decode_stored_data(data, LENGTHS), "5905 590501 5905010420002F 5905010420002F02F40D"
    ),
    "tester present": Fuzzed(uds_data.decode_tester_present, "7E 7E00"),
    "tester present request": Fuzzed(uds_requests.decode_tester_present_request, "3E 3E80"),
}
"""Everything that reads payloads."""


def attempt(decode: Callable[[bytes], Any], data: bytes) -> Any:
    """Give the value or the DecodeError; any other exception gets out."""
    try:
        return decode(data)
    except DecodeError as error:
        return error


def assert_nothing_is_lost(found: Any, data: bytes) -> None:
    """A value keeps its bytes, where it has a place for them; an error keeps them too, and names field and place."""
    if isinstance(found, DecodeError):
        assert (found.data, bool(found.field)) == (data, True)
        assert 0 <= found.offset <= len(data)
    else:
        assert data == getattr(found, "raw", data)


def by_id(vector: Vector) -> str:
    return vector.id


@pytest.mark.parametrize("vector", VECTORS, ids=by_id)
def test_a_vector_means_what_its_source_says(vector: Vector) -> None:
    found = vector.decode(vector.data)
    assert vector.expected == {name: getattr(found, name) for name in vector.expected}


@pytest.mark.parametrize("vector", VECTORS, ids=by_id)
def test_a_decoded_value_keeps_the_whole_answer(vector: Vector) -> None:
    assert vector.data == vector.decode(vector.data).raw


@pytest.mark.parametrize("vector", VECTORS, ids=by_id)
def test_each_beginning_of_a_vector_decodes_or_names_the_missing_place(vector: Vector) -> None:
    for length in range(len(vector.data)):
        cut = vector.data[:length]
        assert_nothing_is_lost(attempt(vector.decode, cut), cut)


def test_vector_ids_are_unique() -> None:
    assert len(VECTORS) == len({vector.id for vector in VECTORS})


@pytest.mark.parametrize("name", DECODERS)
def test_random_bytes_decode_or_raise_decode_error(name: str) -> None:
    decode, heads = DECODERS[name]
    beginnings = [b"", *(bytes.fromhex(head) for head in heads.split())]
    chance = random.Random(name)  # noqa: S311 - bytes, not a secret
    tried = 0
    for _ in range(STRINGS):
        data = chance.choice(beginnings) + chance.randbytes(chance.randrange(24))
        data += bytes([chance.choice((0x00, 0x55, 0xAA, 0xCC, 0xFF))]) * chance.randrange(6)
        assert_nothing_is_lost(attempt(decode, data), data)
        tried += 1
    assert tried == STRINGS > 0


@given(st.binary(max_size=40), st.sampled_from(VECTORS))
def test_any_bytes_behind_a_vector_are_reported_or_refused(tail: bytes, vector: Vector) -> None:
    data = vector.data + tail
    assert_nothing_is_lost(attempt(vector.decode, data), data)

"""Every vector decodes to its meaning; cut anywhere, it decodes or raises DecodeError."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from vectors.obd import OBD_VECTORS
from vectors.uds import UDS_VECTORS
from vectors.vector import Vector

import decoders
from decoders import DecodeError

VECTORS = UDS_VECTORS + OBD_VECTORS
LENGTHS = {0x0000: 0, 0xF40C: 2, 0xF40D: 1, 0x4711: 5}
DECODERS = (
    decoders.decode_clear,
    decoders.decode_dtc_count,
    decoders.decode_dtc_list,
    lambda data: decoders.decode_extended(data, {1: 1, 5: 2, 0x10: 0}),
    decoders.decode_identifier,
    decoders.decode_info,
    decoders.decode_live,
    decoders.decode_monitor_status,
    decoders.decode_obd_codes,
    decoders.decode_session,
    lambda data: decoders.decode_snapshots(data, LENGTHS),
    decoders.decode_supported,
    decoders.decode_tester_present,
)
HEADS = (
    *("41", "4101", "4141", "4100", "410C", "43", "47", "4A", "44", "4900", "4902", "4904", "4906", "490A"),
    *(
        "5001",
        "54",
        "5901FF",
        "5902FF",
        "590AFF",
        "5904042000",
        "5906042000",
        "62F190",
        "62F401",
        "7E00",
        "7F",
    ),
)


def attempt(decode: Callable[[bytes], Any], data: bytes) -> Any:
    """Give the value or the DecodeError; any other exception gets out."""
    try:
        return decode(data)
    except DecodeError as error:
        return error


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
        found = attempt(vector.decode, cut)
        if isinstance(found, DecodeError):
            assert (found.data, bool(found.field)) == (cut, True)
            assert 0 <= found.offset <= length
        else:
            assert found.raw == cut


def test_vector_ids_are_unique() -> None:
    assert len(VECTORS) == len({vector.id for vector in VECTORS})


def try_all(data: bytes) -> list[Any]:
    return [attempt(decode, data) for decode in DECODERS]


@given(st.binary(max_size=64))
@example(b"")
def test_any_bytes_decode_or_raise_decode_error(data: bytes) -> None:
    assert len(DECODERS) == len(try_all(data))


@given(st.sampled_from(HEADS), st.binary(max_size=64))
def test_any_bytes_behind_a_right_head_decode_or_raise_decode_error(head: str, tail: bytes) -> None:
    assert len(DECODERS) == len(try_all(bytes.fromhex(head) + tail))


@given(st.binary(max_size=40), st.sampled_from(VECTORS))
def test_any_bytes_behind_a_vector_are_reported_or_refused(tail: bytes, vector: Vector) -> None:
    data = vector.data + tail
    found = attempt(vector.decode, data)
    assert (found.data if isinstance(found, DecodeError) else found.raw) == data

"""Every message is explained to its last byte, and called damaged exactly where the decoders refuse it."""

from __future__ import annotations

import os
import random
from functools import partial
from pathlib import Path
from typing import NamedTuple

import pytest
from explain_help import assert_covers, decoded, has_decoder, known
from hypothesis import given
from hypothesis import strategies as st
from test_decoders_obd_recorded import DRIVE, sent_by
from test_decoders_vectors import LENGTHS, SIZES, VECTORS
from vectors.vector import Vector

from decoders.errors import DecodeError
from decoders.explain import Explanation, explain
from decoders.uds_dtc import DtcList
from decoders.uds_severity import SeverityList

STRINGS = int(os.environ.get("MENDPROOF_FUZZ", "300"))
"""How many random strings each beginning gets."""
KNOWN = known(LENGTHS, SIZES)
FILL = (0x00, 0x55, 0xAA, 0xCC, 0xFF)

HEADS = " ".join(
    (
        "01 0100 020000 05 06 08 09 10 11 14 1902 1904 1942 1956 198F 22 27 28 2804 2E 2EF190 2F 31 3101 3E 85 34",
        "99 B0 41 4100 4101 410C 4102 4166 4178 42 420200 420C00 43 4302 44 45 46 4600 46010B 4681 48 4800 4801 49",
        "4900 4901 4902 490201 4904 4906 4908 490B 490A 4910 4A 50 5003 51 5104 54 58 C5 67 68 6E 6F C3 FF 71 7101",
        "7E 7F 7F19 5901 5901FF 5902FF 5903 5904042000 59040420002F01 59040420002F0102F40D 590501 590501042000",
        "5906042000 597B 59060420002F01 5908FF 590AFF 5914 5916 591605 591610 591655 591718FF",
        "5918180420002F0101F40D 59191804200028 591A 591AFF 5942 594233FF1E02 595533FF04 5956 62 62F40C 62F401",
        "62F400 62F186 62F190 62F500 62F600 62F601 62F60101 62F800 62F802 62F80201 62F806 62F808 62F810 62F817",
        "624711 7F1978",
    )
).split()
"""Beginnings that lead far into each kind of message."""


class Case(NamedTuple):
    """A vector as a whole message, with the lengths and sizes that it gives its decoder."""

    id: str
    data: bytes
    lengths: dict[int, int]
    sizes: dict[int, int]


def case(vector: Vector) -> Case:
    more = vector.decode.keywords if isinstance(vector.decode, partial) else {}
    head = b"\x62" + more["did"].to_bytes(2, "big") if "did" in more else b""
    return Case(vector.id, head + vector.data, dict(more.get("lengths", {})), dict(more.get("sizes", {})))


CASES = [case(vector) for vector in VECTORS]


def by_id(item: Case) -> str:
    return item.id


def assert_agrees(explanation: Explanation, data: bytes, lengths: dict[int, int], sizes: dict[int, int]) -> None:
    """A problem is told where, and only where, the decoder refuses; fill bytes are those that it calls so."""
    assert_covers(explanation, data)
    if not has_decoder(data):
        return
    found = decoded(data, lengths, sizes)
    assert isinstance(found, DecodeError) == (explanation.problem is not None), (found, explanation)
    padding = b"".join(part.raw for part in explanation.parts if part.field == "padding")
    if not isinstance(found, DecodeError) and data[0] != 0x62:
        assert getattr(found, "leftover", b"") == padding
    if isinstance(found, DtcList | SeverityList):
        codes = [part.raw for part in explanation.parts if part.field == "code"]
        assert [entry.dtc.raw for entry in found.entries] == codes
        assert found.zero_entries == sum(part.field == "empty record" for part in explanation.parts)


@pytest.mark.parametrize("item", CASES, ids=by_id)
def test_a_vector_is_explained_whole(item: Case) -> None:
    explanation = explain(item.data, known(item.lengths, item.sizes))
    assert_agrees(explanation, item.data, item.lengths, item.sizes)
    assert (None, True) == (explanation.problem, bool(explanation.standard))


@pytest.mark.parametrize("item", CASES, ids=by_id)
def test_each_beginning_of_a_vector_is_explained_as_far_as_it_goes(item: Case) -> None:
    said = known(item.lengths, item.sizes)
    for length in range(len(item.data)):
        cut = item.data[:length]
        assert_agrees(explain(cut, said), cut, item.lengths, item.sizes)


@pytest.mark.parametrize("head", HEADS)
def test_random_bytes_are_explained(head: str) -> None:
    chance = random.Random(head)  # noqa: S311 - bytes, not a secret
    tried = 0
    for _ in range(STRINGS):
        data = bytes.fromhex(head) + chance.randbytes(chance.randrange(24))
        data += bytes([chance.choice(FILL)]) * chance.randrange(10)
        assert_agrees(explain(data, KNOWN), data, LENGTHS, SIZES)
        tried += 1
    assert tried == STRINGS > 0


def test_very_long_messages_are_explained() -> None:
    for head, more in (("4900", "0000000020"), ("59 02 FF", "0420002F"), ("46", "01010A0E660E660E66"), ("41", "0D32")):
        data = bytes.fromhex(head) + bytes.fromhex(more) * 2000
        assert_agrees(explain(data), data, {}, {})


@pytest.mark.parametrize("can_id", [0x7E0, 0x7E8])
def test_every_recorded_message_of_a_drive_is_explained_whole(recordings: Path, can_id: int) -> None:
    # Capture C1: 7649 pairs of services 01, 03 and 09, no errors.
    messages = sent_by(recordings / DRIVE, can_id)
    assert 7649 == len(messages)
    for data in messages:
        explanation = explain(data)
        assert_agrees(explanation, data, {}, {})
        assert (None, []) == (explanation.problem, [part for part in explanation.parts if part.field == "rest"])


@given(st.binary(max_size=40))
def test_any_bytes_are_explained(data: bytes) -> None:
    assert_agrees(explain(data), data, {}, {})


@given(st.binary(max_size=40), st.sampled_from(CASES))
def test_any_bytes_behind_a_vector_are_explained(tail: bytes, item: Case) -> None:
    data = item.data + tail
    assert_agrees(explain(data, known(item.lengths, item.sizes)), data, item.lengths, item.sizes)

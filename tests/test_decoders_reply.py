"""What a message is to a request: by service and echo, as ISO 14229-1 and SAE J1979 lay answers out."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders import Service, classify, matches
from decoders.values import AnswerKind

POSITIVE = AnswerKind.POSITIVE
NEGATIVE = AnswerKind.NEGATIVE
PENDING = AnswerKind.PENDING
STRAY = AnswerKind.STRAY
DAMAGED = AnswerKind.DAMAGED

ISO = "ISO 14229-1, answer format"
SAE = "SAE J1979, answer format on CAN"
RECORDED = "recorded from a vehicle"

ROWS = [
    # request, answer, kind, source
    ("10 03", "50 03 00 32 01 F4", POSITIVE, RECORDED),
    ("10 03", "50 01 00 32 01 F4", STRAY, ISO),
    ("10 03", "50", DAMAGED, ISO),
    ("14 FF FF FF", "54", POSITIVE, ISO),
    ("04", "44", POSITIVE, SAE),
    ("14 FF FF FF", "44", STRAY, ISO),
    ("19 02 8F", "59 02 FB", POSITIVE, RECORDED),
    ("19 02 8F", "7F 19 78", PENDING, RECORDED),
    ("19 02 8F", "7F 19 78 AA AA AA AA", PENDING, ISO),
    ("19 02 8F", "7F 19 11", NEGATIVE, ISO),
    ("19 02 8F", "7F 19 11 00 00 00 00", NEGATIVE, ISO),
    ("19 02 8F", "7F 19 11 00 55", DAMAGED, ISO),
    ("19 02 8F", "7F 19", DAMAGED, ISO),
    ("19 02 8F", "7F", DAMAGED, ISO),
    ("19 02 8F", "7F 22 31", STRAY, ISO),
    ("19 02 8F", "7F 22", STRAY, ISO),
    ("19 02 8F", "59", DAMAGED, ISO),
    ("19 02 8F", "", DAMAGED, ISO),
    ("19 02 8F", "59 0A FF", STRAY, ISO),
    ("19 02 8F", "62 F1 90 41", STRAY, ISO),
    ("19 82 8F", "59 02 FF", POSITIVE, ISO),
    ("19 04 12 34 56 FF", "59 04 12 34 56 24", POSITIVE, ISO),
    ("19 04 12 34 56 FF", "59 04 12 34 57 24", STRAY, ISO),
    ("19 06 12 34 56 FF", "59 06 12 34", DAMAGED, ISO),
    ("19 06 12 34 56 FF", "59 06 12 35", STRAY, ISO),
    ("19 42 33 08 1E", "59 42 33 FF FF 04", POSITIVE, ISO),
    ("19 55 33", "59 55 D0 FF 04", STRAY, ISO),
    ("19 10 12 34 56 FF", "59 10 12 34 56 24", POSITIVE, ISO),
    ("19 10 12 34 56 FF", "59 10 12 34 57 24", STRAY, ISO),
    ("19 05 FF", "59 05 01", POSITIVE, ISO),
    ("19 16 02", "59 16 02", POSITIVE, ISO),
    ("19 16 02", "59 16 03", STRAY, ISO),
    ("19 17 FF 18", "59 17 18 FF", POSITIVE, ISO),
    ("19 17 FF 18", "59 17 19 FF", STRAY, ISO),
    ("19 17 FF 18", "59 17", DAMAGED, ISO),
    ("19 17 FF", "59 17 FF", STRAY, ISO),
    ("19 18 12 34 56 FF 18", "59 18 18 12 34 56 24", POSITIVE, ISO),
    ("19 18 12 34 56 FF 18", "59 18 12 34 56 24", STRAY, ISO),
    ("19 99 12 34 56 FF 18", "59 19 18 12 34 56 24", POSITIVE, ISO),
    ("19 19 12 34 56 FF 18", "59 19 18 12 34", DAMAGED, ISO),
    ("19 1A 91", "59 1A FF 91", POSITIVE, ISO),
    ("19 56 33 01", "59 56 33 FF 04 01", POSITIVE, ISO),
    ("22 F1 90", "62 F1 90 5A", POSITIVE, ISO),
    ("22 F1 90", "62 F1 87 5A", STRAY, ISO),
    ("22 F1 90", "62 F1", DAMAGED, ISO),
    ("22 F1 90 F1 87", "62 F1 87 5A", POSITIVE, ISO),
    ("22 F1 90 F1 87", "62 90 F1 5A", STRAY, ISO),
    ("2E 12 34 01", "6E 12 34", POSITIVE, ISO),
    ("2F 12 34 00", "6F 12 34 00", POSITIVE, ISO),
    ("2F 12 34 00", "6F 12 34", DAMAGED, ISO),
    ("31 01 02 03 04", "71 01 02 03 10", POSITIVE, ISO),
    ("31 01 02 03 04", "71 02 02 03 10", STRAY, ISO),
    ("31 81 02 03", "71 01 02", DAMAGED, ISO),
    ("3E 00", "7E 00", POSITIVE, ISO),
    ("3E 80", "7E 00", POSITIVE, ISO),
    ("3E 00", "7E 01", STRAY, ISO),
    ("21 01", "61 01 00", POSITIVE, RECORDED),
    ("01 0C", "41 0C 1B E4", POSITIVE, RECORDED),
    ("01 0C", "41 0D 00", STRAY, SAE),
    ("01 0C", "41", DAMAGED, SAE),
    ("01 0C 0D 1F", "41 0D 00 1F 00 01", POSITIVE, SAE),
    ("01 0C 0D 1F", "41 42 2F EA", STRAY, SAE),
    ("02 02 00", "42 02 00 04 20", POSITIVE, SAE),
    ("02 02 00", "42 02 01 04 20", STRAY, SAE),
    ("02 02 00", "42 02", DAMAGED, SAE),
    ("03", "43 00", POSITIVE, RECORDED),
    ("07", "47 00", POSITIVE, SAE),
    ("0A", "4A 00", POSITIVE, SAE),
    ("07", "43 00", STRAY, SAE),
    ("05 01 02", "45 01 02 10", POSITIVE, SAE),
    ("06 01", "46 01 0A 0B B0", POSITIVE, SAE),
    ("09 02", "49 02 01 5A", POSITIVE, SAE),
    ("09 02", "49 04 01 5A", STRAY, SAE),
    # a request that is no whole request has no positive answer
    ("", "59 02 FF", STRAY, ISO),
    ("", "7F 19 11", STRAY, ISO),
    ("19", "59 02 FF", STRAY, ISO),
    ("19 04 12", "59 04 12 34 56 24", STRAY, ISO),
    ("19 18 12 34 56 FF", "59 18 18 12 34 56 24", STRAY, ISO),
    ("22 F1", "62 F1 90 41", STRAY, ISO),
    ("22", "7F 22 13", NEGATIVE, ISO),
    ("FF", "3F", STRAY, ISO),
]


@pytest.mark.parametrize(("request_hex", "data_hex", "kind", "source"), ROWS)
def test_an_answer_is_what_service_and_echo_say(request_hex: str, data_hex: str, kind: AnswerKind, source: str) -> None:
    request, data = bytes.fromhex(request_hex), bytes.fromhex(data_hex)
    assert classify(request, data) == kind
    assert matches(request, data) == (kind is POSITIVE)


@given(st.binary(max_size=12), st.binary(max_size=12))
def test_any_two_messages_have_a_kind(request: bytes, data: bytes) -> None:
    assert classify(request, data) in (POSITIVE, NEGATIVE, PENDING, STRAY, DAMAGED)


@given(st.sampled_from(sorted(Service)), st.binary(max_size=8), st.binary(max_size=8))
def test_only_a_message_with_the_service_and_its_offset_is_positive(service: int, body: bytes, data: bytes) -> None:
    if matches(bytes([service]) + body, data):
        assert data[0] == service + 0x40


@given(st.binary(min_size=1, max_size=8), st.integers(0, 255))
def test_a_refusal_of_the_service_asked_is_negative_or_pending(request: bytes, code: int) -> None:
    kind = classify(request, bytes([0x7F, request[0], code]))
    assert kind == (PENDING if code == 0x78 else NEGATIVE)

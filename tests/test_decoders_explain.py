"""Messages explained, checked by hand: where each part begins, what it is called and what it says."""

from __future__ import annotations

import pytest
from vectors.explained import EXPLAINED_UDS
from vectors.explained_obd import EXPLAINED_OBD

from decoders.explain import Direction, explain

BY_HAND = EXPLAINED_UDS + EXPLAINED_OBD


@pytest.mark.parametrize(("bars", "said", "source"), BY_HAND, ids=[row[0] for row in BY_HAND])
def test_each_part_is_where_and_what_its_source_says(bars: str, said: tuple[str, ...], source: str) -> None:
    parts = [bytes.fromhex(raw) for raw in bars.split("|")]
    explanation = explain(b"".join(parts))
    assert parts == [part.raw for part in explanation.parts]
    assert list(said) == [f"{part.field}: {part.meaning}" for part in explanation.parts]
    assert (None, True) == (explanation.problem, bool(source))


@pytest.mark.parametrize(
    ("hex_text", "title", "standard"),
    [
        (
            "1902FF",
            "request: read codes, codes by status",
            "ISO 14229-1, ReadDTCInformation (19), reportDTCByStatusMask (02)",
        ),
        (
            "5911FF000001",
            "answer: read codes, number of codes of the mirror memory by status",
            "ISO 14229-1, ReadDTCInformation (19), reportNumberOfMirrorMemoryDTCByStatusMask (11); withdrawn in 2020",
        ),
        (
            "195533",
            "request: read codes, permanent codes of a functional group",
            "ISO 14229-1, ReadDTCInformation (19), reportWWHOBDDTCWithPermanentStatus (55); ISO 27145-3",
        ),
        ("4300", "answer: OBD stored codes", "SAE J1979 / ISO 15031-5, service 03"),
        ("22F190", "request: read data by identifier", "ISO 14229-1, ReadDataByIdentifier (22)"),
        (
            "62F40D32",
            "answer: read data by identifier",
            "ISO 14229-1, ReadDataByIdentifier (22); SAE J1979-2 / ISO 27145-2",
        ),
        (
            "7F0431",
            "answer: OBD clear, refused: request out of range",
            "ISO 14229-1, negative response; SAE J1979 / ISO 15031-5, service 04",
        ),
        ("7FBA11", "answer: unknown service BA, refused: service not supported", "ISO 14229-1, negative response"),
        ("A5", "request: unknown service A5", ""),
        ("E5", "answer: unknown service A5", ""),
    ],
)
def test_a_message_is_named_with_its_standard(hex_text: str, title: str, standard: str) -> None:
    explanation = explain(bytes.fromhex(hex_text))
    assert (title, standard) == (explanation.title, explanation.standard)


@pytest.mark.parametrize("first", range(0x100))
def test_bit_6_of_the_first_byte_tells_an_answer_from_a_request(first: int) -> None:
    # ISO 14229-1, service identifiers: 00 to 3F and 80 to BF are requests, all others answers.
    is_answer = 0x40 <= first <= 0x7F or first >= 0xC0
    assert (Direction.ANSWER if is_answer else Direction.REQUEST) == explain(bytes([first])).direction


def test_no_byte_is_a_problem() -> None:
    explanation = explain(b"")
    assert (None, (), "service at byte 0: there is no byte") == (
        explanation.direction,
        explanation.parts,
        explanation.problem,
    )


@pytest.mark.parametrize(
    ("bars", "problem"),
    [
        ("59|02|FF|04 20 00|2F|08 05", "code at byte 7: 2 bytes too many or too few: 08 05"),
        ("59|7B 01", "sub-function at byte 1: 7B is not expected here"),
        ("59|04|04 20 00|2F|01|01|F4 0C|0B", "identifier F40C at byte 11: 2 bytes are needed, 1 is left"),
        ("41|0C|1A F8|FE 11 22", "PID at byte 4: the length of PID FE is not known"),
        ("41|01|83 0F", "monitors since clear at byte 4: 4 bytes are needed, 2 are left"),
        ("49|02|01 31 47", "VIN 1 at byte 5: 17 bytes are needed, 2 are left"),
        ("51|01|22 33", "end of message at byte 2: 2 bytes too many: 22 33"),
        ("2E|F1", "identifier at byte 2: 2 bytes are needed, 1 is left"),
        ("2E|F1 90", "data of identifier F190 at byte 3: 1 byte is needed, 0 are left"),
        ("7F", "service refused at byte 1: 1 byte is needed, 0 are left"),
    ],
)
def test_a_damaged_message_is_explained_up_to_the_damage(bars: str, problem: str) -> None:
    parts = [bytes.fromhex(raw) for raw in bars.split("|")]
    explanation = explain(b"".join(parts))
    assert (parts, problem) == ([part.raw for part in explanation.parts], explanation.problem)

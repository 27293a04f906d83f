"""When an answer may belong to somebody else's request, or to an earlier one of ours."""

from __future__ import annotations

import pytest

from decoders.values import Answer, AnswerKind, CanId, Exchange, Outcome
from gateway.links.can.other_testers import OtherTesters, confuses, reaches
from gateway.links.unanswered import Unanswered

SECOND_NS = 1_000_000_000
SOME, ALL, NONE_LISTED = b"\x19\x02\x01", b"\x19\x02\xff", b"\x59\x02\xff"
ENGINE, GEARS = CanId(0x7E0, False), CanId(0x7E1, False)


def ended(request: bytes, outcome: Outcome, *kinds: AnswerKind) -> Exchange:
    answers = tuple(Answer(source="7E8", data=b"\x7f", first_us=1, last_us=1, kind=kind) for kind in kinds)
    return Exchange(link="can:virtual:x", target="7E0/7E8", request=request, outcome=outcome, answers=answers)


@pytest.fixture
def left_open() -> Unanswered:
    made = Unanswered(2 * SECOND_NS, 30 * SECOND_NS)
    made.ended(ended(SOME, Outcome.SILENT), 0, SECOND_NS // 10, doubted=False)
    return made


def doubted(waiting: Unanswered, request: bytes, answer: bytes, now_ns: int = SECOND_NS) -> str | None:
    found = waiting.doubt(request, answer, now_ns - 1000, now_ns)
    return None if found is None else found.words


def test_a_list_may_be_the_one_that_was_asked_for_before(left_open: Unanswered) -> None:
    # ISO 14229-1: 59 02 repeats no mask.
    assert "it may be the late answer to 19 02 01" == doubted(left_open, ALL, NONE_LISTED)


def test_a_doubt_waits_for_the_other_answer_and_then_nothing_is_open(left_open: Unanswered) -> None:
    found = left_open.doubt(ALL, NONE_LISTED, SECOND_NS // 2, SECOND_NS)
    # Asked half a second apart, so answered about half a second apart.
    assert found is not None
    assert SECOND_NS + SECOND_NS // 2 * 5 // 4 == found.until_ns
    left_open.ended(ended(ALL, Outcome.DAMAGED), SECOND_NS // 2, found.until_ns, doubted=True)
    assert doubted(left_open, SOME, NONE_LISTED, found.until_ns + 1) is None


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        (SOME, NONE_LISTED),  # the same request: whichever of the two it answers, it says the same
        (b"\x22\xf1\x90", b"\x62\xf1\x90A"),  # no answer to what was left open
        (ALL, b"\x7f\x22\x31"),  # no answer to either
        (ALL, b"\x7f\x19\x78"),  # not final: it decides nothing
    ],
)
def test_what_can_belong_to_one_request_only_raises_no_doubt(
    left_open: Unanswered, request_: bytes, answer: bytes
) -> None:
    assert doubted(left_open, request_, answer, SECOND_NS) is None


def test_a_refusal_names_its_service_only(left_open: Unanswered) -> None:
    assert doubted(left_open, ALL, b"\x7f\x19\x31", SECOND_NS) is not None


def test_a_unit_that_has_answered_owes_nothing(left_open: Unanswered) -> None:
    left_open.ended(ended(b"\x3e\x00", Outcome.ANSWERED), SECOND_NS, SECOND_NS, doubted=False)
    assert doubted(left_open, ALL, NONE_LISTED, SECOND_NS) is None


def test_what_was_never_sent_leaves_nothing_open() -> None:
    made = Unanswered(SECOND_NS, SECOND_NS)
    made.ended(ended(SOME, Outcome.UNSENT), 0, 0, doubted=False)
    assert doubted(made, ALL, NONE_LISTED, 0) is None


def test_after_a_while_no_answer_comes_any_more(left_open: Unanswered) -> None:
    assert doubted(left_open, ALL, NONE_LISTED, 3 * SECOND_NS) is None


def test_a_unit_that_said_its_answer_is_to_come_has_longer() -> None:
    # ISO 14229-1, 78: the answer may take until P2* is over, again and again.
    made = Unanswered(2 * SECOND_NS, 30 * SECOND_NS)
    made.ended(ended(SOME, Outcome.DAMAGED, AnswerKind.PENDING), 0, SECOND_NS, doubted=False)
    assert doubted(made, ALL, NONE_LISTED, 20 * SECOND_NS) is not None


def test_after_two_equal_requests_a_second_answer_is_awaited_as_long_as_they_were_apart(left_open: Unanswered) -> None:
    half_ns = SECOND_NS // 2
    assert SECOND_NS + half_ns * 5 // 4 == left_open.second_due_ns(SOME, half_ns, SECOND_NS)
    assert 0 == left_open.second_due_ns(ALL, half_ns, SECOND_NS)
    assert 0 == left_open.second_due_ns(SOME, 9 * SECOND_NS, 9 * SECOND_NS), "so late it does not come any more"
    left_open.ended(ended(SOME, Outcome.ANSWERED), half_ns, SECOND_NS, doubted=False)
    assert doubted(left_open, ALL, NONE_LISTED) is not None, "one of the two may still be owed"


@pytest.mark.parametrize(
    ("frame", "confusing"),
    [
        ("03190201AAAAAAAA", True),  # ISO 15765-2, single frame: another mask
        ("031902FFAAAAAAAA", False),  # the same request
        ("0322F190AAAAAAAA", False),  # another service: its answer is told apart
        ("100E190455555555", True),  # a first frame
        ("300000AAAAAAAAAA", False),  # flow control
        ("21190201AAAAAAAA", False),  # a continuation
        ("00", False),
        ("", False),
        ("0F1902", False),  # longer than its frame
    ],
)
def test_what_another_tester_asks_is_confusing_where_the_answers_look_alike(frame: str, confusing: bool) -> None:
    others = OtherTesters()
    others.heard(ENGINE.number, False, bytes.fromhex(frame), SECOND_NS)
    assert confusing is others.confusing(ENGINE, ALL, 0)
    assert not others.confusing(GEARS, ALL, 0)
    assert not others.confusing(ENGINE, ALL, SECOND_NS + 1)


def test_whoever_asks_everybody_asks_each_unit_of_that_width() -> None:
    # ISO 15765-4: 7DF and 18DB33F1.
    narrow, wide = CanId(0x7DF, False), CanId(0x18DB33F1, True)
    assert reaches(narrow, ENGINE)
    assert not reaches(wide, ENGINE)
    assert reaches(wide, CanId(0x18DA10F1, True))
    assert not reaches(GEARS, ENGINE)
    assert reaches(ENGINE, ENGINE)


def test_behind_one_identifier_units_are_told_apart_by_the_byte_before_the_pci() -> None:
    others = OtherTesters()
    others.heard(0x6F0, False, bytes.fromhex("1203190201AAAAAA"), SECOND_NS)
    assert others.confusing(CanId(0x6F0, False, 0x12), ALL, 0)
    assert not others.confusing(CanId(0x6F0, False, 0x13), ALL, 0)


def test_a_busy_tester_is_not_remembered_without_end() -> None:
    others = OtherTesters()
    for number in range(1000):
        others.heard(ENGINE.number, False, b"\x03\x22" + number.to_bytes(2, "big"), number)
    assert not others.confusing(ENGINE, b"\x22\xff\xff", 0) or others.confusing(ENGINE, b"\x22\xff\xff", 999)
    assert not others.confusing(ENGINE, b"\x22\xff\xff", 1000)


def test_only_another_request_of_the_same_service_confuses() -> None:
    assert confuses(SOME, ALL)
    assert not confuses(ALL, ALL)
    assert not confuses(b"\x22\xf1\x90", ALL)

"""What replies of a dongle come to: each way in which a client may take trouble for "no faults" is a test here."""

from __future__ import annotations

from dataclasses import replace

import pytest
from dongle_link_help import (
    CODES,
    CODES_FRAMES,
    ENGINE,
    EVERYONE,
    GEARS,
    MS,
    NO_CODES,
    QUICK,
    READ,
    WIDE,
    WRITTEN_NS,
    judged,
    turn_of,
)
from hypothesis import given
from hypothesis import strategies as st

from decoders.values import AnswerKind, Exchange, Outcome, Request, outcome_of
from gateway.links.dongle.hearing import Hearing
from gateway.links.dongle.process import Turn, TurnEnd

PENDING = "7E8 03 7F 19 78 AA AA AA AA"  # ISO 14229-1: response pending


def kinds(exchange: Exchange) -> list[AnswerKind]:
    return [answer.kind for answer in exchange.answers]


# --- answers ---


def test_a_single_frame_is_an_answer() -> None:
    heard = judged(NO_CODES)
    assert (Outcome.ANSWERED, bytes.fromhex("5902FF")) == (heard.exchange.outcome, heard.exchange.positive)
    assert (1, False) == (heard.frames, heard.odd)


def test_frames_become_one_message_with_the_times_of_their_lines() -> None:
    heard = judged(*CODES_FRAMES)
    assert (Outcome.ANSWERED, CODES, 2) == (heard.exchange.outcome, heard.exchange.positive, heard.frames)
    (answer,) = heard.exchange.answers
    assert (1000, 2000) == (answer.first_us, answer.last_us)


def test_without_spaces_the_same() -> None:
    exchange = judged(*(line.replace(" ", "") for line in CODES_FRAMES)).exchange
    assert (Outcome.ANSWERED, CODES) == (exchange.outcome, exchange.positive)


def test_29_bit_identifiers_the_same() -> None:
    lines = [line.replace("7E8", "18 DA F1 10") for line in CODES_FRAMES]
    exchange = judged(*lines, target=WIDE).exchange
    assert (Outcome.ANSWERED, CODES, "18DAF110") == (exchange.outcome, exchange.positive, exchange.answers[0].source)


def test_an_address_byte_stands_before_the_pci() -> None:
    lines = ("612 F0 10 09 59 02 FF 04 20", "612 F0 21 13 2F 01 AA AA AA")
    exchange = judged(*lines, target="6F0:12/612:F0").exchange
    assert (Outcome.ANSWERED, bytes.fromhex("5902FF0420132F01")) != (exchange.outcome, exchange.positive)
    lines = ("612 F0 10 08 59 02 FF 04 20", "612 F0 21 13 2F 01 AA AA AA")
    exchange = judged(*lines, target="6F0:12/612:F0").exchange
    assert (Outcome.ANSWERED, bytes.fromhex("5902FF0420132F01")) == (exchange.outcome, exchange.positive)


def test_a_refusal_is_refused_and_not_an_empty_list() -> None:
    exchange = judged("7E8 03 7F 19 11 AA AA AA AA").exchange
    assert (Outcome.REFUSED, 0x11) == (exchange.outcome, exchange.refusal)


def test_pending_and_then_an_answer_is_answered() -> None:
    heard = judged(PENDING, *CODES_FRAMES)
    assert (Outcome.ANSWERED, CODES) == (heard.exchange.outcome, heard.exchange.positive)
    assert [AnswerKind.PENDING, AnswerKind.POSITIVE] == kinds(heard.exchange)
    assert heard.frames is None


def test_a_duplicated_frame_does_not_take_the_answer_away() -> None:
    exchange = judged(NO_CODES, NO_CODES).exchange
    assert (Outcome.ANSWERED, [AnswerKind.POSITIVE, AnswerKind.DUPLICATE]) == (exchange.outcome, kinds(exchange))


def test_a_stale_frame_of_the_request_before_is_late() -> None:
    hearing = Hearing("dongle:x")
    judged("7E8 02 43 00 AA AA AA AA AA", data=b"\x03", hearing=hearing)
    exchange = judged("7E8 02 43 00 AA AA AA AA AA", NO_CODES, hearing=hearing).exchange
    assert (Outcome.ANSWERED, [AnswerKind.LATE, AnswerKind.POSITIVE]) == (exchange.outcome, kinds(exchange))
    assert bytes.fromhex("5902FF") == exchange.positive


def test_a_stale_frame_of_another_unit_is_kept_for_that_unit() -> None:
    hearing = Hearing("dongle:x")
    judged("7E9 03 59 02 FF AA AA AA AA", target=GEARS, hearing=hearing)
    first = judged("7E9 03 59 02 FF AA AA AA AA", NO_CODES, hearing=hearing).exchange
    assert (Outcome.ANSWERED, [AnswerKind.POSITIVE]) == (first.outcome, kinds(first))
    second = judged("NO DATA", target=GEARS, hearing=hearing).exchange
    assert (Outcome.SILENT, [AnswerKind.LATE]) == (second.outcome, kinds(second))


def test_a_stale_answer_to_the_same_request_spoils_it() -> None:
    hearing = Hearing("dongle:x")
    judged(NO_CODES, hearing=hearing)
    exchange = judged(NO_CODES, "7E8 07 59 02 FF 04 20 13 2F", hearing=hearing).exchange
    assert (Outcome.DAMAGED, "two different answers came to one request") == (exchange.outcome, exchange.trouble)


def test_what_came_before_the_request_is_late() -> None:
    turn = turn_of(NO_CODES, before=f"{NO_CODES}\r>")
    exchange = Hearing("dongle:x").judge(Request(ENGINE, READ), turn, QUICK).exchange
    assert (Outcome.ANSWERED, [AnswerKind.LATE, AnswerKind.POSITIVE]) == (exchange.outcome, kinds(exchange))


# --- silence ---


@pytest.mark.parametrize("lines", [["NO DATA"], ["SEARCHING...", "NO DATA"]])
def test_no_data_to_a_units_own_address_is_silence(lines: list[str]) -> None:
    exchange = judged(*lines).exchange
    assert (Outcome.SILENT, (), None) == (exchange.outcome, exchange.answers, exchange.trouble)


def test_no_data_is_no_silence_where_a_unit_may_take_longer_than_the_dongle_waits() -> None:
    # AT ST: one byte, in steps of 4 ms (common practice), so 1020 ms at most.
    turn = turn_of("NO DATA")
    exchange = Hearing("dongle:x").judge(Request(ENGINE, READ), turn, replace(QUICK, p2_ms=1500)).exchange
    assert Outcome.DAMAGED is exchange.outcome
    assert exchange.trouble is not None
    assert "1020 ms" in exchange.trouble


def test_no_data_to_everyone_says_nothing() -> None:
    exchange = judged("NO DATA", target=EVERYONE).exchange
    assert (None, (), None) == (exchange.outcome, exchange.answers, exchange.trouble)


# --- damage ---

WORDS = [
    "CAN ERROR",
    "BUS ERROR",
    "BUS BUSY",
    "FB ERROR",
    "DATA ERROR",
    "<DATA ERROR",
    "<RX ERROR",
    "BUFFER FULL",
    "STOPPED",
    "UNABLE TO CONNECT",
    "BUS INIT: ERROR",
    "LV RESET",
    "ACT ALERT",
    "ERR94",
    "OK",
]


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("before", [(), (NO_CODES,), CODES_FRAMES, ("NO DATA",)])
def test_a_word_of_trouble_is_damage_whatever_stands_before_it(word: str, before: tuple[str, ...]) -> None:
    exchange = judged(*before, word).exchange
    assert Outcome.DAMAGED == exchange.outcome
    assert word in (exchange.trouble or "")


@pytest.mark.parametrize("word", WORDS)
def test_a_word_of_trouble_is_told_of_a_functional_request(word: str) -> None:
    exchange = judged(NO_CODES, word, target=EVERYONE).exchange
    assert word in (exchange.trouble or "")
    assert Outcome.ANSWERED == outcome_of(exchange, "7E8").outcome


@pytest.mark.parametrize(
    ("lines", "trouble"),
    [
        (["7E8 03 59 02"], "no whole frame: '7E8 03 59 02'"),
        (["7E8 03 59 02 FF AA AA AA A"], "no whole frame"),
        (["7E8 03 59 0X FF AA AA AA AA"], "no whole frame"),
        (["59 02 FF"], "no whole frame"),
        ([f"{NO_CODES} <RX ERROR"], "<RX ERROR"),
        ([NO_CODES, "NO DATA"], "NO DATA beside other lines"),
        ([CODES_FRAMES[0]], "the rest never came"),
        ([CODES_FRAMES[1]], "without the beginning"),
        ([CODES_FRAMES[0], CODES_FRAMES[0], CODES_FRAMES[1]], "broken off"),
        ([CODES_FRAMES[0], CODES_FRAMES[1].replace("21", "22", 1)], "sequence number"),
        ([PENDING], "response pending without an end"),
        (["7E9 03 59 02 FF AA AA AA AA"], "without an answer that is whole"),
        (["7E8 02 7E 00 AA AA AA AA AA"], "without an answer that is whole"),
        ([], "without an answer that is whole"),
    ],
)
def test_a_reply_that_is_not_whole_is_damage_and_never_silence(lines: list[str], trouble: str) -> None:
    heard = judged(*lines)
    assert Outcome.DAMAGED == heard.exchange.outcome
    assert trouble in (heard.exchange.trouble or "")
    assert heard.frames is None


def test_of_a_broken_message_what_came_is_kept() -> None:
    exchange = judged(CODES_FRAMES[0]).exchange
    assert [CODES[:6]] == [answer.data for answer in exchange.answers]


@pytest.mark.parametrize("end", [TurnEnd.SILENT, TurnEnd.LOST, TurnEnd.INTERRUPTED])
def test_a_dongle_that_stops_is_damage_and_not_silence(end: TurnEnd) -> None:
    for lines in ([], ["NO DATA"], [CODES_FRAMES[0]], ["7E8 03"]):
        turn = turn_of(*lines, end=end, reason="the dongle stopped answering")
        exchange = Hearing("dongle:x").judge(Request(ENGINE, READ), turn, QUICK).exchange
        assert (Outcome.DAMAGED, True) == (exchange.outcome, bool(exchange.trouble)), lines


def test_a_request_that_the_dongle_did_not_take_is_unsent() -> None:
    exchange = judged("?").exchange
    assert (Outcome.UNSENT, "the dongle did not take the request: it wrote ?") == (exchange.outcome, exchange.trouble)


def test_a_question_mark_beside_frames_is_damage() -> None:
    assert Outcome.DAMAGED == judged(NO_CODES, "?").exchange.outcome


@pytest.mark.parametrize("target", [ENGINE, EVERYONE])
def test_a_request_that_never_reached_the_port_is_unsent(target: str) -> None:
    turn = Turn()
    turn.ended(TurnEnd.REFUSED, "not on the list")
    exchange = Hearing("dongle:x").judge(Request(target, READ), turn, QUICK).exchange
    assert (Outcome.UNSENT, "not on the list") == (exchange.outcome, exchange.trouble)


def test_a_request_that_may_have_left_is_damaged() -> None:
    turn = Turn(begun_ns=WRITTEN_NS)
    turn.ended(TurnEnd.LOST, "the dongle is gone")
    exchange = Hearing("dongle:x").judge(Request(ENGINE, READ), turn, QUICK).exchange
    assert (Outcome.DAMAGED, "the dongle is gone") == (exchange.outcome, exchange.trouble)


# --- functional requests ---


def test_answers_of_several_units_are_put_together_though_their_frames_alternate() -> None:
    gears = [line.replace("7E8", "7E9") for line in CODES_FRAMES]
    lines = [CODES_FRAMES[0], gears[0], gears[1], CODES_FRAMES[1]]
    exchange = judged(*lines, target=EVERYONE).exchange
    assert {"7E8": CODES, "7E9": CODES} == {answer.source: answer.data for answer in exchange.answers}
    assert (None, None) == (exchange.outcome, exchange.trouble)


def test_a_frame_lost_from_one_unit_spoils_that_unit_alone_and_is_told() -> None:
    gears = [line.replace("7E8", "7E9") for line in CODES_FRAMES]
    exchange = judged(CODES_FRAMES[0], *gears, target=EVERYONE).exchange
    said = [outcome_of(exchange, source).outcome for source in ("7E8", "7E9")]
    assert [Outcome.DAMAGED, Outcome.ANSWERED] == said
    assert "7E8: a frame of the answer is missing" in (exchange.trouble or "")


def test_a_cut_line_invents_no_unit() -> None:
    exchange = judged("7EF 06 41", target=EVERYONE).exchange
    assert () == exchange.answers
    assert "'7EF 06 41'" in (exchange.trouble or "")


def test_an_empty_reply_to_everyone_is_told() -> None:
    assert "the dongle's reply is empty" == judged(target=EVERYONE).exchange.trouble


# --- counted frames ---


@pytest.mark.parametrize(("lines", "expected"), [(CODES_FRAMES, 1), ((NO_CODES,), 2), (CODES_FRAMES, 3)])
def test_another_count_of_frames_than_expected_is_damage(lines: tuple[str, ...], expected: int) -> None:
    exchange = judged(*lines, expected=expected).exchange
    assert (Outcome.DAMAGED, True) == (exchange.outcome, "were expected" in (exchange.trouble or ""))


def test_no_data_stays_silence_where_frames_were_expected() -> None:
    assert Outcome.SILENT == judged("NO DATA", expected=2).exchange.outcome


# --- whatever is lost on the way ---

LONG = bytes.fromhex("59 02 FF" + "0420132F" * 9)


def frames_of(payload: bytes, gap: str) -> list[str]:
    """ISO 15765-2, classic frames of eight bytes."""
    if len(payload) < 8:
        frames = [bytes([len(payload)]) + payload]
    else:
        frames = [(0x1000 | len(payload)).to_bytes(2, "big") + payload[:6]]
        rest = payload[6:]
        frames += [bytes([0x20 | (nth + 1) & 15]) + rest[nth * 7 : nth * 7 + 7] for nth in range(-(-len(rest) // 7))]
    return [
        f"7E8{gap}{frame.ljust(8, bytes(1)).hex(gap).upper() if gap else frame.ljust(8, bytes(1)).hex().upper()}"
        for frame in frames
    ]


@given(
    st.sampled_from([bytes.fromhex("5902FF"), bytes.fromhex("5902FF0420132F"), CODES, LONG]),
    st.sampled_from(["", " "]),
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 20)), min_size=1, max_size=3),
)
def test_lost_characters_never_change_an_answer(payload: bytes, gap: str, holes: list[tuple[int, int]]) -> None:
    text = "\r".join(frames_of(payload, gap)) + "\r"
    for at, length in holes:
        at %= max(1, len(text))
        text = text[:at] + text[at + length :]
    turn = Turn(begun_ns=WRITTEN_NS, written_ns=WRITTEN_NS, heard=[(WRITTEN_NS + MS, f"{text}\r>".encode())])
    turn.ended(TurnEnd.PROMPT)
    limits = QUICK.__class__(n_cr_ms=1)
    exchange = Hearing("dongle:x").judge(Request(ENGINE, READ), turn, limits).exchange
    if exchange.outcome is Outcome.ANSWERED:
        assert payload == exchange.positive
    else:
        assert Outcome.DAMAGED == exchange.outcome

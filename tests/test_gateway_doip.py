"""The DoIP link against an entity that does as it is told: what becomes of each request."""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import pytest
from doip_help import packet
from doip_link_help import (
    LIMITS,
    NO_CODES,
    PENDING,
    READ,
    VIN,
    Script,
    Talk,
    ask,
    polite,
    speaking,
    wait_for,
)

from decoders.values import AnswerKind, Exchange, Outcome
from gateway.links import Limits

UNIT, NUMBER = "doip:1010", 0x1010
PATIENT = replace(LIMITS, p2_ms=3000, n_bs_ms=3000)
"""Where an answer comes, which ends the wait."""
SOME = replace(LIMITS, p2_ms=650, n_bs_ms=650)
"""Where of two units' answers one comes and one does not: as long as a machine may stall, and a little longer."""


def asked_with(script: Script, *requests: bytes, limits: Limits = PATIENT) -> list[Exchange]:
    with speaking(script) as (_, link):
        return ask(link, *requests, limits=limits)


def kinds(exchange: Exchange) -> list[AnswerKind]:
    return [answer.kind for answer in exchange.answers]


def says(*data: bytes) -> Script:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        for one in data:
            talk.answer(unit, one)

    return script


def test_an_answer_is_answered_and_labelled_with_its_source() -> None:
    with speaking(says(NO_CODES)) as (entity, link):
        (exchange,) = ask(link, READ, limits=PATIENT)
        assert (link.address, UNIT, READ) == (exchange.link, exchange.target, exchange.request)
    assert [(NUMBER, READ)] == entity.requests
    assert (Outcome.ANSWERED, NO_CODES, None) == (exchange.outcome, exchange.positive, exchange.trouble)
    assert [UNIT] == [answer.source for answer in exchange.answers]
    assert 0 <= exchange.answers[0].first_us <= exchange.answers[0].last_us


def test_a_refusal_is_refused_with_its_code() -> None:
    (exchange,) = asked_with(says(bytes.fromhex("7F1911")), READ)
    assert (Outcome.REFUSED, 0x11) == (exchange.outcome, exchange.refusal)


def test_acknowledged_and_nothing_more_is_silent_after_p2() -> None:
    begun_s = time.perf_counter()
    (exchange,) = asked_with(lambda talk, unit, _: talk.ack(unit), READ, limits=replace(PATIENT, p2_ms=300))
    assert (Outcome.SILENT, ()) == (exchange.outcome, exchange.answers)
    assert time.perf_counter() - begun_s >= 0.3


def test_without_a_word_of_the_gateway_no_unit_is_silent() -> None:
    (exchange,) = asked_with(lambda *_: None, READ, limits=LIMITS)
    assert (Outcome.DAMAGED, "the gateway never acknowledged the request") == (exchange.outcome, exchange.trouble)


def test_an_answer_that_nobody_acknowledged_counts() -> None:
    (exchange,) = asked_with(lambda talk, unit, _: talk.answer(unit, NO_CODES), READ)
    assert (Outcome.ANSWERED, NO_CODES) == (exchange.outcome, exchange.positive)


def test_an_answer_before_its_acknowledgement_counts_and_the_next_one_is_not_confused() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        if data == READ:
            talk.answer(unit, NO_CODES)
            time.sleep(0.02)
            talk.ack(unit, data)
        # the second request is never acknowledged, and the late one above is not taken for it

    first, second = asked_with(script, READ, VIN, limits=SOME)
    assert (Outcome.ANSWERED, NO_CODES) == (first.outcome, first.positive)
    assert (Outcome.DAMAGED, "the gateway never acknowledged the request") == (second.outcome, second.trouble)


@pytest.mark.parametrize("echo", [True, False])
def test_an_acknowledgement_that_comes_too_late_is_not_the_next_ones(echo: bool) -> None:
    late: list[bytes] = []

    def script(talk: Talk, unit: int, data: bytes) -> None:
        for owed in late:
            talk.ack(unit, owed if echo else b"")
        late.append(data)

    first, second = asked_with(script, READ, READ, limits=LIMITS)
    assert [Outcome.DAMAGED] * 2 == [first.outcome, second.outcome]


def test_an_acknowledgement_that_names_its_request_is_not_taken_for_an_earlier_one() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        if data == VIN:
            talk.ack(unit, data[:2])

    first, second = asked_with(script, READ, VIN, limits=replace(SOME, p2_ms=300))
    assert [Outcome.DAMAGED, Outcome.SILENT] == [first.outcome, second.outcome]


def test_p2_counts_from_the_acknowledgement() -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        time.sleep(0.9)  # longer than P2: the gateway was busy, the unit was not asked yet
        talk.ack(unit)
        time.sleep(0.05)
        talk.answer(unit, NO_CODES)

    (exchange,) = asked_with(script, READ, limits=Limits(p2_ms=700, n_bs_ms=5000))
    assert Outcome.ANSWERED is exchange.outcome
    assert 0 <= exchange.answers[0].first_us < 700_000


@pytest.mark.parametrize(
    ("code", "outcome", "words"),
    [
        (0x02, Outcome.UNSENT, "does not know the tester address (02)"),
        (0x03, Outcome.UNSENT, "knows no such address (03)"),
        (0x04, Outcome.UNSENT, "too long for the gateway (04)"),
        (0x05, Outcome.UNSENT, "out of memory: it may need --one-at-a-time (05)"),
        (0x06, Outcome.DAMAGED, "cannot reach the unit (06)"),
        (0x07, Outcome.UNSENT, "does not know the unit's network (07)"),
        (0x08, Outcome.DAMAGED, "could not hand the request to the unit (08)"),
        (0x5A, Outcome.DAMAGED, "a reason that is not in the standard (5A)"),
    ],
)
def test_each_refusal_of_the_gateway_is_named_and_none_is_silence(code: int, outcome: Outcome, words: str) -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        if data == READ:
            talk.nack(unit, code, data)
        else:
            polite(talk, unit, data)

    refused, after = asked_with(script, READ, VIN)
    assert outcome is refused.outcome
    assert words in str(refused.trouble)
    assert Outcome.ANSWERED is after.outcome


def test_a_refusal_after_the_unit_has_spoken_is_damage() -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.answer(unit, PENDING)
        talk.nack(unit, 0x03)

    (exchange,) = asked_with(script, READ)
    assert (Outcome.DAMAGED, [AnswerKind.PENDING]) == (exchange.outcome, kinds(exchange))


def test_a_refused_header_is_told_where_nothing_was_acknowledged() -> None:
    (exchange,) = asked_with(lambda talk, *_: talk.send("0000", "02"), READ, limits=SOME)
    assert Outcome.DAMAGED is exchange.outcome
    assert "too large for it (02)" in str(exchange.trouble)


def test_pending_gives_the_unit_p2_star_again_and_again() -> None:
    waits: list[Talk] = []

    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        for _ in range(3):
            talk.answer(unit, PENDING)
            waits.append(talk)
            time.sleep(0.3 if len(waits) > 1 else 0.8)  # longer than P2 once, shorter than P2*
        talk.answer(unit, NO_CODES)

    (exchange,) = asked_with(script, READ, limits=Limits(p2_ms=700, p2_star_ms=4000))
    assert (Outcome.ANSWERED, [AnswerKind.PENDING] * 3 + [AnswerKind.POSITIVE]) == (exchange.outcome, kinds(exchange))


def test_pending_without_an_end_is_damaged_at_the_ceiling() -> None:
    over = threading.Event()

    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        while not over.wait(0.02):
            talk.answer(unit, PENDING)

    with speaking(script) as (_, link):
        (exchange,) = ask(link, READ, limits=Limits(p2_ms=700, ceiling_ms=700))
        over.set()
    assert (Outcome.DAMAGED, "response pending without an end") == (exchange.outcome, exchange.trouble)


def test_a_late_answer_is_kept_and_never_the_next_ones_result() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        if data == VIN:
            talk.answer(unit, NO_CODES)  # to the request before, which nobody waits for any more
            talk.answer(unit, bytes.fromhex("62F19041"))

    first, second = asked_with(script, READ, VIN, limits=SOME)
    assert (Outcome.SILENT, Outcome.ANSWERED) == (first.outcome, second.outcome)
    assert [AnswerKind.LATE, AnswerKind.POSITIVE] == kinds(second)


def test_a_late_answer_that_fits_the_next_request_as_well_is_not_trusted_and_asking_again_heals_it() -> None:
    some, everything = bytes.fromhex("190208"), READ

    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        if len(entity.requests) == 2:
            talk.answer(unit, NO_CODES)  # to the first one: a list does not tell which mask was asked
        elif len(entity.requests) > 2:
            talk.answer(unit, bytes.fromhex("5902FF0420002F"))

    with speaking(script) as (entity, link):
        (first,) = ask(link, some, limits=replace(PATIENT, p2_ms=300))
        second, third = ask(link, everything, everything, limits=PATIENT)
    assert [Outcome.SILENT, Outcome.DAMAGED, Outcome.ANSWERED] == [e.outcome for e in (first, second, third)]
    assert "late answer to 19 02 08" in str(second.trouble)


def test_the_same_request_again_takes_whatever_answer_comes() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        if len(entity.requests) == 2:
            talk.answer(unit, NO_CODES)

    with speaking(script) as (entity, link):
        (first,) = ask(link, READ, limits=replace(PATIENT, p2_ms=300))
        (second,) = ask(link, READ, limits=PATIENT)
    assert [Outcome.SILENT, Outcome.ANSWERED] == [first.outcome, second.outcome]


def test_what_comes_between_two_runs_is_kept_for_the_next() -> None:
    held: list[Talk] = []

    def script(talk: Talk, unit: int, data: bytes) -> None:
        held.append(talk)
        talk.ack(unit)
        if data == VIN:
            talk.answer(unit, bytes.fromhex("62F19041"))

    with speaking(script) as (entity, link):
        (first,) = ask(link, READ, limits=replace(PATIENT, p2_ms=300))
        held[0].answer(NUMBER, NO_CODES)
        held[0].send("0007")
        (second,) = ask(link, VIN, limits=PATIENT)
        wait_for(lambda: packet("0008", "0E80") in entity.said)
    assert (Outcome.SILENT, Outcome.ANSWERED) == (first.outcome, second.outcome)
    assert [AnswerKind.LATE, AnswerKind.POSITIVE] == kinds(second)


def test_a_stray_answer_is_no_answer() -> None:
    (exchange,) = asked_with(says(bytes.fromhex("7E00")), READ, limits=SOME)
    assert (Outcome.SILENT, [AnswerKind.STRAY]) == (exchange.outcome, kinds(exchange))
    assert "something else" in str(exchange.trouble)


def test_a_second_different_answer_spoils_the_first() -> None:
    script = says(NO_CODES, bytes.fromhex("5902FF0420002F"))
    (exchange,) = asked_with(script, READ, limits=replace(PATIENT, linger_ms=600))
    assert Outcome.DAMAGED is exchange.outcome


def test_the_same_answer_again_changes_nothing() -> None:
    (exchange,) = asked_with(says(NO_CODES, NO_CODES), READ, limits=replace(PATIENT, linger_ms=600))
    assert (Outcome.ANSWERED, [AnswerKind.POSITIVE, AnswerKind.DUPLICATE]) == (exchange.outcome, kinds(exchange))


def test_an_answer_meant_for_another_tester_is_none_of_ours() -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        talk.answer(unit, NO_CODES, tester=0x0E81)

    (exchange,) = asked_with(script, READ)
    assert (Outcome.DAMAGED, [AnswerKind.DAMAGED]) == (exchange.outcome, kinds(exchange))
    assert "another tester (0E81)" in str(exchange.trouble)


def test_an_answer_without_a_byte_is_damaged() -> None:
    (exchange,) = asked_with(says(b""), READ)
    assert Outcome.DAMAGED is exchange.outcome


def test_a_long_answer_in_small_pieces_is_whole() -> None:
    long = NO_CODES + bytes(range(256)) * 40

    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        whole = bytes.fromhex(packet("8001", f"{unit:04X} 0E80 {long.hex()}"))
        for at in range(0, len(whole), 1500):
            talk.raw(whole[at : at + 1500])
            time.sleep(0.1)  # altogether longer than P2, which counts to the begin

    (exchange,) = asked_with(script, READ, limits=Limits(p2_ms=600, n_cr_ms=3000))
    assert (Outcome.ANSWERED, long) == (exchange.outcome, exchange.positive)
    assert exchange.answers[0].first_us < exchange.answers[0].last_us

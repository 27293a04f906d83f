"""How one request's answers are judged, with time moved by hand: no bus, no waiting."""

from __future__ import annotations

import pytest

from decoders.values import AnswerKind, Exchange, Outcome, Request, outcome_of
from gateway.links.base import Limits
from gateway.links.channel import Arrival
from gateway.links.conversation import FunctionalConversation, UnitConversation

MS = 1_000_000
SENT = 1_000 * MS
LIMITS = Limits(p2_ms=100, p2_star_ms=5200, ceiling_ms=30_000, functional_ms=110, settle_ms=150, linger_ms=20)
READ = bytes.fromhex("1902FF")
CODES = bytes.fromhex("5902FF0420002F")
NO_CODES = bytes.fromhex("5902FF")
REFUSED = bytes.fromhex("7F1931")
PENDING = bytes.fromhex("7F1978")
STRAY = bytes.fromhex("620101")


def unit(request: bytes = READ, previous: bytes | None = None) -> UnitConversation:
    conversation = UnitConversation(
        link="can:virtual:x", request=Request("7E0/7E8", request), limits=LIMITS, previous=previous
    )
    conversation.begin(SENT)
    conversation.sent(SENT)
    return conversation


def functional(request: bytes = b"\x03") -> FunctionalConversation:
    conversation = FunctionalConversation(
        link="can:virtual:x", request=Request("functional:7DF", request), limits=LIMITS
    )
    conversation.begin(SENT)
    conversation.sent(SENT)
    return conversation


def heard(
    data: bytes,
    at_ms: int,
    *,
    last_ms: int | None = None,
    source: str = "7E8",
    damage: str | None = None,
    orphan: bool = False,
) -> Arrival:
    last_ns = SENT + (at_ms if last_ms is None else last_ms) * MS
    return Arrival(
        source=source,
        data=data,
        first_ns=SENT + at_ms * MS,
        last_ns=last_ns,
        damage=damage,
        orphan=orphan,
    )


def kinds(exchange: Exchange) -> list[AnswerKind]:
    return [answer.kind for answer in exchange.answers]


def due_ms(conversation: UnitConversation | FunctionalConversation, *, receiving: bool = False) -> int:
    return (conversation.due_ns(receiving=receiving) - SENT) // MS


def test_a_request_that_never_went_out_is_unsent() -> None:
    request = Request("7E0/7E8", READ)
    exchange = UnitConversation(link="can:virtual:x", request=request, limits=LIMITS).finish("the bus is gone")
    assert (exchange.outcome, exchange.trouble) == (Outcome.UNSENT, "the bus is gone")


def test_silence_counts_p2_from_the_last_frame_of_the_request() -> None:
    conversation = unit()
    assert LIMITS.p2_ms == due_ms(conversation)  # ISO 14229-2, P2 client
    assert Outcome.SILENT is conversation.finish().outcome


def test_p2_does_not_run_while_an_answer_is_coming_in() -> None:
    # ISO 14229-2: P2 ends with the first frame of the answer; ISO 15765-2 N_Cr guards the rest.
    assert LIMITS.ceiling_ms == due_ms(unit(), receiving=True)


def test_a_positive_answer_ends_answered_with_times_from_the_request() -> None:
    conversation = unit()
    conversation.arrived(heard(CODES, 12, last_ms=31))
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.positive) == (Outcome.ANSWERED, CODES)
    assert (exchange.answers[0].first_us, exchange.answers[0].last_us) == (12_000, 31_000)
    assert 31 + LIMITS.linger_ms == due_ms(conversation)


def test_a_negative_answer_ends_refused_with_its_code() -> None:
    conversation = unit()
    conversation.arrived(heard(REFUSED, 5))
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.refusal) == (Outcome.REFUSED, 0x31)  # ISO 14229-1, Annex A


def test_p2_star_begins_again_at_each_response_pending() -> None:
    conversation = unit()
    conversation.arrived(heard(PENDING, 50))
    assert 50 + LIMITS.p2_star_ms == due_ms(conversation)  # ISO 14229-2, P2* client
    conversation.arrived(heard(PENDING, 5000))
    assert 5000 + LIMITS.p2_star_ms == due_ms(conversation)
    conversation.arrived(heard(NO_CODES, 6000))
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.positive) == (Outcome.ANSWERED, NO_CODES)
    assert kinds(exchange) == [AnswerKind.PENDING, AnswerKind.PENDING, AnswerKind.POSITIVE]


def test_response_pending_without_an_end_is_damaged_and_bounded_by_the_ceiling() -> None:
    conversation = unit()
    for at_ms in range(0, LIMITS.ceiling_ms, 2000):
        conversation.arrived(heard(PENDING, at_ms))
    assert LIMITS.ceiling_ms == due_ms(conversation)
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.trouble) == (Outcome.DAMAGED, "response pending without an end")


def test_an_answer_to_something_else_is_stray_and_waiting_goes_on() -> None:
    conversation = unit()
    conversation.arrived(heard(STRAY, 10))
    assert LIMITS.p2_ms == due_ms(conversation)
    conversation.arrived(heard(NO_CODES, 20))
    exchange = conversation.finish()
    assert Outcome.ANSWERED is exchange.outcome
    assert kinds(exchange) == [AnswerKind.STRAY, AnswerKind.POSITIVE]


def test_only_stray_answers_leave_the_unit_silent_and_say_so() -> None:
    conversation = unit()
    conversation.arrived(heard(STRAY, 10, last_ms=90))
    assert LIMITS.p2_ms + 80 == due_ms(conversation)  # it could not answer while it sent the other message
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.trouble) == (Outcome.SILENT, "only answers to something else came")


def test_the_final_answer_again_is_a_duplicate() -> None:
    conversation = unit()
    conversation.arrived(heard(CODES, 10))
    conversation.arrived(heard(CODES, 15))
    exchange = conversation.finish()
    assert Outcome.ANSWERED is exchange.outcome
    assert kinds(exchange) == [AnswerKind.POSITIVE, AnswerKind.DUPLICATE]


def test_two_different_answers_to_one_request_prove_nothing() -> None:
    conversation = unit()
    conversation.arrived(heard(NO_CODES, 10))
    conversation.arrived(heard(CODES, 15))
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.positive) == (Outcome.DAMAGED, None)
    assert "two different answers" in str(exchange.trouble)


def test_what_came_before_the_request_is_late_and_never_its_result() -> None:
    conversation = UnitConversation(
        link="can:virtual:x", request=Request("7E0/7E8", READ), limits=LIMITS, previous=READ
    )
    conversation.arrived(heard(NO_CODES, -40))
    conversation.begin(SENT)
    conversation.sent(SENT)
    exchange = conversation.finish()
    assert Outcome.SILENT is exchange.outcome
    assert [(a.kind, a.first_us) for a in exchange.answers] == [(AnswerKind.LATE, -40_000)]


def test_an_answer_begun_before_the_request_is_late_even_if_it_ends_after_it() -> None:
    conversation = unit()
    conversation.arrived(heard(CODES, -5, last_ms=5))
    assert kinds(conversation.finish()) == [AnswerKind.LATE]


def test_an_answer_that_fits_the_request_before_is_late() -> None:
    conversation = unit(previous=bytes.fromhex("22F190"))
    conversation.arrived(heard(bytes.fromhex("62F1905A"), 5))
    exchange = conversation.finish()
    assert (exchange.outcome, kinds(exchange)) == (Outcome.SILENT, [AnswerKind.LATE])


def test_a_damaged_answer_makes_the_outcome_damaged_and_keeps_its_bytes() -> None:
    conversation = unit()
    conversation.arrived(heard(CODES[:4], 10, last_ms=20, damage="wrong sequence number"))
    assert 20 + LIMITS.settle_ms == due_ms(conversation)
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.trouble) == (Outcome.DAMAGED, "wrong sequence number")
    assert [(AnswerKind.DAMAGED, CODES[:4])] == [(a.kind, a.data) for a in exchange.answers]


def test_a_whole_answer_beside_a_damaged_one_is_no_result() -> None:
    conversation = unit()
    conversation.arrived(heard(CODES[:4], 10, damage="broken off"))
    conversation.arrived(heard(NO_CODES, 30))
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.positive) == (Outcome.DAMAGED, None)


def test_a_refusal_cut_short_is_damaged() -> None:
    conversation = unit()
    conversation.arrived(heard(b"\x7f\x19", 10))  # ISO 14229-1: a negative response has three bytes
    exchange = conversation.finish()
    assert (exchange.outcome, exchange.trouble) == (Outcome.DAMAGED, "the answer is cut short")


def test_the_rest_of_a_broken_answer_is_joined_to_it() -> None:
    conversation = unit()
    conversation.arrived(heard(b"\x59\x02", 10, damage="wrong sequence number"))
    conversation.arrived(heard(b"\xaa\xbb", 12, damage="no beginning", orphan=True))
    exchange = conversation.finish()
    assert [(a.data, a.last_us) for a in exchange.answers] == [(b"\x59\x02\xaa\xbb", 12_000)]
    assert 12 + LIMITS.settle_ms == due_ms(conversation)


def test_a_continuation_without_beginning_is_damage_not_silence() -> None:
    conversation = unit()
    conversation.arrived(heard(b"\xaa", -20, damage="no beginning", orphan=True))
    conversation.arrived(heard(b"\xbb", 12, damage="no beginning", orphan=True))
    exchange = conversation.finish()
    assert (exchange.outcome, kinds(exchange)) == (Outcome.DAMAGED, [AnswerKind.LATE, AnswerKind.DAMAGED])


def test_a_request_the_unit_did_not_take_is_damaged_not_silent() -> None:
    conversation = UnitConversation(link="can:virtual:x", request=Request("7E0/7E8", bytes(20)), limits=LIMITS)
    conversation.begin(SENT)
    conversation.failed("no flow control came for the request")
    assert conversation.over
    assert Outcome.DAMAGED is conversation.finish().outcome


@pytest.mark.parametrize("answers", [[], [PENDING], [STRAY]])
def test_an_interrupted_request_never_reads_as_silent(answers: list[bytes]) -> None:
    conversation = unit()
    for at_ms, data in enumerate(answers):
        conversation.arrived(heard(data, at_ms))
    exchange = conversation.finish("interrupted before an answer")
    assert (exchange.outcome, exchange.trouble) == (Outcome.DAMAGED, "interrupted before an answer")


def test_a_functional_request_collects_for_its_time_and_has_no_outcome() -> None:
    conversation = functional()
    conversation.arrived(heard(b"\x43\x00", 10))
    conversation.arrived(heard(b"\x7f\x03\x11", 12, source="7E9"))
    assert LIMITS.functional_ms == due_ms(conversation)
    exchange = conversation.finish()
    assert exchange.outcome is None
    assert Outcome.ANSWERED is outcome_of(exchange, "7E8").outcome
    assert outcome_of(exchange, "7E9").refusal == 0x11
    assert outcome_of(exchange, "7EA").outcome is None


def test_response_pending_extends_a_functional_request_until_that_source_answered() -> None:
    conversation = functional()
    conversation.arrived(heard(b"\x7f\x03\x78", 20, source="7E9"))
    assert 20 + LIMITS.p2_star_ms == due_ms(conversation)
    conversation.arrived(heard(b"\x43\x00", 400, source="7E9"))
    assert LIMITS.functional_ms == due_ms(conversation)


def test_a_functional_exchange_names_the_sources_in_trouble() -> None:
    conversation = functional()
    conversation.arrived(heard(b"\x43", 20, source="7E9", damage="wrong sequence number"))
    conversation.arrived(heard(b"\x7f\x03\x78", 20, source="7EA"))
    exchange = conversation.finish()
    expected = "7E9: wrong sequence number; 7EA: response pending without an end"
    assert expected == exchange.trouble
    assert Outcome.DAMAGED is outcome_of(exchange, "7E9").outcome


def test_a_functional_request_that_never_went_out_is_unsent() -> None:
    request = Request("functional:7DF", b"\x03")
    exchange = FunctionalConversation(link="x", request=request, limits=LIMITS).finish("the bus is gone")
    assert (exchange.outcome, exchange.trouble) == (Outcome.UNSENT, "the bus is gone")

"""What every link makes of one request: the same on the CAN bus, through a dongle, over DoIP and from a record."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest
from link_contract_help import (
    BODY,
    BRAKES,
    BRIEF,
    ENGINE,
    EVERYONE,
    EXHAUST,
    GEARBOX,
    NOBODY,
    PATIENT,
    RIDE,
    STEERING,
    Contact,
    as_written,
    contact,
    on_a_serial_port,
    params,
)

from decoders.values import AnswerKind, Exchange, Outcome, Request, is_functional, source_of
from gateway.guard import Guard, Phase
from gateway.links import DEFAULT_LIMITS

LIST, VIN, IDENTITY, LONG_NAME, UNKNOWN = "1902FF", "22F190", "22F187", "090A", "22F1A0"
FINAL = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)
GOOD = (AnswerKind.PENDING, *FINAL)


@pytest.fixture(scope="module", params=params(but=on_a_serial_port))
def car(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Contact]:
    with contact(request.param, tmp_path_factory.mktemp("contract")) as made:
        yield made


@pytest.fixture
def way(car: Contact) -> Iterator[Contact]:
    yield car
    car.settle()


def final(exchange: Exchange) -> list[bytes]:
    return [answer.data for answer in exchange.answers if answer.kind in FINAL]


def test_each_unit_gives_what_it_remembers(way: Contact) -> None:
    units = list(way.bench.desk.units)
    told = way.ask(*([(unit, LIST), (unit, IDENTITY)] for unit in units))
    for unit, exchanges in zip(units, told, strict=True):
        for request, exchange in zip((LIST, IDENTITY), exchanges, strict=True):
            truth = way.listener.truth(unit, request)
            assert truth is not None
            assert ([truth], None) == (final(exchange), exchange.trouble)
            refused = truth[0] == 0x7F
            assert (Outcome.REFUSED if refused else Outcome.ANSWERED) == exchange.outcome
            assert (None if refused else truth) == exchange.positive
            assert {source_of(way.target(unit))} == {answer.source for answer in exchange.answers}


@pytest.mark.parametrize("code", [0x11, 0x22, 0x31, 0x33])
def test_a_refusal_comes_with_its_code(way: Contact, code: int) -> None:
    way.disturb(STEERING, "refuses", code=code)
    exchange = way.ask_one(STEERING, LIST)
    assert (Outcome.REFUSED, code, None) == (exchange.outcome, exchange.refusal, exchange.positive)
    assert [bytes([0x7F, 0x19, code])] == final(exchange)


def test_what_a_unit_does_not_know_it_refuses(way: Contact) -> None:
    exchange = way.ask_one(BRAKES, UNKNOWN)
    assert (Outcome.REFUSED, 0x31) == (exchange.outcome, exchange.refusal)


def test_a_unit_that_says_nothing_is_silent_where_it_was_asked_itself(way: Contact) -> None:
    way.disturb(ENGINE, "silent")
    ((alone,), (all_of_them,)) = way.ask([(ENGINE, IDENTITY)], [(EVERYONE, LONG_NAME)], limits=BRIEF)
    assert (Outcome.SILENT, (), None) == (alone.outcome, alone.answers, alone.positive)
    assert (None, None) == (all_of_them.outcome, all_of_them.refusal)
    sources = {answer.source for answer in all_of_them.answers}
    assert {source_of(way.target(unit)) for unit in (GEARBOX, EXHAUST)} == sources


def test_an_address_that_nobody_has_is_no_evidence_of_anything(way: Contact) -> None:
    ((nobody,), (somebody,)) = way.ask([(NOBODY, LIST)], [(ENGINE, LIST)], limits=replace(BRIEF, p2_ms=300))
    assert () == nobody.answers
    # A DoIP gateway says itself that it knows no such unit: nothing ever reached one.
    assert (Outcome.UNSENT if way.kind.is_doip else Outcome.SILENT) == nobody.outcome
    assert bool(nobody.trouble) is way.kind.is_doip
    assert Outcome.ANSWERED == somebody.outcome


SPOILT = {
    "can": (
        ("lost_frame", {"nth": 2}),
        ("duplicated_frame", {"nth": 2}),
        ("wrong_sequence", {"nth": 2}),
        ("wrong_length", {}),
        ("supply_drop", {"frames": 1, "away_ms": 0}),
    ),
    "dongle": (
        ("lost_frame", {"nth": 1}),
        ("lost_frame", {"nth": 2}),
        ("duplicated_line", {"nth": 1}),
        ("duplicated_line", {"nth": 2}),
        ("cut_line", {"nth": 1, "characters": 9}),
        ("cut_line", {"nth": 2, "characters": 16}),
        ("small_buffer", {"lines": 1}),
    ),
}


def test_a_damaged_answer_is_never_an_answer(way: Contact) -> None:
    who = "dongle" if way.kind.faults == "dongle" else BRAKES
    for fault, arguments in SPOILT.get(way.kind.faults, SPOILT["can"]):
        way.disturb(who, fault, **arguments)
        # Three frames: the second is neither the first nor the last.
        exchange = way.ask_one(BRAKES, VIN, BRIEF)
        if way.kind.faults == "none":
            # TCP loses and repeats nothing: what spoils frames on the car's bus is not seen here.
            assert (Outcome.ANSWERED, way.listener.truth(BRAKES, VIN)) == (exchange.outcome, exchange.positive), fault
        else:
            assert (Outcome.DAMAGED, None) == (exchange.outcome, exchange.positive), fault
            assert exchange.trouble, fault
        way.bench.act("settle", who=who)
        # The rest of a broken answer may not spoil the next one.
        again = way.ask_one(BRAKES, IDENTITY)
        assert (Outcome.ANSWERED, way.listener.truth(BRAKES, IDENTITY)) == (again.outcome, again.positive), fault


def test_what_cuts_an_answer_of_one_frame_leaves_no_answer(way: Contact) -> None:
    if way.kind.faults == "none":
        way.listener.script[BRAKES, b"\x3e\x00"] = (("7E", 0),)
    elif way.kind.faults == "dongle":
        way.disturb("dongle", "cut_line", nth=1, characters=7)
    else:
        way.disturb(BRAKES, "wrong_length")
    exchange = way.ask_one(BRAKES, "3E00", BRIEF)
    assert (Outcome.DAMAGED, None) == (exchange.outcome, exchange.positive)


def test_an_answer_to_something_else_is_kept_and_is_none(way: Contact) -> None:
    way.disturb(STEERING, "other_service")
    exchange = way.ask_one(STEERING, IDENTITY, BRIEF)
    assert exchange.outcome not in (Outcome.ANSWERED, Outcome.REFUSED, Outcome.UNSENT)
    assert (None, True) == (exchange.positive, bool(exchange.trouble))
    assert [(AnswerKind.STRAY, b"\x7e\x00")] == [(answer.kind, answer.data) for answer in exchange.answers]


def test_response_pending_is_kept_before_the_answer(way: Contact) -> None:
    way.listener.script[GEARBOX, bytes.fromhex(LIST)] = (("7F1978", 0), ("7F1978", 150), ("", 450))
    # The second wait is longer than P2: only "response pending" allows it.
    exchange = way.ask_one(GEARBOX, LIST, replace(PATIENT, p2_ms=200))
    kinds = [AnswerKind.PENDING, AnswerKind.PENDING, AnswerKind.POSITIVE]
    assert (Outcome.ANSWERED, kinds) == (exchange.outcome, [answer.kind for answer in exchange.answers])
    assert way.listener.truth(GEARBOX, LIST) == exchange.positive
    assert [answer.first_us for answer in exchange.answers] == sorted(answer.first_us for answer in exchange.answers)


def test_response_pending_without_an_end_is_damaged_within_the_ceiling(way: Contact) -> None:
    way.disturb(BODY, "endless_pending", every_ms=50, lasting=1, service=0x19)
    exchange = way.ask_one(BODY, LIST, replace(BRIEF, ceiling_ms=300))
    assert (Outcome.DAMAGED, None) == (exchange.outcome, exchange.positive)
    assert exchange.trouble
    assert {AnswerKind.PENDING} == {answer.kind for answer in exchange.answers}


def test_everyone_is_asked_at_once_and_each_answer_has_its_source(way: Contact) -> None:
    exchange = way.ask_one(EVERYONE, LONG_NAME)
    assert (None, None, None) == (exchange.outcome, exchange.refusal, exchange.trouble)
    expected = {
        source_of(way.target(unit)): (AnswerKind.POSITIVE, way.listener.truth(unit, LONG_NAME, functional=True))
        for unit in (ENGINE, GEARBOX, EXHAUST)
    }
    answers = [answer for answer in exchange.answers if answer.kind in GOOD]
    assert expected == {answer.source: (answer.kind, answer.data) for answer in answers}
    assert 3 == len(answers)
    # Each is longer than a frame: they came in pieces, one between the other.
    assert all(len(answer.data) > 7 for answer in answers)


def test_everyone_may_take_time_and_keep_quiet(way: Contact) -> None:
    way.listener.script[GEARBOX, bytes.fromhex(LONG_NAME)] = (("7F0978", 0), ("", 350))
    way.disturb(EXHAUST, "silent")
    exchange = way.ask_one(EVERYONE, LONG_NAME, replace(PATIENT, p2_ms=150, functional_ms=200))
    by_source = {
        unit: [a.kind for a in exchange.answers if a.source == source_of(way.target(unit))]
        for unit in (ENGINE, GEARBOX, EXHAUST)
    }
    assert {
        ENGINE: [AnswerKind.POSITIVE],
        GEARBOX: [AnswerKind.PENDING, AnswerKind.POSITIVE],
        EXHAUST: [],
    } == by_source
    assert None is exchange.outcome


def unsendable(way: Contact) -> list[tuple[str, str]]:
    """Targets and requests that this kind cannot send whatever the vehicle does."""
    unit = way.target(ENGINE)
    foreign = ("7E0/7E8", "functional:7DF") if way.kind.is_doip else ("doip:1010", "functional:doip:E400")
    bad = ["functional:6A5", "functional:", "functional:doip:12345", "nonsense", "", "doip:", "7E0/", "1FFFFFFFF/7E8"]
    asked = [(unit, ""), (unit, "22" * 5000), *((target, "3E00") for target in (*bad, *foreign))]
    if way.kind.faults != "none":
        asked.append((way.kind.group, "22F190F187F18A1234"))  # ISO 15765-4: one frame, 7 bytes
    if way.kind.faults == "dongle":
        asked.append((unit, "22F190F187F18A1234"))
    if not way.kind.wire:
        asked.append((unit, "3E00"))  # was never recorded
    return asked


def test_what_cannot_be_sent_is_unsent_with_a_reason_and_the_plan_goes_on(way: Contact) -> None:
    wrong, good = unsendable(way), (ENGINE, IDENTITY)
    written = (way.target(ENGINE), IDENTITY)
    asked = [written, *wrong, written]
    link = way.link([good, good])
    got: list[Exchange] = []
    kept: list[Exchange] = []
    link.run({"all": as_written(asked, got)}, kept.append, threading.Event(), way.kind.patient)
    assert len(asked) == len(got) == len(kept)
    assert [Outcome.ANSWERED, Outcome.ANSWERED] == [got[0].outcome, got[-1].outcome]
    for (target, request), exchange in zip(wrong, got[1:-1], strict=True):
        assert (target, bytes.fromhex(request)) == (exchange.target, exchange.request)
        assert (Outcome.UNSENT, (), None) == (exchange.outcome, exchange.answers, exchange.refusal), (target, request)
        assert exchange.trouble, (target, request)
    assert {link.address} == {exchange.link for exchange in got}


def test_times_count_from_the_request(way: Contact) -> None:
    way.listener.script[BRAKES, bytes.fromhex(LIST)] = (("", 120),)
    exchange = way.ask_one(BRAKES, LIST, replace(PATIENT, p2_ms=500))
    (answer,) = exchange.answers
    assert 100_000 <= answer.first_us <= answer.last_us
    assert answer.last_us < 1000 * (PATIENT.p2_ms + PATIENT.n_cr_ms)


def test_no_time_of_an_answer_lies_before_its_request(way: Contact) -> None:
    for exchanges in way.ask(*([(unit, LIST), (unit, UNKNOWN)] for unit in (ENGINE, BRAKES, RIDE))):
        for exchange in exchanges:
            assert all(0 <= a.first_us <= a.last_us for a in exchange.answers if a.kind in GOOD)


def test_functional_targets_are_such_and_reach_somebody(way: Contact) -> None:
    link = way.link([(EVERYONE, "3E00")], [(ENGINE, IDENTITY)])
    assert way.kind.group in link.functional_targets
    for target in link.functional_targets:
        assert is_functional(target)
        assert None is Guard(phase=Phase.READING).refusal(Request(target, b"\x3e\x00"))


def test_the_usual_limits_read_a_unit(way: Contact) -> None:
    exchange = way.ask_one(RIDE, LIST, replace(DEFAULT_LIMITS, p2_ms=way.kind.patient.p2_ms))
    assert (Outcome.ANSWERED, way.listener.truth(RIDE, LIST)) == (exchange.outcome, exchange.positive)

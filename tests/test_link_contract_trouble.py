"""Where links are tempted to tell more than they know: vehicles that go away, late answers, chance, a whole scan."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from link_contract_help import (
    BODY,
    BRAKES,
    BRIEF,
    ENGINE,
    EVERYONE,
    EXHAUST,
    GEARBOX,
    NOBODY,
    RIDE,
    STEERING,
    Asked,
    Contact,
    LinkKind,
    contact,
    is_wrapped,
    on_a_serial_port,
    params,
)

from decoders.values import AnswerKind, Exchange, Outcome, is_functional, source_of

LIST, CONFIRMED, IDENTITY, VIN = "1902FF", "190208", "22F187", "22F190"


@pytest.fixture(scope="module", params=params(but=lambda kind: on_a_serial_port(kind) or is_wrapped(kind)))
def car(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Contact]:
    with contact(request.param, tmp_path_factory.mktemp("contract")) as made:
        yield made


@pytest.fixture
def way(car: Contact) -> Iterator[Contact]:
    yield car
    car.settle()


def let_go_by(way: Contact) -> None:
    """Let what is still to come go by: the link has to be at work for it."""
    way.listener.reset()
    time.sleep(0.2)
    way.ask_one(NOBODY, LIST, replace(BRIEF, p2_ms=60))
    way.ask_one(BRAKES, "3E00")


def too_late(way: Contact, first: str, second: str) -> Exchange:
    """The second of two requests to a slow unit: it answers the first when that was given up and this one asked."""
    if not way.kind.wire:
        pytest.skip("a record is told at once: nothing comes late")
    late = way.listener.truth(BRAKES, first)
    assert late is not None
    way.listener.script[BRAKES, bytes.fromhex(first)] = ()
    way.listener.script[BRAKES, bytes.fromhex(second)] = ((late.hex(), 5), ("", 170))
    ((given_up, exchange),) = way.ask([(BRAKES, first), (BRAKES, second)], limits=replace(BRIEF, p2_ms=250))
    let_go_by(way)
    assert (Outcome.SILENT, None) == (given_up.outcome, given_up.positive)
    return exchange


def test_an_answer_that_comes_too_late_is_not_the_next_one(way: Contact) -> None:
    after = too_late(way, VIN, IDENTITY)
    assert after.outcome in (Outcome.ANSWERED, Outcome.SILENT, Outcome.DAMAGED)
    assert after.positive in (None, way.listener.truth(BRAKES, IDENTITY))
    results = [answer.data for answer in after.answers if answer.kind in (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)]
    assert way.listener.truth(BRAKES, VIN) not in results


def test_a_late_list_of_some_codes_is_not_the_list_of_all(way: Contact) -> None:
    # Both begin 59 02: nothing in the answer tells which mask was asked. Source: ISO 14229-1, positive response.
    everything = way.listener.truth(BRAKES, LIST)
    assert everything != way.listener.truth(BRAKES, CONFIRMED)
    second = too_late(way, CONFIRMED, LIST)
    assert second.positive in (None, everything)


def test_a_late_refusal_is_not_that_of_the_next_request(way: Contact) -> None:
    # 7F 22 31 does not tell which identifier the unit does not know.
    second = too_late(way, "22F1A0", IDENTITY)
    assert second.outcome is not Outcome.REFUSED
    assert second.positive in (None, way.listener.truth(BRAKES, IDENTITY))


def test_of_two_equal_requests_one_answer_is_still_to_come(way: Contact) -> None:
    # Given up, asked again, answered by what was late: the answer to the second of them now comes to a third.
    some, everything = way.listener.truth(BRAKES, CONFIRMED), way.listener.truth(BRAKES, LIST)
    assert some is not None
    if not way.kind.wire:
        pytest.skip("a record is told at once: nothing comes late")
    told = [(BRAKES, CONFIRMED), (BRAKES, CONFIRMED), (BRAKES, LIST)]
    way.disturb(BRAKES, "silent", requests=1)
    way.listener.script[BRAKES, bytes.fromhex(LIST)] = ((some.hex(), 5), ("", 170))
    ((_, again, third),) = way.ask(told, limits=replace(BRIEF, p2_ms=700))
    let_go_by(way)
    assert (Outcome.ANSWERED, some) == (again.outcome, again.positive)
    assert third.positive in (None, everything)


@pytest.mark.parametrize("again", [LIST, IDENTITY])
def test_a_unit_that_kept_quiet_once_is_read_the_next_time(way: Contact, again: str) -> None:
    # The unit never answers the first at all; what comes to the second is beyond doubt, or is asked once more.
    told = [(STEERING, LIST), (STEERING, again), (STEERING, again), (STEERING, again)]
    way.disturb(STEERING, "silent", requests=1)
    ((first, *rest),) = way.ask(told, limits=replace(way.kind.patient, p2_ms=700))
    assert Outcome.SILENT == first.outcome
    assert (Outcome.ANSWERED, way.listener.truth(STEERING, again)) == (rest[-1].outcome, rest[-1].positive)
    assert {exchange.positive for exchange in rest} <= {None, way.listener.truth(STEERING, again)}


def test_the_same_answer_twice_changes_nothing(way: Contact) -> None:
    way.listener.script[BRAKES, bytes.fromhex(VIN)] = (("", 0), ("", 0))
    ((first, second),) = way.ask([(BRAKES, VIN), (BRAKES, LIST)], limits=replace(way.kind.patient, linger_ms=80))
    assert (Outcome.ANSWERED, way.listener.truth(BRAKES, VIN)) == (first.outcome, first.positive)
    assert (Outcome.ANSWERED, way.listener.truth(BRAKES, LIST)) == (second.outcome, second.positive)
    assert {AnswerKind.POSITIVE, AnswerKind.DUPLICATE} >= {answer.kind for answer in first.answers}


def test_two_different_answers_to_one_request_are_none(way: Contact) -> None:
    way.listener.script[BRAKES, bytes.fromhex(IDENTITY)] = (("62F18741", 0), ("62F18742", 0))
    exchange = way.ask_one(BRAKES, IDENTITY, replace(way.kind.patient, linger_ms=600))
    assert (Outcome.DAMAGED, None) == (exchange.outcome, exchange.positive)


def test_a_repeated_last_line_of_the_answer_before_is_not_this_answer(way: Contact) -> None:
    if way.kind.faults == "dongle":
        way.disturb("dongle", "stale_frame")
    else:
        way.listener.script[BRAKES, bytes.fromhex(IDENTITY)] = (("7E00", 0), ("", 0))
    ((_, exchange),) = way.ask([(BRAKES, "3E00"), (BRAKES, IDENTITY)])
    assert exchange.outcome in (Outcome.ANSWERED, Outcome.DAMAGED)
    assert exchange.positive in (None, way.listener.truth(BRAKES, IDENTITY))


@pytest.mark.parametrize("kind", params())
def test_the_vehicle_goes_away_in_the_middle(kind: LinkKind, tmp_path: Path) -> None:
    with contact(kind, tmp_path) as own:
        asked = ([(ENGINE, LIST), (ENGINE, VIN), (ENGINE, IDENTITY)], [(BRAKES, LIST), (BRAKES, VIN)])
        truth = [own.listener.truth(ENGINE, LIST)]
        link = own.link(*asked)
        kept: list[Exchange] = []

        def keep(exchange: Exchange) -> None:
            kept.append(exchange)
            own.bench.close()

        begun_s = time.monotonic()
        link.run(own.plans(*asked), keep, threading.Event(), replace(BRIEF, p2_ms=700, window=1, connect_ms=2000))
        assert time.monotonic() - begun_s < 20
        first, *rest = kept
        assert truth == [first.positive]
        assert 5 == len(kept)
        assert kind.when_gone >= {exchange.outcome for exchange in rest}
        assert all(exchange.trouble for exchange in rest if exchange.outcome in (Outcome.DAMAGED, Outcome.UNSENT))
        link.close()
        kept.clear()
        link.run(own.plans(*asked), kept.append, threading.Event(), BRIEF)
        assert [Outcome.UNSENT] * 5 == [exchange.outcome for exchange in kept]


UNITS = (ENGINE, GEARBOX, EXHAUST, BRAKES, STEERING, BODY, RIDE)
# Each of another service: neither an answer nor a refusal of one can be that of another.
REQUESTS = (LIST, VIN, "03", "0902", "0100", "0A")
OF_UNITS: dict[str, dict[str, int]] = {
    "silent": {},
    "late": {"ms": 90},
    "refuses": {"code": 0x22},
    "other_service": {},  # 7E 00, which nobody asks for here
    "endless_pending": {"every_ms": 40, "lasting": 1},
    "lost_frame": {"nth": 2},
    "duplicated_frame": {"nth": 1},
    "wrong_sequence": {"nth": 3},
    "wrong_length": {},
    "foreign": {},
    "supply_drop": {"frames": 2, "away_ms": 50},
}
OF_THE_DONGLE: dict[str, dict[str, int]] = {
    "cut_line": {"nth": 1, "characters": 11},
    "dropped_characters": {"one_in": 15},
    "duplicated_line": {"nth": 2},
    "lost_frame": {"nth": 1},
    "no_data": {},
    "small_buffer": {"lines": 2},
    "stale_frame": {},
    "refused_header": {},
}
DISTURBED = st.lists(st.tuples(st.sampled_from(UNITS), st.sampled_from(sorted(OF_UNITS))), max_size=4)
PLANS = st.lists(
    st.tuples(
        st.sampled_from((*UNITS, EVERYONE)), st.lists(st.sampled_from(REQUESTS), min_size=1, max_size=4, unique=True)
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda plan: plan[0],
)


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(plans=PLANS, disturbed=DISTURBED, of_dongle=st.none() | st.sampled_from(sorted(OF_THE_DONGLE)))
def test_only_what_a_unit_gave_out_for_this_very_request_is_its_answer(
    way: Contact, plans: list[tuple[str, list[str]]], disturbed: list[tuple[str, str]], of_dongle: str | None
) -> None:
    way.settle()
    way.listener.stamps = True
    for unit, kind in disturbed:
        way.disturb(unit, kind, **OF_UNITS[kind])
    if way.kind.faults == "dongle" and of_dongle is not None:
        way.disturb("dongle", of_dongle, **OF_THE_DONGLE[of_dongle])
    asked: list[list[Asked]] = [[(unit, request) for request in requests] for unit, requests in plans]
    limits = replace(BRIEF, p2_ms=60, p2_star_ms=80, functional_ms=60, n_cr_ms=80, ceiling_ms=250, settle_ms=60)
    for one, got in zip(asked, way.ask(*asked, limits=limits), strict=True):
        for (unit, request), exchange in zip(one, got, strict=True):
            check(way, unit, request, exchange)
    way.settle()
    way.wait_until_quiet()


def check(way: Contact, unit: str, request: str, exchange: Exchange) -> None:
    """No answer is taken as a result that its unit did not give out for this request."""
    if unit == EVERYONE:
        assert exchange.outcome in (None, Outcome.UNSENT)
        assert is_functional(exchange.target)
    else:
        assert exchange.positive is None or exchange.positive in way.listener.given(unit, request)
        assert (exchange.outcome is Outcome.ANSWERED) is (exchange.positive is not None)
    for answer in exchange.answers:
        if answer.kind in (AnswerKind.POSITIVE, AnswerKind.NEGATIVE):
            (source,) = [text for text in way.bench.desk.units if source_of(way.target(text)) == answer.source]
            assert answer.data in way.listener.given(source, request)
            assert unit in (source, EVERYONE)

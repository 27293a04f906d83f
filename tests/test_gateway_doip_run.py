"""The DoIP link with several plans at once: units, groups, what cannot be sent, and how it ends."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace

import pytest
from doip_link_help import (
    EVERYONE,
    LIMITS,
    NO_CODES,
    PENDING,
    READ,
    VIN,
    FakeEntity,
    Talk,
    ask,
    ask_all,
    connect,
    plan,
    polite,
    speaking,
)

from decoders.values import Exchange, Outcome, Request, outcome_of
from gateway.links import Limits, Plan

UNIT, NUMBER = "doip:1010", 0x1010
PATIENT = replace(LIMITS, p2_ms=3000, n_bs_ms=3000)
"""Where an answer comes, which ends the wait."""


def test_several_units_share_the_connection_and_answers_are_kept_apart() -> None:
    talks: list[tuple[Talk, int]] = []

    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        talks.append((talk, unit))
        if len(talks) == 11:  # all are under way: answer in the opposite order
            for waiting, number in reversed(talks):
                waiting.answer(number, NO_CODES + bytes([number & 0xFF]))

    units = [f"doip:{0x1000 + n:04X}" for n in range(11)]
    with speaking(script) as (entity, link):
        kept = ask_all(link, {unit: [READ] for unit in units}, limits=Limits(p2_ms=5000, window_begin=11))
        assert 1 == entity.connections
    assert units == sorted(exchange.target for exchange in kept)
    assert all(e.positive == NO_CODES + bytes.fromhex(e.target[-2:]) for e in kept)


@pytest.mark.parametrize("window", [1, 3])
def test_no_more_are_asked_at_once_than_the_window_says(window: int) -> None:
    under_way: set[int] = set()
    most = 0

    def script(talk: Talk, unit: int, _: bytes) -> None:
        nonlocal most
        under_way.add(unit)
        most = max(most, len(under_way))
        talk.ack(unit)
        if len(under_way) == window:
            for number in sorted(under_way):
                under_way.discard(number)
                talk.answer(number, NO_CODES)

    with speaking(script) as (_, link):
        units = {f"doip:{0x1000 + n:04X}": [READ] for n in range(2 * window)}
        kept = ask_all(link, units, limits=Limits(window=window, p2_ms=5000))
    assert window == most
    assert {Outcome.ANSWERED} == {exchange.outcome for exchange in kept}


def test_one_unit_is_asked_one_thing_at_a_time() -> None:
    with speaking(polite) as (entity, link):
        kept: list[Exchange] = []
        plans = {"a": plan(UNIT, READ, VIN), "b": plan(UNIT, VIN, READ)}
        link.run(plans, kept.append, threading.Event(), PATIENT)
    assert [Outcome.ANSWERED] * 4 == [exchange.outcome for exchange in kept]
    assert [exchange.request for exchange in kept] == [data for _, data in entity.requests]


# --- everyone ---


def test_a_group_collects_who_answers() -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        talk.answer(0x1010, bytes.fromhex("7F1978"))
        talk.answer(0x1020, NO_CODES)
        time.sleep(0.8)
        talk.answer(0x1010, bytes.fromhex("5902FF0420002F"))

    with speaking(script) as (entity, link):
        assert ("functional:doip:E400",) == link.functional_targets
        (exchange,) = ask(
            link, READ, target=link.functional_targets[0], limits=Limits(functional_ms=650, p2_star_ms=4000)
        )
    assert [(EVERYONE, READ)] == entity.requests
    assert (None, None) == (exchange.outcome, exchange.trouble)
    found = {source: outcome_of(exchange, source).outcome for source in ("doip:1010", "doip:1020", "doip:1030")}
    assert {"doip:1010": Outcome.ANSWERED, "doip:1020": Outcome.ANSWERED, "doip:1030": None} == found


def test_a_group_is_asked_alone() -> None:
    order: list[str] = []
    answered = threading.Event()

    def script(talk: Talk, unit: int, data: bytes) -> None:
        order.append(f"asked {unit:04X}")
        talk.ack(unit)

        def answer() -> None:
            order.append(f"told {unit:04X}")
            talk.answer(NUMBER if unit == EVERYONE else unit, NO_CODES)

        waiting = threading.Timer(0.1, answer)
        waiting.start()
        if unit == 0x1020:
            waiting.join()
            answered.set()

    limits = Limits(p2_ms=2000, functional_ms=1000)  # a group is waited for to the end of this time
    with speaking(script) as (_, link):
        group = link.functional_targets[0]
        kept = ask_all(link, {UNIT: [READ], group: [READ], "doip:1020": [READ]}, limits=limits)
        answered.wait(10)
    assert [f"{what} {unit}" for unit in ("1010", "E400", "1020") for what in ("asked", "told")] == order
    assert [UNIT, group, "doip:1020"] == [exchange.target for exchange in kept]


def test_a_group_that_the_gateway_does_not_know_was_never_asked() -> None:
    with speaking(lambda talk, unit, _: talk.nack(unit, 0x03)) as (_, link):
        (exchange,) = ask(link, READ, target=link.functional_targets[0], limits=PATIENT)
    assert Outcome.UNSENT is exchange.outcome
    assert "?group=none" in str(exchange.trouble)


def test_a_group_that_nobody_acknowledged_says_so_and_has_no_outcome() -> None:
    with speaking(lambda *_: None) as (_, link):
        (exchange,) = ask(link, READ, target=link.functional_targets[0])
    assert (None, "the gateway never acknowledged the request") == (exchange.outcome, exchange.trouble)


def test_a_vehicle_without_a_group_is_told_so() -> None:
    with FakeEntity() as entity, connect(f"{entity.link}?group=none") as link:
        assert () == link.functional_targets
        (none,) = ask(link, READ, target="functional:doip:E400")
    assert Outcome.UNSENT is none.outcome
    assert [] == entity.requests


# --- what this link cannot send ---


@pytest.mark.parametrize(
    ("target", "data", "words"),
    [
        (UNIT, b"", "empty"),
        (UNIT, bytes(4096), "at most 4095 bytes"),
        ("7E0/7E8", READ, "this link reaches units by their DoIP address"),
        ("functional:7DF", READ, "this link reaches units by their DoIP address"),
        ("functional:doip:E401", READ, "its only group is E400"),
        ("doip:E400", READ, "no unit's own address"),
        ("doip:10ab", READ, "is not how this unit is written: doip:10AB"),
        ("doip:1", READ, "is not a DoIP address"),
    ],
)
def test_what_cannot_be_sent_is_unsent_with_the_reason_and_the_plan_goes_on(
    target: str, data: bytes, words: str
) -> None:
    def mixed() -> Plan:
        yield Request(target, data)
        yield Request(UNIT, READ)

    kept: list[Exchange] = []
    with speaking(polite) as (entity, link):
        link.run({"a": mixed()}, kept.append, threading.Event(), PATIENT)
    assert [Outcome.UNSENT, Outcome.ANSWERED] == [exchange.outcome for exchange in kept]
    assert words in str(kept[0].trouble)
    assert [(NUMBER, READ)] == entity.requests


# --- the end ---


def test_stop_ends_it_soon_and_honestly() -> None:
    stop, kept = threading.Event(), []

    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        talk.answer(unit, PENDING)
        stop.set()

    with speaking(script) as (_, link):
        plans = {"a": plan(UNIT, READ, VIN), "b": plan("doip:1020", READ)}
        begun_s = time.perf_counter()
        link.run(plans, kept.append, stop, Limits(window=1, p2_ms=10_000, p2_star_ms=20_000))
        assert time.perf_counter() - begun_s < 5
    assert {(UNIT, Outcome.DAMAGED), ("doip:1020", Outcome.UNSENT)} == {(e.target, e.outcome) for e in kept}


def test_a_stop_before_the_begin_sends_nothing_and_closes_the_plans() -> None:
    stop = threading.Event()
    stop.set()
    waiting = plan(UNIT, READ)
    with speaking(polite) as (entity, link):
        link.run({"a": waiting}, lambda _: None, stop, LIMITS)
    assert [] == entity.requests
    assert [] == list(waiting)


def test_after_closing_everything_is_unsent_and_closing_twice_is_harmless() -> None:
    with speaking(polite) as (_, link):
        link.close()
        link.close()
        kept = ask(link, READ, VIN)
    assert [(Outcome.UNSENT, "the link is closed")] * 2 == [(e.outcome, e.trouble) for e in kept]


def test_there_are_no_frames_to_tell_of() -> None:
    with speaking(polite) as (_, link):
        assert link.set_trace(lambda _: None) is False
        assert link.set_trace(None) is False


@pytest.mark.parametrize("where", ["plan", "keep"])
def test_an_error_of_the_caller_passes_through_and_the_link_goes_on(where: str) -> None:
    def broken() -> Plan:
        yield Request(UNIT, READ)
        raise ValueError("of the plan")

    def keep(_: Exchange) -> None:
        if where == "keep":
            raise ValueError("of the keeper")

    other = plan("doip:1020", READ, VIN)
    with speaking(polite) as (_, link):
        with pytest.raises(ValueError, match="of the"):
            link.run({"a": broken(), "b": other}, keep, threading.Event(), PATIENT)
        assert [] == list(other)
        (after,) = ask(link, VIN, limits=PATIENT)
    assert (Outcome.ANSWERED, bytes.fromhex("62F190")) == (after.outcome, after.positive)


def test_each_exchange_is_kept_before_its_plan_goes_on() -> None:
    seen: list[str] = []

    def watched() -> Plan:
        yield Request(UNIT, READ)
        seen.append("plan")

    keep: Callable[[Exchange], None] = lambda _: seen.append("kept")  # noqa: E731
    with speaking(polite) as (_, link):
        link.run({"a": watched()}, keep, threading.Event(), PATIENT)
    assert ["kept", "plan"] == seen

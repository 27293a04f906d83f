"""A second tester on the same bus that asks the same units at the same time."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass

import can
import pytest
from can_help import car_of
from can_start_help import close_at_once, message

from decoders.values import AnswerKind, Exchange, Outcome, Request
from gateway.links import Limits, Link, Plan, open_link
from simulators.can_side import CanSide
from simulators.desk import Desk
from simulators.slcan_hub import SlcanDoor

ENGINE, GEARS, BRAKES = "7E0/7E8", "7E1/7E9", "760/768"
UNITS = (ENGINE, GEARS, BRAKES)
ASKS = {ENGINE: 0x7E0, GEARS: 0x7E1, BRAKES: 0x760}
LIST = bytes.fromhex("1902FF")
LIMITS = Limits(p2_ms=1000, ceiling_ms=1200, n_cr_ms=300, settle_ms=20, retries=0)
SLOW_MS, AHEAD_S = 250, 0.1


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    close_at_once(monkeypatch)


@dataclass
class Bench:
    """A car, our link to it, and another tester's bus."""

    desk: Desk
    link: Link
    other: can.BusABC

    def foreign(self, unit: str, request: str) -> None:
        """The other tester asks a unit; a single frame."""
        data = bytes.fromhex(request)
        self.other.send(message(ASKS[unit], f"{len(data):02X}{request}".ljust(16, "0")))

    def run(self, *units: str, data: bytes = LIST, times: int = 1) -> list[Exchange]:
        def plan(unit: str) -> Plan:
            for _ in range(times):
                yield Request(unit, data)

        kept: list[Exchange] = []
        self.link.run({unit: plan(unit) for unit in units}, kept.append, threading.Event(), LIMITS)
        return kept

    def told(self, unit: str, data: bytes = LIST) -> bytes:
        return self.desk.ask(unit, data)[-1].data


@pytest.fixture
def bench() -> Iterator[Bench]:
    with ExitStack() as stack:
        desk = Desk(car_of(*UNITS))
        side = stack.enter_context(CanSide(desk))
        door = stack.enter_context(SlcanDoor(side))
        link = stack.enter_context(open_link(f"{door.link}?bitrate=500000"))
        channel = door.link.removeprefix("can:slcan:")
        other = can.Bus(channel, interface="slcan", bitrate=500_000, sleep_after_open=0, ignore_config=True)
        stack.callback(other.shutdown)
        yield Bench(desk, link, other)


def ahead(bench: Bench, request: str, data: bytes) -> Exchange:
    """The other tester has asked first, the unit is slow: its answer to them comes while we wait for ours."""
    bench.desk.disturb(ENGINE, "late", ms=SLOW_MS)
    bench.foreign(ENGINE, request)
    time.sleep(AHEAD_S)
    (exchange,) = bench.run(ENGINE, data=data)
    return exchange


@pytest.mark.parametrize(
    ("foreign", "ours"),
    [
        ("22F187", "1902FF"),  # another service
        ("1901FF", "1902FF"),  # another sub-function
        ("22F190", "22F187"),  # another identifier, and an answer of several frames
        ("3E00", "1902FF"),
    ],
)
def test_an_answer_to_another_request_is_kept_and_is_no_result(bench: Bench, foreign: str, ours: str) -> None:
    data = bytes.fromhex(ours)
    exchange = ahead(bench, foreign, data)
    assert exchange.outcome in (Outcome.ANSWERED, Outcome.DAMAGED)
    assert exchange.positive in (bench.told(ENGINE, data), None)
    if exchange.outcome is Outcome.ANSWERED:
        first = exchange.answers[0]
        assert first.data[:1] == bytes([bytes.fromhex(foreign)[0] + 0x40]) or first.data[:1] == b"\x7f"
        assert first.kind not in (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


def test_the_same_request_by_both_gets_the_same_answer(bench: Bench) -> None:
    exchange = ahead(bench, "1902FF", LIST)
    assert (Outcome.ANSWERED, bench.told(ENGINE)) == (exchange.outcome, exchange.positive)


@pytest.mark.parametrize("requests", [("22F187", "22F190", "1901FF"), ("3E00", "1902FF")])
def test_a_tester_that_never_stops_puts_no_words_into_a_units_mouth(bench: Bench, requests: tuple[str, ...]) -> None:
    stop = threading.Event()

    def ask_on() -> None:
        at = 0
        while not stop.wait(0.01):
            bench.foreign(UNITS[at % 3], requests[at % len(requests)])
            at += 1
            while bench.other.recv(0) is not None:
                pass

    thread = threading.Thread(target=ask_on)
    thread.start()
    try:
        kept = bench.run(*UNITS, times=10)
    finally:
        stop.set()
        thread.join()
    assert 30 == len(kept)
    for exchange in kept:
        assert exchange.positive in (bench.told(exchange.target), None)
    assert any(exchange.outcome is Outcome.ANSWERED for exchange in kept)


def test_a_list_that_another_tester_asked_for_with_another_mask_is_not_ours(bench: Bench) -> None:
    assert bench.told(ENGINE) != bench.told(ENGINE, bytes.fromhex("190201"))
    exchange = ahead(bench, "190201", LIST)
    assert exchange.positive in (bench.told(ENGINE), None)


def test_a_refusal_of_another_testers_request_is_not_ours(bench: Bench) -> None:
    assert bench.told(ENGINE)[:1] == b"\x59"
    exchange = ahead(bench, "1904FFFFFFFF", LIST)
    assert exchange.outcome is not Outcome.REFUSED

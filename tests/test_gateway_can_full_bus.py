"""Who is asked while the bus is full: those with high identifiers get their turn. Fullness itself is set here."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import can
import pytest
from recorded_unit import Call, ScriptedUnit, Step

from decoders.values import Exchange, Outcome, Request
from gateway.links import open_link
from gateway.links.base import Limits, Plan
from gateway.links.can.bus import CanBus
from gateway.links.can.link import CanLink

SLOW, OTHER, ABSENT = "7E1/7E9", "7E0/7E8", "7E2/7EA"
READ, NONE = bytes.fromhex("1902FF"), bytes.fromhex("5902FF")
LIMITS = Limits(p2_ms=600, p2_crowd_ms=1000, window=8, retries=0)
WAIT_S = 1.5
OFTEN = 200


class Others:
    """A unit that answers at once, and notes when it was asked."""

    def __init__(self) -> None:
        self.asked_s: list[float] = []

    def script(self, _: bytes) -> Iterator[Step]:
        self.asked_s.append(time.monotonic())
        yield Call(lambda: time.sleep(0.005))
        yield NONE


class Slow:
    """A unit that answers its first request at once and its second one late, as if the bus had no room for it."""

    def __init__(self) -> None:
        self.asked_s: list[float] = []
        self.answered_s = 0.0

    def script(self, _: bytes) -> Iterator[Step]:
        self.asked_s.append(time.monotonic())
        if len(self.asked_s) == 2:
            yield Call(lambda: time.sleep(WAIT_S))
            self.answered_s = time.monotonic()
        yield NONE


def plan(target: str, count: int) -> Plan:
    for _ in range(count):
        yield Request(target, READ)


def run(channel: str, *plans: tuple[str, int]) -> list[Exchange]:
    kept: list[Exchange] = []
    with CanLink(can.Bus(channel, interface="virtual", ignore_config=True), "can:virtual:x") as link:
        link.run({target: plan(target, count) for target, count in plans}, kept.append, threading.Event(), LIMITS)
    return kept


def asked_meanwhile(channel: str, monkeypatch: pytest.MonkeyPatch, load: float | None) -> tuple[int, list[Exchange]]:
    """How often the other unit was asked while the slow one waited for longer than P2."""
    monkeypatch.setattr(CanBus, "load", lambda _self, _now_ns: load)
    slow, others = Slow(), Others()
    with ScriptedUnit(channel, 0x7E1, 0x7E9, slow.script), ScriptedUnit(channel, 0x7E0, 0x7E8, others.script):
        kept = run(channel, (SLOW, 2), (OTHER, OFTEN))
    begin_s = slow.asked_s[1] + (LIMITS.p2_ms + 100) / 1000  # what was asked just before may still be under way
    return sum(begin_s < asked_s < slow.answered_s for asked_s in others.asked_s), kept


def test_on_a_full_bus_nobody_more_is_asked_while_one_waits_long(channel: str, monkeypatch: pytest.MonkeyPatch) -> None:
    count, kept = asked_meanwhile(channel, monkeypatch, 1.0)
    assert 0 == count
    assert [Outcome.ANSWERED] * (OFTEN + 2) == [exchange.outcome for exchange in kept]


@pytest.mark.parametrize("load", [0.5, None])
def test_on_a_bus_with_room_or_of_unknown_load_the_others_are_asked_on(
    channel: str, monkeypatch: pytest.MonkeyPatch, load: float | None
) -> None:
    count, kept = asked_meanwhile(channel, monkeypatch, load)
    assert 5 < count
    assert [Outcome.ANSWERED] * (OFTEN + 2) == [exchange.outcome for exchange in kept]


def test_nobody_waits_for_one_that_may_not_be_there(channel: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(CanBus, "load", lambda _self, _now_ns: 1.0)
    others = Others()
    with ScriptedUnit(channel, 0x7E0, 0x7E8, others.script):
        kept = run(channel, (OTHER, 30), (ABSENT, 1))
    silent = [at for at, exchange in enumerate(kept) if exchange.outcome is Outcome.SILENT]
    assert [30] == silent


def test_the_load_is_known_where_the_bit_rate_is(channel: str) -> None:
    """A virtual bus has no rate; an adapter's was found or given. Frames of the link itself count too."""
    frame = can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes(8))
    for bitrate in (None, 500_000):
        with can.Bus(channel, interface="virtual", ignore_config=True) as other:
            raw = can.Bus(channel, interface="virtual", ignore_config=True)
            bus = CanBus(raw, "can:virtual:x", fd=False, bitrate=bitrate)
            for _ in range(20):
                other.send(frame)
                assert bus.read(1.0) is not None
            load = bus.load(time.perf_counter_ns())
            bus.close()
        assert (load is None) == (bitrate is None)
        assert load is None or load > 0


def test_a_link_that_found_its_rate_knows_its_load() -> None:
    from gateway.bench_port import find_bench

    with find_bench().start("warning-lamps") as bench:
        for options in ("", "?bitrate=500000"):
            with open_link(bench.open_door("can") + options) as link:
                assert isinstance(link, CanLink)
                assert link._table.bus.load(time.perf_counter_ns()) is not None

"""Trouble on a CAN bus that must stay trouble: what never ends, comes twice, comes late, or comes from elsewhere."""

from __future__ import annotations

import itertools
import socket
import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import can
import pytest
from journal_builder import UNIT, Story
from recorded_unit import Call, Raw, ScriptedUnit, Step
from workshop import settings, visiting, workshop

import gateway.sweeping
from decoders.errors import LinkError
from decoders.values import Answer, AnswerKind, CanId, Dtc, Exchange, Outcome, Request
from gateway.bench_port import find_bench
from gateway.clearing import clear_unit
from gateway.links.base import BusFrame, Limits, Plan
from gateway.links.can.bus import CanBus
from gateway.links.can.link import CanLink
from gateway.links.can.other_testers import OtherTesters
from gateway.links.conversation import UnitConversation
from gateway.scanning import take_scan
from gateway.sweeping import ask_in_turn
from gateway.visit import Asks, VisitEvent
from sessions.obd_values import told_values
from sessions.store import Store
from sessions.verdict.permanent import Permanent, permanent_copy
from sessions.verdict.sights import FaultKey

ENGINE = "7E0/7E8"
LIST, NO_CODES = bytes.fromhex("1902FF"), bytes.fromhex("5902FF")
ENDLESS = Raw(bytes.fromhex("1064590220000000"))
"""A first frame of 100 bytes: whoever sends it again and again never ends a message."""


@pytest.fixture
def link(channel: str) -> Iterator[CanLink]:
    with CanLink(can.Bus(channel, interface="virtual", ignore_config=True), f"can:virtual:{channel}") as opened:
        yield opened


def plan(target: str, *requests: bytes) -> Plan:
    for data in requests:
        yield Request(target, data)


def ask(link: CanLink, limits: Limits, *requests: bytes, target: str = ENGINE) -> list[Exchange]:
    """Ask, and give up the test rather than wait for ever."""
    kept: list[Exchange] = []
    stop = threading.Event()
    alarm = threading.Timer(10, stop.set)
    alarm.start()
    try:
        link.run({target: plan(target, *requests)}, kept.append, stop, limits)
    finally:
        alarm.cancel()
    assert not stop.is_set(), "it goes on without an end"
    return kept


class Babbler:
    """Sends a first frame under an identifier every few milliseconds, as traffic that is no answer may look."""

    def __init__(self, channel: str, number: int) -> None:
        self._bus = can.Bus(channel, interface="virtual", ignore_config=True)
        self._frame = can.Message(arbitration_id=number, is_extended_id=False, data=ENDLESS.data)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._talk)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._bus.shutdown()

    def _talk(self) -> None:
        while not self._over.wait(0.005):
            self._bus.send(self._frame)


# --- what never ends ---


@pytest.mark.parametrize("target", [ENGINE, "functional:7DF"])
def test_a_unit_that_never_ends_what_it_says_is_given_up_as_unsent(channel: str, link: CanLink, target: str) -> None:
    limits = Limits(p2_ms=30, ceiling_ms=200, connect_ms=200, settle_ms=10)
    with Babbler(channel, 0x7E8):
        (first,) = ask(link, limits, LIST)  # it makes the unit's transport known
        time.sleep(0.05)  # it goes on while nobody reads
        (second,) = ask(link, limits, b"\x3e\x00", target=target)
    assert [Outcome.DAMAGED, Outcome.UNSENT] == [first.outcome, second.outcome]
    assert "does not end" in str(second.trouble)


def test_a_whole_answer_with_another_that_never_ends_behind_it_is_damaged(channel: str, link: CanLink) -> None:
    over = threading.Event()

    def script(_: bytes) -> Iterator[Step]:
        yield NO_CODES
        yield Raw(bytes.fromhex("1FFF590220000000"))
        for number in itertools.count(1):
            yield Call(lambda: over.wait(0.01))
            if over.is_set():
                return
            yield Raw(bytes([0x20 | number % 16]))

    with ScriptedUnit(channel, 0x7E0, 0x7E8, script):
        (exchange,) = ask(link, Limits(ceiling_ms=300, linger_ms=100, n_cr_ms=1000), LIST)
        over.set()
    assert Outcome.DAMAGED is exchange.outcome


def test_a_request_that_the_unit_did_not_take_is_over_though_another_tester_asked_too() -> None:
    conversation = UnitConversation(link="x", request=Request(ENGINE, LIST), limits=Limits())
    conversation.begin(0)
    conversation.disturbed("another tester asks too")
    assert not conversation.over
    conversation.failed("no flow control came for the request")
    assert conversation.over
    assert Outcome.DAMAGED is conversation.finish().outcome


def test_an_adapter_that_takes_no_more_bytes_ends_the_link() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        port = server.getsockname()[1]
        raw = can.Bus(f"socket://127.0.0.1:{port}", interface="slcan", sleep_after_open=0, ignore_config=True)
        raw.serialPortOrig._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        bus = CanBus(raw, "can:slcan:test", fd=False)
        peer, _ = server.accept()
        failed: list[LinkError] = []

        def fill() -> None:
            try:
                while True:
                    bus.put(CanId(0x7E0, False), bytes(8))
            except LinkError as error:
                failed.append(error)

        thread = threading.Thread(target=fill, daemon=True)
        thread.start()
        thread.join(15)
        stuck = thread.is_alive()
        peer.close()  # lets go whoever still waits
        thread.join(5)
        bus.close()
    assert not stuck
    assert failed[0].next_step


# --- a clear on a car that was seen standing too long ago ---


def test_a_clear_waits_for_its_turn_no_longer_than_the_standstill_is_fresh(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[tuple[bytes, int]] = []
    with workshop(tmp_path / "record.sqlite") as shop:
        take_scan(shop.visit, "before")
        run = CanLink.run

        def watched(self: CanLink, plans: dict[str, Plan], keep: object, stop: threading.Event, limits: Limits) -> None:
            def told(one: Plan) -> Plan:
                request = next(one)
                while True:
                    given.append((request.data, limits.connect_ms))
                    try:
                        request = one.send((yield request))
                    except StopIteration:
                        return

            run(self, {name: told(one) for name, one in plans.items()}, keep, stop, limits)  # type: ignore[arg-type]

        monkeypatch.setattr(CanLink, "run", watched)
        (answer,) = clear_unit(shop.visit, "760/768", stated_parked=False)
    assert Outcome.ANSWERED is answer.outcome
    (waits_ms,) = {ms for data, ms in given if data[:1] == b"\x14"}
    assert 0 < waits_ms <= 2000  # design: read as zero no more than 2 s ago
    assert {ms for data, ms in given if data[:1] == b"\x19"} == {Limits().connect_ms}


# --- other testers ---


def test_ordinary_traffic_does_not_make_a_foreign_request_forgotten() -> None:
    others = OtherTesters()
    others.heard(0x7E0, False, bytes.fromhex("0419020100000000"), 1000)
    for at in range(2000):
        # Other units' frames look like the beginning of a request now and then.
        others.heard(0x100 + at % 300, False, b"\x03" + at.to_bytes(2, "big") + bytes(5), 1001 + at)
    assert others.confusing(CanId(0x7E0, False), LIST, 900)
    assert not others.confusing(CanId(0x7E1, False), LIST, 900)
    assert not others.confusing(CanId(0x7E0, False), LIST, 1001)


# --- several values in one request ---


@pytest.mark.parametrize("answer", ["410C00000C0BB8", "410C0BB80D000C0000"])
def test_a_value_told_twice_and_differently_tells_nothing(answer: str) -> None:
    assert () == told_values(bytes.fromhex("010C0D"), bytes.fromhex(answer))


# --- repeated and late: what a retry may take the place of ---


def told(story: Story, request: str, replies: list[str | Outcome]) -> Story:
    """Tries of one request of one unit, all but the first marked as repeated."""
    came_to_nothing = {D: story.damaged, S: story.silent, U: story.unsent}
    for number, reply in enumerate(replies):
        if isinstance(reply, Outcome):
            came_to_nothing[reply](UNIT, request)
        else:
            story.answer(UNIT, request, reply)
        if number:
            story.parts[-1]["payload"]["again"] = True
    return story


D, S, U, A = Outcome.DAMAGED, Outcome.SILENT, Outcome.UNSENT, Outcome.ANSWERED


@pytest.mark.parametrize(
    ("replies", "expected"),
    [
        ([D, "5915FF"], A),
        ([S, "5915FF"], A),
        ([D, S], D),  # it has said something, if only broken: that is not silence
        ([D, U], D),
        ([S, U], S),
        ([S, S], S),
        ([S, D], D),
        ([D, S, "5915FF"], A),
    ],
)
def test_a_try_that_came_to_less_does_not_replace_the_one_before(
    replies: list[str | Outcome], expected: Outcome
) -> None:
    (reading,) = told(Story().scan("before"), "1915", replies).end().record().codes
    assert expected is reading.outcome


LATE_LIST = Answer(source="768", data=bytes.fromhex("5915FF0404035500"), first_us=-9, last_us=-8, kind=AnswerKind.LATE)


@pytest.mark.parametrize("kind", [AnswerKind.LATE, AnswerKind.STRAY])
def test_a_unit_whose_answer_came_too_late_was_not_silent(kind: AnswerKind) -> None:
    story = told(Story().scan("before"), "1915", [S, S])
    late = replace(LATE_LIST, kind=kind)
    story.kept(Exchange(link=story.link, target=UNIT, request=b"\x03", answers=(late,), outcome=S))
    record = story.end().record()
    assert [Outcome.DAMAGED] == [code.outcome for code in record.codes]
    assert [S] == [item.outcome for item in record.obd]
    # Nor does a unit that answers late sleep with the key off.
    assert [S, Outcome.DAMAGED, S] == [item.exchange.outcome for item in record.asked]


def test_a_refusal_behind_which_the_list_came_after_all_is_none() -> None:
    # A refusal sent twice meets the next request of its service; what that brings comes behind it.
    story = Story().scan("before").refused(UNIT, "190A", 0x12).refused(UNIT, "1915", 0x12)
    story.kept(Exchange(link=story.link, target=UNIT, request=b"\x03", answers=(LATE_LIST,), outcome=S))
    assert [Outcome.REFUSED, Outcome.DAMAGED] == [code.outcome for code in story.end().record().codes]


def test_a_late_answer_of_another_unit_or_to_what_was_answered_changes_nothing() -> None:
    story = told(Story().scan("before"), "1915", [S, "5915FF"])
    other = replace(LATE_LIST, source="7E8")
    story.silent(UNIT, "190A")
    story.kept(Exchange(link=story.link, target=UNIT, request=b"\x03", answers=(LATE_LIST, other), outcome=S))
    assert [A, S] == [code.outcome for code in story.end().record().codes]


def test_a_permanent_code_that_came_broken_or_late_is_never_taken_for_none() -> None:
    def copy(*replies: str | Outcome) -> Permanent:
        story = told(Story().scan("after"), "1915", list(replies))
        for request in ("03", "07", "0A"):
            story.refused(UNIT, request, 0x11)
        record = story.end().record()
        return permanent_copy(record, FaultKey(unit=UNIT, dtc=Dtc.parse("C0035-13"), memory="dtc"), record.scans[0])

    assert Permanent.NONE is copy(S, S)
    assert Permanent.UNKNOWN is copy(D, S)


# --- the sweep ---


def swept(*answers: str) -> Exchange:
    told = tuple(
        Answer(source=text, data=b"\x7e\x00", first_us=1, last_us=1, kind=AnswerKind.POSITIVE) for text in answers
    )
    return Exchange(link="x", target="functional:700", request=b"\x3e\x00", answers=told)


def test_nothing_is_sent_under_an_identifier_that_answered_in_the_same_sweep() -> None:
    left, taken = deque(["functional:700", "functional:708", "functional:709"]), {"709"}
    one = ask_in_turn(left, taken, until_s=time.monotonic() + 60)
    assert Request("functional:700", b"\x3e\x00") == next(one)
    with pytest.raises(StopIteration):
        one.send(swept("708"))
    assert not left


def test_a_sweep_looks_at_the_speeds_again_before_they_are_too_old() -> None:
    left = deque(["functional:700", "functional:701"])
    one = ask_in_turn(left, set(), until_s=time.monotonic() - 1)
    next(one)  # one at least, or a slow link would sweep for ever
    with pytest.raises(StopIteration):
        one.send(swept())
    assert ["functional:701"] == list(left)


def test_no_swept_request_is_older_than_its_standstill_allows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    quick = settings({"scan.functional_ms": 5, "scan.p2_ms": 20, "scan.window": 1, "scan.retries": 0})
    monkeypatch.setattr(gateway.sweeping, "_NARROW", range(0))
    looks: list[int] = []
    ages_s: list[float] = []

    def watch(frame: BusFrame) -> None:
        if frame.sent and frame.data[:4] == b"\x03\x01\x0c\x0d":
            looks.append(frame.at_ns)
        elif frame.sent and looks and frame.data[:3] == b"\x02\x3e\x00":
            ages_s.append((frame.at_ns - looks[-1]) / 1e9)

    with (
        find_bench().start("warning-lamps") as bench,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], None, quick) as visit,
    ):
        assert visit.link.set_trace(watch)
        take_scan(visit, "before", sweeps=True)
    assert len(ages_s) > 200
    # A busy machine may hold up a frame or two.
    assert sorted(ages_s)[len(ages_s) * 99 // 100] < 2.0


def test_a_sweep_that_is_stopped_while_speeds_are_read_says_so(tmp_path: Path) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:

        def stop(event: VisitEvent) -> None:
            if isinstance(event, Asks) and event.request.data == b"\x01\x0c\x0d":
                shop.visit.stop.set()

        shop.visit.onlookers.append(stop)
        result = take_scan(shop.visit, "before", sweeps=True)
    assert (False, "cut short: stopped by hand") == (result.complete, result.reason)

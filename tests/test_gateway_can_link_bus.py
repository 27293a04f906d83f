"""What becomes of requests when the bus breaks, the user stops, or the libraries raise."""

from __future__ import annotations

import inspect
import logging
import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import can
import isotp
import pytest
from recorded_unit import Call, Raw, ScriptedUnit, Step

from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, Request
from gateway.links.base import Limits, Plan
from gateway.links.can.bus import CanBus
from gateway.links.can.errors import map_can_errors
from gateway.links.can.link import CanLink

ENGINE = "7E0/7E8"
READ = bytes.fromhex("1902FF")
PATIENT = Limits(p2_ms=2000)
"""Something comes in each of the tests that wait so long, and ends the wait: no machine stalls for longer."""
NO_CODES = bytes.fromhex("5902FF")
FOREIGN = [
    kind
    for module in (can.exceptions, isotp.errors)
    for _, kind in inspect.getmembers(module, inspect.isclass)
    if issubclass(kind, Exception) and kind.__module__ == module.__name__
]


@pytest.fixture
def bus(channel: str) -> can.BusABC:
    return can.Bus(channel, interface="virtual", ignore_config=True)


@pytest.fixture
def link(bus: can.BusABC, channel: str) -> Iterator[CanLink]:
    with CanLink(bus, f"can:virtual:{channel}") as opened:
        yield opened


def plan(target: str, count: int, closed: list[str] | None = None) -> Plan:
    try:
        for _ in range(count):
            yield Request(target, READ)
    finally:
        if closed is not None:
            closed.append(target)


@pytest.mark.parametrize("kind", FOREIGN)
def test_every_error_of_the_can_libraries_is_mapped(kind: type[Exception]) -> None:
    with pytest.raises(LinkError, match="cannot read: broken") as caught, map_can_errors("cannot read"):
        raise kind("broken")
    assert caught.value.next_step


def test_the_walk_over_foreign_errors_finds_them_all() -> None:
    # python-can 4.6.1 documents five exceptions; can-isotp 2.0.7 lists its own in __all__.
    assert len(FOREIGN) == 5 + len(isotp.errors.__all__)


def test_an_error_without_words_is_named_by_its_class() -> None:
    with pytest.raises(LinkError, match="cannot read: CanOperationError"), map_can_errors("cannot read"):
        raise can.CanOperationError


def test_errors_of_ours_are_not_mapped() -> None:
    with pytest.raises(KeyError), map_can_errors("cannot read"):
        raise KeyError("ours")


def test_no_transport_error_is_logged_on_the_terminal(
    channel: str, link: CanLink, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    orphan = Raw(bytes.fromhex("2155555555555555"))  # ISO 15765-2: a consecutive frame without a first frame
    kept: list[Exchange] = []
    with monkeypatch.context() as bare, ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: [orphan]):
        bare.setattr(logging.getLogger(), "handlers", [])  # else pytest's own stand before the last resort
        link.run({ENGINE: plan(ENGINE, 1)}, kept.append, threading.Event(), PATIENT)
        assert ([Outcome.DAMAGED], "") == ([exchange.outcome for exchange in kept], capfd.readouterr().err)
        logging.getLogger("somebody else").warning("seen")
        assert capfd.readouterr().err == "seen\n"


def test_a_warning_of_python_can_is_not_logged_on_the_terminal(
    channel: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    bus = can.Bus(channel, interface="virtual", ignore_config=True)
    with monkeypatch.context() as bare:
        bare.setattr(logging.getLogger(), "handlers", [])
        del bus  # python-can 4.6.1 warns of a bus that was never shut down
        assert capfd.readouterr().err == ""


def test_a_bus_shut_down_in_the_middle_ends_each_request_as_it_was(
    channel: str, link: CanLink, bus: can.BusABC
) -> None:
    kept: list[Exchange] = []
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: [Call(bus.shutdown)]):
        plans = {"engine": plan(ENGINE, 3), "brakes": plan("760/768", 2)}
        link.run(plans, kept.append, threading.Event(), replace(PATIENT, window=1))
    assert [(e.target, e.outcome) for e in kept] == [
        (ENGINE, Outcome.DAMAGED),  # it was on the bus, so it is neither silent nor unsent
        ("760/768", Outcome.UNSENT),
        (ENGINE, Outcome.UNSENT),
        ("760/768", Outcome.UNSENT),
        (ENGINE, Outcome.UNSENT),
    ]
    assert {str(e.trouble).partition(":")[0] for e in kept} == {"cannot read from can"}


def test_a_bus_that_breaks_after_the_answer_began_leaves_it_damaged(
    channel: str, link: CanLink, bus: can.BusABC
) -> None:
    kept: list[Exchange] = []
    script: list[Step] = [Raw(bytes.fromhex("10205902FF042000")), Call(bus.shutdown)]
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: script):
        link.run({"a": plan(ENGINE, 1)}, kept.append, threading.Event(), PATIENT)
    assert [e.outcome for e in kept] == [Outcome.DAMAGED]


@pytest.mark.parametrize("target", [ENGINE, "functional:7DF"])
def test_a_request_that_could_not_be_put_on_the_bus_is_unsent(
    link: CanLink, bus: can.BusABC, monkeypatch: pytest.MonkeyPatch, target: str
) -> None:
    def broken(message: can.Message, timeout: float | None = None) -> None:
        raise can.CanOperationError("no buffer space")

    monkeypatch.setattr(bus, "send", broken)
    kept: list[Exchange] = []
    link.run({"a": plan(target, 2)}, kept.append, threading.Event(), Limits())
    assert [e.outcome for e in kept] == [Outcome.UNSENT, Outcome.UNSENT]
    line = f"cannot send on {link.address}: no buffer space; check the plug and the cable, then run the step again"
    assert {e.trouble for e in kept} == {line}


def test_a_request_cut_off_between_its_frames_is_damaged(channel: str, link: CanLink, bus: can.BusABC) -> None:
    # After the first frame of a long request the far side closes our bus instead of taking the rest.
    kept: list[Exchange] = []

    def long_request() -> Plan:
        yield Request(ENGINE, bytes.fromhex("22F190F187F188F18A"))

    with can.Bus(channel, interface="virtual", ignore_config=True) as far:

        def cut() -> None:
            far.recv(2)
            bus.shutdown()

        thread = threading.Thread(target=cut)
        thread.start()
        link.run({"a": long_request()}, kept.append, threading.Event(), PATIENT)
        thread.join()
    assert [e.outcome for e in kept] == [Outcome.DAMAGED]


def test_a_closed_link_sends_nothing_and_says_so(link: CanLink) -> None:
    link.close()
    link.close()
    kept: list[Exchange] = []
    link.run({"a": plan(ENGINE, 2)}, kept.append, threading.Event(), Limits())
    assert [(e.outcome, e.trouble) for e in kept] == [(Outcome.UNSENT, "the link is closed")] * 2


def test_stop_in_the_middle_keeps_what_was_asked_and_closes_the_plans(channel: str, link: CanLink) -> None:
    stop = threading.Event()
    kept: list[Exchange] = []
    closed: list[str] = []
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: [Call(stop.set)]):
        plans = {"engine": plan(ENGINE, 3, closed), "brakes": plan("760/768", 3, closed)}
        begun = time.perf_counter()
        link.run(plans, kept.append, stop, Limits(window=1, p2_ms=10_000))
    assert [(e.target, e.outcome, e.trouble) for e in kept] == [
        (ENGINE, Outcome.DAMAGED, "interrupted before an answer"),
        ("760/768", Outcome.UNSENT, "interrupted before it was sent"),
    ]
    assert closed == [ENGINE, "760/768"]
    assert time.perf_counter() - begun < 5


def test_stop_before_the_begin_asks_nothing(channel: str, link: CanLink) -> None:
    stop = threading.Event()
    stop.set()
    kept: list[Exchange] = []
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: [NO_CODES]) as unit:
        link.run({"a": plan(ENGINE, 1)}, kept.append, stop, Limits())
    assert (kept, unit.requests) == ([], [])


def test_stop_during_a_functional_request_says_that_it_was_cut_short(channel: str, link: CanLink) -> None:
    stop = threading.Event()
    kept: list[Exchange] = []
    script: list[Step] = [b"\x59\x02\xff", Call(stop.set)]
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: script, functional_id=0x7DF):
        link.run({"a": plan("functional:7DF", 1)}, kept.append, stop, Limits(functional_ms=10_000))
    assert [(e.outcome, e.trouble) for e in kept] == [(None, "interrupted before an answer")]


def test_a_plan_or_a_record_that_fails_closes_the_other_plans(channel: str, link: CanLink) -> None:
    closed: list[str] = []

    def full(_: Exchange) -> None:
        raise OSError("disk full")

    plans = {"a": plan(ENGINE, 2, closed), "b": plan("760/768", 2, closed)}
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: [NO_CODES]), pytest.raises(OSError, match="disk full"):
        link.run(plans, full, threading.Event(), Limits())
    assert closed == [ENGINE, "760/768"]


def test_the_link_works_again_after_an_interrupted_run(channel: str, link: CanLink) -> None:
    stop = threading.Event()
    kept: list[Exchange] = []
    half: list[Step] = [Raw(bytes.fromhex("10205902FF042000")), Call(stop.set)]
    scripts = iter([half, [NO_CODES]])
    with ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: next(scripts)):
        link.run({"a": plan(ENGINE, 1)}, kept.append, stop, replace(PATIENT, n_cr_ms=100))
        link.run({"a": plan(ENGINE, 1)}, kept.append, threading.Event(), replace(PATIENT, n_cr_ms=100))
    assert [e.outcome for e in kept] == [Outcome.DAMAGED, Outcome.ANSWERED]


def test_the_window_holds_back_requests(channel: str, link: CanLink) -> None:
    # No unit answers: with a window of one the three requests pass one after the other.
    kept: list[Exchange] = []
    begun = time.perf_counter()
    plans = {target: plan(target, 1) for target in (ENGINE, "7E1/7E9", "7E2/7EA")}
    link.run(plans, kept.append, threading.Event(), Limits(window=1, p2_ms=30))
    assert [e.target for e in kept] == list(plans)
    assert time.perf_counter() - begun >= 0.09


def test_two_units_with_one_response_identifier_are_asked_in_turn(channel: str, link: CanLink) -> None:
    kept: list[Exchange] = []
    with (
        ScriptedUnit(channel, 0x7E0, 0x7E8, lambda _: [NO_CODES]),
        ScriptedUnit(channel, 0x6E0, 0x7E8, lambda _: [bytes.fromhex("7F1911")]),
    ):
        plans = {"a": plan(ENGINE, 2), "b": plan("6E0/7E8", 2)}
        link.run(plans, kept.append, threading.Event(), PATIENT)
    assert {(e.target, e.outcome) for e in kept} == {(ENGINE, Outcome.ANSWERED), ("6E0/7E8", Outcome.REFUSED)}
    assert len(kept) == 4


def test_a_bus_that_breaks_while_flow_control_or_frames_go_out_is_noticed(
    channel: str, link: CanLink, bus: can.BusABC
) -> None:
    # The unit asks for 60 ms between our frames and the bus is gone before the next of them.
    kept: list[Exchange] = []

    def long_request() -> Plan:
        yield Request(ENGINE, bytes(40))

    with can.Bus(channel, interface="virtual", ignore_config=True) as far:

        def take_one() -> None:
            far.recv(2)
            far.send(can.Message(arbitration_id=0x7E8, is_extended_id=False, data=b"\x30\x00\x3c"))
            far.recv(2)
            bus.shutdown()

        thread = threading.Thread(target=take_one)
        thread.start()
        link.run({"a": long_request()}, kept.append, threading.Event(), PATIENT)
        thread.join()
    assert [e.outcome for e in kept] == [Outcome.DAMAGED]


def test_error_and_remote_frames_are_passed_over(channel: str, bus: can.BusABC) -> None:
    with can.Bus(channel, interface="virtual", ignore_config=True) as far:
        far.send(can.Message(arbitration_id=0x7E8, is_error_frame=True))
        far.send(can.Message(arbitration_id=0x7E8, is_remote_frame=True, is_extended_id=False))
        far.send(can.Message(arbitration_id=0x7E8, is_extended_id=False, data=b"\x01\x02"))
        ours = CanBus(bus, "can:virtual:x", fd=False)
        frame = ours.read(1)
        assert frame is not None
        assert (frame.number, frame.is_29_bit, frame.data) == (0x7E8, False, b"\x01\x02")
        ours.close()


def test_an_interface_that_returns_at_once_does_not_spin(
    link: CanLink, bus: can.BusABC, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads: list[float] = []

    def nothing(timeout: float | None = None) -> None:
        reads.append(timeout or 0)

    monkeypatch.setattr(bus, "recv", nothing)
    kept: list[Exchange] = []
    link.run({"a": plan(ENGINE, 1)}, kept.append, threading.Event(), Limits(p2_ms=50))
    assert [e.outcome for e in kept] == [Outcome.SILENT]
    assert len(reads) < 100  # a millisecond each, instead of hundreds of thousands


def test_fd_frames_are_sent_only_where_configured(channel: str, bus: can.BusABC) -> None:
    kept: list[Exchange] = []
    with can.Bus(channel, interface="virtual", ignore_config=True) as ear:
        with CanLink(bus, "can:virtual:x?fd=1", fd=True) as link:
            link.run({"a": plan(ENGINE, 1)}, kept.append, threading.Event(), Limits(p2_ms=5))
        frame = ear.recv(1)
    assert frame is not None
    assert (frame.is_fd, len(frame.data)) == (True, 8)


def test_fifty_links_leave_no_thread_behind(channel: str) -> None:
    before = set(threading.enumerate())
    for number in range(50):
        opened = can.Bus(f"{channel}-{number}", interface="virtual", ignore_config=True)
        with CanLink(opened, "can:virtual:x") as link:
            link.run({"a": plan(ENGINE, 1)}, lambda _: None, threading.Event(), Limits(p2_ms=1))
    assert set(threading.enumerate()) <= before

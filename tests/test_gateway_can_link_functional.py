"""Functional requests: one frame to everyone, answers kept apart by who sent them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace

import can
import pytest
from recorded_unit import Call, ScriptedUnit, Step, segments

from decoders.values import AnswerKind, Exchange, Outcome, Request, outcome_of
from gateway.links.base import BusFrame, Limits, Plan
from gateway.links.can.bus import CanBus
from gateway.links.can.link import CanLink
from gateway.links.can.table import CanTable

LIMITS = Limits(p2_ms=2000, functional_ms=650, n_cr_ms=5000, settle_ms=40)
"""Answers are waited for to the end of this time: it is as long as a machine may stall, and a little longer."""
QUICK = replace(LIMITS, functional_ms=30)
"""Where nobody answers, or in the very moment in which the request is on the bus."""
STORED = b"\x03"
MANY = bytes.fromhex("4306") + bytes.fromhex("0420") * 6  # SAE J1979 on CAN: count, then codes; 14 bytes
NONE = bytes.fromhex("4300")
REFUSED = bytes.fromhex("7F0311")
PENDING = bytes.fromhex("7F0378")


@pytest.fixture
def link(channel: str) -> Iterator[CanLink]:
    bus = can.Bus(channel, interface="virtual", ignore_config=True)
    with CanLink(bus, f"can:virtual:{channel}") as opened:
        yield opened


def ask(link: CanLink, request: Request, limits: Limits = LIMITS) -> list[Exchange]:
    def plan() -> Plan:
        yield request

    kept: list[Exchange] = []
    link.run({"all": plan()}, kept.append, threading.Event(), limits)
    return kept


def answering(*steps: Step) -> Callable[[bytes], list[Step]]:
    return lambda _: list(steps)


def when_sent(link: CanLink, answer: Callable[[bytes], object]) -> None:
    """Answer each single frame in the same moment in which it is on the bus: no wait is too short for that."""

    def tell(frame: BusFrame) -> None:
        if frame.sent:
            answer(frame.data[1 : 1 + frame.data[0]])

    link.set_trace(tell)


def test_three_units_answer_one_request_each_in_its_own_way(channel: str, link: CanLink) -> None:
    scripts = {0x7E0: answering(MANY), 0x7E1: answering(NONE), 0x7E2: answering(REFUSED)}
    with ExitStack() as units:
        for number, script in scripts.items():
            units.enter_context(ScriptedUnit(channel, number, number + 8, script, functional_id=0x7DF))
        (exchange,) = ask(link, Request("functional:7DF", STORED))
    assert (exchange.outcome, exchange.trouble, len(exchange.answers)) == (None, None, 3)
    assert outcome_of(exchange, "7E8").data == MANY
    assert outcome_of(exchange, "7E9").data == NONE
    assert outcome_of(exchange, "7EA").refusal == 0x11
    assert outcome_of(exchange, "7EB").outcome is None


def test_flow_control_goes_to_the_physical_identifier_of_each_sender(channel: str, link: CanLink) -> None:
    with ExitStack() as units:
        ear = units.enter_context(can.Bus(channel, interface="virtual", ignore_config=True))
        for number in (0x7E0, 0x7E7):
            unit = ScriptedUnit(channel, number, number + 8, answering(MANY), functional_id=0x7DF)
            units.enter_context(unit)
        (exchange,) = ask(link, Request("functional:7DF", STORED))
        sent = {}
        while (frame := ear.recv(0)) is not None:
            sent[frame.arbitration_id] = bytes(frame.data)
    assert {answer.source: answer.data for answer in exchange.answers} == {"7E8": MANY, "7EF": MANY}
    flow_control = bytes.fromhex("3000005555555555")  # ISO 15765-4: block size and STmin 0, eight bytes
    assert (sent[0x7E0], sent[0x7E7]) == (flow_control, flow_control)


def test_units_with_29_bit_identifiers_are_met_as_they_answer(channel: str, link: CanLink) -> None:
    # ISO 15765-4: 18DB33F1 to everyone, 18DAxxF1 to unit xx, which answers on 18DAF1xx.
    everyone = 0x18DB33F1
    answers = {0x10: MANY, 0x28: NONE, 0xEE: MANY}
    with ExitStack() as units:
        for address, answer in answers.items():
            request_id, response_id = 0x18DA00F1 | address << 8, 0x18DAF100 | address
            unit = ScriptedUnit(channel, request_id, response_id, answering(answer), everyone)
            units.enter_context(unit)
        (exchange,) = ask(link, Request("functional:18DB33F1", STORED))
    assert {a.source: a.data for a in exchange.answers} == {
        "18DAF110": MANY,
        "18DAF128": NONE,
        "18DAF1EE": MANY,
    }


def test_response_pending_holds_the_collecting_open(channel: str, link: CanLink) -> None:
    wait = threading.Event()
    slow = Call(lambda: wait.wait(0.8))  # longer than the collecting time
    with ScriptedUnit(channel, 0x7E0, 0x7E8, answering(PENDING, slow, MANY), functional_id=0x7DF):
        (exchange,) = ask(link, Request("functional:7DF", STORED))
    assert [a.kind for a in exchange.answers] == [AnswerKind.PENDING, AnswerKind.POSITIVE]
    assert outcome_of(exchange, "7E8").data == MANY


def test_a_damaged_answer_is_named_with_its_source(channel: str, link: CanLink) -> None:
    def send_only_the_beginning(_: bytes) -> list[Step]:
        return [Call(lambda: unit.send(bytes.fromhex("100E430604200420")))]

    unit = ScriptedUnit(channel, 0x7E0, 0x7E8, send_only_the_beginning, functional_id=0x7DF)
    with unit, ScriptedUnit(channel, 0x7E1, 0x7E9, answering(NONE), functional_id=0x7DF):
        (exchange,) = ask(link, Request("functional:7DF", STORED), replace(LIMITS, n_cr_ms=150))
    assert outcome_of(exchange, "7E8").outcome is Outcome.DAMAGED
    assert outcome_of(exchange, "7E9").outcome is Outcome.ANSWERED
    assert exchange.trouble == "7E8: a frame of the answer is missing: the rest never came"


def test_other_traffic_is_nobodys_answer(channel: str, link: CanLink) -> None:
    with (
        ScriptedUnit(channel, 0x123, 0x456, answering()) as other,
        ScriptedUnit(channel, 0x7E0, 0x7E8, answering()) as unit,
    ):
        when_sent(link, lambda _: [one.send(b"\x02" + NONE) for one in (other, unit)])
        (exchange,) = ask(link, Request("functional:7DF", STORED), QUICK)
    assert [a.source for a in exchange.answers] == ["7E8"]


def test_nobody_answering_is_not_silence_of_any_unit(link: CanLink) -> None:
    (exchange,) = ask(link, Request("functional:7DF", STORED), limits=Limits(functional_ms=10))
    assert (exchange.outcome, exchange.answers) == (None, ())
    assert outcome_of(exchange, "7E8").outcome is None  # ISO 14229-1: units may stay quiet when addressed so


@pytest.mark.parametrize(
    ("target", "data", "trouble"),
    [
        ("functional:7DF", bytes(8), "a functional request fits one frame: at most 7 bytes"),
        ("functional:7DF", b"", "the request is empty"),
        ("functional:6F1", b"\x03", "this link knows who answers to functional:7DF and functional:18DB33F1 only"),
        ("functional:7F0", b"\x03", "this link knows who answers to functional:7DF and functional:18DB33F1 only"),
        ("functional:nobody", b"\x03", "this link knows who answers to functional:7DF and functional:18DB33F1 only"),
        ("functional:doip:E400", b"\x03", "this link reaches units by their CAN identifiers"),
        ("7E0/7E8", bytes(4096), "a request has at most 4095 bytes"),
        ("7E0/7E8", b"", "the request is empty"),
        ("doip:1010", b"\x03", "this link reaches units by their CAN identifiers"),
        ("XYZ/7E8", b"\x03", "'XYZ' is not a CAN identifier"),
    ],
)
def test_what_this_link_cannot_send_is_unsent(link: CanLink, target: str, data: bytes, trouble: str) -> None:
    # ISO 15765-2: functional requests are single frames; a 12-bit length ends at 4095.
    (exchange,) = ask(link, Request(target, data))
    assert (exchange.outcome, exchange.trouble) == (Outcome.UNSENT, trouble)


def test_a_late_answer_to_everyone_is_late_in_the_units_next_exchange(channel: str, link: CanLink) -> None:
    closed, came = threading.Event(), threading.Event()

    def script(request: bytes) -> list[Step]:
        return [Call(lambda: closed.wait(10)), NONE, Call(came.set)] if request == STORED else [b"\x47\x00"]

    def plan() -> Plan:
        yield Request("functional:7DF", STORED)
        closed.set()
        yield Request("7E1/7E9", STORED)  # answered behind the late answer
        yield Request("7E0/7E8", b"\x07")

    kept: list[Exchange] = []
    other = ScriptedUnit(channel, 0x7E1, 0x7E9, answering(Call(lambda: came.wait(10)), NONE))
    with ScriptedUnit(channel, 0x7E0, 0x7E8, script, functional_id=0x7DF), other:
        link.run({"a": plan()}, kept.append, threading.Event(), replace(QUICK, p2_ms=10_000))
    assert kept[0].answers == ()
    assert [(a.kind, a.data) for a in kept[2].answers] == [
        (AnswerKind.LATE, NONE),
        (AnswerKind.POSITIVE, b"\x47\x00"),
    ]


def test_units_that_nobody_knows_are_heard_when_they_answer_everybody(channel: str, link: CanLink) -> None:
    """An answer names its unit; frames that are no answer to this request are not our business."""
    said = {
        0x768: b"\x7e\x00",  # ISO 14229-1, TesterPresent
        0x739: bytes.fromhex("7F3E12"),
        0x3A0: b"\x7e\x00",  # an identifier that diagnostics do not use
        0x755: bytes.fromhex("62F18601"),  # an answer to something else
    }
    with ExitStack() as opened:
        units = {
            opened.enter_context(ScriptedUnit(channel, number - 8, number, answering())): data
            for number, data in said.items()
        }
        when_sent(link, lambda _: [unit.send(bytes([len(data)]) + data) for unit, data in units.items()])
        (exchange,) = ask(link, Request("functional:7DF", b"\x3e\x00"), QUICK)
    assert {("768", said[0x768]), ("739", said[0x739])} == {(one.source, one.data) for one in exchange.answers}
    assert (None, None) == (exchange.outcome, exchange.trouble)


def test_a_frame_that_only_begins_like_a_support_bitmap_makes_no_stranger(channel: str, link: CanLink) -> None:
    """Other frames use these identifiers too. Source: SAE J1979, a bitmap has four bytes."""
    said = {0x725: "0241000000000000", 0x768: "064100BE3EB81300"}
    with (
        ScriptedUnit(channel, 0x71D, 0x725, answering()) as short,
        ScriptedUnit(channel, 0x760, 0x768, answering()) as whole,
    ):
        units = {0x725: short, 0x768: whole}
        when_sent(link, lambda _: [units[number].send(bytes.fromhex(text)) for number, text in said.items()])
        (exchange,) = ask(link, Request("functional:7DF", b"\x01\x00"), QUICK)
    assert ["768"] == [answer.source for answer in exchange.answers]


def test_nobody_is_heard_as_a_stranger_long_after_the_call(channel: str) -> None:
    second = 1_000_000_000
    with can.Bus(channel, interface="virtual", ignore_config=True) as raw:
        table = CanTable(CanBus(raw, f"can:virtual:{channel}", fd=False), fd=False)
        assert table.call(b"\x3e\x00", second) is None
        assert b"\x3e\x00" == table.call(b"\x01\x00", 3 * second)
        assert (b"\x01\x00", b"\x3e\x00") == table.called(4 * second)
        assert (b"\x01\x00",) == table.called(7 * second)
        assert () == table.called(9 * second)


def test_a_stranger_that_answers_late_is_heard_wherever_its_answer_falls(channel: str, link: CanLink) -> None:
    """Between two runs, while a unit is asked, and while everybody is asked something else."""
    present, session = Request("functional:7DF", b"\x3e\x00"), Request("functional:7DF", b"\x22\xf1\x86")
    own = AnswerKind.POSITIVE
    with (
        ScriptedUnit(channel, 0x7E1, 0x7E9, answering(NONE)),
        ScriptedUnit(channel, 0x760, 0x768, answering()) as late,
        ScriptedUnit(channel, 0x761, 0x769, answering()) as later,
    ):
        (nothing,) = ask(link, present, QUICK)
        late.send(b"\x02\x7e\x00")
        (between,) = ask(link, present, QUICK)

        def while_a_unit_is_asked() -> Plan:
            late.send(b"\x02\x7e\x00")
            yield Request("7E1/7E9", STORED)
            yield present

        kept: list[Exchange] = []
        link.run({"a": while_a_unit_is_asked()}, kept.append, threading.Event(), QUICK)
        when_sent(link, lambda _: later.send(b"\x02\x7e\x00"))
        (under_another,) = ask(link, session, QUICK)
    assert () == nothing.answers
    assert [("768", AnswerKind.LATE)] == [(one.source, one.kind) for one in between.answers]
    assert [("7E9", own)] == [(one.source, one.kind) for one in kept[0].answers], "a stranger is none of its answers"
    assert [("768", AnswerKind.LATE)] == [(one.source, one.kind) for one in kept[1].answers]
    assert [("769", AnswerKind.LATE)] == [(one.source, one.kind) for one in under_another.answers]
    assert all(exchange.trouble is None for exchange in (nothing, between, *kept, under_another))


def test_the_beginning_of_a_longer_answer_shows_that_a_stranger_is_there(channel: str, link: CanLink) -> None:
    with ScriptedUnit(channel, 0x760, 0x768, answering()) as unit:
        when_sent(link, lambda _: unit.send(segments(MANY)[0]))
        (exchange,) = ask(link, Request("functional:7DF", STORED), QUICK)
    (answer,) = exchange.answers
    assert ("768", AnswerKind.DAMAGED, MANY[:6]) == (answer.source, answer.kind, answer.data)
    assert exchange.trouble == "768: a longer answer of a unit whose request identifier is not known"


def test_one_step_of_a_sweep_hears_whoever_answers(channel: str, link: CanLink) -> None:
    with ExitStack() as opened:
        units = [opened.enter_context(ScriptedUnit(channel, 0x7A1, number, answering())) for number in (0x7B3, 0x7B4)]
        when_sent(link, lambda _: [unit.send(b"\x02\x7e\x00") for unit in units])
        (exchange,) = ask(link, Request("functional:7A0", b"\x3e\x00"), QUICK)
    assert ["7B3", "7B4"] == sorted(answer.source for answer in exchange.answers)


def test_a_doubt_about_a_call_to_everybody_does_not_hide_what_is_left_open_next(channel: str, link: CanLink) -> None:
    """7F 22 31 names no identifier: each time the unit was silent the next refusal may be the one still to come."""
    refused = {bytes.fromhex("22F186"), bytes.fromhex("22F18C")}
    quiet = Limits(p2_ms=60, settle_ms=40, functional_ms=80, late_ms=10_000)
    order = ("7E0/7E8", "22F187"), ("functional:7DF", "22F186"), ("7E0/7E8", "22F189"), ("7E0/7E8", "22F18C")
    told: list[Exchange] = []

    def plan() -> Plan:
        for target, request in order:
            yield Request(target, bytes.fromhex(request))

    with ScriptedUnit(channel, 0x7E0, 0x7E8, answering()) as unit:
        when_sent(link, lambda data: unit.send(bytes.fromhex("037F2231")) if data in refused else None)
        link.run({"all": plan()}, told.append, threading.Event(), quiet)
    assert [Outcome.SILENT, None, Outcome.SILENT, Outcome.DAMAGED] == [exchange.outcome for exchange in told]
    assert "it may be the late answer to 22 F1 87" == told[-1].trouble

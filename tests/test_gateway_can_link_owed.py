"""What does not come to its end on a CAN link: requests not taken whole, answers whose asker is not certain."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import can
import pytest
from recorded_unit import Call, ScriptedUnit, Step

from decoders.values import AnswerKind, Exchange, Outcome, Request
from gateway.links.base import Limits, Plan
from gateway.links.can.link import CanLink

READ, SUPPORTED = bytes.fromhex("1902FF"), bytes.fromhex("190A")
NONE, REFUSED = bytes.fromhex("5902FF"), bytes.fromhex("7F1912")
LONG = b"\x22" + bytes.fromhex("F40C") * 40
CONTINUE, WAIT = 0x30, 0x31
"""Flow status. Source: ISO 15765-2, flow control frame."""

LONGEST_GAP = 0x7F
"""STmin, 127 ms: forty identifiers take longer than the test waits. Source: ISO 15765-2."""


@pytest.fixture
def link(channel: str) -> Iterator[CanLink]:
    bus = can.Bus(channel, interface="virtual", ignore_config=True)
    with CanLink(bus, f"can:virtual:{channel}") as opened:
        yield opened


def ask(link: CanLink, limits: Limits, *requests: tuple[str, bytes]) -> list[Exchange]:
    """One after the other, in one plan."""

    def plan() -> Plan:
        for target, data in requests:
            yield Request(target, data)

    kept: list[Exchange] = []
    link.run({"all": plan()}, kept.append, threading.Event(), limits)
    return kept


class Hesitant:
    """Answers a first frame with the flow control it was given, again and again; a single frame with a list."""

    def __init__(self, channel: str, flow_status: int, gap: int, *, once: bool) -> None:
        self._bus = can.Bus(channel, interface="virtual", ignore_config=True)
        self._frame = bytes([flow_status, 0, gap, 0, 0, 0, 0, 0])
        self._once = once
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._bus.shutdown()

    def _serve(self) -> None:
        is_asked = False
        while not self._stop.is_set():
            message = self._bus.recv(0.05)
            if message is not None and message.arbitration_id == 0x7A0:
                kind = message.data[0] >> 4
                is_asked = kind == 1 or (is_asked and kind == 2)
                if kind == 0:
                    self._say(bytes.fromhex("035902FF"))
            if is_asked:
                self._say(self._frame)
                is_asked = not self._once

    def _say(self, data: bytes) -> None:
        self._bus.send(can.Message(arbitration_id=0x7A8, is_extended_id=False, data=data))


@pytest.mark.parametrize(("flow_status", "gap"), [(WAIT, 0), (CONTINUE, LONGEST_GAP)], ids=["wait", "gap"])
def test_a_request_that_was_never_taken_whole_is_not_met_with_silence(
    channel: str, link: CanLink, flow_status: int, gap: int
) -> None:
    limits = Limits(ceiling_ms=700, connect_ms=3000, p2_ms=2000)
    with Hesitant(channel, flow_status, gap, once=flow_status == CONTINUE):
        cut, after = ask(link, limits, ("7A0/7A8", LONG), ("7A0/7A8", READ))
    assert (Outcome.DAMAGED, "the unit did not take the whole request") == (cut.outcome, cut.trouble)
    assert (Outcome.ANSWERED, None) == (after.outcome, after.trouble), "the next request is not held up by it"


@pytest.mark.parametrize("answer", [NONE, REFUSED])
@pytest.mark.parametrize("request_data", [READ, SUPPORTED])
def test_the_late_answer_of_one_unit_is_not_that_of_another_with_the_same_response_identifier(
    channel: str, link: CanLink, answer: bytes, request_data: bytes
) -> None:
    """733 answers for 7A0 and is late; nobody listens to 7A1. Which of them was meant nobody can tell."""

    def late(_: bytes) -> list[Step]:
        return [Call(lambda: time.sleep(0.25)), answer]

    with ScriptedUnit(channel, 0x7A0, 0x733, late):
        slow, nobody = ask(link, Limits(p2_ms=150), ("7A0/733", READ), ("7A1/733", request_data))
    assert Outcome.SILENT is slow.outcome
    assert nobody.outcome in (Outcome.DAMAGED, Outcome.SILENT)
    assert answer in [one.data for one in nobody.answers], "it is kept"


def test_what_came_unasked_for_one_pair_is_kept_with_the_next_that_shares_its_identifier(
    channel: str, link: CanLink
) -> None:
    limits = Limits(p2_ms=60)
    with ScriptedUnit(channel, 0x7A0, 0x733, lambda _: []) as unit:
        ask(link, limits, ("7A0/733", READ))
        unit.send(bytes.fromhex("035902FF"))
        (other,) = ask(link, limits, ("7A1/733", READ))
    assert Outcome.SILENT is other.outcome
    assert [(AnswerKind.LATE, NONE)] == [(one.kind, one.data) for one in other.answers]

"""Trouble on the way to the vehicle that must stay trouble, and ends that must come: one test for each that did not."""

from __future__ import annotations

import contextvars
import socket
import sys
import threading
import time
from collections.abc import Iterator, Mapping

import pytest
from doip_link_help import LIMITS, NO_CODES, Talk, speaking
from doip_link_help import READ as DOIP_READ
from doip_link_help import ask as ask_doip
from dongle_link_help import ENGINE, GEARS, HURRIED, READ, SHORT, ScriptedDongle, ask, asking, scripted

from decoders.errors import UsageError
from decoders.values import Answer, AnswerKind, Exchange, Outcome, Request
from gateway.links.base import Plan
from gateway.links.doip import opening
from gateway.links.doip.place import Place
from gateway.links.dongle.gate import GATE, Gate, TapError
from gateway.links.dongle.link import DongleLink, open_at
from gateway.links.dongle.messages import Say, Why
from gateway.links.dongle.process import DongleProcess, TurnEnd
from gateway.links.dongle.protocol_tap import Serial
from gateway.links.replay import ReplayLink

CODES = Request(ENGINE, READ)
LISTED = "7E8 03 59 02 FF AA AA AA AA\r"


@pytest.fixture(scope="module")
def served() -> Iterator[ScriptedDongle]:
    with scripted() as dongle:
        yield dongle


@pytest.fixture
def dongle(served: ScriptedDongle) -> ScriptedDongle:
    served.fresh()
    served.answers["1902FF"] = LISTED
    return served


@pytest.fixture
def link(dongle: ScriptedDongle) -> Iterator[DongleLink]:
    with open_at(dongle.link.removeprefix("dongle:"), dongle.link, SHORT, command=HURRIED) as link:
        yield link


# --- a dongle ---


def test_no_plan_is_asked_for_a_request_before_its_turn_has_come(link: DongleLink) -> None:
    # Who waits in line has not been asked: a person who is shown who is waited for must not be told so.
    told: list[str] = []

    def plan(unit: str) -> Plan:
        for nth in range(20):
            told.append(f"{unit} wants {nth}")
            yield Request(unit, READ)

    def keep(exchange: Exchange) -> None:
        told.append(f"{exchange.target} kept")

    link.run({unit: plan(unit) for unit in (ENGINE, GEARS)}, keep, threading.Event(), SHORT)
    assert 40 == len(told) // 2
    assert all(
        (wants.partition(" ")[0], "kept") == (kept.partition(" ")[0], kept.partition(" ")[2])
        for wants, kept in zip(told[::2], told[1::2], strict=True)
    )
    assert told.index(f"{GEARS} wants 0") < told.index(f"{ENGINE} wants 19")


def test_a_dongle_that_restarts_while_it_is_set_is_set_again(dongle: ScriptedDongle, link: DongleLink) -> None:
    ask(link, CODES, limits=SHORT)

    def repeat_commands(command: str) -> None:
        if command.startswith("AT"):
            dongle.answers["AT"] = "OK\r" if dongle.answers["ATE0"] == "OK\r" else f"{command}\rOK\r"
        if command == "ATE0":
            dongle.answers["ATE0"], dongle.answers["AT"] = "ATE0\rOK\r", "OK\r"
            dongle.on_command = lambda _command: None

    dongle.answers["ATE0"] = "restarted"
    dongle.on_command = repeat_commands
    other, again = ask(link, Request(GEARS, READ), CODES, limits=SHORT)
    assert [Outcome.UNSENT, Outcome.ANSWERED] == [other.outcome, again.outcome]


@pytest.mark.parametrize("stopped", [False, True])
def test_a_child_process_that_never_stops_telling_is_given_up_in_bounded_time(stopped: bool) -> None:
    babble = (
        "import sys, time\nsys.stdin.readline()\nuntil_s = time.monotonic() + 12\nwhile time.monotonic() < until_s:\n"
        ' print(f\'{{"say": "heard", "data": "58", "at": {time.perf_counter_ns()}}}\', flush=True)\n time.sleep(0.005)'
    )
    process, stop = DongleProcess("any", (sys.executable, "-c", babble)), threading.Event()
    if stopped:
        stop.set()
    began_s = time.monotonic()
    turn = process.turn("0100", is_request=True, quiet_ms=5000, ceiling_ms=60_000 if stopped else 500, stop=stop)
    assert time.monotonic() - began_s < 10
    assert (TurnEnd.INTERRUPTED if stopped else TurnEnd.SILENT) == turn.end


def test_a_port_that_never_runs_dry_is_given_up_at_the_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    class Endless:
        until_s = time.monotonic() + 5

        @property
        def in_waiting(self) -> int:
            return 8 if time.monotonic() < self.until_s else 0

        def read(self, size: int) -> bytes:
            return b"7E8 03 7"[:size]

    told: list[Mapping[str, object]] = []
    gate = Gate(told.append)
    gate.open_for(None, quiet_ms=300, ceiling_ms=300)

    def make() -> Serial:
        GATE.set(gate)
        return Serial(None, timeout=1)

    port = contextvars.copy_context().run(make)
    monkeypatch.setattr(port, "_behind", Endless())
    with pytest.raises(TapError):
        _ = port.in_waiting
    assert [Why.SILENT] == [item["why"] for item in told if item["say"] == Say.BROKEN]


def test_a_turn_that_an_error_broke_off_leaves_nothing_to_the_next_request(
    dongle: ScriptedDongle, link: DongleLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    class BrokenOffError(Exception):
        pass

    process = link._talk._process  # type: ignore[union-attr]
    following = process._next

    def interrupted() -> dict[str, object] | None:
        message = following()
        if dongle.requests[-1:] == ["1902FF"]:
            raise BrokenOffError
        return message

    ask(link, Request(ENGINE, b"\x03"), limits=SHORT)
    monkeypatch.setattr(process, "_next", interrupted)
    with pytest.raises(BrokenOffError):
        ask(link, CODES, limits=SHORT)
    monkeypatch.undo()
    dongle.answers["190208"] = "7E8 03 7F 19 31 AA AA AA AA\r"
    (exchange,) = ask(link, Request(ENGINE, bytes.fromhex("190208")), limits=SHORT)
    assert Outcome.REFUSED == exchange.outcome


# --- DoIP ---


def test_a_refusal_meant_for_another_tester_says_nothing_of_our_request() -> None:
    def crossed(talk: Talk, unit: int, data: bytes) -> None:
        talk.send("8003", f"{unit:04X} 0E81 03")
        talk.ack(unit)
        talk.answer(unit, NO_CODES)

    with speaking(crossed) as (_entity, link):
        (exchange,) = ask_doip(link, DOIP_READ)
    assert Outcome.ANSWERED == exchange.outcome


def test_an_acknowledgement_meant_for_another_tester_makes_no_unit_silent() -> None:
    with speaking(lambda talk, unit, _data: talk.send("8002", f"{unit:04X} 0E81 00")) as (_entity, link):
        (exchange,) = ask_doip(link, DOIP_READ)
    assert Outcome.DAMAGED == exchange.outcome


@pytest.mark.parametrize("code", [0x03, 0x06])
def test_a_refusal_after_an_acknowledgement_is_damage_and_never_silence(code: int) -> None:
    def changing_its_mind(talk: Talk, unit: int, _data: bytes) -> None:
        talk.ack(unit)
        talk.nack(unit, code)

    with speaking(changing_its_mind) as (_entity, link):
        (exchange,) = ask_doip(link, DOIP_READ)
    assert Outcome.DAMAGED == exchange.outcome
    assert f"({code:02X})" in (exchange.trouble or "")


def test_an_answer_to_what_was_interrupted_does_not_pass_for_another_one() -> None:
    stop, kept = threading.Event(), list[Exchange]()
    owed = threading.Event()

    def late(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        if not owed.is_set():
            owed.set()
            stop.set()
        else:
            talk.answer(unit, NO_CODES)

    with speaking(late) as (_entity, link):
        link.run({"plan": asking([Request("doip:1010", bytes.fromhex("190208"))])}, kept.append, stop, LIMITS)
        (exchange,) = ask_doip(link, DOIP_READ)
    assert [Outcome.DAMAGED] == [item.outcome for item in kept]
    assert Outcome.DAMAGED == exchange.outcome
    assert "it may be the late answer to 19 02 08" == exchange.trouble


def test_what_a_person_must_put_right_before_it_is_opened_again_leaves_the_rest_unsent(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def gone(_place: Place, _patience: object) -> socket.socket:
        raise UsageError("gone.pem cannot be used as a file of certificates", next_step="name a PEM file behind ca=")

    with speaking(lambda talk, _unit, _data: talk.hang_up()) as (_entity, link):
        monkeypatch.setattr(opening, "_connect", gone)
        cut, unsent = ask_doip(link, DOIP_READ, DOIP_READ)
    assert [Outcome.DAMAGED, Outcome.UNSENT] == [cut.outcome, unsent.outcome]
    assert "gone.pem" in (unsent.trouble or "")


# --- a record ---


@pytest.mark.parametrize("request_hex", ["04", "14FFFFFF", "2E0100FF", "2F010003", "31010203"])
def test_a_record_changes_nothing_though_it_holds_the_answer_to_a_change(request_hex: str) -> None:
    # What was erased then must not count as erased now: a verdict of proven rests on it.
    request = Request(ENGINE, bytes.fromhex(request_hex))
    answer = Answer(source="7E8", data=bytes([request.data[0] + 0x40]), first_us=5, last_us=5, kind=AnswerKind.POSITIVE)
    recorded = Exchange(
        link="can:any", target=ENGINE, request=request.data, answers=(answer,), outcome=Outcome.ANSWERED
    )
    kept = list[Exchange]()
    ReplayLink("replay:x#1", [recorded]).run({"a": asking([request])}, kept.append, threading.Event(), LIMITS)
    assert [(Outcome.UNSENT, ())] == [(item.outcome, item.answers) for item in kept]
    assert "a record is only read" in (kept[0].trouble or "")

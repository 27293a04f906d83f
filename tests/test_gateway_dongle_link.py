"""The dongle link at the bench's dongles, beside the CAN link at the same car."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from dongle_link_help import ENGINE, EVERYONE, EVERYONE_WIDE, GEARS, HURRIED, QUICK, READ, ask, asking
from warning_lamps_help import UNITS

from decoders.values import AnswerKind, CanId, Exchange, Outcome, Request, outcome_of
from gateway.links.address import open_link
from gateway.links.base import Limits, Link
from gateway.links.dongle.link import DongleLink, open_at
from gateway.links.dongle.process import CHILD
from simulators.desk import Reply
from simulators.door import Bench, RunningBench

ADDRESSES = [unit.address for unit in UNITS]
LIVE = Request(ENGINE, bytes.fromhex("010C0D05041F42"))  # six identifiers in one request: SAE J1979
CODES = Request(ENGINE, READ)


class Garage:
    """A car on the bench, a dongle link at each kind of door, and the CAN link beside them."""

    def __init__(self, stack: ExitStack) -> None:
        self.bench: RunningBench = stack.enter_context(Bench().start("warning-lamps"))
        self.can: Link = stack.enter_context(open_link(self.bench.links[0]))
        self.dongles: dict[str, DongleLink] = {}
        for kind in ("dongle", "pty"):
            link = self.bench.open_door(kind)
            self.dongles[kind] = stack.enter_context(
                open_at(link.removeprefix("dongle:"), link, QUICK, command=CHILD if kind == "dongle" else HURRIED)
            )

    def disturb(self, kind: str, **arguments: Any) -> None:
        self.bench.act("disturb", who="dongle", kind=kind, **arguments)

    def settle(self) -> None:
        self.bench.act("settle", who="dongle", kind="all")


@pytest.fixture(scope="module")
def opened() -> Iterator[Garage]:
    with ExitStack() as stack:
        yield Garage(stack)


@pytest.fixture
def garage(opened: Garage) -> Iterator[Garage]:
    yield opened
    opened.settle()
    ask(opened.dongles["dongle"], CODES, Request(GEARS, READ))  # what was left over from a fault ends here


@pytest.fixture
def link(garage: Garage) -> DongleLink:
    return garage.dongles["dongle"]


def heard(exchange: Exchange) -> tuple[object, ...]:
    """What an exchange says, without its link and times."""
    answers = sorted((answer.source, answer.data, answer.kind) for answer in exchange.answers)
    return (exchange.target, exchange.request, exchange.outcome, exchange.refusal, answers)


def on_can(link: Link, *requests: Request) -> list[Exchange]:
    kept: list[Exchange] = []
    link.run({"plan": asking(requests)}, kept.append, threading.Event(), Limits())
    return kept


def test_the_link_says_what_it_is(garage: Garage) -> None:
    for link in garage.dongles.values():
        assert (EVERYONE, EVERYONE_WIDE) == link.functional_targets
        assert link.address.startswith("dongle:")
        assert not link.set_trace(None)


@pytest.mark.parametrize("kind", ["dongle", "pty"])
def test_every_unit_says_the_same_as_on_the_bus(garage: Garage, kind: str) -> None:
    assert {CanId.parse(address.partition("/")[0]).is_29_bit for address in ADDRESSES} == {False, True}
    assert "760/768" in ADDRESSES
    requests = [Request(unit, bytes.fromhex(data)) for unit in ADDRESSES for data in ("1902FF", "22F190", "03")]
    said = [heard(exchange) for exchange in ask(garage.dongles[kind], *requests)]
    assert [heard(exchange) for exchange in on_can(garage.can, *requests)] == said
    assert {Outcome.ANSWERED, Outcome.REFUSED} == {item[2] for item in said}


@pytest.mark.parametrize("target", [EVERYONE, EVERYONE_WIDE])
def test_everyone_says_the_same_as_on_the_bus(garage: Garage, link: DongleLink, target: str) -> None:
    # A dongle hears of everyone only those that ISO 15765-4 names.
    legislated = ("7E8", "7E9", "7EA", "18DAF1")
    for data in ("0100", "03", "22F190", "3E00"):
        (dongle,), (bus,) = (
            way(end, Request(target, bytes.fromhex(data))) for way, end in ((ask, link), (on_can, garage.can))
        )
        expected = [answer for answer in heard(bus)[4] if answer[0].startswith(legislated)]  # type: ignore[attr-defined]
        assert (None, expected) == (dongle.outcome, heard(dongle)[4])


def test_plans_are_served_in_turn_and_each_exchange_is_kept_before_its_plan_sees_it(link: DongleLink) -> None:
    kept: list[Exchange] = []
    seen: list[Exchange] = []

    def plan(unit: str) -> Any:
        for _ in range(20):
            exchange = yield Request(unit, b"\x01\x0c")
            assert any(exchange is item for item in kept)
            seen.append(exchange)

    link.run({unit: plan(unit) for unit in (ENGINE, GEARS)}, kept.append, threading.Event(), QUICK)
    assert all(
        [e for e in kept if e.target == unit] == [e for e in seen if e.target == unit] for unit in (ENGINE, GEARS)
    )
    assert {ENGINE: 20, GEARS: 20} == {unit: sum(e.target == unit for e in kept) for unit in (ENGINE, GEARS)}
    changes = sum(one.target != other.target for one, other in pairwise(kept))
    assert 1 < changes < 10  # neither one plan after the other nor a change of header for each request


def test_a_unit_that_is_not_there_is_silent(link: DongleLink) -> None:
    (exchange,) = ask(link, Request("7E7/7EF", READ))
    assert (Outcome.SILENT, None) == (exchange.outcome, exchange.trouble)


def test_a_long_request_is_unsent(link: DongleLink) -> None:
    (exchange,) = ask(link, Request(ENGINE, bytes.fromhex("22F190F187F188F189")))
    assert (Outcome.UNSENT, "a dongle sends at most 7 bytes") == (exchange.outcome, exchange.trouble)


# --- faults of cheap dongles ---


def test_no_data_is_silence_and_no_empty_list(garage: Garage, link: DongleLink) -> None:
    garage.disturb("no_data", request="1902FF")
    (exchange,) = ask(link, CODES)
    assert (Outcome.SILENT, ()) == (exchange.outcome, exchange.answers)


def test_a_refused_header_makes_the_request_unsent(garage: Garage, link: DongleLink) -> None:
    ask(link, Request(GEARS, READ))
    garage.disturb("refused_header")
    first, second = ask(link, CODES, Request(GEARS, READ))
    assert (Outcome.UNSENT, "the dongle did not take ATSH7E0: it wrote ?") == (first.outcome, first.trouble)
    assert Outcome.UNSENT == second.outcome  # since then nobody knows which header is set
    garage.settle()
    (third,) = ask(link, CODES)
    assert Outcome.ANSWERED == third.outcome


@pytest.mark.parametrize(
    ("kind", "arguments"),
    [
        ("lost_frame", {"nth": 2}),
        ("cut_line", {"nth": 1, "characters": 12}),
        ("cut_line", {"nth": 3, "characters": 24}),
        ("duplicated_line", {"nth": 2}),
        ("small_buffer", {"lines": 2}),
        ("dropped_characters", {"one_in": 12}),
        ("closing_wait", {"ms": 0}),
    ],
)
def test_a_torn_answer_is_damaged(garage: Garage, link: DongleLink, kind: str, arguments: dict[str, int]) -> None:
    request = Request(ENGINE, bytes.fromhex("22F190"))  # three frames
    ask(link, request)
    garage.disturb(kind, request="22F190", **arguments)
    (exchange,) = ask(link, request)
    assert (Outcome.DAMAGED, True) == (exchange.outcome, bool(exchange.trouble))
    garage.settle()
    (exchange,) = ask(link, request)
    assert Outcome.ANSWERED == exchange.outcome


def test_lost_characters_of_settings_make_requests_unsent_and_nothing_worse(garage: Garage, link: DongleLink) -> None:
    garage.disturb("dropped_characters", one_in=6)
    exchanges = ask(link, *(Request(unit, READ) for unit in (ENGINE, GEARS) * 4))
    assert {exchange.outcome for exchange in exchanges} <= {Outcome.UNSENT, Outcome.DAMAGED}


def test_a_stale_frame_first_is_late(garage: Garage, link: DongleLink) -> None:
    before = Request(ENGINE, bytes.fromhex("010C"))
    garage.disturb("stale_frame", request="0105")
    _, exchange = ask(link, before, Request(ENGINE, bytes.fromhex("0105")))
    assert (Outcome.ANSWERED, b"\x41\x05") == (exchange.outcome, (exchange.positive or b"")[:2])
    assert [AnswerKind.LATE, AnswerKind.POSITIVE] == [answer.kind for answer in exchange.answers]


def test_a_duplicated_single_frame_is_a_duplicate(garage: Garage, link: DongleLink) -> None:
    garage.disturb("duplicated_line", request="010D")
    (exchange,) = ask(link, Request(ENGINE, bytes.fromhex("010D")))
    assert [AnswerKind.POSITIVE, AnswerKind.DUPLICATE] == [answer.kind for answer in exchange.answers]
    assert Outcome.ANSWERED == exchange.outcome


@pytest.mark.parametrize(("impatient", "outcome"), [(False, Outcome.ANSWERED), (True, Outcome.DAMAGED)])
def test_response_pending(
    garage: Garage, link: DongleLink, monkeypatch: pytest.MonkeyPatch, impatient: bool, outcome: Outcome
) -> None:
    asked = garage.bench.desk.ask

    def slowly(unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        replies = asked(unit, request, functional=functional)
        return (Reply(data=bytes([0x7F, request[0], 0x78])), *(replace(r, after_us=300_000) for r in replies))

    monkeypatch.setattr(garage.bench.desk, "ask", slowly)
    if impatient:
        garage.disturb("impatient")
    (exchange,) = ask(link, CODES)
    assert outcome == exchange.outcome
    assert AnswerKind.PENDING == exchange.answers[0].kind
    if impatient:
        assert "response pending without an end" == exchange.trouble


def test_slow_dongles_are_waited_for(garage: Garage, link: DongleLink) -> None:
    for kind in ("answer_delay", "late_prompt"):
        garage.disturb(kind, ms=200, request="1902FF")
    (exchange,) = ask(link, CODES)
    assert Outcome.ANSWERED == exchange.outcome


# --- counted frames ---


@pytest.fixture
def got(garage: Garage, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The commands that the dongle gets from here on, as it looks for faults that hold for them."""
    commands: list[str] = []
    faults = garage.bench._dongles[0]._faults  # type: ignore[attr-defined]
    applied = faults.applied

    def spied(command: str, reply: Any) -> Any:
        commands.append(command)
        return applied(command, reply)

    monkeypatch.setattr(faults, "applied", spied)
    return commands


def test_a_live_value_carries_the_count_of_its_frames_from_the_second_time_on(got: list[str], link: DongleLink) -> None:
    first, second, third = ask(link, LIVE, LIVE, LIVE)
    sent = [command for command in got if command.startswith("010C0D")]
    assert ["010C0D05041F42", "010C0D05041F423", "010C0D05041F423"] == sent
    assert {Outcome.ANSWERED} == {first.outcome, second.outcome, third.outcome}
    assert len(first.positive or b"") == len(third.positive or b"") == 16


def test_nothing_else_carries_a_count(got: list[str], link: DongleLink) -> None:
    requests = ["1902FF", "03", "07", "0A", "190A", "0101", "22F190", "0902", "22F401"]
    ask(link, *(Request(ENGINE, bytes.fromhex(data)) for data in requests * 2))
    ask(link, *(Request(EVERYONE, bytes.fromhex("010C")) for _ in range(2)))
    assert [*requests * 2, "010C", "010C"] == [command for command in got if not command.startswith("AT")]


def test_a_wrong_count_is_damage_and_forgotten(garage: Garage, got: list[str], link: DongleLink) -> None:
    ask(link, LIVE)
    garage.disturb("lost_frame", nth=3, request=LIVE.data.hex())
    (damaged,) = ask(link, LIVE)
    assert Outcome.DAMAGED == damaged.outcome
    garage.settle()
    got.clear()
    (whole,) = ask(link, LIVE)
    assert (Outcome.ANSWERED, [LIVE.data.hex().upper()]) == (whole.outcome, got)


# --- the key ---


def test_a_key_turned_off_is_damage_and_never_silence(garage: Garage, link: DongleLink) -> None:
    garage.bench.act("key_off")
    try:
        unit, everyone = ask(link, CODES, Request(EVERYONE, b"\x03"))
    finally:
        garage.bench.act("key_on")
    assert (Outcome.DAMAGED, "the dongle says UNABLE TO CONNECT") == (unit.outcome, unit.trouble)
    assert (None, "the dongle says UNABLE TO CONNECT") == (everyone.outcome, everyone.trouble)
    assert outcome_of(everyone, "7E8").outcome is None
    (again,) = ask(link, CODES)
    assert Outcome.ANSWERED == again.outcome

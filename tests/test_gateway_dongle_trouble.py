"""Dongles that stop, vanish, come back, restart or were never there: every end is bounded and says what happened."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from dongle_link_help import (
    CODES_FRAMES,
    ENGINE,
    EVERYONE,
    GEARS,
    NO_CODES,
    PATIENT,
    READ,
    SHORT,
    ScriptedDongle,
    ask,
    asking,
    at,
    scripted,
)

from decoders.values import Exchange, Outcome, Request
from gateway.links.base import Limits, LinkAddress, Plan
from gateway.links.dongle import open_dongle
from gateway.links.dongle.link import DongleLink

CODES = Request(ENGINE, READ)
OTHER = Request(GEARS, READ)
STOPS = replace(SHORT, p2_star_ms=600)
"""Where it does not; what it writes before that may be held up for as long as a machine may stall."""
STOPPED = "the dongle stopped answering"


@pytest.fixture(scope="module")
def served() -> Iterator[ScriptedDongle]:
    with scripted() as dongle:
        yield dongle


@pytest.fixture(scope="module")
def opened(served: ScriptedDongle) -> Iterator[DongleLink]:
    with at(served) as link:
        yield link


@pytest.fixture
def dongle(served: ScriptedDongle) -> ScriptedDongle:
    served.fresh()
    served.answers["1902FF"] = f"{NO_CODES}\r"
    return served


@pytest.fixture
def link(opened: DongleLink, dongle: ScriptedDongle) -> DongleLink:
    ask(opened, Request(EVERYONE, b"\x01\x00"), limits=PATIENT)  # well again, whatever the test before left
    dongle.heard.clear()
    return opened


def outcomes(exchanges: list[Exchange]) -> list[Outcome | None]:
    return [exchange.outcome for exchange in exchanges]


# --- what is sent ---


def test_opened_by_its_address_it_sends_nothing_that_nobody_asked_for(dongle: ScriptedDongle) -> None:
    address = LinkAddress(kind="dongle", rest=dongle.link.removeprefix("dongle:"))
    with open_dongle(address, "dongle:shown", PATIENT) as link:  # python-OBD as it is, with its rests
        kept: list[Exchange] = []
        link.run({"plan": asking([CODES])}, kept.append, threading.Event(), PATIENT)
        assert isinstance(link, DongleLink)
        assert [Request(EVERYONE, b"\x01\x00")] == [
            Request(found.target, found.request) for found in link.how_opened.asked
        ]
    assert [("dongle:shown", Outcome.ANSWERED)] == [(exchange.link, exchange.outcome) for exchange in kept]
    assert ["0100", "1902FF"] == dongle.requests
    assert not [command for command in dongle.heard if not command or command.startswith(("ATSP", "ATPP"))]
    assert ["ATZ", "ATE0", "ATH1", "ATL0", "ATM0"] == dongle.heard[1:6]
    assert "ATZ" == dongle.heard[-1]


def test_what_changes_a_unit_goes_out_only_after_everything_was_set_again(
    dongle: ScriptedDongle, link: DongleLink
) -> None:
    ask(link, CODES, CODES, limits=PATIENT)
    dongle.heard.clear()
    ask(link, Request(ENGINE, b"\x04"), limits=PATIENT)
    assert ["ATE0", "ATH1", "ATAT0", "ATST06", "ATTP6", "ATSH7E0", "ATCF7E8", "ATCM7FF", "04"] == dongle.heard


@pytest.mark.parametrize("answer", ["?\r", "", "O\r", "OK\rOK\r", "7E8 03 59 02 FF AA AA AA AA\r"])
@pytest.mark.parametrize("setting", ["ATSH", "ATCF", "ATTP"])
def test_a_setting_that_is_not_agreed_to_makes_the_request_unsent(
    dongle: ScriptedDongle, link: DongleLink, setting: str, answer: str
) -> None:
    ask(link, OTHER, limits=PATIENT)
    dongle.heard.clear()
    dongle.answers[setting] = answer
    (exchange,) = ask(link, Request("18DA10F1/18DAF110" if setting == "ATTP" else ENGINE, READ), limits=PATIENT)
    assert Outcome.UNSENT == exchange.outcome
    assert f"did not take {setting}" in (exchange.trouble or "")
    assert [] == dongle.requests


def test_a_dongle_that_restarted_by_itself_is_set_again(dongle: ScriptedDongle, link: DongleLink) -> None:
    ask(link, CODES, limits=PATIENT)
    dongle.answers["1902FF"] = "1902FF\r59 02 FF\r"  # it repeats commands and writes no identifiers
    (damaged,) = ask(link, CODES, limits=PATIENT)
    dongle.answers["1902FF"] = f"{NO_CODES}\r"
    dongle.answers["ATE0"] = "ATE0\rOK\r"
    dongle.heard.clear()
    (again,) = ask(link, CODES, limits=PATIENT)
    assert [Outcome.DAMAGED, Outcome.ANSWERED] == outcomes([damaged, again])
    assert {"ATE0", "ATH1", "ATSH7E0", "ATCF7E8"} <= set(dongle.heard)


# --- a dongle that stops, and one that goes ---


def test_a_dongle_that_stops_is_damage_and_is_woken_again(dongle: ScriptedDongle, link: DongleLink) -> None:
    dongle.answers["1902FF"] = None
    (stopped,) = ask(link, CODES, limits=STOPS)
    assert (Outcome.DAMAGED, STOPPED, ()) == (stopped.outcome, stopped.trouble, stopped.answers)
    dongle.answers["1902FF"] = f"{NO_CODES}\r"
    dongle.heard.clear()
    (answered,) = ask(link, CODES, limits=PATIENT)
    assert Outcome.ANSWERED == answered.outcome
    assert "ATZ" in dongle.heard
    assert ["1902FF"] == dongle.requests


def test_what_a_stopped_dongle_wrote_is_kept(dongle: ScriptedDongle, link: DongleLink) -> None:
    dongle.answers["1902FF"] = f"{CODES_FRAMES[0]}\r7E8 21 2F"
    dongle.without_prompt = "1902FF"
    (exchange,) = ask(link, CODES, limits=STOPS)
    # First the line that cannot be read, then, once nothing more can come, the message that it should have ended.
    assert [b"\x21\x2f", bytes.fromhex("5902FF042013")] == [answer.data for answer in exchange.answers]
    assert Outcome.DAMAGED == exchange.outcome


def test_a_setting_without_an_answer_is_tried_on_two_new_connections(dongle: ScriptedDongle, link: DongleLink) -> None:
    dongle.answers["ATSH7E1"] = None
    began_s = time.monotonic()
    first, second, third = ask(link, OTHER, CODES, OTHER, limits=STOPS)
    assert [Outcome.UNSENT] * 3 == outcomes([first, second, third])
    assert f"{STOPPED}: ATSH7E1 was not answered" == first.trouble
    assert "the dongle was lost too often" == second.trouble
    assert [] == dongle.requests
    assert time.monotonic() - began_s < 30


def test_a_dongle_that_drops_out_comes_back(dongle: ScriptedDongle, link: DongleLink) -> None:
    def drop(command: str) -> None:
        if command == "1902FF":
            dongle.on_command = mend
            dongle.drop()

    def mend(_command: str) -> None:
        dongle.answers["1902FF"] = f"{NO_CODES}\r"

    dongle.answers["1902FF"] = None
    dongle.on_command = drop
    dropped, after = ask(link, CODES, CODES, limits=PATIENT)
    assert [Outcome.DAMAGED, Outcome.ANSWERED] == outcomes([dropped, after])
    assert "the dongle is gone" in (dropped.trouble or "")


def test_a_request_that_finds_the_dongle_gone_is_asked_over_a_new_connection(
    dongle: ScriptedDongle, link: DongleLink
) -> None:
    ask(link, CODES, limits=PATIENT)
    dongle.drop()
    until_s = time.monotonic() + 10
    while dongle._clients and time.monotonic() < until_s:
        time.sleep(0.02)
    dongle.heard.clear()
    (exchange,) = ask(link, CODES, limits=PATIENT)
    assert Outcome.ANSWERED == exchange.outcome
    assert ["1902FF"] == dongle.requests


def test_a_dongle_that_is_gone_for_good_leaves_the_rest_unsent_in_bounded_time() -> None:
    limits = Limits(p2_ms=24, functional_ms=24, p2_star_ms=300, n_cr_ms=100, connect_ms=2000)
    with scripted() as dongle:
        link = at(dongle)
    began_s = time.monotonic()
    with link:
        exchanges = ask(link, *[CODES, OTHER, Request(EVERYONE, b"\x03")] * 5, limits=limits)
        again_s = time.monotonic()
        exchanges += ask(link, CODES, limits=replace(limits, connect_ms=60_000))  # tried once more, not for a minute
        assert time.monotonic() - again_s < 30
    assert [Outcome.UNSENT] * 16 == outcomes(exchanges)
    assert all(exchange.trouble for exchange in exchanges)
    assert again_s - began_s < 20


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this machine cannot stop a process")
def test_a_child_process_that_hangs_is_killed(dongle: ScriptedDongle) -> None:
    with at(dongle) as link:
        process = link._talk._process._child  # type: ignore[union-attr]
        dongle.on_command = lambda command: os.kill(process.pid, signal.SIGSTOP) if command == "1902FF" else None
        began_s = time.monotonic()
        (exchange,) = ask(link, CODES, limits=STOPS)
        assert (Outcome.DAMAGED, STOPPED) == (exchange.outcome, exchange.trouble)
        assert time.monotonic() - began_s < 10
        assert process.returncode is not None


# --- stopped by hand, closed ---


def test_stop_ends_a_request_under_way_and_sends_no_other(dongle: ScriptedDongle, link: DongleLink) -> None:
    patient = Limits(p2_ms=24, functional_ms=24)
    stop, kept, closed = threading.Event(), list[Exchange](), list[str]()

    def plan(unit: str) -> Plan:
        try:
            while True:
                yield Request(unit, READ)
        finally:
            closed.append(unit)

    dongle.answers["1902FF"] = None
    stopped_s = [0.0]

    def stop_soon(command: str) -> None:
        if command == "1902FF":
            stopped_s[0] = time.monotonic()
            stop.set()

    dongle.on_command = stop_soon
    link.run({unit: plan(unit) for unit in (ENGINE, GEARS)}, kept.append, stop, patient)
    assert time.monotonic() - stopped_s[0] < 5
    assert [Outcome.DAMAGED, Outcome.UNSENT] == outcomes(kept)
    assert ["interrupted before an answer", "interrupted before it was sent"] == [e.trouble for e in kept]
    assert [ENGINE, GEARS] == closed


def test_stopped_before_it_began_nothing_is_asked(dongle: ScriptedDongle, link: DongleLink) -> None:
    stop = threading.Event()
    stop.set()
    assert [] == ask(link, CODES, limits=PATIENT, stop=stop)
    assert [] == dongle.heard


def test_an_answer_in_time_is_taken_though_stop_is_set(dongle: ScriptedDongle, link: DongleLink) -> None:
    stop = threading.Event()
    dongle.on_command = lambda command: stop.set() if command == "1902FF" else None
    assert [Outcome.ANSWERED] == outcomes(ask(link, CODES, OTHER, limits=PATIENT, stop=stop))


def test_a_closed_link_asks_nothing_and_leaves_nothing_behind(dongle: ScriptedDongle) -> None:
    threads = set(threading.enumerate())
    link = at(dongle)
    process = link._talk._process._child  # type: ignore[union-attr]
    for _ in range(2):
        link.close()
    assert process.returncode is not None
    assert set(threading.enumerate()) <= threads
    dongle.heard.clear()
    exchanges = ask(link, CODES, Request(EVERYONE, b"\x03"), limits=PATIENT)
    assert [(Outcome.UNSENT, "the link is closed")] * 2 == [(e.outcome, e.trouble) for e in exchanges]
    assert [] == dongle.heard


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open files cannot be counted here")
def test_links_opened_and_closed_leave_no_files(dongle: ScriptedDongle) -> None:
    def files() -> int:
        return len(os.listdir("/proc/self/fd"))

    at(dongle).close()
    before = files()
    at(dongle).close()
    assert files() <= before + 1  # the dongle's own end of the last connection may still be open

"""Dongles that stop, vanish, come back, restart or were never there: every end is bounded and says what happened."""

from __future__ import annotations

import errno
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from dongle_link_help import (
    CODES_FRAMES,
    ENGINE,
    EVERYONE,
    GEARS,
    HURRIED,
    NO_CODES,
    READ,
    RUN,
    SHORT,
    ScriptedDongle,
    ask,
    asking,
    scripted,
)

from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, Request
from gateway.links.base import Limits, LinkAddress, Plan
from gateway.links.dongle import open_dongle
from gateway.links.dongle.link import DongleLink, open_at
from gateway.links.dongle.messages import packed

CODES = Request(ENGINE, READ)
OTHER = Request(GEARS, READ)
PATIENT = replace(SHORT, p2_star_ms=5000, ceiling_ms=20_000)
"""Where the dongle writes its prompt, which ends the wait."""
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


def at(dongle: ScriptedDongle, *, limits: Limits = PATIENT, command: tuple[str, ...] = HURRIED) -> DongleLink:
    return open_at(dongle.link.removeprefix("dongle:"), dongle.link, limits, command=command)


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


# --- no dongle, no car ---


def failure(port: str, *, limits: Limits = PATIENT, command: tuple[str, ...] = HURRIED) -> LinkError:
    began_s = time.monotonic()
    with pytest.raises(LinkError) as raised:
        open_at(port, f"dongle:{port}", limits, command=command)
    assert time.monotonic() - began_s < limits.connect_ms / 1000 + 10
    return raised.value


def test_without_python_obd_the_error_says_what_to_install() -> None:
    without = (sys.executable, "-c", f"import sys; sys.modules['obd'] = None; {RUN}")
    error = failure("socket://127.0.0.1:1", command=without)
    assert "python-OBD" in error.message
    assert "pip install 'mendproof[dongle]'" == error.next_step


def test_a_port_that_is_not_there() -> None:
    error = failure("/dev/mendproof-no-such-port")
    assert ("there is no port /dev/mendproof-no-such-port", True) == (error.message, bool(error.next_step))


def test_a_port_that_pyserial_does_not_know() -> None:
    assert "cannot open nothing://x" in failure("nothing://x").message


def test_nobody_listens_at_the_port() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        port = server.getsockname()[1]
    assert f"cannot open socket://127.0.0.1:{port}" in failure(f"socket://127.0.0.1:{port}").message


def test_a_port_that_may_not_be_opened() -> None:
    # What pyserial raises for it: root may open every file, so the child process is one that only says so.
    told = packed({"say": "broken", "why": "port", "errno": errno.EACCES, "text": "Permission denied"})
    command = (sys.executable, "-c", f"import sys; sys.stdout.write({told.decode()!r}); sys.stdin.read()")
    error = failure("/dev/ttyX", command=command)
    assert "you may not open /dev/ttyX: Permission denied" == error.message
    assert "give your user access to the port" in error.next_step


@pytest.mark.parametrize("said", [None, "HTTP/1.1 400 Bad Request\r"])
def test_something_that_is_no_dongle(said: str | None) -> None:
    with scripted() as dongle:
        dongle.answers = {"": said}
        error = failure(dongle.link.removeprefix("dongle:"), limits=Limits(connect_ms=2400))
    assert "answers as a dongle does" in error.message
    assert error.next_step


@pytest.mark.parametrize("word", ["SEARCHING...\rUNABLE TO CONNECT", "NO DATA"])
def test_a_dongle_that_reaches_no_car(dongle: ScriptedDongle, word: str) -> None:
    dongle.answers["0100"] = f"{word}\r"
    dongle.answers[""] = f"{word}\r"
    error = failure(dongle.link.removeprefix("dongle:"))
    assert "reaches no car" in error.message
    assert "turn the key on" in error.next_step
    assert {"ATTP6", "ATTP7", "ATTP8", "ATTP9"} <= set(dongle.heard)


def test_a_dongle_whose_lines_do_not_arrive_whole(dongle: ScriptedDongle) -> None:
    """The car is there: what is wrong lies between the dongle and this machine."""
    dongle.answers["0100"] = "7E 06 41 00 98 8\r"
    error = failure(dongle.link.removeprefix("dongle:"))
    assert "does not arrive whole: " in error.message
    assert "7E 06 41 00 98 8" in error.message
    assert "nearer to the dongle" in error.next_step
    assert 3 == dongle.heard[: dongle.heard.index("ATTP7")].count("0100")


def test_a_line_that_lost_a_character_does_not_hide_the_car(dongle: ScriptedDongle) -> None:
    said = iter(("7E 06 41 00 98 8\r",))
    whole = dongle.answers["0100"]

    def lose_one(command: str) -> None:
        if command == "0100":
            dongle.answers["0100"] = next(said, whole)

    dongle.on_command = lose_one
    with at(dongle) as link:
        assert link.functional_targets
        assert 2 == dongle.heard.count("0100")


@pytest.mark.parametrize("protocol", ["7", "8"])
def test_a_car_of_another_rate_or_width_is_found(dongle: ScriptedDongle, protocol: str) -> None:
    frame = "18 DA F1 10 02 7E 00 AA AA AA AA AA" if protocol in "79" else "7E8 02 7E 00 AA AA AA AA AA"
    dongle.answers["0100"] = "NO DATA\r"
    chosen = [""]

    def follow(command: str) -> None:
        if command.startswith("ATTP"):
            chosen[0] = command[4:]
        dongle.answers["3E00"] = f"{frame}\r" if chosen[0] == protocol else "NO DATA\r"

    dongle.on_command = follow
    with at(dongle) as link:
        assert ("functional:7DF", "functional:18DB33F1") == link.functional_targets
        ask(link, CODES, limits=PATIENT)
        assert ("6" if protocol == "7" else "8") == chosen[0]  # of the same rate, with 11-bit identifiers


def test_a_dongle_that_cannot_be_set_to_the_other_width_asks_only_one(dongle: ScriptedDongle) -> None:
    dongle.answers["ATTP7"] = "?\r"
    with at(dongle) as link:
        assert ("functional:7DF",) == link.functional_targets

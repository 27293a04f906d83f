"""Opening a dongle: what is missing where there is none, or none that reaches a car, and how the car is found."""

from __future__ import annotations

import errno
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import closing

import pytest
from dongle_link_help import (
    ENGINE,
    HURRIED,
    NO_CODES,
    PATIENT,
    READ,
    RUN,
    ScriptedDongle,
    ask,
    at,
    scripted,
)

from decoders.errors import LinkError
from decoders.values import Request
from gateway.links.base import Limits
from gateway.links.dongle.link import open_at
from gateway.links.dongle.messages import packed

CODES = Request(ENGINE, READ)


@pytest.fixture(scope="module")
def served() -> Iterator[ScriptedDongle]:
    with scripted() as dongle:
        yield dongle


@pytest.fixture
def dongle(served: ScriptedDongle) -> ScriptedDongle:
    served.fresh()
    served.answers["1902FF"] = f"{NO_CODES}\r"
    return served


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

"""The dongle's doors: sockets and a pseudo terminal, with clients that misbehave."""

from __future__ import annotations

import errno
import hashlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import pytest

from simulators import dongle
from simulators.desk import Desk
from simulators.dongle import DongleDoor, DonglePty
from simulators.dongle_lines import IDENTITY
from simulators.errors import BenchError
from simulators.scenarios import SCENARIOS

WOKEN = f"ATI\r{IDENTITY}\r\r>".encode()


@pytest.fixture(scope="module")
def desk() -> Desk:
    return Desk(SCENARIOS["warning-lamps"].new_car(1))


@pytest.fixture
def door(desk: Desk) -> Iterator[DongleDoor]:
    with DongleDoor(desk) as opened:
        yield opened


def connect(door: DongleDoor) -> socket.socket:
    return socket.create_connection(("127.0.0.1", door.port), timeout=10)


def heard(client: socket.socket) -> bytes:
    """Everything up to the next prompt."""
    reply = b""
    while not reply.endswith(b">"):
        byte = client.recv(1)
        assert byte, f"closed after {reply!r}"
        reply += byte
    return reply


def told(client: socket.socket, command: bytes) -> bytes:
    client.sendall(command + b"\r")
    return heard(client)


def everything(client: socket.socket) -> bytes:
    """What comes until nothing has come for a while."""
    client.settimeout(0.5)
    said = bytearray()
    with suppress(TimeoutError):
        while piece := client.recv(1 << 16):
            said += piece
    client.settimeout(10)
    return bytes(said)


def test_its_link_is_what_a_user_types(door: DongleDoor) -> None:
    assert f"dongle:socket://127.0.0.1:{door.port}" == door.link


def test_frames_of_the_car_come_over_tcp(door: DongleDoor, desk: Desk) -> None:
    with connect(door) as client:
        assert b"ATE0\rOK\r\r>" == told(client, b"ATE0")
        lines = told(client, b"ATSP6") + told(client, b"0105")
        said = desk.ask("7E0/7E8", b"\x01\x05", functional=True)[0].data
        assert b"OK\r\r>" + said.hex(" ").upper().encode() == lines[: 5 + 8]


def test_each_client_has_settings_of_its_own(door: DongleDoor) -> None:
    with connect(door) as one, connect(door) as other:
        told(one, b"ATE0")
        assert WOKEN == told(other, b"ATI")
        assert WOKEN.removeprefix(b"ATI\r") == told(one, b"ATI")


def test_a_hundred_clients_at_once(door: DongleDoor) -> None:
    with ExitStack() as stack:
        clients = [stack.enter_context(connect(door)) for _ in range(100)]
        for client in clients:
            client.sendall(b"ATE0\rATSP6\r")
        assert {b"ATE0\rOK\r\r>"} == {heard(client) for client in clients}
        assert {b"OK\r\r>"} == {heard(client) for client in clients}
        for client in clients:
            client.sendall(b"010D\r")
        assert 1 == len({heard(client) for client in clients})


def test_more_clients_than_there_is_room_for_are_sent_away(door: DongleDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dongle, "_MOST_CLIENTS", 1)
    with connect(door) as first:
        assert WOKEN == told(first, b"ATI")
        with connect(door) as second:
            assert b"" == second.recv(1)
        assert WOKEN == told(first, b"ATI")


def test_garbage_is_answered_and_the_next_command_too(door: DongleDoor) -> None:
    with connect(door) as client:
        client.sendall(hashlib.shake_256(b"garbage").digest(100_000) + b"\r")
        assert b"?" in everything(client)
        client.sendall(b"ATZ\r")
        assert IDENTITY.encode() in everything(client)
        assert WOKEN == told(client, b"ATI")


def gone_at_once(client: socket.socket) -> None:
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")


def half_a_line(client: socket.socket) -> None:
    client.sendall(b"010")


def half_a_reply(client: socket.socket) -> None:
    client.sendall(b"0A\r")


def reset_in_a_reply(client: socket.socket) -> None:
    client.sendall(b"0A\r")
    gone_at_once(client)


@pytest.mark.parametrize("does", [lambda _client: None, gone_at_once, half_a_line, half_a_reply, reset_in_a_reply])
def test_clients_that_leave_in_the_middle(door: DongleDoor, does: Callable[[socket.socket], None]) -> None:
    for _ in range(5):
        with connect(door) as client:
            does(client)
    with connect(door) as client:
        assert WOKEN == told(client, b"ATI")


def test_a_client_that_does_not_read_loses_bytes_and_stops_nobody(
    door: DongleDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dongle, "_MOST_UNREAD", 1000)
    with connect(door) as deaf, connect(door) as client:
        for _ in range(10):
            deaf.sendall(b"ATI\r" * 1000)
            assert WOKEN == told(client, b"ATI")
        assert 0 < everything(deaf).count(IDENTITY.encode()) < 10_000


def test_a_slow_client_gets_the_rest_when_it_reads(door: DongleDoor) -> None:
    with connect(door) as client:
        client.sendall(b"ATI\r" * 1000)
        time.sleep(0.1)
        assert WOKEN * 1000 == b"".join(heard(client) for _ in range(1000))


def test_when_no_file_can_be_opened_the_door_breathes_and_goes_on(door: DongleDoor) -> None:
    class Full(socket.socket):
        def accept(self) -> tuple[socket.socket, object]:
            raise OSError(errno.EMFILE, "too many open files")

    with closing(Full()) as listener:
        began_s = time.monotonic()
        door._accept(listener)
        assert 0.05 <= time.monotonic() - began_s
    with connect(door) as client:
        assert WOKEN == told(client, b"ATI")


def test_a_port_in_use_is_named(door: DongleDoor, desk: Desk) -> None:
    with pytest.raises(BenchError) as error:
        DongleDoor(desk, door.port)
    assert f"port {door.port} on 127.0.0.1" in str(error.value)
    assert "\n" not in str(error.value)


def test_no_such_port(desk: Desk) -> None:
    with pytest.raises(BenchError, match="from 0 to 65535, not 70000"):
        DongleDoor(desk, 70_000)


def test_a_port_can_be_had_again_at_once(desk: Desk) -> None:
    first = DongleDoor(desk)
    with connect(first) as client:
        assert WOKEN == told(client, b"ATI")
        first.close()
        first.close()
        assert b"" == client.recv(1)
        with DongleDoor(desk, first.port) as second, connect(second) as other:
            assert WOKEN == told(other, b"ATI")


def test_thirty_starts_and_stops_leave_nothing(desk: Desk) -> None:
    def things() -> tuple[int, int]:
        return threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))

    before = things()
    for _ in range(30):
        with DongleDoor(desk) as door, DonglePty(desk), connect(door) as client:
            client.sendall(b"0100\r")
    assert before == things()


def test_faults_reach_every_client_and_end(door: DongleDoor) -> None:
    with connect(door) as one, connect(door) as other:
        assert WOKEN == told(one, b"ATI") == told(other, b"ATI")
        door.disturb("silent")
        for client in (one, other):
            client.sendall(b"ATI\r")
            client.settimeout(0.1)
            with pytest.raises(TimeoutError):
                client.recv(1)
            client.settimeout(10)
        door.settle("silent")
        assert WOKEN == told(one, b"ATI") == told(other, b"ATI")


# --- the pseudo terminal ---


def typed(path: str, command: bytes) -> bytes:
    """What a client that opens the terminal, types and leaves again hears."""
    terminal = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(terminal, command + b"\r")
        reply = b""
        while not reply.endswith(b">"):
            reply += os.read(terminal, 1)
        return reply
    finally:
        os.close(terminal)


def test_a_terminal_stays_while_clients_come_and_go(desk: Desk) -> None:
    with DonglePty(desk) as door:
        assert f"dongle:{door.path}" == door.link
        assert b"ATE0\rOK\r\r>" == typed(door.path, b"ATE0")
        assert WOKEN.removeprefix(b"ATI\r") == typed(door.path, b"ATI")


def test_a_terminal_that_nobody_reads_loses_bytes(desk: Desk) -> None:
    with DonglePty(desk) as door:
        terminal = os.open(door.path, os.O_RDWR | os.O_NOCTTY)
        for _ in range(300):
            os.write(terminal, b"ATI\r" * 50)
        os.close(terminal)
        left = typed(door.path, b"") + typed(door.path, b"")  # of what was typed before
        assert left.startswith(b"ATI\r")
        assert door.link == f"dongle:{door.path}"


def test_a_machine_without_pseudo_terminals(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "openpty")
    with pytest.raises(BenchError, match="no pseudo terminals; use the dongle's TCP port"):
        DonglePty(desk)

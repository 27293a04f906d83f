"""How lines come to and from an slcan client: in any pieces, and without waiting for the door."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from typing import cast

from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.can_side import CanSide, Frame
from simulators.slcan import LONGEST, Reader
from simulators.slcan_hub import SlcanDoor


def opened() -> Reader:
    reader = Reader()
    reader.feed(b"O\r")
    return reader


@given(st.lists(st.sampled_from([b"\r", b"\n", b"V", b"t1230", b"t" * LONGEST, b"\x00"]), max_size=12).map(b"".join))
@settings(deadline=None)
def test_bytes_one_by_one_come_to_the_same(data: bytes) -> None:
    apart = opened()
    assert opened().feed(data) == [said for byte in data for said in apart.feed(bytes([byte]))]


class SlowTap:
    """A place on a bus that takes a frame only when the test says so."""

    lost = 0

    def __init__(self, deliver: Callable[[Frame], None], then: Callable[[], None]) -> None:
        self.deliver, self.then = deliver, then
        self.begun, self.go = threading.Event(), threading.Event()

    def send(self, _frame: Frame) -> None:
        self.begun.set()
        self.go.wait(10)

    def close(self) -> None:
        """Leave."""


class SlowSide:
    """The bus."""

    def __init__(self) -> None:
        self.taps: list[SlowTap] = []

    def attach(self, deliver: Callable[[Frame], None], *, then: Callable[[], None]) -> SlowTap:
        self.taps.append(SlowTap(deliver, then))
        return self.taps[-1]


def test_frames_of_the_bus_do_not_wait_for_a_busy_door() -> None:
    side = SlowSide()
    with (
        SlcanDoor(cast("CanSide", side)) as door,
        socket.create_connection(("127.0.0.1", door.port), timeout=10) as hearing,
        socket.create_connection(("127.0.0.1", door.port), timeout=10) as sending,
    ):
        for client in (hearing, sending):
            client.sendall(b"O\r")
            assert b"\r" == client.recv(16)
        hears, sends = side.taps
        sending.sendall(b"t7E00\r")
        assert sends.begun.wait(10)
        try:
            for data in (b"\x01", b"\x02"):
                hears.deliver(Frame("tx", 0x7E8, False, data))
            hearing.settimeout(0.05)
            assert nothing_comes(hearing)  # they are sent together
            hears.then()
            hearing.settimeout(10)
            assert b"t7E8101\rt7E8102\r" == hearing.recv(64)
        finally:
            sends.go.set()


def nothing_comes(sock: socket.socket) -> bool:
    try:
        return not sock.recv(64)
    except TimeoutError:
        return True

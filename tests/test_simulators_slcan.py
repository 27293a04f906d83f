"""slcan lines without a socket, and the door with raw clients on a bus that is none.

Source of the dialect: python-can 4.6, its interface slcan.
"""

from __future__ import annotations

import errno
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from typing import cast

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulators.can_side import CanSide, Frame
from simulators.slcan import ERROR, LONGEST, OK, Mode, Reader, Said, read_frame, write_frame
from simulators.slcan_hub import SlcanDoor

TESTER = 0x123
LONG, LONG_LINE = Frame("tx", TESTER, False, bytes(64), True), b"d123F" + b"00" * 64 + b"\r"
LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1, data length code


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    wide, is_fd = draw(st.booleans()), draw(st.booleans())
    length = draw(st.sampled_from(LENGTHS if is_fd else LENGTHS[:9]))
    data = draw(st.binary(min_size=length, max_size=length))
    number = draw(st.integers(0, 0x1FFFFFFF if wide else 0x7FF))
    return Frame("rx", number, wide, data, is_fd, is_fd and draw(st.booleans()))


def opened() -> Reader:
    reader = Reader()
    reader.feed(b"C\rS6\rO\r")
    return reader


def replies(reader: Reader, data: bytes) -> list[bytes]:
    return [said.reply for said in reader.feed(data)]


@given(frames())
@example(Frame("rx", 0x1FFFFFFF, True, bytes(64), True, True))
@settings(deadline=None)
def test_a_frame_that_was_written_is_read_back(frame: Frame) -> None:
    line = write_frame(frame)
    assert line is not None
    assert (frame, OK) == (read_frame(line[:-1]), line[-1:])
    assert [Said(reply=OK, frame=frame)] == opened().feed(line)


def test_fd_data_between_two_lengths_are_filled_up() -> None:
    # Source: ISO 11898-1, data length code: after 8 comes 12.
    assert b"d7E89" + b"01" * 9 + b"000000\r" == write_frame(Frame("tx", 0x7E8, False, b"\x01" * 9, True))


@pytest.mark.parametrize(
    "frame",
    [
        Frame("rx", 0x123, False, bytes(9)),
        Frame("rx", 0x123, False, bytes(65), True),
        Frame("rx", 0x800, False, b""),
        Frame("rx", 0x20000000, True, b""),
        Frame("rx", -1, False, b""),
        Frame("rx", 0x123, False, b"", False, True),
    ],
)
def test_a_frame_that_no_bus_can_carry_has_no_line(frame: Frame) -> None:
    assert write_frame(frame) is None


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (b"t7DF80201000000000000", Frame("rx", 0x7DF, False, bytes.fromhex("0201000000000000"))),
        (b"T18DB33F120100", Frame("rx", 0x18DB33F1, True, b"\x01\x00")),
        (b"t7e00", Frame("rx", 0x7E0, False, b"")),
        (b"d7E0900112233445566778899AABB", Frame("rx", 0x7E0, False, bytes.fromhex("00112233445566778899AABB"), True)),
        (b"b7E010A", Frame("rx", 0x7E0, False, b"\x0a", True, True)),
    ],
)
def test_a_line_is_a_frame(line: bytes, frame: Frame) -> None:
    assert [Said(reply=OK, frame=frame)] == opened().feed(line + OK)


@pytest.mark.parametrize(
    "line",
    [
        b"t8001FF",
        b"t7DF9",
        b"t7DF2FF",
        b"t7DF1GG",
        b"T7DF0",
        b"T2000000000",
        b"x",
        b"t",
        b"d7DF9FF",
        b"\xff\xfe",
        b"Q1",
    ],
)
def test_what_is_no_line_is_answered_with_a_bell(line: bytes) -> None:
    assert [Said(reply=ERROR)] == opened().feed(line + OK)


@pytest.mark.parametrize(
    ("line", "reply"),
    [
        (b"", OK),
        (b"V", b"V0100\r"),
        (b"N", b"NMP01\r"),
        (b"F", b"F00\r"),
        *((b"S%d" % speed, OK) for speed in range(10)),
        (b"Y2", OK),
        (b"s031C", OK),
        (b"C", OK),
        (b"O", OK),
        (b"L", OK),
        (b"t7DF0", ERROR),
        (b"r7DF0", ERROR),
        (b"S", ERROR),
        (b"s03", ERROR),
    ],
)
def test_what_a_closed_adapter_answers(line: bytes, reply: bytes) -> None:
    assert [reply] == replies(Reader(), line + OK)


@pytest.mark.parametrize(
    ("line", "reply"),
    [(b"S6", ERROR), (b"O", ERROR), (b"L", ERROR), (b"r7DF8", OK), (b"R18DB33F10", OK), (b"r8000", ERROR), (b"C", OK)],
)
def test_what_an_open_adapter_answers(line: bytes, reply: bytes) -> None:
    assert [reply] == replies(opened(), line + OK)


@pytest.mark.parametrize(("line", "reply"), [(b"t7DF0", ERROR), (b"r7DF0", ERROR), (b"O", ERROR), (b"F", b"F00\r")])
def test_an_adapter_that_only_listens_sends_nothing(line: bytes, reply: bytes) -> None:
    reader = Reader()
    reader.feed(b"L\r")
    assert [Said(reply=reply)] == reader.feed(line + OK)


@pytest.mark.parametrize(
    ("carried_out", "refused"),
    [(b"Z0", b"Z1"), (b"X1", b"X0"), (b"M00000000", b"M00000100"), (b"mFFFFFFFF", b"m00000000"), (b"W0", b"W2")],
    ids=["time stamps", "polling", "acceptance code", "acceptance mask", "filter mode"],
)
def test_a_setting_that_would_not_be_carried_out_is_refused(carried_out: bytes, refused: bytes) -> None:
    assert [OK, ERROR] == replies(Reader(), carried_out + OK + refused + OK)


def test_a_bus_is_open_from_its_command_until_it_is_closed() -> None:
    reader = Reader()
    modes = []
    for line in (b"S6\r", b"O\r", b"L\r", b"C\r", b"L\r", b"O\r", b"C\r"):
        reader.feed(line)
        modes.append(reader.mode)
    closed, listening, is_open = Mode.CLOSED, Mode.LISTENING, Mode.OPEN
    assert [closed, is_open, is_open, closed, listening, listening, closed] == modes


def test_half_a_line_waits_for_its_end() -> None:
    reader = opened()
    assert [] == reader.feed(b"t7DF1")
    assert [Frame("rx", 0x7DF, False, b"\x3e")] == [said.frame for said in reader.feed(b"3E\r")]


def test_a_line_without_an_end_is_dropped_and_the_next_one_read() -> None:
    reader = opened()
    assert [] == reader.feed(b"t" * (LONGEST + 5000))
    assert [ERROR, b"V0100\r"] == replies(reader, b"\rV\r")


def test_the_longest_line_with_more_behind_it_is_not_cut_to_a_frame() -> None:
    assert [Said(reply=ERROR)] == opened().feed(b"B1FFFFFFFF" + b"00" * 65 + OK)


def test_lines_that_end_as_on_a_terminal_are_answered_once() -> None:
    assert [b"V0100\r", b"NMP01\r", OK] == replies(Reader(), b"V\r\nN\n\n\r\n")


@given(st.lists(st.binary(max_size=40), max_size=8))
@settings(deadline=None)
def test_any_bytes_in_any_pieces_are_taken(pieces: list[bytes]) -> None:
    apart, whole = opened(), opened()
    said = [item for piece in pieces for item in apart.feed(piece)]
    assert said == whole.feed(b"".join(pieces))
    assert [Said(reply=b"V0100\r")] == [*apart.feed(b"\rC\rV\r")][-1:]


class Taps:
    """A bus with nobody else on it that knows who is there and what they said."""

    def __init__(self) -> None:
        self.open: set[Tap] = set()
        self.said: list[Frame] = []
        self.has_room = True

    def attach(self, deliver: Callable[[Frame], None], *, then: Callable[[], None]) -> Tap:
        return Tap(self, deliver, then)

    def say(self, frame: Frame) -> None:
        for tap in tuple(self.open):
            tap.deliver(frame)
            tap.then()


class Tap:
    """A place on that bus."""

    def __init__(self, taps: Taps, deliver: Callable[[Frame], None], then: Callable[[], None]) -> None:
        self.lost = 0
        self.deliver, self.then = deliver, then
        self._taps = taps
        taps.open.add(self)

    def send(self, frame: Frame) -> None:
        if self._taps.has_room:
            self._taps.said.append(frame)
        else:
            self.lost += 1

    def close(self) -> None:
        self._taps.open.discard(self)


@pytest.fixture
def taps() -> Taps:
    return Taps()


@pytest.fixture
def door(taps: Taps) -> Iterator[SlcanDoor]:
    with SlcanDoor(cast("CanSide", taps)) as made:
        yield made


def connected(door: SlcanDoor) -> socket.socket:
    return socket.create_connection(("127.0.0.1", door.port), timeout=5)


def wait_until(true: Callable[[], bool]) -> None:
    limit_s = time.monotonic() + 5
    while not true():
        assert time.monotonic() < limit_s
        time.sleep(0.005)


def exactly(port: socket.socket, length: int) -> bytes:
    """So many bytes."""
    found = bytearray()
    while len(found) < length:
        more = port.recv(length - len(found))
        assert more
        found += more
    return bytes(found)


def talk(door: SlcanDoor, data: bytes, until: bytes) -> bytes:
    """What a raw client gets back, read until it ends so."""
    with connected(door) as port:
        port.sendall(data)
        found = b""
        while not found.endswith(until):
            more = port.recv(4096)
            assert more
            found += more
        return found


def test_a_frame_that_the_bus_has_no_room_for_is_answered_with_a_bell(door: SlcanDoor, taps: Taps) -> None:
    assert b"\r\rV0100\r" == talk(door, b"O\rt1230\rV\r", b"V0100\r")
    taps.has_room = False
    assert b"\r\aV0100\r" == talk(door, b"O\rt1230\rV\r", b"V0100\r")
    assert [Frame("rx", TESTER, False, b"")] == taps.said


def test_who_has_not_opened_the_bus_hears_nothing(door: SlcanDoor, taps: Taps) -> None:
    with connected(door) as port:
        port.sendall(b"O\rC\rV\r")
        assert b"\r\rV0100\r" == exactly(port, 8)
        taps.say(Frame("tx", TESTER, False, b""))
        port.sendall(b"N\r")
        assert b"NMP01\r" == exactly(port, 6)


def test_garbage_is_answered_and_the_door_goes_on(door: SlcanDoor) -> None:
    assert b"\a\rV0100\r" == talk(door, b"\x00\xff nonsense\r\rV\r", b"V0100\r")
    assert b"\aV0100\r" == talk(door, b"t" * 100_000 + b"\rV\r", b"V0100\r")
    with connected(door) as half, connected(door):
        half.sendall(b"t7DF80201")
        assert b"V0100\r" == talk(door, b"V\r", b"V0100\r")


def test_a_hundred_clients_at_once_are_served(door: SlcanDoor) -> None:
    with ExitStack() as stack:
        clients = [stack.enter_context(connected(door)) for _ in range(100)]
        for client in clients:
            client.sendall(b"V\r")
        assert {b"V0100\r"} == {client.recv(16) for client in clients}


def test_a_hundred_clients_hear_the_same_frames(door: SlcanDoor, taps: Taps) -> None:
    lines = [b"t123%d" % size + b"AB" * size + b"\r" for size in range(9)]
    with ExitStack() as stack:
        clients = [stack.enter_context(connected(door)) for _ in range(100)]
        for client in clients:
            client.sendall(b"O\r")
            assert b"\r" == client.recv(1)
        for line in lines:
            taps.say(Frame("tx", TESTER, False, bytes.fromhex(line[5:-1].decode())))
        whole = b"".join(lines)
        assert {whole} == {exactly(client, len(whole)) for client in clients}


def test_one_client_too_many_is_turned_away_and_the_others_stay(
    door: SlcanDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("simulators.slcan_hub._MOST_CLIENTS", 1)
    with connected(door) as first:
        first.sendall(b"V\r")
        assert b"V0100\r" == first.recv(16)
        with connected(door) as second:
            assert b"" == second.recv(16)
        first.sendall(b"N\r")
        assert b"NMP01\r" == first.recv(16)


def test_a_client_that_reads_nothing_is_put_out_and_the_others_miss_nothing(
    door: SlcanDoor, taps: Taps, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It reads nothing at all, so that what the system keeps for it fills up first and then what the door keeps."""
    monkeypatch.setattr("simulators.slcan_hub._MOST_UNREAD", 100_000)
    with connected(door) as deaf, connected(door) as other:
        for port in (deaf, other):
            port.sendall(b"O\r")
            assert b"\r" == port.recv(1)
        sent = 0
        while len(taps.open) == 2:
            for _ in range(200):
                taps.say(LONG)
            assert LONG_LINE * 200 == exactly(other, 200 * len(LONG_LINE))
            sent += 200 * len(LONG_LINE)
            assert sent < 50_000_000
        other.sendall(b"V\r")
        assert b"V0100\r" == other.recv(16)
        with suppress(ConnectionResetError):
            while got := deaf.recv(65_536):
                sent -= len(got)
        assert sent > 0


def test_a_client_that_reads_late_misses_nothing(door: SlcanDoor, taps: Taps, monkeypatch: pytest.MonkeyPatch) -> None:
    count = 100_000  # more than any system keeps for a connection
    monkeypatch.setattr("simulators.slcan_hub._MOST_UNREAD", (count + 1) * len(LONG_LINE))
    with connected(door) as late:
        late.sendall(b"O\r")
        assert b"\r" == late.recv(1)
        for _ in range(count):
            taps.say(LONG)
        assert LONG_LINE * count == exactly(late, count * len(LONG_LINE))


def test_a_client_that_goes_gives_up_its_place(door: SlcanDoor, taps: Taps) -> None:
    clients = [connected(door) for _ in range(5)]
    wait_until(lambda: len(taps.open) == len(clients))
    for client in clients[:3]:
        client.sendall(b"O\rt7E08")  # in the middle of a line
        client.close()
    wait_until(lambda: len(taps.open) == 2)
    for client in clients[3:]:
        client.close()
    wait_until(lambda: not taps.open)
    assert not taps.said


def test_no_more_files_for_a_moment_is_no_end(door: SlcanDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    accept, left = socket.socket.accept, [3]

    def failing(listener: socket.socket) -> tuple[socket.socket, object]:
        if left[0]:
            left[0] -= 1
            raise OSError(errno.EMFILE, "too many open files")
        return accept(listener)

    monkeypatch.setattr(socket.socket, "accept", failing)
    assert b"V0100\r" == talk(door, b"V\r", b"V0100\r")
    assert [0] == left

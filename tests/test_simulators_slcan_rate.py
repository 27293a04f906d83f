"""An slcan adapter set to another bit rate than the car's: it hears nothing and reaches nobody.

Source of the codes: python-can 4.6, interface slcan (S0 to S9, and two register bytes at a clock of 8 MHz).
"""

from __future__ import annotations

import queue
import socket
from collections.abc import Iterator

import can
import pytest
from can.interfaces.slcan import slcanBus
from can_help import car_of

from simulators.can_side import CanSide, Frame
from simulators.desk import Desk
from simulators.slcan import OK, Reader, read_bitrate
from simulators.slcan_hub import SlcanDoor

QUESTION = Frame("rx", 0x7E0, False, bytes.fromhex("023E000000000000"))
LINE = b"t7E08023E000000000000\r"


@pytest.fixture
def desk() -> Desk:
    return Desk(car_of("7E0/7E8"))


@pytest.fixture
def side(desk: Desk) -> Iterator[CanSide]:
    with CanSide(desk) as made:
        yield made


def talk(door: SlcanDoor, data: bytes, until: bytes) -> bytes:
    """What a raw client gets back, read until it ends so."""
    with socket.create_connection(("127.0.0.1", door.port), timeout=5) as port:
        port.sendall(data)
        found = b""
        while not found.endswith(until):
            more = port.recv(4096)
            assert more
            found += more
        return found


@pytest.mark.parametrize("rate", sorted(slcanBus._BITRATES))
def test_the_codes_mean_what_python_can_means_by_them(rate: int) -> None:
    assert rate == read_bitrate(slcanBus._BITRATES[rate].encode())


@pytest.mark.parametrize("rate", [125_000, 250_000, 500_000])
def test_register_bytes_are_reckoned_as_python_can_reckons_them(rate: int) -> None:
    timing = can.BitTiming.from_sample_point(8_000_000, rate, 75)
    assert rate == read_bitrate(f"s{timing.btr0:02X}{timing.btr1:02X}".encode())


@pytest.mark.parametrize("line", [b"", b"O", b"SX", b"S10", b"s00", b"t1230", b"V"])
def test_other_lines_set_no_rate(line: bytes) -> None:
    assert read_bitrate(line) is None


def test_a_rate_stays_until_another_is_set_and_cannot_be_set_on_an_open_bus() -> None:
    reader = Reader()
    rates = []
    for line in (b"O\r", b"C\r", b"S5\r", b"O\r", b"S6\r", b"C\r", b"S6\r"):
        reader.feed(line)
        rates.append(reader.bitrate)
    assert [None, None, 250_000, 250_000, 250_000, 250_000, 500_000] == rates


@pytest.mark.parametrize(("rate", "code"), [(500_000, b"S6"), (250_000, b"S5")])
def test_at_the_right_rate_the_car_answers_and_no_error_is_told(side: CanSide, rate: int, code: bytes) -> None:
    with SlcanDoor(side, bitrate=rate) as door:
        heard = talk(door, code + b"\rO\r" + LINE, b"t7E88027E00AAAAAAAAAA\r")
        assert OK * 3 == heard[:3]
        assert b"F00\r" == talk(door, code + b"\rO\rF\r", b"F00\r")[-4:]


@pytest.mark.parametrize("code", [b"S5", b"S8", b"s031C"])
def test_at_another_rate_nobody_hears_it_and_the_flags_tell_once(side: CanSide, code: bytes) -> None:
    said: queue.SimpleQueue[Frame] = queue.SimpleQueue()
    side.attach(said.put)
    with SlcanDoor(side) as door:
        heard = talk(door, code + b"\rO\r" + LINE + b"F\rF\r", b"F00\r")
    assert OK * 3 + b"F80\rF00\r" == heard
    assert said.empty()


def test_a_frame_goes_at_the_rate_of_its_own_moment(side: CanSide, desk: Desk) -> None:
    """Lines that come in one piece are no different from lines that come one by one."""
    with SlcanDoor(side) as door:
        wrong_then_right = b"S5\rO\r" + LINE + b"C\rS6\rO\rV\r"
        assert OK * 6 + b"V0100\r" == talk(door, wrong_then_right, b"V0100\r")
        with desk.lock:
            assert not side.frames
        right_then_wrong = b"S6\rO\r" + LINE + b"C\rS5\rO\rV\r"
        talk(door, right_then_wrong, b"V0100\r")
        talk(door, b"S6\rO\r" + LINE, b"t7E88027E00AAAAAAAAAA\r")
    with desk.lock:
        assert [0x7E0, 0x7E8] * 2 == [frame.arbitration_id for frame in side.frames]


def test_at_another_rate_it_hears_nobody(side: CanSide) -> None:
    tap = side.attach(lambda _frame: None)
    heard: queue.SimpleQueue[Frame] = queue.SimpleQueue()
    side.attach(heard.put)
    with SlcanDoor(side) as door, socket.create_connection(("127.0.0.1", door.port), timeout=5) as port:
        port.sendall(b"S5\rL\rV\r")
        found = b""
        while not found.endswith(b"V0100\r"):
            found += port.recv(64)
        tap.send(QUESTION)
        assert QUESTION == heard.get(timeout=5)
        assert 0x7E8 == heard.get(timeout=5).arbitration_id
        # Both were handed out before this line is answered, and the flags are all that is left of them.
        port.sendall(b"F\r")
        assert b"F80\r" == port.recv(64)

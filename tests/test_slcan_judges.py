"""Stock python-can, can-isotp and udsoncan on the bench's CAN door, and clients that do not behave."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack

import can
import isotp
import pytest
from can.interfaces.slcan import slcanBus
from can_help import LONG, car_of, isotp_address
from hypothesis import given, settings
from hypothesis import strategies as st
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection
from udsoncan.exceptions import NegativeResponseException

from simulators.can_side import CanSide, Frame
from simulators.desk import Desk
from simulators.errors import BenchError
from simulators.scenarios import SCENARIOS
from simulators.slcan import read_frame, write_frame
from simulators.slcan_hub import SlcanDoor

LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1, data length code
FD_TIMING = can.BitTimingFd.from_sample_point(80_000_000, 500_000, 80, 2_000_000, 80)
FD_UNIT = "740/748"
TESTER, OTHER = 0x123, 0x124
LIST = b"\x19\x02\xff"


@pytest.fixture
def desk() -> Desk:
    return Desk(SCENARIOS["warning-lamps"].new_car(1))


@pytest.fixture
def side(desk: Desk) -> Iterator[CanSide]:
    with CanSide(desk) as made:
        yield made


@pytest.fixture
def door(side: CanSide) -> Iterator[SlcanDoor]:
    with SlcanDoor(side) as made:
        yield made


def bus(door: SlcanDoor, *, fd: bool = False, listen_only: bool = False) -> can.BusABC:
    """As a user of python-can opens it; it sleeps two seconds after opening unless told otherwise."""
    opened = can.Bus(
        interface="slcan",
        channel=door.link.removeprefix("can:slcan:"),
        timing=FD_TIMING if fd else None,
        bitrate=None if fd else 500_000,
        listen_only=listen_only,
        sleep_after_open=0,
        ignore_config=True,
    )
    assert (1, 0) == opened.get_version(3)  # answered last: the commands before it have been carried out
    return opened


def client_of(tester: can.BusABC, unit: str, *, fd: bool = False) -> Client:
    params = {"can_fd": fd, "bitrate_switch": fd, "tx_data_length": 64 if fd else 8, "tx_data_min_length": 8}
    stack = isotp.CanStack(tester, address=isotp_address(unit), params=params)
    return Client(PythonIsoTpConnection(stack), request_timeout=5)


def faults(client: Client) -> dict[int, int]:
    """Code and status byte of each, as udsoncan reads them."""
    found = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
    return {dtc.id: dtc.status.get_byte_as_int() for dtc in found}


def told(desk: Desk, unit: str) -> dict[int, int]:
    """The same from the unit itself. Source: ISO 14229-1, 19 02: mask, then three bytes of code and one of status."""
    data = desk.ask(unit, LIST)[0].data[3:]
    return {int.from_bytes(data[at : at + 3], "big"): data[at + 3] for at in range(0, len(data), 4)}


def test_udsoncan_reads_the_faults_that_the_car_has(door: SlcanDoor, desk: Desk) -> None:
    units = [unit for unit in desk.units if "/" in unit and desk.ask(unit, LIST)[0].data[:1] == b"\x59"]
    found = {}
    with bus(door) as tester:
        for unit in units:
            with client_of(tester, unit) as client:
                found[unit] = faults(client)
    assert {unit: told(desk, unit) for unit in units} == found
    assert (0x403513 in found["760/768"], 0xC41581 in found["730/738"]) == (True, True)


def test_udsoncan_is_refused_by_a_unit_that_has_no_such_service(door: SlcanDoor, desk: Desk) -> None:
    unit = next(unit for unit in desk.units if desk.ask(unit, LIST)[0].data == b"\x7f\x19\x11")
    with bus(door) as tester, client_of(tester, unit) as client, pytest.raises(NegativeResponseException) as caught:
        faults(client)
    assert 0x11 == caught.value.response.code


def test_udsoncan_reads_a_unit_that_speaks_can_fd() -> None:
    desk = Desk(car_of(FD_UNIT, can_fd=True))
    with ExitStack() as stack:
        side = stack.enter_context(CanSide(desk))
        tester = stack.enter_context(bus(stack.enter_context(SlcanDoor(side)), fd=True))
        client = stack.enter_context(client_of(tester, FD_UNIT, fd=True))
        assert told(desk, FD_UNIT) == faults(client)
        client.conn.send(b"\x22\xf1\x90")
        assert b"\x62\xf1\x90" + LONG == client.conn.wait_frame(5)
    answers = [frame for frame in side.frames if frame.direction == "tx"]
    assert {(True, True)} == {(frame.is_fd, frame.bitrate_switch) for frame in answers}
    assert 64 == max(len(frame.data) for frame in answers)


def frame_of(message: can.Message) -> Frame:
    return Frame(
        "rx",
        message.arbitration_id,
        message.is_extended_id,
        bytes(message.data),
        message.is_fd,
        message.bitrate_switch,
    )


@st.composite
def messages(draw: st.DrawFn) -> can.Message:
    wide, is_fd = draw(st.booleans()), draw(st.booleans())
    length = draw(st.sampled_from(LENGTHS if is_fd else LENGTHS[:9]))
    return can.Message(
        arbitration_id=draw(st.integers(0, 0x1FFFFFFF if wide else 0x7FF)),
        is_extended_id=wide,
        data=draw(st.binary(min_size=length, max_size=length)),
        is_fd=is_fd,
        bitrate_switch=is_fd and draw(st.booleans()),
        check=True,
    )


@pytest.fixture(scope="module")
def alone() -> Iterator[slcanBus]:
    """python-can on a line that leads back to itself."""
    with slcanBus("loop://", sleep_after_open=0, timeout=3) as made:
        yield made


@given(message=messages())
@settings(deadline=None)
def test_python_can_writes_what_is_read_and_reads_what_is_written(alone: slcanBus, message: can.Message) -> None:
    alone.flush()
    alone.send(message)
    line = alone.serialPortOrig.read(alone.serialPortOrig.in_waiting)
    assert (frame_of(message), line) == (read_frame(line[:-1]), write_frame(frame_of(message)))
    alone.serialPortOrig.write(line)
    read = alone.recv(3)
    assert read is not None
    assert (frame_of(message), message.dlc, False) == (frame_of(read), read.dlc, read.is_remote_frame)


def received(tester: can.BusABC) -> Frame:
    message = tester.recv(3)
    assert message is not None
    return frame_of(message)


@pytest.mark.parametrize("fd", [False, True], ids=["classic", "fd"])
def test_frames_of_other_testers_are_seen_bit_for_bit(door: SlcanDoor, side: CanSide, desk: Desk, *, fd: bool) -> None:
    data = bytes(range(0xC0, 0x100))
    sent = [
        Frame("rx", TESTER, False, data[:8]),
        Frame("rx", 0x18DB33F1, True, data[:2]),
        Frame("rx", 0x7FF, False, b""),
    ]
    if fd:
        sent += [Frame("rx", OTHER, False, data, True, True), Frame("rx", 0x1ABCDEF0, True, data[:12], True)]
    with bus(door, fd=fd) as first, bus(door, fd=fd) as second:
        for frame in sent:
            first.send(
                can.Message(
                    arbitration_id=frame.arbitration_id,
                    is_extended_id=frame.is_extended,
                    data=frame.data,
                    is_fd=frame.is_fd,
                    bitrate_switch=frame.bitrate_switch,
                )
            )
        assert sent == [received(second) for _ in sent]
        assert first.recv(0.05) is None  # nobody hears himself
    with desk.lock:
        assert sent == list(side.frames)


def test_who_only_listens_hears_all_and_sends_nothing(door: SlcanDoor, side: CanSide, desk: Desk) -> None:
    with bus(door, listen_only=True) as listener, bus(door) as tester:
        listener.send(can.Message(arbitration_id=OTHER, is_extended_id=False))
        assert "MP01" == listener.get_serial_number(3)
        tester.send(can.Message(arbitration_id=TESTER, is_extended_id=False))
        assert Frame("rx", TESTER, False, b"") == received(listener)
    with desk.lock:
        assert [TESTER] == [frame.arbitration_id for frame in side.frames]


def test_a_frame_that_no_bus_can_carry_reaches_nobody(door: SlcanDoor, side: CanSide) -> None:
    tap = side.attach(lambda _frame: None)
    with bus(door) as tester:
        tap.send(Frame("rx", TESTER, False, bytes(70), True))
        tap.send(Frame("rx", OTHER, False, b"\x01"))
        assert Frame("rx", OTHER, False, b"\x01") == received(tester)


def test_a_port_in_use_is_named(door: SlcanDoor, side: CanSide) -> None:
    with pytest.raises(BenchError, match=f"port {door.port} on 127.0.0.1 cannot be used"):
        SlcanDoor(side, door.port)
    with pytest.raises(BenchError, match="70000 is no TCP port"):
        SlcanDoor(side, 70_000)


def test_closing_leaves_no_thread_and_may_be_done_again(side: CanSide) -> None:
    before = threading.active_count()
    door = SlcanDoor(side)
    with socket.create_connection(("127.0.0.1", door.port), timeout=5) as client:
        client.sendall(b"V\r")
        assert b"V0100\r" == client.recv(16)
        door.close()
        door.close()
        assert b"" == client.recv(16)
    assert before == threading.active_count()


def test_closing_while_frames_come_and_go_ends_at_once(side: CanSide) -> None:
    stop = threading.Event()
    sender = side.attach(lambda _frame: None)

    def send() -> None:
        while not stop.wait(0.0005):
            sender.send(Frame("rx", TESTER, False, b"\0" * 8))

    thread = threading.Thread(target=send)
    thread.start()
    try:
        for _ in range(20):
            with SlcanDoor(side) as door, socket.create_connection(("127.0.0.1", door.port), timeout=5) as client:
                client.sendall(b"O\r" + b"t1230\r" * 50)
                assert client.recv(1)
    finally:
        stop.set()
        thread.join()
    assert (sender,) == side._taps
    assert not side.troubles

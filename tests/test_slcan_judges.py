"""Stock python-can, can-isotp and udsoncan on the bench's CAN door, and clients that do not behave."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import can
import isotp
import pytest
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection

from simulators.can_side import CanSide, Frame
from simulators.desk import Desk
from simulators.errors import BenchError
from simulators.scenarios import SCENARIOS
from simulators.slcan_hub import SlcanDoor


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


def bus(door: SlcanDoor) -> can.BusABC:
    """As a user of python-can opens it; it sleeps two seconds after opening unless told otherwise."""
    return can.Bus(
        interface="slcan",
        channel=f"socket://127.0.0.1:{door.port}",
        bitrate=500_000,
        sleep_after_open=0,
        ignore_config=True,
    )


@pytest.mark.parametrize(("unit", "code"), [("760/768", 0x403513), ("730/738", 0xC41581)])
def test_udsoncan_reads_the_faults_that_the_unit_has(door: SlcanDoor, desk: Desk, unit: str, code: int) -> None:
    request, response = (int(half, 16) for half in unit.split("/"))
    with bus(door) as tester:
        stack = isotp.CanStack(tester, address=isotp.Address(txid=request, rxid=response))
        with Client(PythonIsoTpConnection(stack), request_timeout=3) as client:
            found = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
    (reply,) = desk.ask(unit, b"\x19\x02\xff")
    assert len(found) == (len(reply.data) - 3) // 4
    assert code in {dtc.id for dtc in found}


def received(tester: can.BusABC) -> can.Message:
    message = tester.recv(3)
    assert message is not None
    return message


def test_frames_of_other_testers_are_seen_bit_for_bit(door: SlcanDoor) -> None:
    data = bytes(range(64))
    sent = [
        can.Message(arbitration_id=0x123, is_extended_id=False, data=data[:8]),
        can.Message(arbitration_id=0x18DB33F1, is_extended_id=True, data=data[:2]),
        can.Message(arbitration_id=0x124, is_extended_id=False, data=data, is_fd=True, bitrate_switch=True),
        can.Message(arbitration_id=0x1ABCDEF0, is_extended_id=True, data=data[:12], is_fd=True),
    ]
    with bus(door) as first, bus(door) as second:
        time.sleep(0.1)  # the second one's open command is on its way
        for message in sent:
            first.send(message)
        assert [message.data for message in sent] == [(found := received(second)).data for _ in sent]
        assert (0x1ABCDEF0, True, True, False) == (
            found.arbitration_id,
            found.is_extended_id,
            found.is_fd,
            found.bitrate_switch,
        )


def talk(door: SlcanDoor, data: bytes, until: bytes) -> bytes:
    """What a raw client gets back, read until it ends so."""
    with socket.create_connection(("127.0.0.1", door.port), timeout=3) as port:
        port.sendall(data)
        found = b""
        while not found.endswith(until):
            found += port.recv(4096)
        return found


def test_garbage_is_answered_and_the_door_goes_on(door: SlcanDoor) -> None:
    assert b"\a" in talk(door, b"\x00\xff nonsense\r\rV\r", b"V0100\r")
    with socket.create_connection(("127.0.0.1", door.port), timeout=3) as half:
        half.sendall(b"t7DF80201")
    assert talk(door, b"V\r", b"V0100\r")


def test_a_hundred_clients_at_once_are_served(door: SlcanDoor) -> None:
    clients = [socket.create_connection(("127.0.0.1", door.port), timeout=3) for _ in range(100)]
    try:
        for client in clients:
            client.sendall(b"V\r")
        assert {b"V0100\r"} == {client.recv(16) for client in clients}
    finally:
        for client in clients:
            client.close()


def test_one_client_too_many_is_turned_away_and_the_others_stay(
    door: SlcanDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("simulators.slcan_hub._MOST_CLIENTS", 1)
    with socket.create_connection(("127.0.0.1", door.port), timeout=3) as first:
        first.sendall(b"V\r")
        assert b"V0100\r" == first.recv(16)
        with socket.create_connection(("127.0.0.1", door.port), timeout=3) as second:
            assert b"" == second.recv(16)
        first.sendall(b"N\r")
        assert b"NMP01\r" == first.recv(16)


def test_a_client_that_reads_nothing_is_put_out(
    door: SlcanDoor, side: CanSide, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("simulators.slcan_hub._MOST_UNREAD", 4096)
    tap = side.attach(lambda _frame: None)
    with socket.create_connection(("127.0.0.1", door.port), timeout=5) as port:
        port.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        port.sendall(b"O\r")
        assert b"\r" == port.recv(1)
        while True:
            for _ in range(2000):
                tap.send(Frame("rx", 0x123, False, b"\0" * 8))
            time.sleep(0.05)
            try:
                while port.recv(65536, socket.MSG_DONTWAIT):
                    pass
            except BlockingIOError:
                continue
            except ConnectionResetError:
                pass
            break
    assert talk(door, b"V\r", b"V0100\r")


def test_a_port_in_use_is_named(side: CanSide, door: SlcanDoor) -> None:
    with pytest.raises(BenchError, match=f"port {door.port} on 127.0.0.1 cannot be used"):
        SlcanDoor(side, door.port)
    with pytest.raises(BenchError, match="70000 is no TCP port"):
        SlcanDoor(side, 70_000)


def test_closing_leaves_no_thread_and_may_be_done_again(side: CanSide) -> None:
    before = threading.active_count()
    door = SlcanDoor(side)
    with socket.create_connection(("127.0.0.1", door.port), timeout=3) as client:
        client.sendall(b"V\r")
        client.recv(16)
        door.close()
        door.close()
        assert b"" == client.recv(16)
    assert before == threading.active_count()

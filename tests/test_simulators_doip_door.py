"""The DoIP door on its sockets: ports, many testers, rude ones, and what is left of it after closing."""

from __future__ import annotations

import os
import resource
import socket
import struct
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from doip_help import EVERYONE, ScriptedDesk, Tester, activation_request, ask_udp, new_desk, packet
from hypothesis import given, settings
from hypothesis import strategies as st
from warning_lamps_help import VIN

from simulators.desk import Reply
from simulators.doip import DoipDoor
from simulators.doip_entity import DoipLimits
from simulators.errors import BenchError

QUICK = DoipLimits(initial_s=0.5, general_s=1.0, alive_check_s=0.1)
TOLD_VIN = f"62F190{VIN.encode().hex().upper()}"


@pytest.fixture
def door() -> Iterator[DoipDoor]:
    with DoipDoor(new_desk()) as opened:
        yield opened


def works(door: DoipDoor, tester: int = 0x0EFE) -> bool:
    """True if a newcomer reads a VIN and another one finds the car."""
    with Tester(door, tester) as client:
        told = client.ask(0x1000, "22F190", tester)
    expected = (packet("8001", f"1000 {tester:04X} {TOLD_VIN}"), packet("4004", "01"))
    return expected == (told, ask_udp(door, packet("4003")))


def test_the_link_names_the_port_and_udp_shares_it(door: DoipDoor) -> None:
    assert (f"doip:127.0.0.1:{door.port}", door.port) == (door.link, door.udp_port)
    assert "7E0/7E8" == door.addresses[0x1000]
    assert works(door)


def test_where_the_udp_port_is_taken_the_door_has_one_of_its_own() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        with socket.socket() as free_on_tcp:
            free_on_tcp.bind(("127.0.0.1", 0))
            taken.bind(free_on_tcp.getsockname())
        with DoipDoor(new_desk(), taken.getsockname()[1]) as door:
            assert door.port != door.udp_port
            assert works(door)


@pytest.mark.parametrize("port", [-1, 70_000])
def test_a_port_that_is_none_is_named(port: int) -> None:
    with pytest.raises(BenchError, match=f"DoIP port {port} "):
        DoipDoor(new_desk(), port)


def test_a_port_in_use_is_named_and_the_first_door_goes_on(door: DoipDoor) -> None:
    with pytest.raises(BenchError, match=f"DoIP port {door.port} "):
        DoipDoor(new_desk(), door.port)
    assert works(door)


def test_units_can_have_other_addresses() -> None:
    with DoipDoor(new_desk(), addresses={0x4010: "7E0/7E8"}) as door, Tester(door) as client:
        client.send(activation_request())
        assert packet("0006", "0E00 4010 10 00000000") == client.receive()
        assert packet("8001", f"4010 0E00 {TOLD_VIN}") == client.ask(0x4010, "22F190")


def open_files() -> int:
    return len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").is_dir() else 0


def test_fifty_doors_leave_nothing_behind() -> None:
    desk = new_desk()
    threads, files = threading.active_count(), open_files()
    for _ in range(50):
        with DoipDoor(desk) as door, Tester(door, 0x0E00) as client:
            assert packet("8001", "1000 0E00 7E00") == client.ask(0x1000, "3E00")
    assert (threads, files) == (threading.active_count(), open_files())


def test_closing_hangs_up_frees_the_port_and_may_be_repeated() -> None:
    door = DoipDoor(new_desk())
    with Tester(door, 0x0E00) as client:
        door.close()
        door.close()
        assert client.receive() is None
    with DoipDoor(new_desk(), door.port) as again:
        assert door.port == again.port


def test_several_testers_ask_at_once_and_each_gets_its_own_answers(door: DoipDoor) -> None:
    def reads(tester: int) -> list[str | None]:
        with Tester(door, tester) as client:
            return [client.ask(0x1000 + n % 2, "22F190", tester) for n in range(20)]

    testers = range(0x0E00, 0x0E08)
    with ThreadPoolExecutor(len(testers)) as pool:
        told = list(pool.map(reads, testers))
    assert [[packet("8001", f"{0x1000 + n % 2:04X} {t:04X} {TOLD_VIN}") for n in range(20)] for t in testers] == told


def test_a_hundred_testers_at_once_are_served(door: DoipDoor) -> None:
    clients = [Tester(door, 0x0E00 + n) for n in range(100)]
    try:
        for n, client in enumerate(clients):
            assert packet("8001", f"1000 {0x0E00 + n:04X} 7E00") == client.ask(0x1000, "3E00", 0x0E00 + n)
    finally:
        for client in clients:
            client.close()


def test_more_than_it_can_hold_are_hung_up_on_and_the_rest_go_on(door: DoipDoor) -> None:
    clients = [Tester(door) for _ in range(260)]
    try:
        assert [None] * 4 == [client.receive() for client in clients[256:]]
        clients[0].send(activation_request())
        assert packet("0006", "0E00 1000 10 00000000") == clients[0].receive()
    finally:
        for client in clients:
            client.close()
    assert works(door)


def test_without_a_free_file_a_newcomer_waits_and_the_others_go_on(door: DoipDoor) -> None:
    kept = resource.getrlimit(resource.RLIMIT_NOFILE)
    with Tester(door, 0x0E00) as client, socket.socket() as newcomer, ExitStack() as fillers:
        newcomer.settimeout(10)
        resource.setrlimit(resource.RLIMIT_NOFILE, (newcomer.fileno() + 20, kept[1]))
        try:
            with suppress(OSError):
                while True:
                    fillers.enter_context(open(os.devnull))
            newcomer.connect(("127.0.0.1", door.port))
            assert packet("8001", "1000 0E00 7E00") == client.ask(0x1000, "3E00")
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, kept)
        newcomer.sendall(bytes.fromhex(activation_request(0x0E01)))
        assert packet("0006", "0E01 1000 10 00000000") == newcomer.recv(17).hex().upper()


def test_the_last_message_arrives_before_the_line_is_closed(door: DoipDoor) -> None:
    with Tester(door, 0x0E00) as client:
        client.send(packet("8001", "0E01 1000 3E00") + 50_000 * "00")
        assert [packet("8003", "1000 0E01 02 3E00"), None] == [client.receive(), client.receive()]


def test_who_keeps_quiet_is_hung_up_on() -> None:
    with DoipDoor(new_desk(), limits=QUICK) as door:
        began_s = time.monotonic()
        with Tester(door) as mute, Tester(door, 0x0E00) as client:
            assert mute.receive() is None
            assert 0.5 <= time.monotonic() - began_s < 10
            assert client.receive() is None
            assert 1.0 <= time.monotonic() - began_s < 10


def test_half_a_message_waits_for_its_rest(door: DoipDoor) -> None:
    with Tester(door, 0x0E00) as client:
        whole = packet("8001", "0E00 1000 3E00")
        client.send(whole[:22])
        assert works(door)
        client.send(whole[22:])
        assert packet("8002", "1000 0E00 00 3E00") == client.receive()


def test_a_mute_owner_loses_its_source_to_the_next() -> None:
    with DoipDoor(new_desk(), limits=QUICK) as door, Tester(door, 0x0E00) as owner, Tester(door) as other:
        other.send(activation_request())
        assert packet("0006", "0E00 1000 10 00000000") == other.receive()
        assert [packet("0007"), None] == [owner.receive(), owner.receive()]
        assert packet("8001", "1000 0E00 7E00") == other.ask(0x1000, "3E00")


def test_an_owner_that_crashes_makes_room_at_once(door: DoipDoor) -> None:
    owner = socket.create_connection(("127.0.0.1", door.port))
    owner.sendall(bytes.fromhex(activation_request(0x0EFE)))
    owner.recv(100)
    owner.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # closing sends a reset
    owner.close()
    assert works(door, 0x0EFE)


def test_a_pending_unit_keeps_its_time_on_the_wire() -> None:
    script = (Reply(data=b"\x7f\x19\x78", after_us=20_000), Reply(data=b"\x59\x02\xff", after_us=300_000))
    with DoipDoor(ScriptedDesk(*script)) as door, Tester(door, 0x0E00) as client:
        began_s = time.monotonic()
        assert packet("8001", "1000 0E00 7F1978") == client.ask(0x1000, "1902FF")
        assert 0.02 <= time.monotonic() - began_s
        assert packet("8001", "1000 0E00 5902FF") == client.receive()
        assert 0.3 <= time.monotonic() - began_s < 10


def test_who_asks_and_never_reads_is_let_go_and_the_others_go_on() -> None:
    desk = ScriptedDesk(Reply(data=bytes(4095)))
    with DoipDoor(desk) as door, socket.socket() as rude:
        rude.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        rude.settimeout(10)
        rude.connect(("127.0.0.1", door.port))
        rude.sendall(bytes.fromhex(activation_request(0x0EFE)))
        flood = bytes.fromhex(packet("8001", f"0EFE {EVERYONE:04X} 22F190")) * 200
        with pytest.raises(ConnectionError):  # noqa: PT012 - any of the sends may be the one
            while True:
                rude.sendall(flood)
        with Tester(door, 0x0EFE) as client:
            assert packet("8001", f"1000 0EFE {4095 * '00'}") == client.ask(0x1000, "22F190", 0x0EFE)


def test_datagrams_without_sense_or_sender_are_survived(door: DoipDoor) -> None:
    assert packet("0000", "00") == ask_udp(door, "00")
    assert packet("0000", "01") == ask_udp(door, packet("7777"))
    assert packet("0000", "04") == ask_udp(door, packet("4001", "00"))
    assert ask_udp(door, packet("0003", b"ZZ9ZZ9ZZ6NZ000023".hex()), wait_s=0.2) is None
    for _ in range(50):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.sendto(bytes.fromhex(packet("4001")), ("127.0.0.1", door.udp_port))
    assert works(door)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=60), max_size=5), st.booleans())
def test_no_garbage_stops_the_door(shared_door: DoipDoor, pieces: list[bytes], activated: bool) -> None:
    with Tester(shared_door, 0x0E00 if activated else None) as client, socket.socket(type=socket.SOCK_DGRAM) as loose:
        for piece in pieces:
            loose.sendto(piece, ("127.0.0.1", shared_door.udp_port))
        client.send(b"".join(pieces).hex())
    assert works(shared_door)


@pytest.fixture(scope="module")
def shared_door() -> Iterator[DoipDoor]:
    with DoipDoor(new_desk()) as opened:
        yield opened

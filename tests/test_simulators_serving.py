"""What all doors of the bench have in common: turns, clients that fail, last words, and what closing leaves behind."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import cast

import pytest
from can_help import car_of
from control_help import TOKEN, line
from doip_help import Tester, new_desk, packet

from simulators import serving
from simulators.can_side import CanSide, Frame
from simulators.car import ActResult
from simulators.control import LONGEST_LINE, ControlPort
from simulators.desk import Desk
from simulators.doip import DoipDoor
from simulators.dongle import DongleDoor
from simulators.dongle_lines import IDENTITY
from simulators.slcan_hub import SlcanDoor

WOKEN = f"ATI\r{IDENTITY}\r\r>".encode()


class Client(serving.Client):
    """Echoes, notes what came and does what a test wants done with it."""

    def __init__(self, port: socket.socket, door: Door) -> None:
        super().__init__(port, most_unread=door.most_unread)
        self._door = door

    def take(self, data: bytes) -> None:
        self._door.taken.append(data)
        self._door.does(self, data)

    def left(self) -> None:
        self._door.gone += 1


class Door(serving.Door[Client]):
    """A door without a protocol."""

    def __init__(self, does: Callable[[Client, bytes], object], *, most_unread: int = 1 << 20) -> None:
        self.does = does
        self.most_unread = most_unread
        self.taken: list[bytes] = []
        self.gone = 0
        self.welcomed: list[Client] = []
        listener = serving.listen(0, no_port="none", in_use="taken")
        self.port = listener.getsockname()[1]
        super().__init__("a door", listener)

    def _welcome(self, port: socket.socket) -> Client:
        self.welcomed.append(Client(port, self))
        return self.welcomed[-1]


def connected(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=10)


def exactly(sock: socket.socket, length: int) -> bytes:
    """So many bytes."""
    found = b""
    while len(found) < length:
        more = sock.recv(length - len(found))
        assert more, f"closed after {found!r}"
        found += more
    return found


def wait_until(true: Callable[[], bool]) -> None:
    limit_s = time.monotonic() + 10
    while not true():
        assert time.monotonic() < limit_s
        time.sleep(0.005)


# --- the shape behind the doors ---


def test_who_says_much_is_heard_in_turns() -> None:
    held, go = threading.Event(), threading.Event()

    def hold(_client: Client, data: bytes) -> None:
        if data == b"hold":
            held.set()
            go.wait(10)

    with Door(hold) as door, connected(door.port) as first, connected(door.port) as much, connected(door.port) as other:
        wait_until(lambda: len(door.welcomed) == 3)
        first.sendall(b"hold")
        assert held.wait(10)
        much.sendall(b"m" * 100_000)
        other.sendall(b"other")
        time.sleep(0.1)  # both are there when the door looks again
        go.set()
        wait_until(lambda: b"other" in door.taken)
        before = b"".join(door.taken[: door.taken.index(b"other")])
        assert before.count(b"m") <= 3 * 4096


def test_what_other_threads_queue_is_sent_whole_and_at_once() -> None:
    with Door(Client.queue) as door, connected(door.port) as sock:
        sock.sendall(b".")
        assert b"." == sock.recv(1)
        (client,) = door.welcomed

        def speak() -> None:
            for _ in range(500):
                if client.queue(b"0123456789"):
                    door.wake(client)

        threads = [threading.Thread(target=speak) for _ in range(4)]
        for thread in threads:
            thread.start()
        assert b"0123456789" * 2000 == exactly(sock, 20_000)
        for thread in threads:
            thread.join()


def test_who_leaves_too_much_unread_is_put_out_and_the_others_are_served() -> None:
    said = b"x" * 1_000_000
    with Door(lambda client, _data: client.queue(said), most_unread=10_000) as door:
        with connected(door.port) as deaf, connected(door.port) as other:
            with pytest.raises(ConnectionError):  # noqa: PT012 - any of the sends may be the one
                while True:
                    deaf.sendall(b".")
                    time.sleep(0.001)
            other.sendall(b".")
            assert said == exactly(other, len(said))
        wait_until(lambda: door.gone == 2)


def test_who_ends_reads_its_last_message_whatever_else_it_still_says() -> None:
    def end(client: Client, _data: bytes) -> None:
        client.queue(b"bye" * 100_000)
        client.is_ending = True

    with Door(end) as door, connected(door.port) as sock:
        sock.sendall(b"x" * 200_000)
        assert b"bye" * 100_000 == exactly(sock, 300_000)
        assert b"" == sock.recv(1)
        assert 1 == len(door.taken)


def test_who_ends_and_does_not_leave_is_hung_up_on() -> None:
    with Door(lambda client, _data: setattr(client, "is_ending", True)) as door, connected(door.port) as sock:
        sock.sendall(b"x")
        assert b"" == sock.recv(1)
        assert 0 == door.gone
        wait_until(lambda: door.gone == 1)


def test_a_mistake_about_one_client_is_told_and_the_others_are_served(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[threading.ExceptHookArgs] = []
    monkeypatch.setattr(threading, "excepthook", told.append)

    def stumble(client: Client, data: bytes) -> None:
        client.queue(bytes([100 // data[0]]))

    with Door(stumble) as door, connected(door.port) as one, connected(door.port) as other:
        one.sendall(b"\0")
        assert b"" == one.recv(1)
        other.sendall(b"\x02")
        assert b"\x32" == other.recv(1)
    assert [(ZeroDivisionError, "a door")] == [(args.exc_type, args.thread and args.thread.name) for args in told]


def test_fifty_doors_leave_nothing_behind() -> None:
    def held() -> tuple[int, int]:
        files = Path("/proc/self/fd")
        return threading.active_count(), len(os.listdir(files)) if files.is_dir() else 0

    before = held()
    for _ in range(50):
        with Door(Client.queue) as door, connected(door.port) as sock, connected(door.port):
            sock.sendall(b".")
            assert b"." == sock.recv(1)
        closers = [threading.Thread(target=door.close) for _ in range(2)]
        for thread in closers:
            thread.start()
        for thread in closers:
            thread.join()
        assert 2 == door.gone
    assert before == held()


# --- each door ---


def slcan_talks(stack: ExitStack) -> tuple[int, bytes, bytes]:
    side = stack.enter_context(CanSide(Desk(car_of("7E0/7E8"))))
    return stack.enter_context(SlcanDoor(side)).port, b"V\r", b"V0100\r"


def dongle_talks(stack: ExitStack) -> tuple[int, bytes, bytes]:
    return stack.enter_context(DongleDoor(new_desk())).port, b"ATI\r", WOKEN


def doip_talks(stack: ExitStack) -> tuple[int, bytes, bytes]:
    asks, answers = packet("0005", "0E00 00 00000000"), packet("0006", "0E00 1000 10 00000000")
    return stack.enter_context(DoipDoor(new_desk())).port, bytes.fromhex(asks), bytes.fromhex(answers)


class Car:
    """What a control port moves."""

    scenario = "a car"

    def act(self, action: str, /, **_arguments: int | str) -> ActResult:
        return ActResult(world_s=1, said=action)


def control_talks(stack: ExitStack) -> tuple[int, bytes, bytes]:
    return stack.enter_context(ControlPort(Car(), TOKEN)).port, line(), b'{"scenario": "a car"}\n'


@pytest.fixture(params=[slcan_talks, dongle_talks, doip_talks, control_talks])
def talks(request: pytest.FixtureRequest) -> Iterator[tuple[int, bytes, bytes]]:
    """A door's port, something that one says to it, and what it answers."""
    with ExitStack() as stack:
        yield request.param(stack)


def test_a_connection_that_takes_no_option_ends_no_door(
    talks: tuple[int, bytes, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some systems refuse to set one on a connection that is gone already."""

    def refuse(*_arguments: object) -> None:
        raise OSError("invalid argument")

    monkeypatch.setattr(socket.socket, "setsockopt", refuse)
    port, question, answer = talks
    for _ in range(2):
        with connected(port) as sock:
            sock.sendall(question)
            assert answer == exactly(sock, len(answer))


class QuickTap:
    """A place on a bus whose answer is there before the frame has been handed over."""

    lost = 0

    def __init__(self, deliver: Callable[[Frame], None]) -> None:
        self._deliver = deliver
        self._answering: list[threading.Thread] = []

    def send(self, frame: Frame) -> None:
        thread = threading.Thread(target=self._deliver, args=(Frame("tx", 0x7E8, False, frame.data),))
        thread.start()
        thread.join(0.1)
        self._answering.append(thread)

    def close(self) -> None:
        for thread in self._answering:
            thread.join()


class QuickSide:
    """The bus."""

    def attach(self, deliver: Callable[[Frame], None], *, then: Callable[[], None]) -> QuickTap:
        def deliver_at_once(frame: Frame) -> None:
            deliver(frame)
            then()

        return QuickTap(deliver_at_once)


def test_the_car_answers_no_frame_before_its_line_is_acknowledged() -> None:
    with SlcanDoor(cast("CanSide", QuickSide())) as door, connected(door.port) as sock:
        sock.sendall(b"O\rt7E01AA\r")
        heard = b"\r" + b"\r" + b"t7E81AA\r"
        assert heard == exactly(sock, len(heard))


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"x" * 300_000, b'{"error": "a line has at most 8192 bytes"}\n'),
        (b"{}\n" + b"x" * 300_000, b'{"error": "this is not the token of this bench"}\n'),
    ],
    ids=["no end", "no token"],
)
def test_who_is_let_go_by_a_control_port_reads_why(data: bytes, says: bytes) -> None:
    assert len(data) > 2 * LONGEST_LINE
    with ControlPort(Car(), TOKEN) as control, connected(control.port) as sock:
        sock.sendall(data)
        time.sleep(0.1)  # reads it only when the port is through with it
        assert says == exactly(sock, len(says))
        assert b"" == sock.recv(1)


class SlowCar(Car):
    """One that does what is slow when the test says so."""

    def __init__(self) -> None:
        self.begun, self.go = threading.Event(), threading.Event()
        self.done: list[str] = []

    def act(self, action: str, /, **_arguments: int | str) -> ActResult:
        if action == "slow":
            self.begun.set()
            self.go.wait(10)
        self.done.append(action)
        return super().act(action)


def done(action: str) -> bytes:
    return b'{"world_s": 1, "said": "%s"}\n' % action.encode()


def test_an_answer_is_not_kept_back_until_the_next_line_is_done() -> None:
    car = SlowCar()
    with ControlPort(car, TOKEN) as control, connected(control.port) as sock:
        sock.sendall(line(action="quick") + line(action="slow"))
        assert done("quick") == exactly(sock, len(done("quick")))
        car.go.set()
        assert done("slow") == exactly(sock, len(done("slow")))


def test_whoever_asks_which_car_it_is_need_not_wait_until_it_has_been_moved() -> None:
    car = SlowCar()
    with ControlPort(car, TOKEN) as control, connected(control.port) as moving, connected(control.port) as asking:
        moving.sendall(line(action="slow"))
        assert car.begun.wait(10)
        asking.sendall(line())
        told = b'{"scenario": "a car"}\n'
        assert told == exactly(asking, len(told))
        assert not car.done
        car.go.set()
        assert done("slow") == exactly(moving, len(done("slow")))


def test_a_control_port_answers_each_client_in_the_order_of_its_lines() -> None:
    car = SlowCar()
    with ControlPort(car, TOKEN) as control, connected(control.port) as sock:
        sock.sendall(line(action="slow") + line() + b"?\n" + line(action="quick") + line() + b"{}\n" + line())
        assert car.begun.wait(10)
        car.go.set()
        told = b'{"scenario": "a car"}\n'
        heard = done("slow") + told + b'{"error": "this is no line of JSON"}\n' + done("quick") + told
        heard += b'{"error": "this is not the token of this bench"}\n'
        assert heard == exactly(sock, len(heard))
        assert b"" == sock.recv(1)


def test_who_asks_for_more_than_a_car_can_do_is_put_out_and_the_others_stay() -> None:
    car = SlowCar()
    with ControlPort(car, TOKEN) as control, connected(control.port) as much, connected(control.port) as other:
        with pytest.raises(ConnectionError):  # noqa: PT012 - any of the sends may be the one
            while True:
                much.sendall(line(action="slow"))
        other.sendall(line(action="quick"))
        car.go.set()
        assert done("quick") == exactly(other, len(done("quick")))


def test_a_control_port_that_closes_does_what_it_began_and_nothing_else() -> None:
    car = SlowCar()
    threads = threading.active_count()
    control = ControlPort(car, TOKEN)
    with connected(control.port) as sock:
        sock.sendall(line(action="slow") + line(action="quick") * 10)
        assert car.begun.wait(10)
        closing = threading.Thread(target=control.close)
        closing.start()
        wait_until(control._stop.is_set)
        car.go.set()
        closing.join()
    assert (["slow"], threads) == (car.done, threading.active_count())


def test_two_testers_that_end_each_others_turn_are_both_served() -> None:
    """Whoever waits for an address that another one holds gets it as soon as that one is gone."""
    with DoipDoor(new_desk()) as door, Tester(door) as other:
        with Tester(door, 0x0E00) as owner:
            other.send(packet("0005", "0E00 00 00000000"))
            assert packet("0007") == owner.receive()
        assert packet("0006", "0E00 1000 10 00000000") == other.receive()

"""A mistake behind one unit leaves all others served, whichever way the car is asked."""

from __future__ import annotations

import socket
import threading

import pytest
from can_help import Listener, bench_of, car_of
from doip_help import Tester, packet

from simulators.can_port import Port
from simulators.desk import Desk, Reply
from simulators.doip import DoipDoor
from simulators.dongle import DongleDoor

FIRST, SECOND, THIRD = "7E0/7E8", "7E1/7E9", "7E2/7EA"


class StumblingDesk(Desk):
    """A car with a mistake behind its second unit."""

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        if unit == SECOND:
            raise KeyError(unit)
        return super().ask(unit, request, functional=functional)


@pytest.fixture
def desk() -> Desk:
    return StumblingDesk(car_of(FIRST, SECOND, THIRD))


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the door's thread tells about mistakes."""
    kinds: list[str] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: kinds.append(args.exc_type.__name__))
    return kinds


def test_all_other_units_answer_what_everyone_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    with bench_of(car_of(FIRST, SECOND, THIRD)) as bench:
        ask = bench.desk.ask

        def stumble(unit: str, request: bytes, *, functional: bool = False) -> object:
            if unit == SECOND:
                raise KeyError(unit)
            return ask(unit, request, functional=functional)

        monkeypatch.setattr(bench.desk, "ask", stumble)
        tester = Listener(bench.side)
        for _ in range(2):
            tester.send(0x7DF, "023E00")
            assert [0x7E8, 0x7EA] == [frame.arbitration_id for frame in tester.all()]
        assert [KeyError] * 2 == [type(trouble) for trouble in bench.side.troubles]


def test_late_answers_of_others_come_though_one_unit_fails_again_and_again(monkeypatch: pytest.MonkeyPatch) -> None:
    step = Port.step

    def stumble(port: Port, now_ns: int) -> None:
        if port.text == FIRST and port.busy:
            raise KeyError(port.text)
        step(port, now_ns)

    with bench_of(car_of(FIRST, SECOND)) as bench:
        for unit in (FIRST, SECOND):
            bench.desk.disturb(unit, "late", ms=50)
        tester = Listener(bench.side)
        monkeypatch.setattr(Port, "step", stumble)
        tester.send(0x7DF, "023E00")
        assert [0x7E9] == [frame.arbitration_id for frame in tester.all(0.3)]
        assert len(bench.side.troubles) < 100  # it is not asked on and on either


def test_a_dongles_other_clients_are_served(desk: Desk, told: list[str]) -> None:
    with DongleDoor(desk) as door:

        def connected() -> socket.socket:
            return socket.create_connection(("127.0.0.1", door.port), timeout=10)

        with connected() as one, connected() as other:
            one.sendall(b"ATSP6\r0100\r")
            while one.recv(100):
                pass
            other.sendall(b"ATI\r")
            assert other.recv(100)
    assert ["KeyError"] == told


def test_other_doip_testers_are_served(desk: Desk, told: list[str]) -> None:
    with DoipDoor(desk) as door, Tester(door, 0x0E00) as one, Tester(door, 0x0E01) as other:
        one.send(packet("8001", "0E00 1001 3E00"))
        while one.receive() is not None:
            pass
        assert packet("8001", "1002 0E01 7E00") == other.ask(0x1002, "3E00", 0x0E01)
    assert ["KeyError"] == told

"""Units that misbehave, as other people's clients see them, on the bus and at the DoIP door."""

from __future__ import annotations

import time
from collections.abc import Iterator

import isotp
import pytest
from can_help import LONG, Bench, Listener, bench_of, car_of
from doipclient import DoIPClient
from misbehaviour_help import BRAKE, CLEAR, ENGINE, LIST, ask
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection
from udsoncan.exceptions import NegativeResponseException, TimeoutException, UnexpectedResponseException

from simulators.can_bus_time import Physics
from simulators.desk import Desk
from simulators.doip import DoipDoor
from simulators.fault_memory import PENDING
from simulators.scenarios import SCENARIOS


@pytest.fixture
def desk() -> Desk:
    return Desk(SCENARIOS["warning-lamps"].new_car(1))


@pytest.fixture
def bench() -> Iterator[Bench]:
    with bench_of() as running:
        yield running


def client(bench: Bench, unit: str) -> Client:
    connection = PythonIsoTpConnection(bench.stack(unit))
    return Client(connection, request_timeout=0.3)


def test_udsoncan_sees_what_the_desk_was_told(bench: Bench) -> None:
    with client(bench, BRAKE) as reader:
        bench.desk.disturb(BRAKE, "refuses", code=0x22, requests=1)
        with pytest.raises(NegativeResponseException) as refused:
            reader.tester_present()
        assert 0x22 == refused.value.response.code
        bench.desk.disturb(BRAKE, "other_service", requests=1)
        with pytest.raises(UnexpectedResponseException):
            reader.get_dtc_by_status_mask(0xFF)
        bench.desk.disturb(BRAKE, "silent", requests=1)
        with pytest.raises(TimeoutException):
            reader.tester_present()
        bench.desk.disturb(BRAKE, "late", ms=400, requests=1)
        with pytest.raises(TimeoutException):
            reader.tester_present()
        time.sleep(0.2)
        bench.desk.disturb(BRAKE, "endless_pending", every_ms=50, requests=1)
        with pytest.raises(TimeoutException, match="Did not receive response in time"):
            reader.tester_present()
        reader.tester_present()


def test_doipclient_sees_the_same(desk: Desk) -> None:
    with DoipDoor(desk) as door:
        logical, unit = next((number, unit) for number, unit in door.addresses.items() if unit == BRAKE)
        reader = DoIPClient("127.0.0.1", logical, tcp_port=door.port, client_logical_address=0x0E80)
        try:
            for kind, request, expected in (
                ("refuses", "3E00", "7F3E22"),
                ("other_service", LIST, "7E00"),
                ("clear_ignored", CLEAR, "54"),
            ):
                desk.disturb(unit, kind, requests=1)
                reader.send_diagnostic(bytearray.fromhex(request))
                assert expected == bytes(reader.receive_diagnostic(timeout=2)).hex().upper()
        finally:
            reader.close()


# Frames: can-isotp says what is wrong with them.

LONG_ANSWER = "22F190"  # twelve frames


@pytest.mark.parametrize("physics", [None, Physics()])
@pytest.mark.parametrize(
    ("kind", "arguments", "request_", "errors"),
    [
        ("lost_frame", {}, LONG_ANSWER, ["WrongSequenceNumberError"]),
        ("lost_frame", {"nth": 12}, LONG_ANSWER, ["ConsecutiveFrameTimeoutError"]),
        ("duplicated_frame", {"nth": 3}, LONG_ANSWER, ["WrongSequenceNumberError"]),
        ("duplicated_frame", {"nth": 1}, LONG_ANSWER, ["ReceptionInterruptedWithFirstFrameError"]),
        ("wrong_sequence", {}, LONG_ANSWER, ["WrongSequenceNumberError"]),
        ("wrong_length", {}, LONG_ANSWER, ["ConsecutiveFrameTimeoutError"]),
        ("wrong_length", {}, "3E00", ["InvalidCanDataError"]),
        ("supply_drop", {"frames": 4, "away_ms": 50}, LONG_ANSWER, ["ConsecutiveFrameTimeoutError"]),
        ("foreign", {}, "3E00", []),
        ("supply_drop", {}, "3E00", []),
        ("lost_frame", {"nth": 1}, "3E00", []),
    ],
)
def test_can_isotp_names_what_is_wrong_with_the_frames(
    kind: str, arguments: dict[str, int], request_: str, errors: list[str], physics: Physics | None
) -> None:
    with bench_of(car_of("7E0/7E8"), physics=physics) as bench:
        bench.desk.disturb("7E0/7E8", kind, requests=1, **arguments)
        with bench.asking("7E0/7E8", rx_consecutive_frame_timeout=100) as ask_unit:
            heard = ask_unit(request_, timeout=0.25)
        first = [type(error).__name__ for error in bench.errors][:1]
        whole = None if kind != "duplicated_frame" or arguments["nth"] != 1 else b"\x62\xf1\x90" + LONG
        assert (errors, whole) == (first, heard)
    assert [] == [error for error in bench.side.troubles if not isinstance(error, isotp.IsoTpError)]


def test_a_frame_fault_is_over_when_it_is_over() -> None:
    with bench_of(car_of("7E0/7E8")) as bench:
        bench.desk.disturb("7E0/7E8", "lost_frame", nth=1, requests=1)
        assert (None, b"\x7e\x00") == (bench.ask("7E0/7E8", "3E00", timeout=0.1), bench.ask("7E0/7E8", "3E00"))


@pytest.mark.parametrize("unit", ["7E0/7E8", "18DA10F1/18DAF110", "6F0:12/612:F0"])
def test_answers_to_a_foreign_tester_come_under_its_address(unit: str) -> None:
    with bench_of(car_of(unit)) as bench:
        bench.desk.disturb(unit, "foreign", tester=0xFB)
        assert bench.ask(unit, "3E00", timeout=0.1) is None
        (answer,) = [frame for frame in bench.side.frames if frame.direction == "tx"]
        expected = {
            "7E0/7E8": (0x6E8, "027E00"),
            "18DA10F1/18DAF110": (0x18DAFB10, "027E00"),  # a recorded car answers its own tester FB so
            "6F0:12/612:F0": (0x612, "FB027E00"),
        }[unit]
        assert expected == (answer.arbitration_id, answer.data.hex().upper()[: len(expected[1])])


def test_fd_frames_can_be_wrong_too() -> None:
    with bench_of(car_of("7A0/7A8", can_fd=True)) as bench:
        bench.desk.disturb("7A0/7A8", "wrong_length", more=0xFFF, requests=2)
        assert bench.ask("7A0/7A8", "22F187", timeout=0.2, fd=True) is None
        assert bench.ask("7A0/7A8", "22F190", timeout=0.2, fd=True) is None
        single, first, *_ = [frame.data for frame in bench.side.frames if frame.direction == "tx"]
        assert (b"\x00\xff\x62", b"\x1f\xff\x62") == (single[:3], first[:3])


def test_a_unit_that_loses_its_supply_is_away_and_forgets_what_needs_power(bench: Bench) -> None:
    """The engine's unit keeps its codes only under power; the permanent copy stays."""
    desk = bench.desk
    assert ["43010353"] == ask(desk, ENGINE, "03")
    assert ["5003003201F4"] == ask(desk, ENGINE, "1003")
    desk.disturb(ENGINE, "supply_drop", frames=1, away_ms=300, requests=1)
    tester = Listener(bench.side)
    tester.send(0x7E0, "0322F190")
    first = tester.next()
    assert first is not None
    assert 0x10 == first.data[0]
    tester.send(0x7E0, "300000")
    tester.send(0x7E0, "023E00")
    assert ([], []) == (tester.all(0.1), ask(desk, ENGINE, "3E00"))
    time.sleep(0.3)
    assert (["62F18601"], ["4300"], ["4A010353"]) == (
        ask(desk, ENGINE, "22F186"),
        ask(desk, ENGINE, "03"),
        ask(desk, ENGINE, "0A"),
    )
    assert desk.units[ENGINE].monitors["P0353-13"].fault.has(PENDING) is False


def test_settling_brings_a_unit_without_supply_back(desk: Desk) -> None:
    desk.lose_supply(BRAKE, 60_000)
    assert (False, []) == (desk.hears(BRAKE), ask(desk, BRAKE, "3E00"))
    desk.settle(BRAKE)
    assert ["7E00"] == ask(desk, BRAKE, "3E00")

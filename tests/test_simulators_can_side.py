"""The car's side of a CAN bus: every form of addressing, several testers, physics, and other people's clients."""

from __future__ import annotations

import threading
import time

import can
import pytest
from can_help import LONG, Bench, Listener, bench_of, car_of
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection

import simulators.can_port
import simulators.can_side
import simulators.scenarios
from simulators.can_bus_time import frame_bits
from simulators.can_side import CanSide, Frame, Physics
from simulators.desk import Desk
from simulators.response_times import ResponseTimes
from simulators.scenarios import SCENARIOS

# Source of the forms: ISO 15765-2, N_AI of normal, normal fixed, extended and mixed addressing.
FORMS = [
    "7E0/7E8",
    "18DA10F1/18DAF110",
    "6F0:12/612:F0",
    "18CE10F1:22/18CEF110:22",
    "6F1:05/605",
    "605/6F1:F1",
]
ANSWER = b"\x62\xf1\x90" + LONG
QUIET = 0.15
SOON_S = 10
"""Within this time comes what comes; it ends the wait."""


def told(tester: Listener, count: int, quiet: float = 0.1) -> list[Frame]:
    """So many frames, however long the machine takes, and whatever comes beside them."""
    frames = [tester.next(SOON_S) for _ in range(count)]
    return [frame for frame in frames if frame is not None] + tester.all(quiet)


@pytest.mark.parametrize("unit", FORMS)
def test_can_isotp_reads_a_long_answer_in_every_form_of_addressing(unit: str) -> None:
    with bench_of(car_of(unit)) as bench, bench.asking(unit, blocksize=3, stmin=1) as ask:
        assert ANSWER == ask("22F190")
        assert b"\x62\xf1\x87PART-1\xf1\x90" + LONG == ask("22F187F190")
        assert ANSWER + b"\xf1\x87PART-1" + b"\xf1\x90" + LONG == ask("22F190F187F190")  # a request of two frames
    assert [] == bench.errors == list(bench.side.troubles)


def test_units_behind_one_identifier_are_told_apart_by_their_address_byte() -> None:
    units = ("6F0:12/612:F0", "6F0:40/640:F0")
    with bench_of(car_of(*units)) as bench:
        bench.desk.disturb(units[1], "refuses", code=0x22)
        assert (b"\x7e\x00", b"\x7f\x3e\x22") == (bench.ask(units[0], "3E00"), bench.ask(units[1], "3E00"))
        assert bench.ask("6F0:13/613:F0", "3E00", timeout=QUIET) is None


def test_fd_units_are_asked_and_answer_in_fd_frames_of_64_bytes() -> None:
    unit = "7A0/7A8"
    with bench_of(car_of(unit, can_fd=True)) as bench:
        with bench.asking(unit, fd=True) as ask:
            assert ANSWER == ask("22F190")
        frames = [frame for frame in bench.side.frames if frame.direction == "tx"]
        assert [(True, True, 64), (True, True, 24)] == [(f.is_fd, f.bitrate_switch, len(f.data)) for f in frames]
    assert [] == bench.errors


def test_an_fd_unit_puts_short_answers_into_one_longer_frame() -> None:
    with bench_of(car_of("7A0/7A8", can_fd=True)) as bench:
        assert b"\x62\xf1\x87PART-1" == bench.ask("7A0/7A8", "22F187", fd=True)
        (frame,) = [frame for frame in bench.side.frames if frame.direction == "tx"]
        assert (12, b"\x00\x09\x62") == (len(frame.data), frame.data[:3])  # ISO 15765-2: 00 LL on CAN FD


def test_a_frame_of_the_other_kind_reaches_no_unit() -> None:
    car = car_of("7E0/7E8")
    with bench_of(car) as classic, bench_of(car_of("7A0/7A8", can_fd=True)) as fd:
        assert classic.ask("7E0/7E8", "3E00", timeout=QUIET, fd=True) is None
        assert fd.ask("7A0/7A8", "3E00", timeout=QUIET) is None
        fd.bus.send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=b"\x02\x3e\x00"))
        assert fd.bus.recv(QUIET) is None


@pytest.mark.parametrize(
    ("data", "answered"),
    [
        ("0009" + "19020F" + "00" * 6 + "00" * 3, True),  # nine bytes: heard, and refused for their length
        ("023E0000000000000000", True),  # a length in the first byte, as many clients write it for short ones
        ("0000" + "00" * 10, False),
        ("000B" + "00" * 10, False),
        ("", False),
    ],
)
def test_a_functional_fd_request_is_a_single_frame_of_either_form(data: str, answered: bool) -> None:
    with bench_of(car_of("7A0/7A8", can_fd=True)) as bench:
        bench.bus.send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=bytes.fromhex(data), is_fd=True))
        assert answered is (bench.bus.recv(SOON_S if answered else QUIET) is not None)


def test_everyone_hears_a_functional_request_of_its_own_width_and_form() -> None:
    with bench_of(car_of(*FORMS)) as bench:
        tester = Listener(bench.side)
        tester.send(0x7DF, "023E00")
        assert {0x7E8, 0x6F1} == {frame.arbitration_id for frame in told(tester, 2)}
        tester.send(0x18DB33F1, "023E00", wide=True)
        assert {0x18DAF110} == {frame.arbitration_id for frame in told(tester, 1)}
        tester.send(0x7DF, "12023E00")
        assert {0x612} == {frame.arbitration_id for frame in told(tester, 1)}


def test_a_tester_sees_the_frames_of_others_and_not_its_own() -> None:
    with bench_of(car_of("7E0/7E8")) as bench:
        one, other = Listener(bench.side), Listener(bench.side)
        one.send(0x7E0, "023E00")
        assert [("tx", 0x7E8)] == [(frame.direction, frame.arbitration_id) for frame in told(one, 1)]
        assert [("rx", 0x7E0), ("tx", 0x7E8)] == [(f.direction, f.arbitration_id) for f in told(other, 2)]
        seen = [bench.bus.recv(SOON_S), bench.bus.recv(SOON_S)]  # the door of python-can is a tap like any other
        assert [0x7E0, 0x7E8] == [message.arbitration_id for message in seen if message is not None]


def test_a_tap_that_left_neither_hears_nor_is_heard() -> None:
    with bench_of(car_of("7E0/7E8")) as bench:
        gone, there = Listener(bench.side), Listener(bench.side)
        gone.tap.close()
        gone.tap.close()
        gone.send(0x7E0, "023E00")
        there.send(0x7E0, "023E00")
        assert (1, []) == (len(told(there, 1)), gone.all(0))
        assert (1, 0) == (gone.tap.lost, there.tap.lost)


def test_a_tester_that_cannot_take_a_frame_is_let_go_and_the_bus_goes_on() -> None:
    def choke(_frame: Frame) -> None:
        raise OSError("no room")

    with bench_of(car_of("7E0/7E8")) as bench:
        bench.side.attach(choke)
        good = Listener(bench.side)
        for _ in range(2):
            good.send(0x7E0, "023E00")
            assert good.next(SOON_S) is not None
        assert ["no room"] == [str(trouble) for trouble in bench.side.troubles]


def test_a_mistake_of_one_unit_leaves_the_others_answering(monkeypatch: pytest.MonkeyPatch) -> None:
    with bench_of(car_of("7E0/7E8", "7E1/7E9")) as bench:
        ask = bench.desk.ask

        def stumble(unit: str, request: bytes, *, functional: bool = False) -> object:
            if unit == "7E0/7E8":
                raise KeyError(unit)
            return ask(unit, request, functional=functional)

        monkeypatch.setattr(bench.desk, "ask", stumble)
        assert bench.ask("7E0/7E8", "3E00", timeout=QUIET) is None
        assert b"\x7e\x00" == bench.ask("7E1/7E9", "3E00")
        assert [KeyError] == [type(trouble) for trouble in bench.side.troubles]


@pytest.mark.parametrize("physics", [None, Physics()])
def test_a_tester_that_floods_the_bus_loses_frames_of_its_own(
    physics: Physics | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(simulators.can_side, "_MOST_IN_HAND", 100)
    monkeypatch.setattr(simulators.can_side, "_MOST_ON_THE_WIRE", 100)
    with bench_of(car_of("7E0/7E8"), physics=physics) as bench:
        flooding, calm = Listener(bench.side), Listener(bench.side)
        with bench.desk.lock:  # the bus is held up while it sends
            for _ in range(300):
                flooding.send(0x123, "00")
        assert 199 <= flooding.tap.lost <= 200
        assert {0x123} == {frame.arbitration_id for frame in told(calm, 300 - flooding.tap.lost)}
        calm.send(0x7E0, "023E00")
        assert [0x7E8] == [frame.arbitration_id for frame in told(calm, 1)]


def test_a_hundred_testers_at_once_are_all_answered() -> None:
    units = [f"7{at:02X}/6{at:02X}" for at in range(100)]
    with bench_of(car_of(*units)) as bench:
        testers = [Listener(bench.side) for _ in units]

        def ask(at: int) -> None:
            for _ in range(5):
                testers[at].send(0x700 + at, "023E00")

        threads = [threading.Thread(target=ask, args=(at,)) for at in range(len(units))]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        counts = [0] * len(units)
        for at, tester in enumerate(testers):
            while counts[at] < 5 and (frame := tester.next(10)) is not None:
                counts[at] += frame.arbitration_id == 0x600 + at
        for at, tester in enumerate(testers):
            counts[at] += sum(frame.arbitration_id == 0x600 + at for frame in tester.all(0))
        assert [5] * 100 == counts


def test_a_unit_asked_more_than_it_can_ever_answer_loses_requests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(simulators.can_port, "_MOST_WAITING", 10)
    with bench_of(car_of("7E0/7E8")) as bench:
        bench.desk.disturb("7E0/7E8", "late", ms=100)
        tester = Listener(bench.side)
        with bench.desk.lock:  # the unit gets no further while it is asked
            for _ in range(50):
                tester.send(0x7E0, "023E00")
        assert 10 == len(told(tester, 10, quiet=0.3))


def test_a_unit_asked_anew_no_longer_says_that_an_old_answer_is_to_come() -> None:
    with bench_of(car_of("7E0/7E8")) as bench:
        tester = Listener(bench.side)
        bench.desk.disturb("7E0/7E8", "endless_pending", every_ms=20, requests=1)
        tester.send(0x7E0, "023E00")
        assert tester.next(SOON_S) is not None
        assert tester.next(SOON_S) is not None
        tester.send(0x7E0, "023E00")
        while (frame := tester.next(SOON_S)) is not None and frame.data[:3] != b"\x02\x7e\x00":
            pass
        assert frame is not None
        assert [] == tester.all()


def test_garbage_on_the_bus_stops_nothing() -> None:
    with bench_of(car_of("7E0/7E8", "6F0:12/612:F0")) as bench:
        tester = Listener(bench.side)
        for first in range(256):
            for can_id in (0x7E0, 0x7DF, 0x6F0):
                tester.tap.send(Frame("rx", can_id, False, bytes([first, 0xFF, 0x02])))
                tester.tap.send(Frame("rx", can_id, False, bytes([first])))
        tester.tap.send(Frame("rx", 0x7E0, False, b""))
        tester.all(1.0)
        tester.send(0x7E0, "023E00")
        assert b"\x02\x7e\x00" == told(tester, 1)[0].data[:3]
    kinds = {"InvalidCanDataError", "UnexpectedConsecutiveFrameError", "UnexpectedFlowControlError"}
    assert kinds <= {type(trouble).__name__ for trouble in bench.side.troubles}


# Other people's clients, with physics and without.


def read_faults(bench: Bench, unit: str) -> dict[int, int]:
    """What udsoncan's client lists."""
    stack = bench.stack(unit, blocksize=4, stmin=1)
    with Client(PythonIsoTpConnection(stack), request_timeout=3) as client:
        dtcs = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
    return {dtc.id: dtc.status.get_byte_as_int() for dtc in dtcs}


def test_udsoncan_reads_the_same_faults_with_physics_and_without() -> None:
    units = [spec.address for spec in SCENARIOS["warning-lamps"].units if spec.speaks_uds]
    with bench_of() as quick, bench_of(physics=Physics(), times=ResponseTimes(slow_one_in=3)) as real:
        faults = {unit: read_faults(quick, unit) for unit in units}
        assert faults == {unit: read_faults(real, unit) for unit in units}
        memory = {unit: [status for status in map(built.status, built.monitors) if status]
                  for unit, built in quick.desk.units.items() if unit in units}  # fmt: skip
        assert memory == {unit: list(found.values()) for unit, found in faults.items()}
    assert [] == quick.errors == real.errors
    assert [] == list(quick.side.troubles) == list(real.side.troubles)


# Physics.


@pytest.mark.parametrize("bitrate", [500_000, 50_000])
def test_frames_take_their_time_on_the_wire(bitrate: int) -> None:
    physics = Physics(bitrate=bitrate)
    with bench_of(car_of("7E0/7E8"), physics=physics) as bench:
        tester = Listener(bench.side)
        question = Frame("rx", 0x7E0, False, bytes.fromhex("023E000000000000"))
        over_ns = []
        for _ in range(5):
            begin_ns = time.monotonic_ns()
            tester.tap.send(question)
            answer = tester.next(SOON_S)
            spent_ns = time.monotonic_ns() - begin_ns
            assert answer is not None
            least_ns = sum(sum(frame_bits(frame)) for frame in (question, answer)) * 1_000_000_000 // bitrate
            over_ns.append(spent_ns - least_ns)
        assert 0 <= min(over_ns) < 20_000_000  # the machine may hold up one or the other of them


def test_a_unit_asks_for_long_requests_in_blocks_of_its_own() -> None:
    physics = Physics()
    units = [f"7{at:02X}/6{at:02X}" for at in range(40)]
    wanted = {unit: physics.manner(seed=1, unit=unit) for unit in units}
    unit = next(unit for unit, manner in wanted.items() if manner.block_size and manner.stmin)
    with bench_of(car_of(*units), physics=physics) as bench:
        request = "22" + "F187" * 30  # nine frames
        answer = bench.ask(unit, request, timeout=SOON_S)
        assert b"\x62" + b"\xf1\x87PART-1" * 30 == answer
        flow = [f.data for f in bench.side.frames if f.direction == "tx" and f.data[0] >> 4 == 3]
        manner = wanted[unit]
        assert {bytes([0x30, manner.block_size, manner.stmin])} == {data[:3] for data in flow}
        assert 1 + (8 - 1) // manner.block_size == len(flow)  # eight consecutive frames
    assert [] == bench.errors


def test_a_slow_unit_says_so_until_it_answers() -> None:
    times = ResponseTimes(
        slow_one_in=1, slow_least_us=120_000, slow_spread_us=1, pending_after_us=30_000, pending_every_us=40_000
    )
    with bench_of(car_of("7E0/7E8"), physics=Physics(), times=times) as bench:
        tester = Listener(bench.side)
        begin_s = time.monotonic()
        tester.send(0x7E0, "0322F187")
        heard = [frame.data[:4] for frame in told(tester, 4, quiet=0.2)]
        spent_s = time.monotonic() - begin_s - 0.2
        assert [bytes.fromhex("037F2278")] * 3 == heard[:3]  # at 30, 70 and 110 ms
        assert bytes.fromhex("100962F1") == heard[3]
        assert spent_s >= 0.12


def test_units_that_are_asked_at_once_answer_in_the_order_of_their_identifiers() -> None:
    units = [f"7{at:02X}/6{at:02X}" for at in (9, 3, 7, 1, 5)]
    with bench_of(car_of(*units), physics=Physics(bitrate=20_000)) as bench:
        tester = Listener(bench.side)
        tester.send(0x7DF, "023E00")
        heard = [frame.arbitration_id for frame in told(tester, 5)]
        assert [0x601, 0x603, 0x605, 0x607, 0x609] == heard


def test_the_load_of_the_bus_is_told() -> None:
    with bench_of(car_of("7E0/7E8"), physics=Physics(bitrate=20_000)) as bench:
        tester = Listener(bench.side)
        until_s = time.monotonic() + SOON_S
        low = True
        while low and time.monotonic() < until_s:  # until the traffic outweighs what the machine took before it
            for _ in range(100):
                tester.send(0x123, "00")
            time.sleep(0.2)
            load = bench.side.load()
            assert load is not None
            low = min(load.last_second, load.whole) <= 80
        assert not low
        assert max(load.last_second, load.whole) <= 100
    with bench_of(car_of("7E0/7E8")) as bench:
        assert bench.side.load() is None


def test_a_unit_without_its_plug_takes_no_part_in_the_traffic() -> None:
    with bench_of(car_of("7E0/7E8", "7E1/7E9")) as bench:
        bench.desk.act("disconnect", plug="7E0/7E8")
        tester = Listener(bench.side)
        tester.send(0x7E0, "100922F187F187F187")  # not even a flow control
        tester.send(0x7DF, "023E00")
        assert [0x7E9] == [frame.arbitration_id for frame in told(tester, 1)]


def test_a_closed_bus_takes_nothing_and_may_be_closed_again() -> None:
    before = set(threading.enumerate())
    side = CanSide(Desk(car_of("7E0/7E8")))
    tester = Listener(side)
    side.close()
    side.close()
    tester.send(0x7E0, "023E00")
    assert 1 == tester.tap.lost
    assert set(threading.enumerate()) <= before


@pytest.mark.parametrize("physics", [None, Physics()])
@pytest.mark.parametrize(("length", "is_fd"), [(9, False), (65, True)])
def test_a_frame_that_no_bus_carries_is_not_taken(physics: Physics | None, length: int, is_fd: bool) -> None:
    # ISO 11898-1: at most 8 data bytes, in an FD frame 64.
    with bench_of(car_of("7E0/7E8"), physics=physics) as bench:
        tester = Listener(bench.side)
        tester.tap.send(Frame("rx", 0x7E0, False, bytes(length), is_fd))
        tester.send(0x7E0, "023E00")
        assert [b"\x02\x7e\x00"] == [frame.data[:3] for frame in told(tester, 1)]
        assert (1, []) == (tester.tap.lost, list(bench.side.troubles))

"""The bench on its bus, read by other people's programs: udsoncan's client, can-isotp, scapy's layers."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import entry_points
from itertools import pairwise

import can
import isotp
import pytest
from scapy.contrib.automotive.obd.obd import OBD
from scapy.contrib.automotive.uds import UDS
from scapy.packet import NoPayload, Packet, Padding, Raw
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection
from udsoncan.exceptions import NegativeResponseException

from decoders.values import UnitAddress
from simulators.door import Bench, BenchError, RunningBench
from simulators.scenarios import SCENARIOS

SOON_S = 10
"""Within this time comes what comes; it ends the wait."""
UNITS = SCENARIOS["warning-lamps"].units
UDS_UNITS = [spec.address for spec in UNITS if spec.speaks_uds]
OBD_UNITS = [spec.address for spec in UNITS if spec.speaks_obd]


@pytest.fixture
def bench() -> Iterator[RunningBench]:
    with Bench().start("warning-lamps") as running:
        yield running


@pytest.fixture
def bus(bench: RunningBench) -> Iterator[can.BusABC]:
    channel = bench.links[0].removeprefix("can:virtual:")
    with can.Bus(interface="virtual", channel=channel, ignore_config=True) as opened:
        yield opened


def isotp_address(unit: str) -> isotp.Address:
    address = UnitAddress.parse(unit)
    wide = address.request.is_29_bit
    mode = isotp.AddressingMode.Normal_29bits if wide else isotp.AddressingMode.Normal_11bits
    return isotp.Address(mode, txid=address.request.number, rxid=address.response.number)


@contextmanager
def asking(bus: can.BusABC, unit: str) -> Iterator[Callable[[str], bytes]]:
    """A way to ask one unit through can-isotp, as a tester would."""
    stack = isotp.CanStack(bus, address=isotp_address(unit), params={"tx_padding": 0})

    def ask_unit(request: str) -> bytes:
        stack.send(bytes.fromhex(request))
        answer = stack.recv(block=True, timeout=SOON_S)
        assert answer is not None
        return bytes(answer)

    stack.start()
    try:
        yield ask_unit
    finally:
        stack.stop()


def ask(bus: can.BusABC, unit: str, request: str) -> bytes:
    with asking(bus, unit) as ask_unit:
        return ask_unit(request)


def single(request: str) -> bytes:
    raw = bytes.fromhex(request)
    return (bytes([len(raw)]) + raw).ljust(8, b"\0")


def broadcast(bus: can.BusABC, request: str, can_id: int = 0x7DF, *, from_at_least: int = 0) -> dict[int, bytes]:
    """A functional single frame and the first frame that each unit answers with; waits for so many at least."""
    bus.send(can.Message(arbitration_id=can_id, is_extended_id=can_id > 0x7FF, data=single(request)))
    heard: dict[int, bytes] = {}
    while (frame := bus.recv(SOON_S if len(heard) < from_at_least else 0.15)) is not None:
        heard[frame.arbitration_id] = bytes(frame.data)
    return heard


@pytest.mark.parametrize("unit", UDS_UNITS)
def test_udsoncans_client_reads_what_the_units_remember(bench: RunningBench, bus: can.BusABC, unit: str) -> None:
    built = bench.car.units[unit]
    memory = {code: built.status(code) for code in built.monitors}
    stack = isotp.CanStack(bus, address=isotp_address(unit), params={"blocksize": 2})
    with Client(PythonIsoTpConnection(stack), request_timeout=SOON_S) as client:
        listed = client.get_dtc_by_status_mask(0xFF).service_data
        shown = {dtc.id: dtc.status.get_byte_as_int() for dtc in listed.dtcs}
        expected = {code: status for code, status in memory.items() if status}
        assert {number(code): status for code, status in expected.items()} == shown
        assert built.spec.mask == listed.status_availability.get_byte_as_int()
        if not built.spec.lists_supported:
            with pytest.raises(NegativeResponseException):
                client.get_supported_dtc()
            return
        supported = client.get_supported_dtc().service_data.dtcs
        known = {number(code): status for code, status in memory.items()}
        assert known == {dtc.id: dtc.status.get_byte_as_int() for dtc in supported}


def number(code: str) -> int:
    """A code's three bytes as udsoncan numbers it, spelt out by SAE J2012."""
    return "PCBU".index(code[0]) << 22 | int(code[1]) << 20 | int(code[2:5], 16) << 8 | int(code[6:], 16)


def leftovers(packet: Packet) -> list[str]:
    """What a dissection could not place."""
    layers: list[str] = []
    while not isinstance(packet, NoPayload):
        if isinstance(packet, Padding) or (isinstance(packet, Raw) and layers != ["UDS", "UDS_RDBIPR"]):
            layers.append(f"left over: {bytes(packet).hex()}")
        layers.append(type(packet).__name__)
        packet = packet.payload
    return [name for name in layers if name.startswith("left over")]


@pytest.mark.parametrize("unit", UDS_UNITS)
def test_scapy_dissects_every_uds_answer(bench: RunningBench, bus: can.BusABC, unit: str) -> None:
    codes = [f"{number(code):06X}" for code in bench.car.units[unit].monitors]
    records = [f"19{kind}{code}FF" for code in codes for kind in ("04", "06")]
    identity = ["22F190", "22F187", "22F18C", "22F195", "221105"]
    lists = ["1901FF", "1902FF", "1903", "190A", "1915"]
    requests = ["1001", "1003", "3E00", *identity, *lists, *records, "14999999", "14FFFFFF", "8502"]
    with asking(bus, unit) as ask_unit:
        answers = [ask_unit(request) for request in requests]
    for request, answer in zip(requests, answers, strict=True):
        packet = UDS(answer)
        assert (answer, []) == (bytes(packet), leftovers(packet))
        assert answer[0] in (0x7F, int(request[:2], 16) + 0x40)
        assert packet.sprintf("%UDS.service%").endswith(("PositiveResponse", "NegativeResponse"))


@pytest.mark.parametrize("unit", OBD_UNITS)
def test_scapy_dissects_every_obd_answer(bench: RunningBench, bus: can.BusABC, unit: str) -> None:
    parameters = [f"01{number_:02X}" for number_ in bench.car.units[unit].spec.parameters]
    information = ["0900", "0902", "0904", "0906", "090A"]
    bitmaps = ["0100", "0120", "0140"]
    requests = [*bitmaps, *parameters, "0166", "01013031", "03", "07", "0A", *information, "04"]
    with asking(bus, unit) as ask_unit:
        answers = [ask_unit(request) for request in requests]
    for request, answer in zip(requests, answers, strict=True):
        packet = OBD(answer)
        assert (answer, []) == (bytes(packet), leftovers(packet))
        assert answer[0] in (0x7F, int(request[:2], 16) + 0x40)


def test_scapy_reads_the_values_that_the_bench_meant(bench: RunningBench, bus: can.BusABC) -> None:
    bench.act("start_engine")
    bench.act("drive", kmh=62, seconds=60)
    records = OBD(ask(bus, "7E0/7E8", "010C0D051F42")).data_records
    world = bench.world
    expected = [world.rpm, world.speed_kmh, world.coolant_c, world.run_s, world.supply_mv / 1000]
    assert expected == [pytest.approx(float(record.payload.data)) for record in records]


def test_units_of_one_width_hear_a_functional_request(bus: can.BusABC) -> None:
    narrow = {UnitAddress.parse(unit).response.number for unit in UDS_UNITS if unit[3] == "/"}
    assert narrow == set(broadcast(bus, "3E00", from_at_least=len(narrow)))
    assert {0x18DAF128, 0x18DAF160} == set(broadcast(bus, "3E00", 0x18DB33F1, from_at_least=2))


def test_only_obd_units_answer_an_obd_broadcast_and_refusals_stay_away(bus: can.BusABC) -> None:
    assert {0x7E8, 0x7E9, 0x7EA} == set(broadcast(bus, "0101", from_at_least=3))
    assert {0x7E8, 0x7EA} == set(broadcast(bus, "0A", from_at_least=2))  # 11 is suppressed: ISO 14229-1
    assert broadcast(bus, "0A", 0x18DB33F1) == {}


@pytest.mark.parametrize("frame", ["", "00", "0801020304050607", "0401", "10140101", "2101", "300000"])
def test_what_is_no_single_frame_is_ignored_by_all(bus: can.BusABC, frame: str) -> None:
    bus.send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=bytes.fromhex(frame)))
    assert bus.recv(0.1) is None  # ISO 15765-2: wrong lengths are ignored, functional requests are single


def test_an_identifier_of_the_other_width_or_unknown_reaches_nobody(bus: can.BusABC) -> None:
    for can_id, wide in ((0x7E0, True), (0x7D0, False), (0x7DF, True)):
        bus.send(can.Message(arbitration_id=can_id, is_extended_id=wide, data=single("3E00")))
    assert bus.recv(0.1) is None


def test_remote_frames_reach_nobody(bus: can.BusABC) -> None:
    bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, is_remote_frame=True))
    assert bus.recv(0.1) is None


def test_the_units_keep_to_the_testers_flow_control(bus: can.BusABC) -> None:
    """Block size 2 and a separation time of 5 ms: ISO 15765-2, flow control."""
    bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=single("190A")))
    first = bus.recv(SOON_S)
    assert first is not None
    total = (first.data[0] & 0x0F) << 8 | first.data[1]
    body, expected = bytes(first.data[2:]), 1
    gaps: list[float] = []
    while len(body) < total:
        assert bus.recv(0.03) is None  # nothing more before the tester says so
        bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=bytes.fromhex("300205")))
        stamps = []
        for _ in range(min(2, -(-(total - len(body)) // 7))):
            frame = bus.recv(SOON_S)
            assert frame is not None
            assert 0x20 | expected % 16 == frame.data[0]
            expected += 1
            body += bytes(frame.data[1:])
            stamps.append(frame.timestamp)
        gaps += [late - early for early, late in pairwise(stamps)]
    assert body[:3] == b"\x59\x0a\xff"
    # Behind a frame that the machine held up the next one may come sooner: it goes when it is due.
    assert len(gaps) >= 3
    assert sorted(gaps)[len(gaps) // 2] >= 0.0045


def test_a_request_in_several_frames_is_put_together(bus: can.BusABC) -> None:
    answer = ask(bus, "760/768", "22F186F187F189F18C")
    assert answer == b"\x62\xf1\x86\x01\xf1\x87HV-2100-11\xf1\x8907.03\xf1\x8c44100952"


def test_every_frame_has_eight_bytes_and_is_logged(bench: RunningBench, bus: can.BusABC) -> None:
    ask(bus, "18DA28F1/18DAF128", "22F186")
    assert (
        [
            ("rx", 0x18DA28F1, True, bytes.fromhex("0322F186")),
            ("tx", 0x18DAF128, True, bytes.fromhex("0462F18601AAAAAA")),  # ISO 15765-4: always 8 data bytes
        ]
        == [
            (f.direction, f.arbitration_id, f.is_extended, f.data[: 4 if f.direction == "rx" else 8])
            for f in bench.frames
        ]
    )


def test_the_bus_is_silent_while_the_key_is_off(bench: RunningBench, bus: can.BusABC) -> None:
    bench.act("key_off")
    assert (broadcast(bus, "3E00"), broadcast(bus, "3E00", 0x18DB33F1)) == ({}, {})
    bench.act("key_on")
    assert ask(bus, "760/768", "3E00") == b"\x7e\x00"


def test_turning_the_key_off_ends_an_answer_under_way(bench: RunningBench, bus: can.BusABC) -> None:
    bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=single("190A")))
    assert bus.recv(SOON_S) is not None
    bench.act("key_off")
    deadline_s = time.monotonic() + SOON_S
    while bench.busy and time.monotonic() < deadline_s:
        assert bus.recv(0.01) is None
    assert not bench.busy
    bench.act("key_on")
    assert ask(bus, "7E0/7E8", "3E00") == b"\x7e\x00"


def test_an_answer_nobody_takes_leaves_the_unit_usable(bench: RunningBench, bus: can.BusABC) -> None:
    bus.send(can.Message(arbitration_id=0x760, is_extended_id=False, data=single("22F190")))
    assert bus.recv(SOON_S) is not None
    deadline_s = time.monotonic() + SOON_S
    while bench.busy and time.monotonic() < deadline_s:  # N_Bs, 1000 ms: ISO 15765-2
        assert bus.recv(0.05) is None
    assert ask(bus, "760/768", "3E00") == b"\x7e\x00"
    assert [type(trouble).__name__ for trouble in bench.troubles] == ["FlowControlTimeoutError"]


def test_an_answer_comes_within_a_few_milliseconds(bus: can.BusABC) -> None:
    spans = []
    for _ in range(50):
        start_s = time.perf_counter()
        bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=single("010C")))
        assert bus.recv(SOON_S) is not None
        spans.append(time.perf_counter() - start_s)
    assert sorted(spans)[5] < 0.01  # of fifty: the others the machine may have held up


def test_starting_and_stopping_leaves_no_thread_behind() -> None:
    before = set(threading.enumerate())
    start_s = time.monotonic()
    links: set[str] = set()
    for _ in range(50):
        with Bench().start("warning-lamps") as running:
            links.update(running.links)
    assert time.monotonic() - start_s < 20
    assert set(threading.enumerate()) <= before
    assert 50 == len(links)


def test_closing_takes_less_than_half_a_second_and_may_be_repeated() -> None:
    spans_s = []
    for _ in range(3):
        running = Bench().start("warning-lamps")
        start_s = time.monotonic()
        running.close()
        running.close()
        spans_s.append(time.monotonic() - start_s)
    assert min(spans_s) < 0.5  # the machine itself may stop for as long, but not each time


def test_the_bench_is_found_by_its_entry_point() -> None:
    (entry,) = entry_points(group="mendproof.bench")
    assert "warning-lamps" in entry.load()().scenarios()


def test_an_unknown_scenario_names_the_known_ones() -> None:
    for attempt in (Bench().start, Bench().profile_text):
        with pytest.raises(BenchError, match=r"unknown scenario 'nothing'; known: .*, warning-lamps"):
            attempt("nothing")


def test_the_truth_is_told_to_tests_alone(bench: RunningBench) -> None:
    assert bench.scenario == "warning-lamps"
    assert (bench.truth("front_left_speed_sensor"), bench.truth("brake_pump")) == (False, True)
    bench.act("repair", component="front_left_speed_sensor")
    assert bench.truth("front_left_speed_sensor")
    with pytest.raises(BenchError, match="no part 'flux'"):
        bench.truth("flux")

"""python-OBD, unmodified, at the bench's dongles: what it reads, and what it makes of a cheap dongle's faults.

Where it reads something wrong the test says so; the right answer is what the car's units said at the desk.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack

import obd
import pytest
import serial
from obd import OBDCommand, OBDStatus
from obd.protocols import ECU

from simulators.car import Car
from simulators.desk import Desk, Reply
from simulators.dongle import DongleDoor, DonglePty
from simulators.scenarios import SCENARIOS
from simulators.unit import Unit

ENGINE, GEARS, EXHAUST = "7E0/7E8", "7E1/7E9", "7E2/7EA"
WIDE = "18DA10F1/18DAF110"
STORED, PENDING, PERMANENT = "03", "07", "0A"


class SlowDesk(Desk):
    """A desk at which a unit can be made to say first that its answer is still to come."""

    slow: frozenset[str] = frozenset()

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        replies = super().ask(unit, request, functional=functional)
        if unit not in self.slow or not replies:
            return replies
        return (Reply(data=bytes([0x7F, request[0], 0x78])), Reply(data=replies[0].data, after_us=100_000))


class WideDesk(Desk):
    """A desk of a car whose one unit, the engine's, is asked by 29-bit identifiers."""

    @property
    def units(self) -> Mapping[str, Unit]:
        return {WIDE: super().units[ENGINE]}

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        return super().ask({WIDE: ENGINE}[unit], request, functional=functional)


class Shop:
    """A car with dongles of every kind, each with python-OBD at it."""

    def __init__(self, stack: ExitStack) -> None:
        self.desk, self.wide, asleep = SlowDesk(a_car()), WideDesk(a_car()), Desk(a_car())
        asleep.act("key_off")
        self.door = stack.enter_context(DongleDoor(self.desk))
        doors = {
            "tcp": (self.door, None),
            "pty": (stack.enter_context(DonglePty(self.desk)), "6"),
            "asleep": (stack.enter_context(DongleDoor(asleep)), "6"),
            "29 bit": (stack.enter_context(DongleDoor(self.wide)), "7"),
        }
        with ThreadPoolExecutor() as pool:
            opened = pool.map(lambda item: connected(*item), doors.values())
            self.at = dict(zip(doors, opened, strict=True))
        for connection in self.at.values():
            stack.callback(connection.close)

    def said(self, request: str, *units: str) -> dict[int, bytes]:
        """What the units say at the desk, by python-OBD's number of a unit; nothing from those that keep quiet."""
        replies = {unit: self.desk.ask(unit, bytes.fromhex(request), functional=True) for unit in units}
        return {int(unit[-1], 16) - 8: replies[unit][-1].data for unit in units if replies[unit]}


def connected(door: DongleDoor | DonglePty, protocol: str | None) -> obd.OBD:
    return obd.OBD(door.link.removeprefix("dongle:"), protocol=protocol, fast=False)


def a_car() -> Car:
    return SCENARIOS["warning-lamps"].new_car(1)


@pytest.fixture(scope="module")
def opened() -> Iterator[Shop]:
    with ExitStack() as stack:
        yield Shop(stack)


@pytest.fixture
def shop(opened: Shop) -> Iterator[Shop]:
    yield opened
    opened.door.settle()
    opened.desk.slow = frozenset()


@pytest.fixture(params=["tcp", "pty"])
def reader(shop: Shop, request: pytest.FixtureRequest) -> obd.OBD:
    """python-OBD at the same car, through one door and through the other."""
    return shop.at[request.param]


def raw(response: obd.OBDResponse) -> dict[int, bytes]:
    """The messages as python-OBD put them together, by unit."""
    return {message.tx_id: bytes(message.data) for message in response.messages}


def vin_of(response: obd.OBDResponse) -> dict[int, bytes]:
    """The messages without the two bytes 00 with which python-OBD fills them up; on CAN they are 20 long."""
    assert {b"\0\0"} == {data[20:] for data in raw(response).values()}
    return {unit: data[:20] for unit, data in raw(response).items()}


def code_texts(answer: bytes) -> set[str]:
    """Codes of an answer to 03, 07 or 0A. Source: SAE J2012, code structure; SAE J1979, the count on CAN."""
    pairs = [answer[at : at + 2] for at in range(2, 2 + 2 * answer[1], 2)]
    return {f"{'PCBU'[a >> 6]}{a >> 4 & 3}{a & 15:X}{b:02X}" for a, b in pairs}


# --- reading ---


def test_python_obd_finds_the_car_through_every_door(shop: Shop) -> None:
    found = {name: (connection.status(), connection.protocol_id()) for name, connection in shop.at.items()}
    expected = {
        "tcp": (OBDStatus.CAR_CONNECTED, "6"),  # found by a search
        "pty": (OBDStatus.CAR_CONNECTED, "6"),
        "asleep": (OBDStatus.OBD_CONNECTED, ""),  # the supply is there, the key is off
        "29 bit": (OBDStatus.CAR_CONNECTED, "7"),
    }
    assert expected == found


@pytest.mark.parametrize("service", [STORED, PENDING, PERMANENT])
def test_it_reads_the_codes_that_the_units_list(shop: Shop, reader: obd.OBD, service: str) -> None:
    command = OBDCommand("codes", "", service.encode(), 0, obd.decoders.dtc, ECU.ALL, False)
    said = shop.said(service, ENGINE, GEARS, EXHAUST)
    response = reader.query(command, force=True)
    assert said == raw(response)
    assert {0, 2} <= set(said)
    assert set().union(*map(code_texts, said.values())) == {code for code, _text in response.value}


def test_it_reads_readiness(shop: Shop, reader: obd.OBD) -> None:
    said = shop.said("0101", ENGINE, GEARS, EXHAUST)
    response = reader.query(obd.commands.STATUS)
    # SAE J1979, 01 01: lamp in bit 7 of A, number of codes below it
    assert said[0][2] == response.value.DTC_count | response.value.MIL << 7
    assert {0: said[0]} == raw(response)  # of the three units it keeps the engine alone


def test_it_reads_the_vehicle_identification_number(shop: Shop, reader: obd.OBD) -> None:
    response = reader.query(obd.commands.VIN)
    assert shop.said("0902", ENGINE) == vin_of(response)
    assert 17 == len(response.value)


VALUES: list[tuple[str, Callable[[bytes], float]]] = [
    ("COOLANT_TEMP", lambda data: data[0] - 40),  # SAE J1979, 01 05, 0C, 0D, 42
    ("RPM", lambda data: (data[0] << 8 | data[1]) / 4),
    ("SPEED", lambda data: data[0]),
    ("CONTROL_MODULE_VOLTAGE", lambda data: (data[0] << 8 | data[1]) / 1000),
]


@pytest.mark.parametrize(("name", "meaning"), VALUES)
def test_it_reads_live_values(shop: Shop, reader: obd.OBD, name: str, meaning: Callable[[bytes], float]) -> None:
    command = obd.commands[name]
    said = shop.said(command.command.decode(), ENGINE)
    response = reader.query(command)
    assert said == raw(response)
    assert meaning(said[0][2:]) == pytest.approx(response.value.magnitude)


def test_it_reads_a_29_bit_car(shop: Shop) -> None:
    reader = shop.at["29 bit"]
    codes, vin = (shop.wide.ask(WIDE, request, functional=True)[0].data for request in (b"\x03", b"\x09\x02"))
    # The unit's number in 29-bit identifiers is the source address: ISO 15765-4, 18DAF1xx
    assert {0x10: codes} == raw(reader.query(obd.commands.GET_DTC))
    assert {0x10: vin} == vin_of(reader.query(obd.commands.VIN))


def test_its_header_asks_one_unit_and_its_next_command_no_longer_everyone(shop: Shop) -> None:
    reader, codes = shop.at["pty"], obd.commands.GET_DTC
    to_gears = OBDCommand("codes", "", b"03", 0, obd.decoders.dtc, ECU.ALL, False, b"7E1")
    everyone = shop.said(STORED, ENGINE, GEARS, EXHAUST)
    assert {1: everyone[1]} == raw(reader.query(to_gears, force=True))
    # python-OBD goes back to 7E0 instead of 7DF: from now on it reads the engine alone.
    assert {0: everyone[0]} == raw(reader.query(codes))
    reader.interface.send_and_parse(b"ATSH7DF")
    assert everyone == raw(reader.query(codes))


# --- faults of cheap dongles: which of python-OBD's values they make wrong ---


def test_no_data_looks_like_no_codes(shop: Shop) -> None:
    shop.door.disturb("no_data", request=STORED)
    response = shop.at["tcp"].query(obd.commands.GET_DTC)
    assert ["NO DATA"] == [message.raw() for message in response.messages]
    assert ([], False) == (response.value, response.is_null())  # wrong: nothing was read


def test_a_refused_header_is_not_noticed(shop: Shop) -> None:
    shop.door.disturb("refused_header")
    to_gears = OBDCommand("codes", "", b"03", 0, obd.decoders.dtc, ECU.ALL, False, b"7E1")
    response = shop.at["tcp"].query(to_gears, force=True)
    assert shop.said(STORED, ENGINE, GEARS, EXHAUST) == raw(response)  # wrong: one unit was to be asked


def test_a_duplicated_line_takes_the_unit_away(shop: Shop) -> None:
    shop.door.disturb("duplicated_line")
    response = shop.at["tcp"].query(obd.commands.COOLANT_TEMP)
    assert response.is_null()
    assert 0 not in raw(response)


def test_a_stale_frame_takes_the_unit_away(shop: Shop) -> None:
    reader = shop.at["tcp"]
    reader.query(OBDCommand("engine", "", b"010C", 0, obd.decoders.noop, ECU.ALL, False), force=True)
    reader.query(obd.commands.VIN)  # its last frame is the engine's
    shop.door.disturb("stale_frame")
    assert reader.query(obd.commands.COOLANT_TEMP).is_null()


def test_a_lost_frame_takes_only_that_unit_away(shop: Shop) -> None:
    reader, everyone = shop.at["tcp"], shop.said("0904", ENGINE, GEARS, EXHAUST)
    calibration = OBDCommand("calibration", "", b"0904", 0, obd.decoders.noop, ECU.ALL, False)
    assert everyone == raw(reader.query(calibration, force=True))
    assert {0: 19, 1: 19, 2: 19} == {unit: len(data) for unit, data in everyone.items()}  # three frames each
    shop.door.disturb("lost_frame", nth=5)  # first frames of 0, 1 and 2, then the second one of 0, of 1
    assert {0: everyone[0], 2: everyone[2]} == raw(reader.query(calibration, force=True))


def test_a_lost_last_frame_makes_a_number_short(shop: Shop) -> None:
    shop.door.disturb("lost_frame", nth=3)
    response = shop.at["tcp"].query(obd.commands.VIN)
    assert shop.said("0902", ENGINE)[0][3:13] == bytes(response.value)  # wrong: ten of seventeen characters


def test_a_cut_line_becomes_a_wrong_value(shop: Shop) -> None:
    shop.door.disturb("cut_line", characters=12)  # 7E8 03 41 05: the temperature itself is gone
    response = shop.at["tcp"].query(obd.commands.COOLANT_TEMP)
    assert shop.said("0105", ENGINE)[0][2] - 40 != -40
    assert -40 == response.value.magnitude  # wrong: what is missing is taken for 00


def test_dropped_characters_lose_the_number(shop: Shop) -> None:
    shop.door.disturb("dropped_characters", seed=1, one_in=8)
    response = shop.at["tcp"].query(obd.commands.VIN)
    assert shop.said("0902", ENGINE) != raw(response)
    assert response.is_null()


@pytest.mark.parametrize("kind", ["late_prompt", "answer_delay", "closing_wait"])
def test_it_waits_for_a_slow_dongle(shop: Shop, kind: str) -> None:
    shop.door.disturb(kind, ms=300)
    began_s = time.monotonic()
    assert shop.said("0902", ENGINE) == vin_of(shop.at["tcp"].query(obd.commands.VIN))
    assert 0.3 <= time.monotonic() - began_s < 5


def test_a_dongle_that_closes_too_early_loses_long_answers(shop: Shop) -> None:
    shop.door.disturb("closing_wait", ms=0)
    assert shop.at["tcp"].query(obd.commands.VIN).is_null()


def test_a_full_buffer_makes_a_number_short(shop: Shop) -> None:
    shop.door.disturb("small_buffer", lines=2)
    response = shop.at["tcp"].query(obd.commands.VIN)
    assert shop.said("0902", ENGINE)[0][3:13] == bytes(response.value)  # wrong, and BUFFER FULL is not among it
    assert [0] == [message.tx_id for message in response.messages]


def test_response_pending_takes_the_unit_away_unless_the_dongle_is_impatient(shop: Shop) -> None:
    reader = shop.at["tcp"]
    everyone = shop.said(STORED, ENGINE, GEARS, EXHAUST)
    shop.desk.slow = frozenset({EXHAUST})
    assert 2 not in raw(reader.query(obd.commands.GET_DTC))  # wrong: 7F 03 78 and the answer are two frames
    assert {0, 1} <= set(everyone)
    shop.door.disturb("impatient")
    assert bytes.fromhex("7F0378") == raw(reader.query(obd.commands.GET_DTC))[2]


def test_a_silent_dongle_still_counts_as_connected(shop: Shop) -> None:
    reader = shop.at["tcp"]
    (port,) = [part for part in vars(reader.interface).values() if isinstance(part, serial.SerialBase)]
    shop.door.disturb("silent")
    port.timeout = 0.02  # python-OBD itself waits ten seconds, up to twelve times
    response = reader.query(obd.commands.RPM)
    port.timeout = 10
    assert response.is_null()
    assert OBDStatus.CAR_CONNECTED == reader.status()
    shop.door.settle()
    assert not reader.query(obd.commands.RPM).is_null()


def test_a_clear_looks_the_same_whether_refused_or_carried_out(shop: Shop) -> None:
    reader = shop.at["29 bit"]
    shop.wide.act("start_engine")
    refused = reader.query(obd.commands.CLEAR_DTC)
    shop.wide.act("stop_engine")
    carried_out = reader.query(obd.commands.CLEAR_DTC)
    # SAE J1979, service 04 on CAN: 44, or 7F 04 22 while the engine runs
    assert [{0x10: b"\x7f\x04\x22"}, {0x10: b"\x44"}] == [raw(refused), raw(carried_out)]
    assert refused.value is carried_out.value is None  # wrong: only the bytes tell them apart

"""The scenario "warning-lamps": how the car comes in, and what becomes of it."""

from __future__ import annotations

import tomllib

import pytest

from simulators.answering import answer
from simulators.car import Car
from simulators.door import Bench
from simulators.monitors import When
from simulators.scenarios import SCENARIOS

STORY = SCENARIOS["warning-lamps"]
UNITS, VIN = STORY.units, STORY.vehicle.vin
WHEEL_SENSOR = "front_left_speed_sensor"
FAULTS = [
    ("760/768", "C0035-13", 0xAF),  # fails now and in this cycle, confirmed, lamp
    ("730/738", "U0415-81", 0x6D),  # failed in its last run, not run since the key was turned
    ("7E1/7E9", "U0415-00", 0x6D),
    ("7E0/7E8", "P0353-13", 0xEC),  # passed in its last run; pending, confirmed, lamp
    ("740/748", "B1B3A-77", 0x2F),
    ("720/728", "B2A10-00", 0x2F),
    ("18DA60F1/18DAF160", "B1D05-15", 0x28),
    ("750/758", "B1C22-12", 0x28),
]


@pytest.fixture
def car() -> Car:
    return STORY.new_car(1)


def status(car: Car, unit: str, code: str) -> int:
    return car.units[unit].status(code)


def clear_everything(car: Car) -> None:
    for unit in car.units.values():
        request = b"\x14\xff\xff\xff" if unit.spec.speaks_uds else b"\x04"
        assert answer(unit, request, car.world) in ([b"\x54"], [b"\x44"])


def key_cycle(car: Car) -> None:
    car.act("key_off")
    car.act("wait", seconds=65)
    car.act("key_on")


def test_the_statuses_at_the_start(car: Car) -> None:
    assert [byte for _, _, byte in FAULTS] == [status(car, unit, code) for unit, code, _ in FAULTS]
    assert (car.world.key_on, car.world.engine_on, car.world.coolant_c) == (True, False, 14)


def test_nothing_else_is_a_fault_at_the_start(car: Car) -> None:
    known = {(unit, code) for unit, code, _ in FAULTS}
    rest = {
        status(car, address, code)
        for address, unit in car.units.items()
        for code in unit.monitors
        if (address, code) not in known
    }
    assert {0x00, 0x40} == rest  # ran and passed, in this cycle or an earlier one


@pytest.mark.parametrize("unit", ["18DA28F1/18DAF128", "770/778"])
def test_healthy_units_list_none(car: Car, unit: str) -> None:
    assert answer(car.units[unit], b"\x19\x02\xff", car.world) == [b"\x59\x02\xff"]


@pytest.mark.parametrize(("unit", "code"), [("760/768", "C0035-13"), ("730/738", "U0415-81"), ("7E1/7E9", "U0415-00")])
def test_the_wires_faults_were_first_stored_at_a_steady_62(car: Car, unit: str, code: str) -> None:
    first = dict(car.units[unit].monitors[code].fault.first or ())
    # Scaling: SAE J1979 parameters 0D (1 km/h) and 0C (0.25 1/min) behind F40D and F40C.
    assert (first[0xF40D][0], int.from_bytes(first[0xF40C], "big")) == (62, 2046 * 4)
    if 0xF405 in first:
        assert first[0xF404][0] == (35 * 255 + 50) // 100
        assert first[0xF405][0] - 40 >= 70
    assert 84_152 < int.from_bytes(first[0x1105], "big") < car.world.odometer_km


def test_the_vin_is_invented_and_its_check_digit_right() -> None:
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)  # 49 CFR 565.15
    values = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True))
    total = sum(w * (int(c) if c.isdigit() else values[c]) for w, c in zip(weights, VIN, strict=True))
    assert "0123456789X"[total % 11] == VIN[8]
    assert VIN.startswith("ZZ9")


def test_every_unit_that_tells_a_vin_tells_the_same(car: Car) -> None:
    replies = [answer(unit, b"\x22\xf1\x90", car.world)[0] for unit in car.units.values() if unit.spec.speaks_uds]
    assert [b"\x62\xf1\x90" + VIN.encode()] * 10 == replies


def test_what_a_clear_alone_does_and_what_comes_back(car: Car) -> None:
    clear_everything(car)
    assert status(car, "760/768", "C0035-13") == 0x50
    car.act("wait", seconds=4)
    assert [
        status(car, "760/768", "C0035-13"),
        status(car, "730/738", "U0415-81"),
        status(car, "740/748", "B1B3A-77"),
        status(car, "720/728", "B2A10-00"),
    ] == [0xAF, 0x50, 0x2F, 0x2F]
    car.act("start_engine")
    car.act("drive", kmh=62, seconds=40)
    assert status(car, "730/738", "U0415-81") == 0x27


def test_after_the_repair_and_a_drive_the_wires_faults_are_passed(car: Car) -> None:
    car.act("repair", component=WHEEL_SENSOR)
    clear_everything(car)
    key_cycle(car)
    car.act("start_engine")
    car.act("drive", kmh=62, seconds=360)
    car.act("drive", kmh=0, seconds=40)
    wire = [("760/768", "C0035-13"), ("730/738", "U0415-81"), ("7E1/7E9", "U0415-00")]
    assert [status(car, *fault) for fault in wire] == [0x00] * 3  # 0x20, failed since clear, is not set
    assert status(car, "7E0/7E8", "P0353-13") == 0x00
    key_cycle(car)
    assert [status(car, *fault) for fault in wire] == [0x40] * 3
    assert STORY.new_car(1).sound(WHEEL_SENSOR) is False  # the next car is a new one


def test_the_complaining_tests_are_seen_open_and_then_complete_at_a_steady_62(car: Car) -> None:
    car.act("repair", component=WHEEL_SENSOR)
    clear_everything(car)
    key_cycle(car)
    car.act("start_engine")
    seen: dict[str, set[int]] = {"U0415-81": set(), "U0415-00": set()}
    for _ in range(80):
        car.act("drive", kmh=62, seconds=5)
        if not 52 <= car.world.speed_kmh <= 72:
            continue
        seen["U0415-81"].add(status(car, "730/738", "U0415-81"))
        if car.world.coolant_c >= 70:
            seen["U0415-00"].add(status(car, "7E1/7E9", "U0415-00"))
    assert {"U0415-81": {0x50, 0x00}, "U0415-00": {0x50, 0x00}} == seen


def test_the_permanent_copy_outlives_the_clear_until_a_full_driving_cycle_ends(car: Car) -> None:
    engine = car.units["7E0/7E8"]
    clear_everything(car)
    key_cycle(car)
    assert answer(engine, b"\x0a", car.world) == [b"\x4a\x01\x03\x53"]
    car.act("start_engine")
    car.act("wait", seconds=35)
    car.act("drive", kmh=62, seconds=600)
    car.act("drive", kmh=0, seconds=20)
    assert answer(engine, b"\x0a", car.world) == [b"\x4a\x01\x03\x53"]
    key_cycle(car)
    assert answer(engine, b"\x0a", car.world) == [b"\x4a\x00"]


@pytest.mark.parametrize("seed", range(1, 9))
def test_the_coil_behaves_for_half_an_hour_and_fails_again_some_day(seed: int) -> None:
    car = STORY.new_car(seed)
    start_s = car.world.now_s
    spans = car.components["coil_c_connector"].bad_times
    assert start_s + 1800 < spans[0][0]
    assert all(end - start > 4 for start, end in spans)  # long enough for the unit to notice
    assert not car.sound("coil_c_connector")


def test_the_coil_comes_back_when_its_plug_lets_go_again(car: Car) -> None:
    clear_everything(car)
    car.act("start_engine")
    car.act("wait", seconds=car.components["coil_c_connector"].bad_times[0][1] - car.world.now_s)
    assert status(car, "7E0/7E8", "P0353-13") == 0x27


def drive_and_ask(seed: int) -> list[bytes]:
    car = STORY.new_car(seed)
    replies = []
    car.act("start_engine")
    for _ in range(30):
        car.act("drive", kmh=62, seconds=100)
        for unit in car.units.values():
            replies += answer(unit, b"\x19\x02\xff", car.world) + answer(unit, b"\x01\x0c\x0d\x05", car.world)
    return replies


def test_the_same_seed_gives_the_same_bytes() -> None:
    assert drive_and_ask(7) == drive_and_ask(7)


def test_another_seed_gives_another_car() -> None:
    spans = {STORY.new_car(seed).components["coil_c_connector"].bad_times for seed in (1, 2, 3)}
    assert len(spans) == 3


def test_the_profile_describes_the_car() -> None:
    profile = tomllib.loads(Bench().profile_text("warning-lamps"))
    assert [(unit.address, unit.name) for unit in UNITS] == [(u["address"], u["name"]) for u in profile["unit"]]
    told = {(c["unit"], c["code"]): c.get("continuous", False) for c in profile["code"]}
    real = {(unit.address, test.code): test.when == When() for unit in UNITS for test in unit.monitors}
    assert real == told
    about = {(c["unit"], c["code"]): c["about"] for c in profile["code"] if "about" in c}
    assert about == {("7E1/7E9", "U0415-00"): "760/768", ("730/738", "U0415-81"): "760/768"}
    assert [(i["number"], i["length"], i["quantity"]) for i in profile["identifier"]] == [("1105", 3, "odometer_km")]

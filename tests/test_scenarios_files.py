"""The scenarios that come with the program: how each opens, what its profile says, and what our scan lists."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from workshop import settings, visiting

from decoders.layout import read_layout
from decoders.values import Outcome, UnitAddress
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import take_scan
from gateway.visit import Visit
from sessions.store import Store
from sessions.verdict import judge
from simulators.door import Bench
from simulators.scenarios import SCENARIOS

STORED = 0xAF  # what makes a code a fault: design, verdicts
# What the story of each says: unit, code, status as it is brought in.
OPENS = {
    "warning-lamps": [
        ("7E0/7E8", "P0353-13", 0xEC),
        ("7E1/7E9", "U0415-00", 0x6D),
        ("760/768", "C0035-13", 0xAF),
        ("730/738", "U0415-81", 0x6D),
        ("740/748", "B1B3A-77", 0x2F),
        ("720/728", "B2A10-00", 0x2F),
        ("18DA60F1/18DAF160", "B1D05-15", 0x28),
        ("750/758", "B1C22-12", 0x28),
    ],
    "repaired-well": [("742/74A", "B1A21-15", 0xAF)],
    "only-cleared": [("7E0/7E8", "P0171-00", 0xED)],
    "comes-back-on-the-road": [("763/76B", "C0045-13", 0xAC), ("733/73B", "U0415-81", 0x6D)],
    "wrong-part-replaced": [
        ("732/73A", "C1B10-13", 0xAF),
        ("764/76C", "U0420-81", 0xAF),
        ("18DA41F1/18DAF141", "U0420-81", 0x6D),
    ],
    "unit-lost": [("771/779", "B1E11-1B", 0xAF)],
    "obd-on-uds": [("7E0/7E8", "P0353-13", 0xED)],
    "sixty-units": [
        ("603/503", "B1003-13", 0x2F),
        ("60A/50A", "B100A-13", 0x2F),
        ("611/511", "B1111-12", 0x2F),
        ("61C/51C", "B111C-12", 0x2F),
        ("18DA30F1/18DAF130", "C1030-13", 0xAF),
        ("18DA35F1/18DAF135", "C1135-62", 0x6D),
        ("18DA3FF1/18DAF13F", "C103F-13", 0xAF),
        ("18DA40F1/18DAF140", "C1140-62", 0x6D),
        ("18DA44F1/18DAF144", "C1044-13", 0xAF),
        ("18DA4DF1/18DAF14D", "C114D-62", 0x6D),
    ],
}


def test_these_are_all() -> None:
    assert set(OPENS) == set(SCENARIOS) == set(Bench().scenarios())


@pytest.mark.parametrize("name", OPENS)
def test_a_car_opens_as_its_owner_brings_it_in(name: str) -> None:
    car = SCENARIOS[name].new_car(1)
    listed = [
        (address, code, unit.status(code))
        for address, unit in car.units.items()
        for code in unit.monitors
        if unit.status(code) & STORED
    ]
    assert OPENS[name] == listed
    assert (True, False, 0) == (car.world.key_on, car.world.engine_on, car.world.speed_kmh)
    assert all(unit.is_live for unit in car.units.values())


@pytest.mark.parametrize("name", OPENS)
def test_every_other_test_has_run_and_passed(name: str) -> None:
    car = SCENARIOS[name].new_car(1)
    rest = {
        unit.monitors[code].fault.status
        for address, unit in car.units.items()
        for code in unit.monitors
        if (address, code) not in {row[:2] for row in OPENS[name]}
    }
    assert rest <= {0x00, 0x40}


@pytest.mark.parametrize("name", OPENS)
def test_the_profile_can_be_read_and_describes_the_car(name: str) -> None:
    scenario = SCENARIOS[name]
    profile = parse_profile(Bench().profile_text(name), name=name)
    assert scenario.vehicle.name == profile.name
    assert [(spec.address, spec.name) for spec in scenario.units] == [(u.address, u.name) for u in profile.units]
    assert all(unit.system for unit in profile.units)
    real = [(spec.address, test.code) for spec in scenario.units for test in spec.monitors]
    assert real == [(code.unit, code.code) for code in profile.codes]
    lost = {(s.address, t.code): t.component for s in scenario.units for t in s.monitors if "/" in t.component}
    told = {(code.unit, code.code): code.about for code in profile.codes}
    assert lost == {key: told[key] for key in lost}


def test_the_profile_lays_out_the_broadcast_messages() -> None:
    scenario = SCENARIOS["repaired-well"]
    car = scenario.new_car(1)
    car.act("start_engine")
    car.act("drive", kmh=62, seconds=30)
    told = {}
    for laid, sent in zip(
        parse_profile(scenario.profile_text(), name="x").messages, scenario.vehicle.broadcasts, strict=True
    ):
        told |= {item.name: item.value for item in read_layout(laid.layout, sent.data(car)).values}
    lamps = {"EngineLamp": 0, "LightingLamp": 1, "KeyOn": 1}
    drive = {"RoadSpeed": 62, "EngineSpeed": car.world.rpm, "CoolantTemperature": car.world.coolant_c}
    assert drive | lamps == told


WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)  # 49 CFR 565.15
VALUES = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True))


def right(vin: str) -> bool:
    total = sum(w * (int(c) if c.isdigit() else VALUES[c]) for w, c in zip(WEIGHTS, vin, strict=True))
    return "0123456789X"[total % 11] == vin[8]


@pytest.mark.parametrize("name", OPENS)
def test_each_vehicle_is_invented_and_its_vin_is_right(name: str) -> None:
    vehicle = SCENARIOS[name].vehicle
    vins = [vehicle.vin, *(spare.vin for spare in vehicle.spares if spare.vin is not None)]
    assert all(right(vin) and vin.startswith("ZZ9") for vin in vins)
    assert all(UnitAddress.parse(spec.address).text == spec.address for spec in vehicle.units)


def test_no_two_vehicles_share_a_name_or_a_vin() -> None:
    told = [(scenario.vehicle.name, scenario.vehicle.vin) for scenario in SCENARIOS.values()]
    assert len(told) == len({name for name, _ in told}) == len({vin for _, vin in told})


def test_a_car_with_logical_addresses_has_one_for_each_unit() -> None:
    for scenario in SCENARIOS.values():
        addresses = [spec.doip for spec in scenario.units if spec.doip is not None]
        assert len(addresses) == len(set(addresses))
        assert len(addresses) in (0, len(scenario.units))


# --- our own scan ---


@contextmanager
def visit_to(name: str, folder: Path) -> Iterator[Visit]:
    text = Bench().profile_text(name)
    loaded = LoadedProfile(profile=parse_profile(text, name=name), text=text)
    with (
        Bench().start(name) as bench,
        Store.open(folder / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], loaded, settings()) as visit,
    ):
        yield visit


@pytest.mark.parametrize("name", OPENS)
def test_our_scan_lists_what_the_story_says(name: str, tmp_path: Path) -> None:
    with visit_to(name, tmp_path) as visit:
        assert take_scan(visit, "before").complete
        record = visit.record()
        faults = {(fault.key.unit, fault.key.dtc.text) for fault in judge(record).faults}
        assert {(unit, code) for unit, code, _ in OPENS[name]} == faults
        answered = {code.unit for code in record.codes if code.outcome is Outcome.ANSWERED}
        reached = {spec.address for spec in SCENARIOS[name].units if spec.speaks_uds}
        assert reached - answered == set()


# --- figures ---


@pytest.mark.parametrize("name", ["warning-lamps", "sixty-units"])
def test_a_simulated_drive_of_half_an_hour(name: str) -> None:
    car = SCENARIOS[name].new_car(1)
    car.act("start_engine")
    start_s = time.process_time()
    car.act("drive", kmh=62, seconds=1800)
    took_s = time.process_time() - start_s
    print(f"\n30 minutes of driving, {len(car.units)} units: {took_s:.2f} s")  # noqa: T201
    assert (62, 1800) == (car.world.speed_kmh, car.world.run_s - 1)

"""A whole job on a car that tells its emissions by services 19 and 22 alone, and on one that has both ways.

Source of the messages: SAE J1979-2 / ISO 27145-3 (from memory); the bench's encoders are its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from workshop import settings, visiting

from decoders.values import Outcome
from gateway.clearing import clear_requests, clear_unit
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import take_scan
from gateway.visit import Visit
from gateway.watching import watch_of, watch_round
from sessions.journal import Kind
from sessions.store import Store
from sessions.verdict import judge
from sessions.verdict.emissions import emissions_looks
from simulators.car import Car
from simulators.counters import Counters
from simulators.door import RunningBench
from simulators.scenarios import SCENARIOS
from simulators.unit import UnitSpec
from simulators.world import World

UNITS, VIN = SCENARIOS["warning-lamps"].units, SCENARIOS["warning-lamps"].vehicle.vin
UNIT, COIL, CODE = "7E0/7E8", "coil_c_connector", "P0353-13"
PROFILE = f"""
[profile]
name = "Halvorne Meridel, emissions by identifier"
[[unit]]
address = "{UNIT}"
name = "Engine control"
system = "powertrain"
[[code]]
unit = "{UNIT}"
code = "{CODE}"
text = "Coil C, circuit open"
continuous = true
[[identifier]]
number = "1105"
name = "Odometer"
length = 3
unit = "km"
quantity = "odometer_km"
"""


def spec(*, lists_all: bool) -> UnitSpec:
    """The engine control unit of the demonstration, in a car of a later year."""
    engine = next(unit for unit in UNITS if unit.address == UNIT)
    return replace(engine, obd_on_uds=True, lists_all=lists_all, lists_supported=lists_all, reports_permanent=lists_all)


def broken_car(unit: UnitSpec) -> Car:
    """The coil's connector failed in two cycles; the car now stands, key on, engine off."""
    car = Car((unit,), world=World(path_kmh_s=1000 * 3600), counters=lambda: Counters(warm_ups=3))
    car.act("break", component=COIL)
    for _ in range(2):
        car.act("key_on") if not car.world.key_on else None
        car.act("start_engine")
        car.act("wait", seconds=900)
        car.act("stop_engine")
        car.act("key_off")
        car.act("wait", seconds=30)
    car.act("key_on")
    return car


class Garage:
    """A visit to the car, and what is done there."""

    def __init__(self, bench: RunningBench, visit: Visit) -> None:
        self.bench, self.visit = bench, visit

    def act(self, action: str, **arguments: int | str) -> None:
        result = self.bench.act(action, **arguments)
        self.visit.writer.append(Kind.WORLD, {"action": action, "world_s": result.world_s, "said": result.said})

    def idle_watched(self, seconds: int) -> None:
        watch = watch_of(self.visit.record(), (UNIT,))
        for _ in range(0, seconds, 4):
            self.act("wait", seconds=4)
            watch_round(self.visit, watch)


@contextmanager
def garage(folder: Path, unit: UnitSpec) -> Iterator[Garage]:
    loaded = LoadedProfile(profile=parse_profile(PROFILE, name="later.toml"), text=PROFILE)
    with (
        RunningBench("later", broken_car(unit)) as bench,
        Store.open(folder / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], loaded, settings()) as visit,
    ):
        yield Garage(bench, visit)


@pytest.mark.parametrize("lists_all", [True, False], ids=["both lists", "emissions group alone"])
def test_the_scan_reads_whichever_way_the_car_speaks(tmp_path: Path, lists_all: bool) -> None:
    with garage(tmp_path, spec(lists_all=lists_all)) as shop:
        assert take_scan(shop.visit, "before").complete
        record = shop.visit.record()
    lists = {code.request.hex()[:4]: code.outcome for code in record.codes if code.whole or code.refusal}
    assert (Outcome.ANSWERED, Outcome.ANSWERED) == (lists["1942"], lists["1955"])
    assert (Outcome.ANSWERED if lists_all else Outcome.REFUSED) == lists["1902"]
    assert {(UNIT, CODE)} == {(fault.key.unit, fault.key.dtc.text) for fault in judge(record).faults}
    assert {0x0C: 0.0, 0x0D: 0.0} == {item.pid: item.value for item in record.live if item.pid in (0x0C, 0x0D)}
    (look,) = emissions_looks(record, record.scans[0])
    assert (True, (CODE,)) == (look.lamp_on, look.permanent)


def test_a_unit_of_the_emissions_group_is_cleared_as_that_and_proves_its_repair(tmp_path: Path) -> None:
    with garage(tmp_path, spec(lists_all=False)) as shop:
        take_scan(shop.visit, "before")
        shop.act("repair", component=COIL)
        shop.visit.writer.append(Kind.SHEET, {"what": "part", "text": "coil connector mended"})
        assert (bytes.fromhex("14FFFF33"),) == clear_requests(shop.visit.record(), UNIT)
        (answer,) = clear_unit(shop.visit, UNIT, stated_parked=False)
        assert ("says cleared", ()) == (answer.words, answer.still_lists)
        shop.act("start_engine")
        shop.idle_watched(60)
        shop.act("stop_engine")
        take_scan(shop.visit, "check")
        (fault,) = judge(shop.visit.record()).faults
    # The permanent copy stays until the unit's own driving cycles take it back: no proof before that.
    assert ("untested", CODE) == (fault.verdict.value, fault.key.dtc.text)
    assert "permanent" in " ".join(fault.ruling.missing)


def test_the_repair_of_a_code_without_a_permanent_copy_is_proven(tmp_path: Path) -> None:
    engine = spec(lists_all=False)
    tests = tuple(replace(test, rule=replace(test.rule, permanent=False)) for test in engine.monitors)
    with garage(tmp_path, replace(engine, monitors=tests)) as shop:
        take_scan(shop.visit, "before")
        # The code was stored at a cold start: the car cools down in the workshop.
        shop.act("key_off")
        shop.act("wait", seconds=8 * 3600)
        shop.act("key_on")
        shop.act("repair", component=COIL)
        shop.visit.writer.append(Kind.SHEET, {"what": "part", "text": "coil connector mended"})
        clear_unit(shop.visit, UNIT, stated_parked=False)
        shop.act("start_engine")
        shop.idle_watched(60)
        shop.act("stop_engine")
        take_scan(shop.visit, "after")
        (fault,) = judge(shop.visit.record()).faults
        assert shop.bench.truth(COIL)
    assert "proven" == fault.verdict.value, fault.ruling


def test_the_unit_tells_its_vin_and_support_by_identifier(tmp_path: Path) -> None:
    with garage(tmp_path, spec(lists_all=True)) as shop:
        take_scan(shop.visit, "before")
        asked = {item.exchange.request.hex().upper(): item.exchange.positive for item in shop.visit.record().asked}
    assert bytes.fromhex("62F190") + VIN.encode() == asked["22F190"]
    assert b"\x62\xf4\x00" == (asked["22F400"] or b"")[:3]
    assert asked["0100"] is None

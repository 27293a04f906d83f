"""How a car's drives move the fault memory: warm-ups and similar conditions come from the road.

Source: the life of a code by 13 CCR 1968.2, from memory and vehicle makers' texts (misfire and fuel heal in similar
conditions; codes age by warm-ups).
"""

from __future__ import annotations

from simulators.car import Car
from simulators.counters import Counters
from simulators.fault_memory import CONFIRMED, PENDING, FaultRule
from simulators.monitors import Monitor, MonitorSpec, When
from simulators.unit import UnitSpec
from simulators.world import World

CODE, PART = "P0300-00", "cylinders"


def a_car(rule: FaultRule) -> Car:
    test = MonitorSpec(code=CODE, component=PART, when=When(engine=True), debounce_s=10, rule=rule)
    engine = UnitSpec(address="7E0/7E8", name="Engine control", monitors=(test,), parameters=(0x0C,))
    return Car((engine,), world=World(), counters=Counters)


def monitor(car: Car) -> Monitor:
    return car.units["7E0/7E8"].monitors[CODE]


def trip(car: Car, *, kmh: int, seconds: int = 900) -> None:
    """One whole cycle: key on, engine on, a steady drive, key off, and a cold start next time."""
    car.act("key_on")
    car.act("start_engine")
    if kmh:
        car.act("drive", kmh=kmh, seconds=seconds)
        car.act("drive", kmh=0, seconds=60)
    else:
        car.act("wait", seconds=60)
    car.act("stop_engine")
    car.act("key_off")
    car.act("wait", seconds=12 * 3600)


def failed_at_speed(rule: FaultRule) -> Car:
    car = a_car(rule)
    car.act("key_on")
    car.act("start_engine")
    car.act("drive", kmh=90, seconds=900)
    car.act("break", component=PART)
    car.act("drive", kmh=90, seconds=60)
    car.act("repair", component=PART)
    car.act("drive", kmh=0, seconds=60)
    car.act("stop_engine")
    car.act("key_off")
    car.act("wait", seconds=12 * 3600)
    assert monitor(car).fault.has(PENDING)
    return car


def test_a_pending_misfire_stays_until_the_car_was_driven_as_when_it_failed() -> None:
    car = failed_at_speed(FaultRule(trips=2, similar_conditions=True))
    trip(car, kmh=0)
    assert monitor(car).fault.has(PENDING)
    trip(car, kmh=90)
    assert not monitor(car).fault.has(PENDING)


def test_another_pending_code_goes_with_any_good_cycle() -> None:
    car = failed_at_speed(FaultRule(trips=2))
    trip(car, kmh=0)
    assert not monitor(car).fault.has(PENDING)


def test_a_code_that_ages_by_warm_ups_stays_over_short_trips() -> None:
    rule = FaultRule(ageing_cycles=3, ageing_by_warm_ups=True)
    car = failed_at_speed(rule)
    for _ in range(5):
        trip(car, kmh=0)
    assert monitor(car).fault.has(CONFIRMED)
    for _ in range(4):
        trip(car, kmh=90)
    assert not monitor(car).fault.has(CONFIRMED)


def test_a_code_that_ages_by_cycles_goes_with_short_trips_too() -> None:
    car = failed_at_speed(FaultRule(ageing_cycles=3))
    for _ in range(5):
        trip(car, kmh=0)
    assert not monitor(car).fault.has(CONFIRMED)

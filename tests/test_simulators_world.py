"""The world clock, the physics and what a person can do with the car."""

from __future__ import annotations

import pytest

from simulators.car import Car
from simulators.chance import draw
from simulators.counters import Counters
from simulators.errors import BenchError
from simulators.monitors import Component, Condition, When
from simulators.scenarios import SCENARIOS
from simulators.world import World

UNITS = SCENARIOS["warning-lamps"].units


@pytest.fixture
def car() -> Car:
    return Car(UNITS, world=World(), counters=Counters)


def test_a_cold_engine_is_hot_after_about_six_minutes_of_driving(car: Car) -> None:
    car.act("key_on")
    car.act("start_engine")
    assert car.world.coolant_c == 14
    car.act("drive", kmh=62, seconds=180)
    assert 45 < car.world.coolant_c < 60
    car.act("drive", kmh=62, seconds=180)
    assert car.world.coolant_c == 90


def test_the_same_steady_speed_always_gives_the_same_engine_speed_and_load(car: Car) -> None:
    car.act("key_on")
    car.act("start_engine")
    seen = set()
    for other in (0, 30, 100):
        car.act("drive", kmh=other, seconds=30)
        car.act("drive", kmh=62, seconds=30)
        seen.add((car.world.speed_kmh, car.world.rpm, car.world.load_percent))
    assert {(62, 2046, 35)} == seen


def test_speed_rises_by_a_ramp_and_the_way_is_counted(car: Car) -> None:
    car.act("key_on")
    car.act("start_engine")
    car.act("drive", kmh=60, seconds=6)
    assert (car.world.speed_kmh, car.world.accelerating) == (30, True)
    car.act("drive", kmh=60, seconds=6 + 3600)
    assert (car.world.speed_kmh, car.world.accelerating) == (60, False)
    assert car.world.odometer_km == 60


def test_supply_run_time_and_idling(car: Car) -> None:
    car.act("key_on")
    assert (
        car.world.supply_mv, car.world.rpm, car.world.load_percent, car.world.run_s
    ) == (12_300, 0, 0, 0)  # fmt: skip
    car.act("start_engine")
    car.act("wait", seconds=9)
    assert (
        car.world.supply_mv, car.world.rpm, car.world.load_percent, car.world.run_s
    ) == (14_100, 800, 20, 10)  # fmt: skip
    car.act("stop_engine")
    assert (car.world.supply_mv, car.world.rpm) == (12_300, 0)


def test_a_full_driving_cycle_needs_600_s_run_300_s_fast_and_30_s_idle(car: Car) -> None:
    car.act("key_on")  # 13 CCR 1968.2 (d)(2.5), from memory
    car.act("start_engine")
    car.act("drive", kmh=62, seconds=620)
    assert not car.world.fit_driving_cycle
    car.act("drive", kmh=0, seconds=45)
    assert car.world.fit_driving_cycle
    car.act("key_off")
    car.act("key_on")
    assert not car.world.fit_driving_cycle


def test_a_warm_up_counts_once_for_each_engine_start(car: Car) -> None:
    counters = car.units["7E0/7E8"].counters
    for _ in range(2):  # 22 K and 71 C: 13 CCR 1968.2, as makers' texts repeat it
        car.act("key_on")
        car.act("start_engine")
        car.act("drive", kmh=62, seconds=400)
        car.act("drive", kmh=0, seconds=20)
        car.act("key_off")
        car.act("wait", seconds=8 * 3600)
    assert counters.warm_ups == 2


def test_a_warm_restart_is_no_warm_up(car: Car) -> None:
    car.act("key_on")
    car.act("start_engine")
    car.act("drive", kmh=62, seconds=400)
    car.act("drive", kmh=0, seconds=20)
    car.act("stop_engine")
    car.act("start_engine")
    car.act("wait", seconds=60)
    assert car.units["7E0/7E8"].counters.warm_ups == 1


def test_distance_and_minutes_with_the_lamp_on_begin_when_it_lights(car: Car) -> None:
    car.act("key_on")
    car.act("break", component="input_speed_sensor")
    car.act("start_engine")
    car.act("drive", kmh=60, seconds=3612)
    counters = car.units["7E1/7E9"].counters
    assert counters.path_kmh_s // 3600 == 60
    assert 59 <= counters.lamp_path_kmh_s // 3600 <= 60
    assert counters.lamp_run_s // 60 == 60
    assert car.units["7E0/7E8"].counters.lamp_run_s == 0


def test_a_monitor_runs_only_under_its_conditions() -> None:
    world = World(key_on=True, engine_on=True, speed_kmh=50, coolant_uc=70_000_000)
    when = When(engine=True, min_kmh=50, max_kmh=80, min_coolant_c=70)
    assert when.holds(world)
    for name, value in (("key_on", False), ("engine_on", False), ("speed_kmh", 49), ("speed_kmh", 81),
                        ("coolant_uc", 69_999_999)):  # fmt: skip
        kept = getattr(world, name)
        setattr(world, name, value)
        assert not when.holds(world)
        setattr(world, name, kept)


def test_a_broken_condition_restarts_the_count(car: Car) -> None:
    status = car.units["730/738"].status
    car.act("key_on")
    car.act("start_engine")
    for _ in range(3):
        car.act("drive", kmh=52, seconds=22)  # 50 km/h after 10 s: 13 s of the 20 s needed
        car.act("drive", kmh=0, seconds=20)
    assert status("U0415-81") == 0x50
    car.act("drive", kmh=52, seconds=29)
    assert status("U0415-81") == 0x00


def test_a_loose_part_misbehaves_only_in_its_spans() -> None:
    part = Component(Condition.LOOSE, ((10, 12),))
    assert [part.misbehaves(World(now_s=second)) for second in (9, 10, 11, 12)] == [False, True, True, False]


def test_chance_depends_only_on_what_it_is_for() -> None:
    first = [draw(1000, seed=1, unit="a", cause="b", nth=nth) for nth in range(20)]
    assert first == list(reversed([draw(1000, seed=1, unit="a", cause="b", nth=nth) for nth in range(19, -1, -1)]))
    assert first != [draw(1000, seed=2, unit="a", cause="b", nth=nth) for nth in range(20)]
    assert all(0 <= value < 1000 for value in first)


@pytest.mark.parametrize(
    ("action", "arguments", "why"),
    [
        ("fly", {}, "unknown action 'fly'; known: key_off, key_on"),
        ("wait", {}, "'wait' takes seconds, not nothing"),
        ("key_on", {"seconds": 1}, "'key_on' takes nothing, not seconds"),
        ("wait", {"seconds": 0}, "seconds must be a whole number from 1"),
        ("wait", {"seconds": "ten"}, "seconds must be a whole number from 1"),
        ("drive", {"kmh": 30, "seconds": 5}, "the key is off; turn it on and start the engine first"),
        ("key_off", {}, "the key is already off"),
        ("start_engine", {}, "the key is off; turn it on first"),
        ("stop_engine", {}, "the engine is not running"),
        ("repair", {"component": "flux"}, "no part 'flux'; known: brake_pump"),
    ],
)
def test_what_cannot_be_done_says_why(car: Car, action: str, arguments: dict[str, int | str], why: str) -> None:
    with pytest.raises(BenchError) as caught:
        car.act(action, **arguments)
    assert str(caught.value).startswith(why)
    assert car.world.now_s == 0


def test_what_cannot_be_done_while_the_car_moves(car: Car) -> None:
    car.act("key_on")
    with pytest.raises(BenchError, match="already on"):
        car.act("key_on")
    with pytest.raises(BenchError, match="start it first"):
        car.act("drive", kmh=10, seconds=5)
    car.act("start_engine")
    with pytest.raises(BenchError, match="already running"):
        car.act("start_engine")
    car.act("drive", kmh=30, seconds=10)
    for action in ("key_off", "stop_engine"):
        with pytest.raises(BenchError, match="moving"):
            car.act(action)
    with pytest.raises(BenchError, match="from 0 to 200"):
        car.act("drive", kmh=201, seconds=1)


def test_every_action_tells_the_clock_and_the_car() -> None:
    car = SCENARIOS["warning-lamps"].new_car(1)
    start_s = car.world.now_s
    results = [
        car.act("wear", component="brake_pump"),
        car.act("start_engine"),
        car.act("drive", kmh=62, seconds=20),
        car.act("wait", seconds=5),
    ]
    assert [result.world_s - start_s for result in results] == [0, 1, 21, 26]
    assert [result.said for result in results] == [
        "brake pump: made to wear out",
        "engine running at 800 1/min",
        "drove 20 s, now at 62 km/h, coolant 18 C, odometer 84178 km",
        "waited 5 s",
    ]

"""What people do with a car beyond driving it: plugs, parts, the battery, units from elsewhere, and mishaps."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario_help import ENGINE, LIGHTS, SMALL, ask, small_car

from simulators.actions import ACTIONS, check, parse_step
from simulators.car import Car
from simulators.errors import BenchError

WIRE, BULB, LEAK, OIL = "left_headlamp_wire", "left_headlamp_bulb", "P0456-00", "B2C10-00"
LAMP = "B1A21-15"


@pytest.fixture
def car() -> Car:
    return small_car()


def status(car: Car, unit: str, code: str) -> int:
    return car.units[unit].status(code)


# --- what an action is told ---


def test_every_action_says_what_it_takes_and_does() -> None:
    usages = {name: action.usage for name, action in ACTIONS.items()}
    assert "kmh=KMH seconds=SECONDS" == usages["drive"]
    assert "component=COMPONENT [part=PART]" == usages["fit"]
    assert "" == usages["key_on"]
    assert all(action.about.endswith(".") for action in ACTIONS.values())


def test_what_is_left_out_has_its_default() -> None:
    assert {"unit": ENGINE, "donor": "used"} == check("swap_unit", {"unit": ENGINE})
    assert {"unit": ENGINE, "donor": "new"} == check("swap_unit", {"unit": ENGINE, "donor": "new"})


@pytest.mark.parametrize(
    ("line", "action", "arguments"),
    [
        ("key_on", "key_on", {}),
        ("  drive   kmh=62 seconds=90 ", "drive", {"kmh": 62, "seconds": 90}),
        ("break component=a=b", "break", {"component": "a=b"}),
        ("wait seconds=1234567890", "wait", {"seconds": "1234567890"}),
        ("", "", {}),
    ],
)
def test_a_line_names_an_action(line: str, action: str, arguments: dict[str, int | str]) -> None:
    assert (action, arguments) == parse_step(line)


@given(st.text(max_size=30))
def test_any_line_is_read_or_refused(line: str) -> None:
    with suppress(BenchError):  # either way is right; no other error gets out
        action, arguments = parse_step(line)
        assert set(arguments) <= set(check(action, arguments))


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("brake component=x", "unknown action 'brake'; did you mean 'break'?"),
        ("fit component=cylinders part=old", "part must be right or wrong, not 'old'"),
        ("break component=7", "component must be a name, not 7"),
        ("wait seconds=yes", "seconds must be a whole number from 1 to 604800, not 'yes'"),
        ("swap_unit unit=nobody", "no unit 'nobody'; known: 742/74A, 7E0/7E8"),
        ("swap_unit unit=742/74A", "the key is on; turn it off first"),
        ("disconnect plug=nobody", "no part or unit 'nobody'; known: cylinders"),
        ("connect plug=cylinders", "cylinders: the plug is already on"),
        ("connect plug=742/74A", "742/74A: the plug is already on"),
        ("idle seconds=5", "the engine is not running; start it first"),
        ("drain_battery", "the key is on; turn it off first"),
        ("charge_battery", "the battery is not flat"),
        ("loosen component=flux", "no part 'flux'; known: cylinders"),
    ],
)
def test_what_cannot_be_done_says_why_and_nothing_has_happened(car: Car, line: str, why: str) -> None:
    before = car.world.now_s
    action, arguments = parse_step(line)
    with pytest.raises(BenchError) as caught:
        car.act(action, **arguments)
    assert why == str(caught.value)[: len(why)]
    assert before == car.world.now_s


def test_a_memory_is_erased_only_in_a_standing_car_with_the_key_on(car: Car) -> None:
    car.act("start_engine")
    with pytest.raises(BenchError, match="the engine must be off and the car standing"):
        car.act("clear_memory")
    car.act("drive", kmh=20, seconds=10)
    with pytest.raises(BenchError, match="moving"):
        car.act("idle", seconds=5)
    car.act("drive", kmh=0, seconds=10)
    car.act("key_off")
    with pytest.raises(BenchError, match="the key is off"):
        car.act("clear_memory")


# --- parts ---


def test_a_wrong_part_fails_and_a_right_one_works(car: Car) -> None:
    car.act("fit", component=BULB, part="wrong")
    car.act("wait", seconds=4)
    assert (0xAF, False) == (status(car, LIGHTS, LAMP), car.sound(BULB))
    said = car.act("fit", component=BULB).said
    car.act("wait", seconds=4)
    assert ("left headlamp bulb: replaced by a new part, the right one", 0xAE, True) == (
        said, status(car, LIGHTS, LAMP), car.sound(BULB),
    )  # fmt: skip


def test_a_new_part_does_not_cure_what_another_part_causes(car: Car) -> None:
    car.act("break", component=WIRE)
    car.act("fit", component=BULB)
    car.act("wait", seconds=4)
    assert (0xAF, True, False) == (status(car, LIGHTS, LAMP), car.sound(BULB), car.sound(WIRE))


def test_a_part_without_its_plug_counts_as_failed_until_it_is_back(car: Car) -> None:
    assert "left headlamp bulb: plug off" == car.act("disconnect", plug=BULB).said
    car.act("wait", seconds=4)
    assert (0x01, False) == (status(car, LIGHTS, LAMP) & 1, car.sound(BULB))
    car.act("connect", plug=BULB)
    car.act("wait", seconds=4)
    assert (0x00, True) == (status(car, LIGHTS, LAMP) & 1, car.sound(BULB))
    car.act("disconnect", plug=BULB)
    car.act("repair", component=BULB)
    assert car.sound(BULB)


def test_a_loose_part_lets_go_at_the_times_that_its_arguments_allow() -> None:
    car = small_car()
    now = car.world.now_s
    car.act("loosen", component=BULB, after=100, lasting=4, lasting_spread=3, gap=20, gap_spread=10, times=500)
    spans = car.components[BULB].bad_times
    assert 500 == len(spans)
    assert 100 <= spans[0][0] - now < 110
    assert set(range(4, 7)) == {end - start for start, end in spans}
    assert set(range(20, 30)) == {second[0] - first[1] for first, second in pairwise(spans)}
    bad = [now + second for second in range(1000) if _misbehaves(car, BULB, now + second)]
    assert bad == [second for start, end in spans for second in range(start, end) if second < now + 1000]


def _misbehaves(car: Car, part: str, second: int) -> bool:
    car.world.now_s = second
    return car.components[part].misbehaves(car.world)


def test_another_seed_loosens_otherwise_and_the_same_one_alike() -> None:
    cars = [small_car(seed=seed) for seed in (1, 1, 2)]
    for car in cars:
        car.act("loosen", component=BULB)
    one, same, other = (car.components[BULB].bad_times for car in cars)
    assert one == same
    assert one != other


def test_a_part_may_let_go_only_under_its_conditions() -> None:
    text = SMALL.replace(
        "[[component]]", '[[component]]\nname = "cylinders"\nloose_when = { min_kmh = 30 }\n[[component]]'
    )
    car = small_car(text)
    car.act("loosen", component="cylinders", after=0, gap_spread=0, gap=1, lasting=3600, lasting_spread=0, times=1)
    car.act("start_engine")
    car.act("idle", seconds=60)
    assert 0x00 == status(car, ENGINE, "P0300-00")
    car.act("drive", kmh=40, seconds=30)
    assert 0xAF == status(car, ENGINE, "P0300-00")


def test_a_service_is_due_by_way_and_by_time_and_counts_anew_once_it_is_done(car: Car) -> None:
    car.act("start_engine")
    car.act("drive", kmh=100, seconds=340)
    assert (True, 0x00) == (car.sound(OIL_PART), status(car, ENGINE, OIL))
    car.act("drive", kmh=100, seconds=60)
    assert (False, 0x2F) == (car.sound(OIL_PART), status(car, ENGINE, OIL))
    car.act("drive", kmh=0, seconds=25)
    car.act("repair", component=OIL_PART)
    assert car.sound(OIL_PART)
    for _ in range(5):
        car.act("key_off") if car.world.key_on else None
        car.act("wait", seconds=7 * 24 * 3600)
    assert not car.sound(OIL_PART)


OIL_PART = "oil_service"


# --- what goes wrong behind one's back ---


def test_a_mishap_happens_once_and_unsaid(car: Car) -> None:
    assert "left headlamp wire: put right" == car.act("repair", component=WIRE).said
    assert (False, "") == (car.sound("lighting_unit"), ask(car, LIGHTS, "3E00"))
    car.act("repair", component="lighting_unit")
    car.act("repair", component=WIRE)
    assert car.sound("lighting_unit")


def test_a_mishap_needs_the_action_it_is_about(car: Car) -> None:
    car.act("repair", component=BULB)
    car.act("break", component=WIRE)
    assert car.sound("lighting_unit")


# --- a test that runs while the car is parked ---


def test_a_test_may_run_with_the_key_off(car: Car) -> None:
    monitor = car.units[ENGINE].monitors[LEAK]
    assert 0x50 == monitor.fault.status
    car.act("break", component="tank_seal")
    car.act("key_off")
    car.act("wait", seconds=890)
    assert 0x50 == monitor.fault.status
    car.act("wait", seconds=20)
    assert 0x2F == monitor.fault.status
    car.act("key_on")
    assert 0x6D == monitor.fault.status  # failed in the cycle before, which ends only now
    car.act("repair", component="tank_seal")
    car.act("key_off")
    car.act("wait", seconds=1000)
    assert 0x2C == monitor.fault.status
    car.act("key_on")
    assert 0x68 == monitor.fault.status  # a good cycle is over: pending is gone


def test_a_parked_unit_falls_asleep_after_two_hours(car: Car) -> None:
    car.act("key_off")
    car.act("wait", seconds=7100)
    car.act("break", component="tank_seal")
    car.act("wait", seconds=3 * 3600)
    assert 0x00 == car.units[ENGINE].monitors[LEAK].fault.status & 0x01


# --- the same seed, the same bytes ---

STEPS = [
    *("key_on", "key_off", "start_engine", "stop_engine", "wait seconds=40", "idle seconds=20"),
    *("drive kmh=50 seconds=30", "drive kmh=0 seconds=15", "break component=cylinders"),
    *("loosen component=left_headlamp_wire after=5 gap=5", "disconnect plug=7E0/7E8", "connect plug=7E0/7E8"),
    *("drain_battery", "charge_battery", "clear_memory", "swap_unit unit=742/74A"),
    *("fit component=cylinders part=wrong", "repair component=left_headlamp_wire"),
]
QUESTIONS = ["1902FF", "22F190", "221105", "03", "0A", "0101", "013031", "190A"]


def play(car: Car, steps: list[str], then: Callable[[Car], object]) -> list[str]:
    said = []
    for step in steps:
        action, arguments = parse_step(step)
        try:
            said.append(car.act(action, **arguments).said)
        except BenchError as error:
            said.append(str(error))
        then(car)
    return said


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(STEPS), max_size=12), st.integers(1, 3), st.randoms(use_true_random=False))
def test_the_order_of_requests_changes_nothing(steps: list[str], seed: int, chance: object) -> None:
    one, other = small_car(seed=seed), small_car(seed=seed)

    def ask_much(car: Car) -> None:
        for question in reversed(QUESTIONS):
            for unit in reversed(list(car.units)):
                ask(car, unit, question)

    assert play(one, steps, lambda _: None) == play(other, steps, ask_much)
    for unit in one.units:
        assert [ask(one, unit, question) for question in QUESTIONS] == [ask(other, unit, q) for q in QUESTIONS]

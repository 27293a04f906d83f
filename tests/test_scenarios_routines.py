"""Routines, services by unit, data of the maker's own, readiness by the way an engine ignites, broadcast messages."""

from __future__ import annotations

import can
import cantools
import pytest
from scenario_help import DBC, ENGINE, LIGHTS, SMALL, ask, read_small, small_car

from gateway.profiles import parse_profile
from simulators.broadcast import Broadcast
from simulators.car import Car
from simulators.measured import Measured
from simulators.scenarios import SCENARIOS
from simulators.scenarios.profile_text import profile_text
from simulators.world import World

WIRE, BULB, LAMP = "left_headlamp_wire", "left_headlamp_bulb", "B1A21-15"


@pytest.fixture
def car() -> Car:
    return small_car()


# --- service 31: ISO 14229-1, RoutineControl, and its negative responses ---

REFUSALS = [
    (LIGHTS, "3101", "7F3113"),
    (LIGHTS, "310103", "7F3113"),
    (LIGHTS, "31040311", "7F3112"),
    (LIGHTS, "3101031100", "7F3113"),
    (LIGHTS, "31019999", "7F3131"),
    (LIGHTS, "31010310", "7F3131"),  # known in the extended session alone
    (LIGHTS, "31020311", "7F3124"),
    (LIGHTS, "31030311", "7F3124"),
    (ENGINE, "31010311", "7F3111"),  # has no routine, and so no such service
]


@pytest.mark.parametrize(("unit", "request_", "reply"), REFUSALS)
def test_refusals_of_service_31(car: Car, unit: str, request_: str, reply: str) -> None:
    assert reply == ask(car, unit, request_)


def test_a_routine_runs_in_the_worlds_time_and_then_has_its_effects(car: Car) -> None:
    car.act("break", component=WIRE)
    car.act("wait", seconds=4)
    ask(car, LIGHTS, "1003")
    assert ("71010310", "7103031001") == (ask(car, LIGHTS, "31010310"), ask(car, LIGHTS, "31030310"))
    assert "7F3122" == ask(car, LIGHTS, "31010310")  # it is running
    car.act("wait", seconds=5)
    assert ("7103031001", False) == (ask(car, LIGHTS, "31030310"), car.sound(WIRE))
    car.act("wait", seconds=1)
    assert ("7103031000", True) == (ask(car, LIGHTS, "31030310"), car.sound(WIRE))
    assert 0x50 == car.units[LIGHTS].status(LAMP)
    assert "7F3124" == ask(car, LIGHTS, "31020310")  # nothing to stop any more


def test_a_routine_that_is_stopped_has_no_effect(car: Car) -> None:
    car.act("break", component=WIRE)
    ask(car, LIGHTS, "1003")
    ask(car, LIGHTS, "31010310")
    assert ("", "7103031002") == (ask(car, LIGHTS, "31820310"), ask(car, LIGHTS, "31030310"))
    car.act("wait", seconds=10)
    assert not car.sound(WIRE)


def test_a_routine_ends_when_what_it_needs_is_gone(car: Car) -> None:
    ask(car, LIGHTS, "1003")
    ask(car, LIGHTS, "31010310")
    car.act("start_engine")
    assert "7103031002" == ask(car, LIGHTS, "31030310")
    assert "7F3122" == ask(car, LIGHTS, "31010310")


def test_a_routine_ends_with_the_session_it_needs(car: Car) -> None:
    ask(car, LIGHTS, "1003", at_ms=10_000)
    ask(car, LIGHTS, "31010310", at_ms=10_001)
    assert "62F18601" == ask(car, LIGHTS, "22F186", at_ms=15_002)  # S3 is over
    car.act("wait", seconds=10)
    ask(car, LIGHTS, "1003", at_ms=15_003)
    assert "7103031002" == ask(car, LIGHTS, "31030310", at_ms=15_004)


def test_a_routine_of_no_time_has_finished_at_once(car: Car) -> None:
    assert ("71010311", False) == (ask(car, LIGHTS, "31010311"), car.sound(BULB))
    assert "7103031100" == ask(car, LIGHTS, "31030311")


def test_a_unit_that_loses_its_plug_forgets_its_routine(car: Car) -> None:
    ask(car, LIGHTS, "31010311")
    car.act("disconnect", plug=LIGHTS)
    car.act("connect", plug=LIGHTS)
    assert "7F3124" == ask(car, LIGHTS, "31030311")


def test_a_unit_refuses_services_that_its_maker_left_out() -> None:
    car = small_car(SMALL.replace('doip = "1001"', 'services = ["19", "22"]'))
    assert ("7F1411", "7F3E11") == (ask(car, ENGINE, "14FFFFFF"), ask(car, ENGINE, "3E00"))
    assert "59" == ask(car, ENGINE, "1902FF")[:2]


@pytest.mark.parametrize(
    ("request_", "reply"), [("194233FF", "7F1913"), ("194200FF1E", "7F1931"), ("1955FF", "7F1931")]
)
def test_a_car_that_speaks_obd_on_uds_refuses_other_groups(request_: str, reply: str) -> None:
    assert reply == ask(SCENARIOS["obd-on-uds"].new_car(1), ENGINE, request_)


# --- what a unit measures ---


def test_a_makers_own_identifier_carries_its_value_by_its_scale() -> None:
    world = World(key_on=True, engine_on=True, speed_kmh=62, coolant_uc=-5_000_000)
    speed = Measured(number=1, value="speed_kmh", length=2, scale_den=100)
    assert (6200).to_bytes(2, "big") == speed.encode(world)
    assert b"\x23" == Measured(number=1, value="coolant_c", length=1, offset=-40).encode(world)
    assert b"\xfb" == Measured(number=1, value="coolant_c", length=1, signed=True).encode(world)
    assert b"\x00" == Measured(number=1, value="coolant_c", length=1).encode(world)  # as near as it can be
    assert b"\xff" == Measured(number=1, value="engine_rpm", length=1).encode(world)
    assert b"\x9b" == Measured(number=1, value="supply_mv", length=1, scale_num=-100, offset=29_600).encode(world)


def test_an_identifier_may_belong_to_one_unit_alone() -> None:
    text = SMALL.replace("length = 3", 'length = 3\nunits = ["742/74A"]')
    car = small_car(text)
    assert ("621105007C7E", "7F2231") == (ask(car, LIGHTS, "221105"), ask(car, ENGINE, "221105"))
    (told,) = parse_profile(profile_text(read_small(text), "small"), name="small").identifiers
    assert (0x1105, 3, (LIGHTS,)) == (told.number, told.length, told.units)


def test_bytes_may_be_given_in_hex(car: Car) -> None:
    assert "62F1950102" == ask(car, LIGHTS, "22F195")


# SAE J1979, parameter 01: byte B bit 3 says compression ignition, and which monitors bytes C and D are about. Bits 0
# and 2 of byte B: misfire, which has run here, and components, which says so from the start.
@pytest.mark.parametrize(
    ("ignition", "name", "reply"),
    [
        ("spark", "secondary_air", "00050800"),
        ("spark", "heated_catalyst", "00050200"),
        ("compression", "boost_pressure", "000D0800"),
        ("compression", "particle_filter", "000D4000"),
        ("compression", "nitrogen_oxides", "000D0200"),
    ],
)
def test_readiness_names_its_monitors_by_the_way_the_engine_ignites(ignition: str, name: str, reply: str) -> None:
    text = SMALL.replace("vin = true\n", f'vin = true\nignition = "{ignition}"\n')
    text = text.replace('readiness = "tank_vent"', f'readiness = "{name}"').replace("min_key_s = 600", "min_key_s = 1")
    car = small_car(text.replace("debounce_s = 300", "debounce_s = 1"))
    open_bits = f"{int(reply[2:4], 16) | 0x10:02X}"
    assert f"410100{open_bits}{reply[4:6] * 2}" == ask(car, ENGINE, "0101")
    car.act("start_engine")
    car.act("idle", seconds=12)
    car.act("key_off")
    car.act("wait", seconds=5)
    car.act("key_on")
    assert f"4101{reply}" == ask(car, ENGINE, "0101")


# --- broadcast messages, read by cantools ---


def messages() -> dict[str, Broadcast]:
    return {message.name: message for message in read_small().broadcasts}


def test_a_message_says_where_it_goes_and_how_often() -> None:
    drive, lamps = messages()["Drive"], messages()["Lamps"]
    assert (0x2A0, False, 4, 20) == (drive.can_id, drive.is_29_bit, drive.length, drive.cycle_ms)
    assert (0x380, True, 1, 100) == (lamps.can_id, lamps.is_29_bit, lamps.length, lamps.cycle_ms)


def test_cantools_reads_what_the_world_and_the_lamps_are(car: Car) -> None:
    database = cantools.database.load_string(DBC, "dbc")
    told = {name: database.decode_message(name, message.data(car)) for name, message in messages().items()}
    assert {"Drive": {"RoadSpeed": 0, "Coolant": 14}, "Lamps": {"EngineLamp": 0}} == told
    car.act("start_engine")
    car.act("break", component="cylinders")
    car.act("drive", kmh=62, seconds=60)
    told = {name: database.decode_message(name, message.data(car)) for name, message in messages().items()}
    assert {"RoadSpeed": 62, "Coolant": car.world.coolant_c} == told["Drive"]
    assert {"EngineLamp": 1} == told["Lamps"]


def test_cantools_reads_the_messages_of_the_scenario_that_has_them() -> None:
    scenario = SCENARIOS["repaired-well"]
    database = cantools.database.load_string(scenario.folder.joinpath("repaired_well.dbc").read_text(), "dbc")
    car = scenario.new_car(1)
    drive, lamps = scenario.vehicle.broadcasts
    assert (20, 200) == (
        drive.cycle_ms,
        lamps.cycle_ms,
    )  # the first as the DBC file says, the second as the scenario does
    assert {"RoadSpeed": 0, "EngineSpeed": 0, "CoolantTemperature": car.world.coolant_c} == database.decode_message(
        drive.can_id, drive.data(car)
    )
    assert {"EngineLamp": 0, "LightingLamp": 1, "KeyOn": 1} == database.decode_message(lamps.can_id, lamps.data(car))
    car.act("start_engine")
    car.act("drive", kmh=77, seconds=40)
    frame = can.Message(arbitration_id=drive.can_id, is_extended_id=drive.is_29_bit, data=drive.data(car))
    told = database.decode_message(frame.arbitration_id, frame.data)
    assert (77, car.world.rpm) == (told["RoadSpeed"], told["EngineSpeed"])


def test_a_signal_that_nothing_is_bound_to_stays_0(car: Car) -> None:
    text = SMALL.replace(', Coolant = "coolant_c"', "")
    drive = next(message for message in read_small(text).broadcasts if message.name == "Drive")
    assert bytes(4) == drive.data(car)

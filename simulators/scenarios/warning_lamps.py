"""The scenario "warning-lamps": a broken wire, two units that complain of it, and what was there before.

The vehicle, its maker and its identity are invented. Nothing here sets a status byte: the car's past is
driven through the same machine that later drives its future, and the statuses are what came of it.
"""

from __future__ import annotations

from simulators.car import Car
from simulators.chance import draw
from simulators.counters import Counters
from simulators.fault_memory import FaultRule
from simulators.monitors import MonitorSpec, When
from simulators.unit import UnitSpec
from simulators.world import World

VIN = "ZZ9MDL4HXTR018364"
WHEEL_SENSOR = "front_left_speed_sensor"
COIL = "coil_c_connector"
STRUT = "tailgate_strut"
INSPECTION = "inspection_interval"
SUN_SENSOR = "sun_sensor"
PARK_SENSOR = "inner_left_park_sensor"
STEADY_KMH = 62
HOUR_S = 3600

_KEY_ON = When()
_STANDING = When(max_kmh=0)
_RUNNING = When(engine=True)
_WARM = When(engine=True, min_coolant_c=70)
_WARM_ROLLING = When(engine=True, min_kmh=40, min_coolant_c=70)
_HOT_CRUISE = When(engine=True, min_kmh=50, min_coolant_c=80)
_PLAIN = FaultRule()
_LAMP = FaultRule(lamp=True)
_TWO_TRIPS = FaultRule(trips=2)
_EMISSION = FaultRule(trips=2, lamp=True, permanent=True)

_POWERTRAIN_SNAPSHOT = (0xF40C, 0xF404, 0xF405, 0xF40D, 0x1105)
_CHASSIS_SNAPSHOT = (0xF40D, 0xF40C, 0xF446, 0xF442, 0x1105)


def _test(
    code: str,
    component: str,
    when: When,
    debounce_s: int,
    rule: FaultRule = _PLAIN,
    readiness: str | None = None,
) -> MonitorSpec:
    return MonitorSpec(code=code, component=component, when=when, debounce_s=debounce_s, rule=rule, readiness=readiness)


def _identity(part: str, serial: int, version: str) -> tuple[tuple[int, bytes], ...]:
    """Identification as ISO 14229-1, Annex C names it: part, versions, serial number, VIN."""
    return (
        (0xF187, f"HV-{part}".encode()),
        (0xF189, version.encode()),
        (0xF18C, f"{serial:08d}".encode()),
        (0xF190, VIN.encode()),
        (0xF195, f"S{version}".encode()),
    )


def _information(
    calibration: str, check: str, name: str, text: str, *, with_vin: bool = False
) -> tuple[tuple[int, tuple[bytes, ...]], ...]:
    """OBD service 09: calibration (16 bytes), its verification number (4), the unit's name (20)."""
    label = name.encode().ljust(4, b"\0") + b"-" + text.encode().ljust(15, b"\0")
    items = (
        (0x04, (calibration.encode().ljust(16, b"\0"),)),
        (0x06, (bytes.fromhex(check),)),
        (0x0A, (label,)),
    )
    return ((0x02, (VIN.encode(),)), *items) if with_vin else items


_ENGINE = UnitSpec(
    address="7E0/7E8",
    name="Engine control",
    monitors=(
        _test(
            "P0131-11",
            "oxygen_sensor",
            When(engine=True, min_kmh=30, min_coolant_c=60),
            40,
            _EMISSION,
            "oxygen_sensor",
        ),
        _test("P0135-13", "oxygen_sensor_heater", _RUNNING, 30, _EMISSION, "oxygen_sensor_heater"),
        _test("P0171-00", "fuel_mixture", _WARM, 60, _EMISSION, "fuel"),
        _test("P0300-00", "cylinders", _RUNNING, 10, _EMISSION, "misfire"),
        _test("P0351-13", "coil_a", _RUNNING, 4, _EMISSION),
        _test("P0352-13", "coil_b", _RUNNING, 4, _EMISSION),
        _test("P0353-13", COIL, _RUNNING, 4, _EMISSION),
        _test("P0354-13", "coil_d", _RUNNING, 4, _EMISSION),
        _test("P0401-00", "exhaust_recirculation", _WARM_ROLLING, 60, _EMISSION, "recirculation"),
        _test("P0420-00", "catalyst", _HOT_CRUISE, 120, _EMISSION, "catalyst"),
        _test("P0442-00", "tank_vent", _WARM_ROLLING, 150, _EMISSION, "tank_vent"),
    ),
    identity=_identity("1100-07", 20417733, "04.12"),
    snapshot_identifiers=_POWERTRAIN_SNAPSHOT,
    reports_permanent=True,
    parameters=(
        0x01,
        0x04,
        0x05,
        0x0C,
        0x0D,
        0x1C,
        0x1F,
        0x21,
        0x30,
        0x31,
        0x41,
        0x42,
        0x46,
        0x4D,
        0x4E,
        0xA6,
    ),
    information=_information("HV1100070412", "5A1C77E0", "ECM", "EngineControl", with_vin=True),
)
_TRANSMISSION = UnitSpec(
    address="7E1/7E9",
    name="Transmission control",
    monitors=(
        _test("P0715-00", "input_speed_sensor", _RUNNING, 5, _LAMP),
        _test("P0741-00", "converter_clutch", _WARM_ROLLING, 30, _TWO_TRIPS),
        _test("U0415-00", WHEEL_SENSOR, When(engine=True, min_kmh=50, min_coolant_c=70), 20, _TWO_TRIPS),
    ),
    identity=_identity("1200-03", 31550208, "02.40"),
    snapshot_identifiers=_POWERTRAIN_SNAPSHOT,
    parameters=(0x01, 0x04, 0x05, 0x0C, 0x0D, 0x1F, 0x21, 0x30, 0x31, 0x41, 0x42, 0x4D, 0x4E),
    information=_information("HV1200030240", "0D92B431", "TCM", "TransmisControl"),
)
_EXHAUST = UnitSpec(
    address="7E2/7EA",
    name="Exhaust treatment",
    monitors=(
        _test("P0421-00", "pre_catalyst", _HOT_CRUISE, 120, _EMISSION, "catalyst"),
        _test("P0545-16", "exhaust_temperature_sensor", _RUNNING, 10, _EMISSION),
    ),
    speaks_uds=False,
    reports_permanent=True,
    parameters=(0x01, 0x1F, 0x21, 0x30, 0x31, 0x41, 0x42, 0x4D, 0x4E),
    information=_information("HV1300010108", "C04F1A66", "RDCM", "ExhaustTreatmt"),
)
_BRAKE = UnitSpec(
    address="760/768",
    name="Brake control",
    monitors=(
        _test("C0035-13", WHEEL_SENSOR, _KEY_ON, 3, _LAMP),
        _test("C0040-13", "front_right_speed_sensor", _KEY_ON, 3, _LAMP),
        _test("C0045-13", "rear_left_speed_sensor", _KEY_ON, 3, _LAMP),
        _test("C0050-13", "rear_right_speed_sensor", _KEY_ON, 3, _LAMP),
        _test("C1A10-49", "brake_pump", When(engine=True, min_kmh=10), 5, _LAMP),
    ),
    identity=_identity("2100-11", 44100952, "07.03"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
    keeps_latest=True,
)
_STEERING = UnitSpec(
    address="730/738",
    name="Power steering",
    monitors=(
        _test("C1B20-62", "steering_torque_sensor", _KEY_ON, 2, _LAMP),
        _test("U0415-81", WHEEL_SENSOR, When(engine=True, min_kmh=50), 20, _TWO_TRIPS),
    ),
    identity=_identity("2200-02", 45020317, "03.18"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
)
_RIDE_HEIGHT = UnitSpec(
    address="18DA28F1/18DAF128",
    name="Ride height control",
    monitors=(
        _test("C1C01-13", "front_height_sensor", _KEY_ON, 3),
        _test("C1C02-13", "rear_height_sensor", _KEY_ON, 3),
    ),
    identity=_identity("2300-05", 46771120, "01.09"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
)
_BODY = UnitSpec(
    address="740/748",
    name="Body control",
    monitors=(
        _test("B1B10-13", "left_courtesy_lamp", _KEY_ON, 3),
        _test("B1B3A-77", STRUT, _KEY_ON, 2),
    ),
    identity=_identity("3100-20", 51180044, "11.02"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
    keeps_latest=True,
)
_CLUSTER = UnitSpec(
    address="720/728",
    name="Instrument cluster",
    monitors=(
        _test("B2A01-16", "cluster_supply", _KEY_ON, 2),
        _test("B2A10-00", INSPECTION, _KEY_ON, 1),
    ),
    identity=_identity("3200-09", 52640715, "05.31"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
)
_CLIMATE = UnitSpec(
    address="18DA60F1/18DAF160",
    name="Climate control",
    monitors=(
        _test("B1D05-15", SUN_SENSOR, _KEY_ON, 5),
        _test("B1D10-77", "recirculation_flap", _RUNNING, 8),
    ),
    identity=_identity("3300-04", 53090281, "02.06"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
    mask=0xAF,
    lists_supported=False,
)
_PARKING = UnitSpec(
    address="750/758",
    name="Parking assist",
    monitors=(
        _test("B1C21-12", "outer_left_park_sensor", _STANDING, 4),
        _test("B1C22-12", PARK_SENSOR, _STANDING, 4),
        _test("B1C23-12", "inner_right_park_sensor", _STANDING, 4),
        _test("B1C24-12", "outer_right_park_sensor", _STANDING, 4),
    ),
    identity=_identity("3400-01", 54330867, "01.22"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
    lists_untested=False,
    idle_clears=1,
)
_RESTRAINTS = UnitSpec(
    address="770/778",
    name="Restraints",
    monitors=(
        _test("B1E01-1A", "driver_igniter", _KEY_ON, 4, _LAMP),
        _test("B1E02-1A", "passenger_igniter", _KEY_ON, 4, _LAMP),
    ),
    identity=_identity("3500-06", 55810439, "06.00"),
    snapshot_identifiers=_CHASSIS_SNAPSHOT,
)
UNITS = (
    _ENGINE,
    _TRANSMISSION,
    _EXHAUST,
    _BRAKE,
    _STEERING,
    _RIDE_HEIGHT,
    _BODY,
    _CLUSTER,
    _CLIMATE,
    _PARKING,
    _RESTRAINTS,
)


def build(seed: int) -> Car:
    """The car as its owner brings it in: key on, engine off, cold."""
    car = Car(
        UNITS,
        world=World(path_kmh_s=84_152 * HOUR_S),
        counters=lambda: Counters(warm_ups=57, path_kmh_s=1_904 * HOUR_S, run_s=41 * HOUR_S),
    )
    _drive_with_old_faults(car)
    _drive_on_which_the_wire_breaks(car)
    _drive_with_the_wire_broken(car)
    car.loosen(COIL, _later_bad_times(seed, car.world.now_s))
    car.act("wait", seconds=8 * HOUR_S)
    car.act("key_on")
    car.act("wait", seconds=15)
    return car


def _set_off(car: Car) -> None:
    """Key on, a look around, engine on, half a minute at idle, then slowly until the engine is hot."""
    car.act("key_on")
    car.act("wait", seconds=8)
    car.act("start_engine")
    car.act("wait", seconds=40)
    car.act("drive", kmh=45, seconds=380)


def _park(car: Car, hours: int) -> None:
    car.act("drive", kmh=0, seconds=40)
    car.act("key_off")
    car.act("wait", seconds=hours * HOUR_S)


def _drive_with_old_faults(car: Car) -> None:
    """Two body sensors fail, then are put right; every other test runs and passes."""
    for component in (SUN_SENSOR, PARK_SENSOR):
        car.act("break", component=component)
    _set_off(car)
    car.act("drive", kmh=STEADY_KMH, seconds=260)
    _park(car, 2)
    for component in (SUN_SENSOR, PARK_SENSOR):
        car.act("repair", component=component)


def _drive_on_which_the_wire_breaks(car: Car) -> None:
    """The strut is weak, the inspection is due, the coil's plug works loose; at speed the wire breaks."""
    car.act("wear", component=STRUT)
    car.act("wear", component=INSPECTION)
    _coil_fails_soon(car)
    _set_off(car)
    car.act("drive", kmh=STEADY_KMH, seconds=150)
    car.act("break", component=WHEEL_SENSOR)
    car.act("drive", kmh=STEADY_KMH, seconds=90)
    _park(car, 2)


def _drive_with_the_wire_broken(car: Car) -> None:
    """The second failing drive: what needs two of them is confirmed, and the coil works again at its end."""
    _coil_fails_soon(car)
    _set_off(car)
    car.act("drive", kmh=STEADY_KMH, seconds=180)
    _park(car, 1)


def _coil_fails_soon(car: Car) -> None:
    """The loose plug lets go for some seconds in the warm part of the drive that is about to begin."""
    start_s = car.world.now_s + 400
    car.loosen(COIL, ((start_s, start_s + 9),))


def _later_bad_times(seed: int, now_s: int) -> tuple[tuple[int, int], ...]:
    """When the plug will let go again: not soon after the car came in, then now and then."""
    spans = []
    at_s = now_s + 8 * HOUR_S + HOUR_S
    for nth in range(60):
        at_s += draw(2400, seed=seed, unit=_ENGINE.address, cause=f"{COIL} gap", nth=nth)
        length_s = 5 + draw(8, seed=seed, unit=_ENGINE.address, cause=f"{COIL} length", nth=nth)
        spans.append((at_s, at_s + length_s))
        at_s += length_s + 1200
    return tuple(spans)

"""What tests of scenario files share: a small file that is right, and the reading of one that was changed."""

from __future__ import annotations

from simulators.answering import answer
from simulators.car import Car
from simulators.scenarios.loader import read_vehicle
from simulators.scenarios.vehicle import Vehicle

LIGHTS, ENGINE = "742/74A", "7E0/7E8"
DBC = """VERSION ""

BU_: Cluster

BO_ 672 Drive: 4 Cluster
 SG_ RoadSpeed : 0|16@1+ (0.01,0) [0|655.35] "km/h" Vector__XXX
 SG_ Coolant : 23|8@0- (1,0) [-128|127] "C" Vector__XXX

BO_ 2147484544 Lamps: 1 Cluster
 SG_ EngineLamp : 7|1@0+ (1,0) [0|1] "" Vector__XXX
"""
SMALL = """
[scenario]
about = "A lamp's wire is broken."

[vehicle]
name = "Corvande Sileth"
vin = "ZZ9CRVLD1ST002417"
odometer_km = 31870
broadcast = "small.dbc"
since_clear = { warm_ups = 143, distance_km = 6120, run_h = 118 }

[[identifier]]
number = "1105"
name = "Odometer"
value = "odometer_km"
length = 3

[[unit]]
address = "742/74A"
name = "Lighting control"
electronics = "lighting_unit"
supply = "lighting_fuse"
identification = { F18C = "70880163", F195 = "0x0102" }
snapshot = ["F40D", "1105"]

[[unit.code]]
code = "B1A21-15"
text = "Left low beam: circuit short to battery or open"
component = "left_headlamp_wire"
also = ["left_headlamp_bulb"]
debounce_s = 3
lamp = true

[[unit.code]]
code = "U0100-00"
text = "Lost communication with engine control"
lost_unit = "7E0/7E8"
debounce_s = 5

[[unit.routine]]
number = "0310"
name = "Beam levelling"
needs = { engine = "off", max_kmh = 0 }
session = "03"
runs_s = 6
repairs = ["left_headlamp_wire"]
clears = ["B1A21-15"]

[[unit.routine]]
number = "0311"
name = "Lamp test"
breaks = ["left_headlamp_bulb"]

[[unit]]
address = "7E0/7E8"
name = "Engine control"
doip = "1001"
volatile = true

[unit.obd]
parameters = ["01", "0C", "0D", "30", "31"]
permanent = true
vin = true

[[unit.code]]
code = "P0300-00"
text = "Misfire on several cylinders"
component = "cylinders"
when = { engine = "running" }
debounce_s = 10
lamp = true
permanent = true
readiness = "misfire"

[[unit.code]]
code = "P0456-00"
text = "Very small leak"
component = "tank_seal"
when = { key = "off", min_key_s = 600 }
debounce_s = 300
readiness = "tank_vent"

[[unit.code]]
code = "B2C10-00"
text = "Oil service due"
component = "oil_service"
debounce_s = 1

[[component]]
name = "oil_service"
every_km = 100
due_in_km = 10
every_days = 30

[[donor]]
name = "spare"
unit = "742/74A"
vin = "ZZ9SPARE1RT880045"
identification = { F18C = "99999999" }
odometer_km = 140000
codes = ["B1A21-15"]

[[mishap]]
after = "repair component=left_headlamp_wire"
then = ["break component=lighting_unit", "key_on"]

[[broadcast]]
message = "Drive"
cycle_ms = 20
signals = { RoadSpeed = "speed_kmh", Coolant = "coolant_c" }

[[broadcast]]
message = "Lamps"
cycle_ms = 100
signals = { EngineLamp = "lamp:7E0/7E8" }

[story]
steps = [
    "key_on",
    "wait seconds=20",
]
"""


def beside(name: str) -> str:
    """The one file that lies beside the small one."""
    if name != "small.dbc":
        raise FileNotFoundError(name)
    return DBC


def read_small(text: str = SMALL) -> Vehicle:
    """Read the small file, or a changed one."""
    return read_vehicle(text, name="small.toml", beside=beside)


def small_car(text: str = SMALL, seed: int = 1) -> Car:
    """The small file's car, as its owner brings it in."""
    return read_small(text).build(seed)


def ask(car: Car, unit: str, request: str, at_ms: int = 0) -> str:
    """What a unit answers, in hex; nothing where it is silent."""
    replies = answer(car.units[unit], bytes.fromhex(request), car.world, at_ms=at_ms)
    return " ".join(reply.hex().upper() for reply in replies)

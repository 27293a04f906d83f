"""Names that tests use of the scenario "warning-lamps"; what it is stands in its TOML file."""

from __future__ import annotations

from simulators.scenarios import SCENARIOS

UNITS = SCENARIOS["warning-lamps"].units
VIN = SCENARIOS["warning-lamps"].vehicle.vin
WHEEL_SENSOR = "front_left_speed_sensor"
COIL = "coil_c_connector"

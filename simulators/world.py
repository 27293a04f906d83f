"""The world clock and the car's simple physics. All whole numbers, so that every machine agrees.

The clock moves only when `World.step` is called, one second at a time; nothing here reads a machine clock.
"""

from __future__ import annotations

from dataclasses import dataclass

AMBIENT_C = 14
SUPPLY_FLAT_MV = 5_400
SUPPLY_RESTING_MV = 12_300
SUPPLY_CHARGING_MV = 14_100
IDLE_RPM = 800
RAMP_KMH_PER_S = 5
_MICRO = 1_000_000
_THERMOSTAT_UC = 90 * _MICRO
_HEATING_DRIVING_UC_PER_S = 220_000
_HEATING_IDLING_UC_PER_S = 100_000
_COOLING_TIME_CONSTANT_S = 5400
_WARM_C = 71
# (up to this speed in km/h, engine revolutions per minute for each km/h): one gear a line.
_GEARS = ((14, 110), (29, 62), (47, 44), (300, 33))
# The legislated minimum driving cycle: 13 CCR 1968.2 (d)(2.5), from memory.
_FIT_RUN_S, _FIT_FAST_S, _FIT_IDLE_S, _FAST_KMH, _CREEP_KMH = 600, 300, 30, 40, 1


@dataclass(slots=True, kw_only=True)
class World:
    """Where the car and its driver are.

    Args:
        now_s: seconds since the story began.
        key_on: True while the ignition is on.
        engine_on: True while the engine runs.
        speed_kmh: road speed.
        wanted_kmh: the speed the driver is heading for.
        path_kmh_s: way travelled in the car's life, in km/h times seconds (3600 of them are a kilometre).
        coolant_uc: coolant temperature, millionths of a degree Celsius.
        run_s: seconds since the engine was started, 0 from key-on until then.
        key_s: seconds since the key was last turned, either way.
        ambient_c: temperature outside, whole degrees Celsius.
        battery_flat: True while the supply is too low for any unit.
    """

    now_s: int = 0
    key_on: bool = False
    engine_on: bool = False
    speed_kmh: int = 0
    wanted_kmh: int = 0
    path_kmh_s: int = 0
    coolant_uc: int = AMBIENT_C * _MICRO
    run_s: int = 0
    accelerating: bool = False
    start_coolant_uc: int = AMBIENT_C * _MICRO
    cycle_run_s: int = 0
    cycle_fast_s: int = 0
    cycle_idle_s: int = 0
    cycle_idle_met: bool = False
    key_s: int = 0
    ambient_c: int = AMBIENT_C
    battery_flat: bool = False

    @property
    def rpm(self) -> int:
        """Engine speed, 1/min: 0 when off, the same at the same road speed."""
        if not self.engine_on:
            return 0
        ratio = next(ratio for top, ratio in _GEARS if self.speed_kmh <= top)
        return max(IDLE_RPM, self.speed_kmh * ratio)

    @property
    def load_percent(self) -> int:
        """Calculated engine load: 0 when off, 20 idling, rising with speed and while speeding up."""
        if not self.engine_on:
            return 0
        return 20 + self.speed_kmh // 4 + (30 if self.accelerating else 0)

    @property
    def coolant_c(self) -> int:
        """Coolant temperature, whole degrees Celsius."""
        return self.coolant_uc // _MICRO

    @property
    def supply_mv(self) -> int:
        """Supply voltage, millivolts."""
        if self.battery_flat:
            return SUPPLY_FLAT_MV
        return SUPPLY_CHARGING_MV if self.engine_on else SUPPLY_RESTING_MV

    @property
    def odometer_km(self) -> int:
        """Way travelled in the car's life, whole kilometres."""
        return self.path_kmh_s // 3600

    @property
    def standing_engine_off(self) -> bool:
        """True when the car stands and its engine is off: when memories may be cleared."""
        return not self.engine_on and self.speed_kmh == 0

    @property
    def warmed_up(self) -> bool:
        """True once this engine start made a warm-up cycle: 22 K higher and at least 71 C.

        Source: the 40 F and 160 F of 13 CCR 1968.2, as vehicle makers' texts repeat them.
        """
        rise = self.coolant_uc - self.start_coolant_uc
        return self.engine_on and rise >= 22 * _MICRO and self.coolant_c >= _WARM_C

    @property
    def conditions(self) -> tuple[int, int, bool]:
        """Engine speed, load, and whether the engine is warm: what similar conditions are judged by."""
        return self.rpm, self.load_percent, self.coolant_c >= _WARM_C

    @property
    def fit_driving_cycle(self) -> bool:
        """True once this key cycle holds what erases a permanent code: 600 s run, 300 s fast, 30 s idle."""
        return self.cycle_run_s >= _FIT_RUN_S and self.cycle_fast_s >= _FIT_FAST_S and self.cycle_idle_met

    def turn_key_on(self) -> None:
        """Begin a key cycle: everything that counts within one starts at zero."""
        self.key_on = True
        self.key_s = 0
        self.run_s = self.cycle_run_s = self.cycle_fast_s = self.cycle_idle_s = 0
        self.cycle_idle_met = False

    def turn_key_off(self) -> None:
        """End the key cycle; the engine stops with it."""
        self.key_on = False
        self.key_s = 0
        self.stop_engine()

    def start_engine(self) -> None:
        """Start the engine; its run time begins at zero."""
        self.engine_on = True
        self.run_s = 0
        self.start_coolant_uc = self.coolant_uc

    def stop_engine(self) -> None:
        """Stop the engine of a standing car."""
        self.engine_on = False
        self.wanted_kmh = 0

    def step(self) -> None:
        """Let one second pass."""
        self.now_s += 1
        self.key_s += 1
        if not self.engine_on:
            self.coolant_uc -= (self.coolant_uc - self.ambient_c * _MICRO) // _COOLING_TIME_CONSTANT_S
            return
        before = self.speed_kmh
        change = max(-RAMP_KMH_PER_S, min(RAMP_KMH_PER_S, self.wanted_kmh - before))
        self.speed_kmh = before + change
        self.accelerating = change > 0
        self.path_kmh_s += self.speed_kmh
        heating = _HEATING_DRIVING_UC_PER_S if self.speed_kmh else _HEATING_IDLING_UC_PER_S
        self.coolant_uc = min(_THERMOSTAT_UC, self.coolant_uc + heating)
        self.run_s += 1
        self.cycle_run_s += 1
        self.cycle_fast_s += self.speed_kmh >= _FAST_KMH
        self.cycle_idle_s = self.cycle_idle_s + 1 if self.speed_kmh <= _CREEP_KMH else 0
        self.cycle_idle_met = self.cycle_idle_met or self.cycle_idle_s >= _FIT_IDLE_S

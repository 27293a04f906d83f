"""Parts that are sound or not, and the tests by which units notice: one monitor for each code."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Set
from dataclasses import dataclass
from enum import StrEnum

from simulators.fault_memory import Event, Fault, FaultRule, Snapshot
from simulators.world import World

KM = 3600
"""A kilometre in km/h times seconds."""
DAY_S = 24 * 3600
SIMILAR_RPM, SIMILAR_LOAD = 375, 20


class Condition(StrEnum):
    """How a part is."""

    SOUND = "sound"
    BROKEN = "broken"
    WORN = "worn"
    LOOSE = "loose"
    MISFIT = "misfit"


@dataclass(frozen=True, slots=True, kw_only=True)
class When:
    """The conditions under which a test or a routine may run, or a loose part lets go. All of them must hold.

    Args:
        key_off: True if the key must be off; False if it must be on.
        engine: True if the engine must run.
        engine_off: True if the engine must stand.
        min_kmh: lowest road speed.
        max_kmh: highest road speed, or None for any.
        min_coolant_c: lowest coolant temperature, or None for any.
        max_coolant_c: highest coolant temperature, or None for any.
        min_run_s: shortest time since the engine was started.
        min_key_s: shortest time since the key was last turned.
    """

    key_off: bool = False
    engine: bool = False
    engine_off: bool = False
    min_kmh: int = 0
    max_kmh: int | None = None
    min_coolant_c: int | None = None
    max_coolant_c: int | None = None
    min_run_s: int = 0
    min_key_s: int = 0

    def holds(self, world: World) -> bool:
        """True if all of it is so now."""
        return (
            world.key_on is not self.key_off
            and (world.engine_on or not self.engine)
            and not (world.engine_on and self.engine_off)
            and world.speed_kmh >= self.min_kmh
            and (self.max_kmh is None or world.speed_kmh <= self.max_kmh)
            and (self.min_coolant_c is None or world.coolant_c >= self.min_coolant_c)
            and (self.max_coolant_c is None or world.coolant_c <= self.max_coolant_c)
            and world.run_s >= self.min_run_s
            and world.key_s >= self.min_key_s
        )


@dataclass(slots=True, kw_only=True)
class Interval:
    """A service that is due again and again.

    Args:
        every_km: way between two services, or None where the way does not count.
        every_days: time between two services, or None where time does not count.
        due_path_kmh_s: way of the car's life at which it is due next.
        due_s: world second at which it is due next.
    """

    every_km: int | None = None
    every_days: int | None = None
    due_path_kmh_s: int = 0
    due_s: int = 0

    def overdue(self, world: World) -> bool:
        """True once it is due."""
        by_way = self.every_km is not None and world.path_kmh_s >= self.due_path_kmh_s
        return by_way or (self.every_days is not None and world.now_s >= self.due_s)

    def renew(self, world: World) -> None:
        """The service was done, or is said to have been: count from now."""
        self.due_path_kmh_s = world.path_kmh_s + (self.every_km or 0) * KM
        self.due_s = world.now_s + (self.every_days or 0) * DAY_S


@dataclass(slots=True)
class Component:
    """One part of the car.

    Args:
        condition: how it is. A loose part misbehaves only within `bad_times`.
        bad_times: (first second, second after the last) on the world clock, in order.
        loose_when: under which conditions it lets go within its bad times; None for any.
        interval: the service it stands for, if it is one.
        unplugged: True while its plug is off.
    """

    condition: Condition = Condition.SOUND
    bad_times: tuple[tuple[int, int], ...] = ()
    loose_when: When | None = None
    interval: Interval | None = None
    unplugged: bool = False

    def misbehaves(self, world: World) -> bool:
        """True if a test run now would find it bad."""
        if self.condition is Condition.LOOSE and not self.unplugged:
            return self._lets_go(world)
        return not self.is_sound(world)

    def is_sound(self, world: World) -> bool:
        """True if nothing is wrong with it; a loose part is not sound, even while it happens to work."""
        if self.unplugged or self.condition is not Condition.SOUND:
            return False
        return self.interval is None or not self.interval.overdue(world)

    def become(self, condition: Condition, world: World, bad_times: tuple[tuple[int, int], ...] = ()) -> None:
        """Be broken, or put right: then its plug is on too, and its service counts from now."""
        self.condition, self.bad_times = condition, bad_times
        if condition is Condition.SOUND:
            self.unplugged = False
            if self.interval is not None:
                self.interval.renew(world)

    def _lets_go(self, world: World) -> bool:
        if self.loose_when is not None and not self.loose_when.holds(world):
            return False
        begun = bisect_left(self.bad_times, (world.now_s + 1, 0))
        return begun > 0 and world.now_s < self.bad_times[begun - 1][1]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorSpec:
    """One code, the part it is about, and how its test runs.

    Args:
        code: code text such as ``C0035-13``.
        component: the part whose condition decides the result; or a unit's address, whose silence does.
        also: other parts that the test cannot tell from it.
        when: under which conditions the test may run.
        debounce_s: unbroken seconds of the same finding, conditions met, that make a result.
        rule: how the code is confirmed, shown and forgotten.
        readiness: name of the readiness monitor it belongs to, or None.
    """

    code: str
    component: str
    when: When
    debounce_s: int
    rule: FaultRule
    readiness: str | None = None
    also: tuple[str, ...] = ()

    def finds(self, bad: Set[str]) -> bool:
        """True if a test run now would fail, given the parts that misbehave and the units that are silent."""
        return self.component in bad or any(part in bad for part in self.also)


class Monitor:
    """A running test. Results come only with world seconds, never with a request."""

    __slots__ = ("_bad_s", "_failed_under", "_good_s", "fault", "spec")

    def __init__(self, spec: MonitorSpec) -> None:
        self.spec = spec
        self.fault = Fault(rule=spec.rule)
        self._failed_under: tuple[int, int, bool] | None = None
        self.restart()

    def restart(self) -> None:
        """Begin to count anew: at each operation cycle, after a clear, and when the conditions broke."""
        self._good_s = self._bad_s = 0

    def clear(self) -> None:
        """Erase the code and test again from the start."""
        self.fault.happen(Event.CLEARED)
        self.restart()

    def step(self, world: World, misbehaves: bool, take_snapshot: Callable[[], Snapshot]) -> None:
        """Account for the second that just passed."""
        if not self.spec.when.holds(world):
            self.restart()
        elif misbehaves:
            self._good_s = 0
            self._bad_s += 1
            if self._bad_s == self.spec.debounce_s:
                self.fault.happen(Event.FAILED, snapshot=take_snapshot())
                self._failed_under = world.conditions
        else:
            self._bad_s = 0
            self._good_s += 1
            if self._good_s == self.spec.debounce_s:
                self.fault.happen(Event.PASSED)
            if self.spec.rule.similar_conditions and self._good_s >= self.spec.debounce_s and self._similar(world):
                self.fault.happen(Event.SIMILAR_CONDITIONS_MET)

    def _similar(self, world: World) -> bool:
        """True if the car runs as it ran when the test last failed. Source: 13 CCR 1968.2 (e)(3), from memory."""
        if self._failed_under is None:
            return False
        (rpm, load, warm), (was_rpm, was_load, was_warm) = world.conditions, self._failed_under
        return abs(rpm - was_rpm) <= SIMILAR_RPM and abs(load - was_load) <= SIMILAR_LOAD and warm is was_warm

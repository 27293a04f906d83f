"""Parts that are sound or not, and the tests by which units notice: one monitor for each code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from simulators.fault_memory import Event, Fault, FaultRule, Snapshot
from simulators.world import World


class Condition(StrEnum):
    """How a part is."""

    SOUND = "sound"
    BROKEN = "broken"
    WORN = "worn"
    LOOSE = "loose"


@dataclass(slots=True)
class Component:
    """One part of the car.

    Args:
        condition: how it is. A loose part misbehaves only within `bad_times`.
        bad_times: (first second, second after the last) on the world clock.
    """

    condition: Condition = Condition.SOUND
    bad_times: tuple[tuple[int, int], ...] = ()

    def misbehaves(self, now_s: int) -> bool:
        """True if a test run now would find it bad."""
        if self.condition is Condition.LOOSE:
            return any(start <= now_s < end for start, end in self.bad_times)
        return self.condition is not Condition.SOUND


@dataclass(frozen=True, slots=True, kw_only=True)
class When:
    """The conditions under which a test may run. The key must always be on.

    Args:
        engine: True if the engine must run.
        min_kmh: lowest road speed.
        max_kmh: highest road speed, or None for any.
        min_coolant_c: lowest coolant temperature, or None for any.
    """

    engine: bool = False
    min_kmh: int = 0
    max_kmh: int | None = None
    min_coolant_c: int | None = None

    def holds(self, world: World) -> bool:
        """True if the test may run now."""
        return (
            world.key_on
            and (world.engine_on or not self.engine)
            and world.speed_kmh >= self.min_kmh
            and (self.max_kmh is None or world.speed_kmh <= self.max_kmh)
            and (self.min_coolant_c is None or world.coolant_c >= self.min_coolant_c)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorSpec:
    """One code, the part it is about, and how its test runs.

    Args:
        code: code text such as ``C0035-13``.
        component: the part whose condition decides the result.
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


class Monitor:
    """A running test. Results come only with world seconds, never with a request."""

    __slots__ = ("_bad_s", "_good_s", "fault", "spec")

    def __init__(self, spec: MonitorSpec) -> None:
        self.spec = spec
        self.fault = Fault(rule=spec.rule)
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
        else:
            self._bad_s = 0
            self._good_s += 1
            if self._good_s == self.spec.debounce_s:
                self.fault.happen(Event.PASSED)

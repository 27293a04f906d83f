"""The whole car: its world, its parts, its units, and what a person can do with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from simulators.counters import Counters
from simulators.errors import BenchError
from simulators.live_data import take_snapshot
from simulators.monitors import Component, Condition
from simulators.unit import Unit, UnitSpec
from simulators.world import World

_TURN_S = 1  # turning a key takes a second
_LONGEST_S = 7 * 24 * 3600
_FASTEST_KMH = 200

_SAID: Mapping[Condition, str] = {
    Condition.SOUND: "put right",
    Condition.WORN: "made to wear out",
    Condition.BROKEN: "broken on purpose",
}
_NAMES: Mapping[str, tuple[str, ...]] = {
    "key_off": (),
    "key_on": (),
    "start_engine": (),
    "stop_engine": (),
    "wait": ("seconds",),
    "drive": ("kmh", "seconds"),
    "repair": ("component",),
    "wear": ("component",),
    "break": ("component",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ActResult:
    """What became of an action.

    Args:
        world_s: the world clock after it, seconds since the story began.
        said: one line on how the car is now.
    """

    world_s: int
    said: str


class Car:
    """A car in a world. Everything that happens to it happens through `act` (or a scenario's `loosen`)."""

    def __init__(self, units: tuple[UnitSpec, ...], *, world: World, counters: Callable[[], Counters]) -> None:
        self.world = world
        self.units = {spec.address: Unit(spec, counters()) for spec in units}
        names = sorted({monitor.component for spec in units for monitor in spec.monitors})
        self.components = {name: Component() for name in names}

    def act(self, action: str, **arguments: int | str) -> ActResult:
        """Do one thing and let the time it takes pass.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        if action not in _NAMES:
            raise BenchError(f"unknown action '{action}'; known: {', '.join(_NAMES)}")
        if set(arguments) != set(_NAMES[action]):
            wanted = ", ".join(_NAMES[action]) or "nothing"
            raise BenchError(f"'{action}' takes {wanted}, not {', '.join(sorted(arguments)) or 'nothing'}")
        doers: dict[str, Callable[..., str]] = {
            "key_off": self._key_off,
            "key_on": self._key_on,
            "start_engine": self._start_engine,
            "stop_engine": self._stop_engine,
            "wait": self._wait,
            "drive": self._drive,
            "repair": lambda component: self._set(component, Condition.SOUND),
            "wear": lambda component: self._set(component, Condition.WORN),
            "break": lambda component: self._set(component, Condition.BROKEN),
        }
        said = doers[action](**arguments)
        return ActResult(world_s=self.world.now_s, said=said)

    def loosen(self, component: str, bad_times: tuple[tuple[int, int], ...]) -> None:
        """Make a part misbehave now and then: within these spans of the world clock.

        Raises:
            BenchError: no such part.
        """
        self._part(component).condition = Condition.LOOSE
        self._part(component).bad_times = bad_times

    def sound(self, component: str) -> bool:
        """True if the part is sound; a loose one is not, even while it happens to work.

        Raises:
            BenchError: no such part.
        """
        return self._part(component).condition is Condition.SOUND

    def _part(self, name: object) -> Component:
        part = self.components.get(str(name))
        if part is None:
            raise BenchError(f"no part '{name}'; known: {', '.join(self.components)}")
        return part

    def _pass(self, seconds: int) -> None:
        """Let time pass, a second at a time: first the world moves, then each unit looks at it."""
        for _ in range(seconds):
            self.world.step()
            if self.world.key_on:
                for unit in self.units.values():
                    unit.step(self.world, self.components, partial(take_snapshot, unit, self.world))

    def _need(self, fits: bool, why_not: str) -> None:
        if not fits:
            raise BenchError(why_not)

    def _key_on(self) -> str:
        self._need(not self.world.key_on, "the key is already on")
        self.world.turn_key_on()
        for unit in self.units.values():
            unit.key_on()
        self._pass(_TURN_S)
        return "key on, engine off"

    def _key_off(self) -> str:
        self._need(self.world.key_on, "the key is already off")
        self._need(self.world.speed_kmh == 0, "the car is moving; bring it to a stop first: drive to 0 km/h")
        for unit in self.units.values():
            unit.key_off(self.world)
        self.world.turn_key_off()
        self._pass(_TURN_S)
        return "key off"

    def _start_engine(self) -> str:
        self._need(self.world.key_on, "the key is off; turn it on first")
        self._need(not self.world.engine_on, "the engine is already running")
        self.world.start_engine()
        self._pass(_TURN_S)
        return f"engine running at {self.world.rpm} 1/min"

    def _stop_engine(self) -> str:
        self._need(self.world.engine_on, "the engine is not running")
        self._need(self.world.speed_kmh == 0, "the car is moving; bring it to a stop first: drive to 0 km/h")
        self.world.stop_engine()
        self._pass(_TURN_S)
        return "key on, engine off"

    def _wait(self, seconds: int | str) -> str:
        self._pass(_number("seconds", seconds, 1, _LONGEST_S))
        return f"waited {seconds} s"

    def _drive(self, kmh: int | str, seconds: int | str) -> str:
        self._need(self.world.key_on, "the key is off; turn it on and start the engine first")
        self._need(self.world.engine_on, "the engine is not running; start it first")
        wanted, span = _number("kmh", kmh, 0, _FASTEST_KMH), _number("seconds", seconds, 1, _LONGEST_S)
        self.world.wanted_kmh = wanted
        self._pass(span)
        return (
            f"drove {span} s, now at {self.world.speed_kmh} km/h, coolant {self.world.coolant_c} C, "
            f"odometer {self.world.odometer_km} km"
        )

    def _set(self, component: int | str, condition: Condition) -> str:
        part = self._part(component)
        part.condition, part.bad_times = condition, ()
        return f"{str(component).replace('_', ' ')}: {_SAID[condition]}"


def _number(name: str, value: int | str, lowest: int, highest: int) -> int:
    if not isinstance(value, int) or not lowest <= value <= highest:
        raise BenchError(f"{name} must be a whole number from {lowest} to {highest}, not {value!r}")
    return value

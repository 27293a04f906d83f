"""The whole car: its world, its parts, its units, and what a person can do with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from simulators import donors
from simulators.actions import Arguments, check
from simulators.chance import draw
from simulators.counters import Counters
from simulators.donors import DonorSpec
from simulators.errors import BenchError
from simulators.live_data import take_snapshot
from simulators.monitors import Component, Condition
from simulators.unit import Unit, UnitSpec
from simulators.world import World

_TURN_S = 1  # turning a key takes a second
_AFTER_RUN_S = 2 * 3600  # how long a unit stays awake for its tests after the key was turned off
_DRAIN_S, _CHARGE_S = 10 * 3600, 6 * 3600
_FIT: Mapping[str, Condition] = {"right": Condition.SOUND, "wrong": Condition.MISFIT}
_MOVING = "the car is moving; bring it to a stop first: drive to 0 km/h"


@dataclass(frozen=True, slots=True, kw_only=True)
class ActResult:
    """What became of an action.

    Args:
        world_s: the world clock after it, seconds since the story began.
        said: one line on how the car is now.
    """

    world_s: int
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """What goes wrong, once, when somebody does a certain thing.

    Args:
        after: the action and what it must have been told; more does not matter.
        then: what happens behind it, unsaid.
    """

    after: tuple[str, Arguments]
    then: tuple[tuple[str, Arguments], ...]


class Car:
    """A car in a world. Everything that happens to it happens through `act`.

    Args:
        units: what its maker built in.
        world: the world it is in.
        counters: makes what a unit has counted so far.
        seed: what chance depends on.
        parts: how parts differ from plain ones; a part that is not here is sound and knows no conditions.
        mishaps: what goes wrong when somebody does a certain thing.
        spares: units that may take another one's place.
    """

    def __init__(
        self,
        units: tuple[UnitSpec, ...],
        *,
        world: World,
        counters: Callable[[], Counters],
        seed: int = 1,
        parts: Mapping[str, Component] | None = None,
        mishaps: Iterable[Mishap] = (),
        spares: Iterable[DonorSpec] = (),
    ) -> None:
        self.world = world
        self.seed = seed
        known = parts or {}
        self.components = {name: known.get(name, Component()) for name in sorted(_part_names(units) | set(known))}
        self.units = {spec.address: Unit(spec, counters(), self.components) for spec in units}
        self._mishaps = list(mishaps)
        self._spares = {(spare.unit, spare.name): spare for spare in spares}

    def act(self, action: str, **arguments: int | str) -> ActResult:
        """Do one thing and let the time it takes pass.

        Args:
            action: one of `simulators.actions.ACTIONS`.
            arguments: what it takes.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        given = check(action, arguments)
        doers: dict[str, Callable[..., str]] = {
            "key_off": self._key_off,
            "key_on": self._key_on,
            "start_engine": self._start_engine,
            "stop_engine": self._stop_engine,
            "wait": self._wait,
            "idle": self._idle,
            "drive": self._drive,
            "repair": partial(self._set, condition=Condition.SOUND, said="put right"),
            "fit": self._fit,
            "wear": partial(self._set, condition=Condition.WORN, said="made to wear out"),
            "break": partial(self._set, condition=Condition.BROKEN, said="broken on purpose"),
            "loosen": self._loosen,
            "disconnect": partial(self._plug, on=False),
            "connect": partial(self._plug, on=True),
            "drain_battery": self._drain_battery,
            "charge_battery": self._charge_battery,
            "swap_unit": self._swap_unit,
            "clear_memory": self._clear_memory,
        }
        said = doers[action](**given)
        self._look()
        self._have_mishaps(action, given)
        return ActResult(world_s=self.world.now_s, said=said)

    def sound(self, component: str) -> bool:
        """True if the part is sound; a loose one is not, even while it happens to work. A unit is sound if it lives.

        Raises:
            BenchError: no such part.
        """
        if component in self.units:
            return self.units[component].is_live
        return self._part(component).is_sound(self.world)

    def _part(self, name: object) -> Component:
        part = self.components.get(str(name))
        if part is None:
            raise BenchError(f"no part '{name}'; known: {', '.join(self.components)}")
        return part

    def _unit(self, named: str) -> Unit | None:
        return next((unit for unit in self.units.values() if named in (unit.spec.address, unit.spec.name)), None)

    def _pass(self, seconds: int) -> None:
        """Let time pass, a second at a time: first the world moves, then each unit that is awake looks at it."""
        on = self.world.key_on
        awake = [unit for unit in self.units.values() if on or unit.tests_parked]
        for _ in range(seconds):
            self.world.step()
            if awake and (on or self.world.key_s <= _AFTER_RUN_S):
                bad = self._look()
                for unit in awake:
                    if unit.is_live:
                        unit.step(self.world, bad, partial(take_snapshot, unit, self.world))

    def _look(self) -> set[str]:
        """The parts that misbehave and the units that are silent now; each unit notices what its supply does."""
        bad = {name for name, part in self.components.items() if part.misbehaves(self.world)}
        for unit in self.units.values():
            unit.feel(bad, self.world)
        return bad | {address for address, unit in self.units.items() if not unit.is_live}

    def _have_mishaps(self, action: str, given: Arguments) -> None:
        for mishap in [one for one in self._mishaps if one.after[0] == action]:
            if mishap.after[1].items() <= given.items():
                self._mishaps.remove(mishap)
                for then, arguments in mishap.then:
                    with suppress(BenchError):  # what cannot happen does not
                        self.act(then, **arguments)

    def _need(self, fits: bool, why_not: str) -> None:
        if not fits:
            raise BenchError(why_not)

    def _key_on(self) -> str:
        self._need(not self.world.key_on, "the key is already on")
        self._need(not self.world.battery_flat, "the battery is flat; charge it first")
        self.world.turn_key_on()
        for unit in self.units.values():
            if unit.is_live:
                unit.key_on()
        self._pass(_TURN_S)
        return "key on, engine off"

    def _key_off(self) -> str:
        self._need(self.world.key_on, "the key is already off")
        self._need(self.world.speed_kmh == 0, _MOVING)
        for unit in self.units.values():
            if unit.is_live:
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
        self._need(self.world.speed_kmh == 0, _MOVING)
        self.world.stop_engine()
        self._pass(_TURN_S)
        return "key on, engine off"

    def _wait(self, seconds: int) -> str:
        self._pass(seconds)
        return f"waited {seconds} s"

    def _idle(self, seconds: int) -> str:
        self._need(self.world.engine_on, "the engine is not running; start it first")
        self._need(self.world.speed_kmh == 0, _MOVING)
        self.world.wanted_kmh = 0
        self._pass(seconds)
        return f"idled {seconds} s, coolant {self.world.coolant_c} C"

    def _drive(self, kmh: int, seconds: int) -> str:
        self._need(self.world.key_on, "the key is off; turn it on and start the engine first")
        self._need(self.world.engine_on, "the engine is not running; start it first")
        self.world.wanted_kmh = kmh
        self._pass(seconds)
        return (
            f"drove {seconds} s, now at {self.world.speed_kmh} km/h, coolant {self.world.coolant_c} C, "
            f"odometer {self.world.odometer_km} km"
        )

    def _set(self, component: str, condition: Condition, said: str) -> str:
        self._part(component).become(condition, self.world)
        return f"{_plain(component)}: {said}"

    def _fit(self, component: str, part: str) -> str:
        self._need(part in _FIT, f"part must be {' or '.join(_FIT)}, not '{part}'")
        return self._set(component, _FIT[part], f"replaced by a new part, the {part} one")

    def _loosen(self, component: str, after: int, times: int, **spans: int) -> str:
        """The spans in which it lets go are drawn at once, so that nothing asked later can move them."""
        part, bad_times, at_s = self._part(component), [], self.world.now_s + after
        tested_by = next(
            (unit.spec.address for unit in self.units.values() for test in unit.spec.monitors
             if component in (test.component, *test.also)), ""
        )  # fmt: skip
        for nth in range(times):
            at_s += self._chance(spans["gap_spread"], tested_by, f"{component} gap", nth)
            length_s = spans["lasting"] + self._chance(spans["lasting_spread"], tested_by, f"{component} length", nth)
            bad_times.append((at_s, at_s + length_s))
            at_s += length_s + spans["gap"]
        part.become(Condition.LOOSE, self.world, tuple(bad_times))
        return f"{_plain(component)}: made to lose contact now and then"

    def _chance(self, below: int, unit: str, cause: str, nth: int) -> int:
        return draw(below, seed=self.seed, unit=unit, cause=cause, nth=nth) if below else 0

    def _plug(self, plug: str, on: bool) -> str:
        unit = self._unit(plug)
        if unit is None and plug not in self.components:
            known = (*self.components, *self.units)
            raise BenchError(f"no part or unit '{plug}'; known: {', '.join(known)}")
        is_on = unit.plugged if unit is not None else not self._part(plug).unplugged
        self._need(is_on is not on, f"{_plain(plug)}: the plug is already {'on' if on else 'off'}")
        if unit is not None:
            unit.plugged = on
        else:
            self._part(plug).unplugged = not on
        return f"{unit.spec.name if unit is not None else _plain(plug)}: plug {'on' if on else 'off'}"

    def _drain_battery(self) -> str:
        self._need(not self.world.battery_flat, "the battery is already flat")
        self._need(not self.world.key_on, "the key is on; turn it off first")
        self._pass(_DRAIN_S)
        self.world.battery_flat = True
        return f"the battery is flat, {self.world.supply_mv} mV"

    def _charge_battery(self) -> str:
        self._need(self.world.battery_flat, "the battery is not flat")
        self._pass(_CHARGE_S)
        self.world.battery_flat = False
        return f"the battery is charged, {self.world.supply_mv} mV"

    def _swap_unit(self, unit: str, donor: str) -> str:
        old = self._unit(unit)
        if old is None:
            raise BenchError(f"no unit '{unit}'; known: {', '.join(self.units)}")
        self._need(not self.world.key_on, "the key is on; turn it off first")
        spec = old.spec
        spare = self._spares.get((spec.address, donor)) or donors.any_donor(donor, spec, self.seed)
        if spare is None:
            names = [name for address, name in self._spares if address == spec.address]
            raise BenchError(f"no unit '{donor}' for this place; known: {', '.join((donors.NEW, donors.USED, *names))}")
        old.become(donors.make(spare, spec))
        if spec.electronics is not None:
            self._part(spec.electronics).become(Condition.SOUND, self.world)
        return f"{spec.name}: another unit in its place, {donor}"

    def _clear_memory(self) -> str:
        self._need(self.world.key_on, "the key is off; turn it on first")
        self._need(self.world.standing_engine_off, "the engine must be off and the car standing")
        for unit in self.units.values():
            if unit.is_live:
                unit.clear(tuple(unit.monitors))
        return "somebody erased every memory"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _part_names(units: tuple[UnitSpec, ...]) -> set[str]:
    """Every part that a test, a routine or a unit's supply is about; a unit's address is no part."""
    addresses = {spec.address for spec in units}
    tested = {name for spec in units for test in spec.monitors for name in (test.component, *test.also)}
    changed = {name for spec in units for routine in spec.routines for name in (*routine.repairs, *routine.breaks)}
    feeding = {name for spec in units for name in (spec.electronics, spec.supply) if name is not None}
    return (tested | changed | feeding) - addresses

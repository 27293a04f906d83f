"""The bench's front door, found by entry point: which scenarios there are, and a running car."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from typing import Any, Self

from decoders.values import doip_unit
from simulators import disturbing
from simulators.actions import ACTIONS, Action, Arguments, check
from simulators.bench_file import DistantBench, Published, find_published
from simulators.broadcast import Broadcast
from simulators.can_node import Frame, VirtualDoor
from simulators.can_side import CanSide, Physics
from simulators.car import ActResult, Car
from simulators.desk import Desk
from simulators.disturbing import Disturbed, DisturbedUnit
from simulators.doip_entity import number_units
from simulators.errors import BenchError
from simulators.response_times import ResponseTimes
from simulators.scenarios import SCENARIOS, find_scenario
from simulators.scenarios.profile_text import profile_text
from simulators.world import World

__all__ = ["ActResult", "Bench", "BenchError", "RunningBench"]

# By what a person calls it: module and class, loaded when somebody opens it.
DOORS: Mapping[str, tuple[str, str]] = {
    "can": ("simulators.slcan_hub", "SlcanDoor"),
    "dongle": ("simulators.dongle", "DongleDoor"),
    "doip": ("simulators.doip", "DoipDoor"),
    "pty": ("simulators.dongle", "DonglePty"),
}
_CAN, _DOIP, _PTY = "can", "doip", "pty"


class RunningBench:
    """A car on a virtual bus of its own and behind whatever doors are opened, until closed.

    Attributes:
        scenario: the scenario's name.
        links: link addresses by which the car is reached: the first from this process alone, one more for each door.
        desk: where every door hands in its requests.
        side: its CAN bus, for doors on it.
    """

    def __init__(
        self,
        scenario: str,
        car: Car,
        *,
        physics: Physics | None = None,
        times: ResponseTimes | None = None,
        broadcasts: Iterable[Broadcast] = (),
        desk: type[Desk] = Desk,
    ) -> None:
        self.scenario = scenario
        self._car = car
        self.desk = desk(car, times=times)
        self._guard = self.desk.lock
        self._open = ExitStack()
        self._dongles: list[Disturbed] = []
        self.side = self._open.enter_context(CanSide(self.desk, physics, broadcasts=broadcasts))
        self.links: tuple[str, ...] = (self._open.enter_context(VirtualDoor(self.side)).link,)

    def open_door(self, kind: str, port: int = 0) -> str:
        """Open one more way to the car, on 127.0.0.1; it stays open until the car goes.

        Args:
            kind: one of `DOORS`.
            port: its port; 0 takes a free one. A pseudo terminal has none.

        Returns:
            The link address by which any process of this machine reaches the car.

        Raises:
            BenchError: no such kind, or the port cannot be had.
        """
        if kind not in DOORS:
            raise BenchError(f"no door '{kind}'; known: {', '.join(DOORS)}")
        module, name = DOORS[kind]
        opens: Any = getattr(importlib.import_module(module), name)
        where = self.side if kind == _CAN else self.desk
        door = self._open.enter_context(opens(where) if kind == _PTY else opens(where, port))
        if hasattr(door, disturbing.DISTURB):
            self._dongles.append(door)
        link = str(door.link)
        self.links += (link,)
        return link

    def act(self, action: str, /, **arguments: int | str) -> ActResult:
        """Do one thing with the car, never in the middle of a request, and let world time pass.

        Args:
            action: one of `Bench.actions`.
            arguments: what the action takes.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        if action in disturbing.ACTIONS:
            return self._disturb(action, arguments)
        check(action, arguments)
        return self.desk.act(action, **arguments)

    def _disturb(self, action: str, arguments: Arguments) -> ActResult:
        who, kind, more = disturbing.wanted(action, arguments)
        those = self._dongles if who == disturbing.DONGLE else [DisturbedUnit(self.desk, who)]
        if not those:
            raise BenchError("the car has no dongle door open")
        said = disturbing.change(action, kind, more, those)
        with self._guard:
            return ActResult(world_s=self._car.world.now_s, said=f"{who}: {said}")

    @property
    def load_words(self) -> str:
        """How busy the bus is, in words; empty for a bus on which frames take no time."""
        load = self.side.load()
        if load is None:
            return ""
        return f"Bus load: {load.last_second:.0f} % in the last second, {load.whole:.1f} % in all."

    def close(self) -> None:
        """Close every door and take the car off the bus; every thread is gone when this returns."""
        self._open.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    @property
    def frames(self) -> tuple[Frame, ...]:
        """Every frame seen so far, for tests only."""
        with self._guard:
            return tuple(self.side.frames)

    @property
    def troubles(self) -> tuple[Exception, ...]:
        """What went wrong in the units' transport so far, for tests only."""
        with self._guard:
            return tuple(self.side.troubles)

    @property
    def busy(self) -> bool:
        """True while any message is on its way in or out, for tests only."""
        return self.side.busy

    @property
    def world(self) -> World:
        """The car's world, for tests only."""
        return self._car.world

    @property
    def car(self) -> Car:
        """The car itself, for tests only."""
        return self._car

    def truth(self, component: str) -> bool:
        """True if the part really is sound, whatever any unit says; for tests only.

        Raises:
            BenchError: no such part.
        """
        return self._car.sound(component)


class Bench:
    """What a person can choose from."""

    def scenarios(self) -> tuple[str, ...]:
        """The names of the scenarios, sorted."""
        return tuple(sorted(SCENARIOS))

    def about(self, scenario: str) -> str:
        """What happens in a scenario, one line.

        Raises:
            BenchError: no such scenario, or its file cannot be understood.
        """
        return find_scenario(scenario).about

    def profile_text(self, scenario: str, *, addresses: str = _CAN) -> str:
        """The TOML text of the scenario's vehicle profile.

        Args:
            scenario: its name, or the path of a scenario file.
            addresses: whose addresses the units have in it: ``can``, or ``doip`` as the DoIP door gives them.

        Raises:
            BenchError: no such scenario or addresses, or its file cannot be understood.
        """
        told = find_scenario(scenario)
        if addresses == _CAN:
            return told.profile_text()
        if addresses != _DOIP:
            raise BenchError(f"no unit has '{addresses}' addresses; known: {_CAN}, {_DOIP}")
        written = {unit: doip_unit(number) for number, unit in number_units(told.units).items()}
        return profile_text(told.vehicle, told.name, written)

    def actions(self) -> Mapping[str, Action]:
        """Everything that can be done with a car, by name."""
        return {**ACTIONS, **disturbing.ACTIONS}

    def disturbances(self) -> Mapping[str, str]:
        """What can be typed behind the action `disturb`, and what it does."""
        return disturbing.ways()

    def doors(self) -> tuple[str, ...]:
        """The ways to a car that `RunningBench.open_door` can open on this machine."""
        here = {kind for kind, (module, _) in DOORS.items() if importlib.util.find_spec(module) is not None}
        return tuple(kind for kind in DOORS if kind in here and (kind != _PTY or hasattr(os, "openpty")))

    def start(self, scenario: str, *, seed: int = 1, lifelike: bool = False) -> RunningBench:
        """A new car, as the scenario's opening left it.

        Args:
            scenario: its name, or the path of a scenario file.
            seed: what chance depends on; the same seed gives the same car.
            lifelike: True for a car that takes its time: frames theirs on the wire, units theirs to think, and the
                car says to all on its bus what the scenario tells. Without it, everything is answered at once.

        Raises:
            BenchError: no such scenario, or its file cannot be understood.
        """
        told = find_scenario(scenario)
        car = told.new_car(seed)
        if not lifelike:
            return RunningBench(scenario, car)
        return RunningBench(scenario, car, physics=Physics(), times=ResponseTimes(), broadcasts=told.vehicle.broadcasts)

    def publish(self, bench: RunningBench, *, port: int = 0) -> Published:
        """Let other processes of this user find and move a running car; see `Published`.

        Args:
            bench: the car.
            port: the control port; 0 takes a free one.

        Raises:
            BenchError: another car is published already, the port cannot be had, or nothing can be written.
        """
        scenario = find_scenario(bench.scenario)
        by_doip = self.profile_text(bench.scenario, addresses=_DOIP)
        return Published(bench, scenario.name, scenario.profile_text(), by_doip, port)

    def published(self) -> DistantBench:
        """The car that another process has published.

        Raises:
            ConnectionError: there is none.
            BenchError: the platform's runtime folder belongs to somebody else.
        """
        return find_published()

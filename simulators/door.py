"""The bench's front door, found by entry point: which scenarios there are, and a running car."""

from __future__ import annotations

import threading
import uuid
from typing import Self

from simulators.can_node import CanNode, Frame
from simulators.car import ActResult, Car
from simulators.errors import BenchError
from simulators.scenarios import SCENARIOS, Scenario
from simulators.world import World

__all__ = ["ActResult", "Bench", "BenchError", "RunningBench"]


class RunningBench:
    """A car on a virtual bus of its own, until closed.

    Attributes:
        scenario: the scenario's name.
        links: link addresses by which this process reaches the car.
    """

    def __init__(self, scenario: str, car: Car) -> None:
        channel = f"bench-{uuid.uuid4()}"
        self.scenario = scenario
        self.links: tuple[str, ...] = (f"can:virtual:{channel}",)
        self._car = car
        self._guard = threading.Lock()
        self._node = CanNode(channel, car.units, car.world, self._guard)

    def act(self, action: str, **arguments: int | str) -> ActResult:
        """Do one thing with the car, never in the middle of a request, and let world time pass.

        Args:
            action: key_off, key_on, start_engine, stop_engine, wait (seconds), drive (kmh, seconds),
                repair, wear or break (component).
            arguments: what the action takes.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        with self._guard:
            return self._car.act(action, **arguments)

    def close(self) -> None:
        """Take the car off the bus; its thread is gone when this returns."""
        self._node.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    @property
    def frames(self) -> tuple[Frame, ...]:
        """Every frame seen so far, for tests only."""
        with self._guard:
            return tuple(self._node.frames)

    @property
    def troubles(self) -> tuple[Exception, ...]:
        """What went wrong in the units' transport so far, for tests only."""
        with self._guard:
            return tuple(self._node.troubles)

    @property
    def busy(self) -> bool:
        """True while any message is on its way in or out, for tests only."""
        with self._guard:
            return self._node.busy

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

    def profile_text(self, scenario: str) -> str:
        """The TOML text of the scenario's vehicle profile.

        Raises:
            BenchError: no such scenario.
        """
        return self._scenario(scenario).profile_text()

    def start(self, scenario: str, *, seed: int = 1) -> RunningBench:
        """A new car, as the scenario's opening left it.

        Args:
            scenario: its name.
            seed: what chance depends on; the same seed gives the same car.

        Raises:
            BenchError: no such scenario.
        """
        return RunningBench(scenario, self._scenario(scenario).new_car(seed))

    def _scenario(self, name: str) -> Scenario:
        if name not in SCENARIOS:
            raise BenchError(f"unknown scenario '{name}'; known: {', '.join(self.scenarios())}")
        return SCENARIOS[name]

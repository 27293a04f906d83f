"""What a scenario file says, read: the vehicle, its parts, what befalls it and the story of its past."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simulators.actions import Arguments
from simulators.broadcast import Broadcast
from simulators.car import Car, Mishap
from simulators.counters import Counters
from simulators.donors import DonorSpec
from simulators.errors import BenchError
from simulators.measured import Measured
from simulators.monitors import DAY_S, KM, Component, Interval, When
from simulators.scenarios.fields import Node
from simulators.unit import UnitSpec
from simulators.world import World

_MICRO = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSpec:
    """How a part differs from a plain one.

    Args:
        loose_when: under which conditions it lets go while it is loose.
        every_km: way between two services, where the part stands for one.
        due_in_km: way from the story's beginning to the first.
        every_days: time between two services.
        due_in_days: time from the story's beginning to the first.
    """

    loose_when: When | None = None
    every_km: int | None = None
    due_in_km: int | None = None
    every_days: int | None = None
    due_in_days: int | None = None

    def make(self, world: World) -> Component:
        """The part as the story begins."""
        interval = None
        if self.every_km is not None or self.every_days is not None:
            interval = Interval(every_km=self.every_km, every_days=self.every_days)
            way_km = self.every_km if self.due_in_km is None else self.due_in_km
            days = self.every_days if self.due_in_days is None else self.due_in_days
            interval.due_path_kmh_s = world.path_kmh_s + (way_km or 0) * KM
            interval.due_s = world.now_s + (days or 0) * DAY_S
        return Component(loose_when=self.loose_when, interval=interval)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What a profile says of a unit beside what the unit itself knows."""

    system: str | None
    fitted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeFacts:
    """What a profile says of a code: its meaning, and the unit it complains about."""

    text: str
    about: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifierFacts:
    """What a profile says of a maker's own data identifier."""

    name: str
    measured: Measured
    unit: str | None
    quantity: str
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One action of the story, with its place in the file."""

    action: str
    arguments: Arguments
    node: Node


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """A vehicle with a past.

    Args:
        about: what happens with it, one line.
        name: what people call it.
        maker: who built it.
        model: its model.
        vin: its vehicle identification number.
        electric_drive: True if it can move while its engine stands.
        odometer_km: what it had run when the story begins.
        ambient_c: temperature outside.
        counters: makes what a unit has counted when the story begins.
        units: its control units.
        unit_facts: more of each unit, by address.
        code_facts: more of each code, by unit and code.
        identifiers: the maker's own data identifiers.
        parts: parts that are not plain ones.
        mishaps: what goes wrong when somebody does a certain thing.
        spares: units that may take another one's place.
        broadcasts: what it says to all on its bus.
        steps: its past, from the first action to the moment it is brought in.
    """

    about: str
    name: str
    maker: str | None
    model: str | None
    vin: str
    electric_drive: bool
    odometer_km: int
    ambient_c: int
    counters: Callable[[], Counters]
    units: tuple[UnitSpec, ...]
    unit_facts: Mapping[str, UnitFacts]
    code_facts: Mapping[tuple[str, str], CodeFacts]
    identifiers: tuple[IdentifierFacts, ...]
    parts: Mapping[str, PartSpec]
    mishaps: tuple[Mishap, ...]
    spares: tuple[DonorSpec, ...]
    broadcasts: tuple[Broadcast, ...]
    steps: tuple[Step, ...]

    def new_car(self, seed: int) -> Car:
        """The car before its story begins."""
        micro_c = self.ambient_c * _MICRO
        world = World(
            path_kmh_s=self.odometer_km * KM,
            ambient_c=self.ambient_c,
            coolant_uc=micro_c,
            start_coolant_uc=micro_c,
        )
        return Car(
            self.units,
            world=world,
            counters=self.counters,
            seed=seed,
            parts={name: part.make(world) for name, part in self.parts.items()},
            mishaps=self.mishaps,
            spares=self.spares,
        )

    def build(self, seed: int) -> Car:
        """The car as its owner brings it in: its past has run through the same machine as its future.

        Raises:
            BenchError: the story cannot happen; names file, line and key.
        """
        car = self.new_car(seed)
        for step in self.steps:
            try:
                car.act(step.action, **step.arguments)
            except BenchError as error:
                step.node.fail(f"cannot happen: {error}")
        return car

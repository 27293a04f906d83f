"""What a scenario is: a car with a past, and the profile that describes it."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import resources

from simulators.car import Car


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One story.

    Args:
        name: what people type.
        profile: file name of the profile, beside this module.
        build: makes the car for a seed and runs its past through the real machine.
    """

    name: str
    profile: str
    build: Callable[[int], Car]
    _made: dict[int, Car] = field(default_factory=dict, repr=False, compare=False)

    def profile_text(self) -> str:
        """The profile's TOML text."""
        return resources.files(__package__).joinpath(self.profile).read_text(encoding="utf-8")

    def new_car(self, seed: int) -> Car:
        """A car of its own, as its past left it. The past is simulated once for each seed, then copied."""
        if seed not in self._made:
            self._made[seed] = self.build(seed)
        return copy.deepcopy(self._made[seed])

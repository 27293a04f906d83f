"""What a scenario is: a file that tells a car and its past, and the profile that describes the car."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources.abc import Traversable
from pathlib import Path

from simulators.car import Car
from simulators.errors import BenchError
from simulators.scenarios.loader import read_vehicle
from simulators.scenarios.profile_text import profile_text
from simulators.scenarios.vehicle import Vehicle
from simulators.unit import UnitSpec


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """One story. Its file is read when something of it is first asked for.

    Args:
        name: what people type.
        file: the file.
        folder: where the file lies, and what it names beside it.
    """

    name: str
    file: Traversable
    folder: Traversable
    _made: dict[int, Car] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of_file(cls, path: Path) -> Scenario:
        """A scenario of the user's own; its name is the file's, with hyphens."""
        return cls(name=_name_of(path.name), file=path, folder=path.parent)

    @cached_property
    def vehicle(self) -> Vehicle:
        """What the file says.

        Raises:
            BenchError: the file cannot be read, or says something that cannot be meant; names file, line and key.
        """
        try:
            text = self.file.read_bytes().decode("utf-8-sig")
        except OSError as error:
            raise BenchError(f"the scenario file {self.file} cannot be read: {error.strerror or error}") from error
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            raise BenchError(f"{self.file.name}, line {line}: is not UTF-8 text") from error
        return read_vehicle(
            text.replace("\r\n", "\n"),
            name=self.file.name,
            beside=lambda name: self.folder.joinpath(name).read_text(encoding="utf-8"),
        )

    @property
    def about(self) -> str:
        """What happens in it, one line."""
        return self.vehicle.about

    @property
    def units(self) -> tuple[UnitSpec, ...]:
        """The car's units as they were built."""
        return self.vehicle.units

    def profile_text(self) -> str:
        """The profile's TOML text."""
        return profile_text(self.vehicle, self.name)

    def new_car(self, seed: int) -> Car:
        """A car of its own, as its past left it. The past is simulated once for each seed, then copied.

        Raises:
            BenchError: as `vehicle`; or the story cannot happen.
        """
        if seed not in self._made:
            self._made[seed] = self.vehicle.build(seed)
        return copy.deepcopy(self._made[seed])


def _name_of(file_name: str) -> str:
    return file_name.rpartition(".")[0].replace("_", "-")


def scenarios_in(folder: Traversable) -> dict[str, Scenario]:
    """Every scenario file of a folder, by name."""
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".toml")), key=lambda file: file.name)
    return {_name_of(file.name): Scenario(name=_name_of(file.name), file=file, folder=folder) for file in files}

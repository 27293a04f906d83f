"""What this package knows of the simulated vehicle: protocols, met by entry point and never by import."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol, Self

from decoders.errors import LinkError, UsageError

GROUP = "mendproof.bench"


class ActResult(Protocol):
    """What an action on the simulated vehicle did."""

    @property
    def world_s(self) -> int:
        """The world clock after it, in seconds."""

    @property
    def said(self) -> str:
        """What happened, in words."""


class ArgumentHelp(Protocol):
    """What a person is told of something that an action takes."""

    @property
    def about(self) -> str:
        """What it is, in a few words."""


class ActionHelp(Protocol):
    """What a person is told of an action."""

    @property
    def about(self) -> str:
        """What it does, one sentence."""

    @property
    def usage(self) -> str:
        """What must be typed behind its name; in brackets what may be left out."""

    @property
    def takes(self) -> Mapping[str, ArgumentHelp]:
        """What it takes, by name."""


class MovedBench(Protocol):
    """A simulated vehicle, in this process or in another one, that can be moved."""

    @property
    def links(self) -> tuple[str, ...]:
        """Link addresses by which this process reaches it."""

    def act(self, action: str, /, **arguments: int | str) -> ActResult:
        """Do one thing with the vehicle.

        Raises ValueError with a clear line if it cannot be done, ConnectionError if the vehicle has gone.
        """

    def close(self) -> None:
        """Leave it; one that runs in this process is gone then."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *exc: object) -> None: ...


class RunningBench(MovedBench, Protocol):
    """A simulated vehicle that runs in this process."""

    @property
    def load_words(self) -> str:
        """How busy its bus is, in words; empty for a bus on which frames take no time."""

    def open_door(self, kind: str, port: int = 0) -> str:
        """Open one more way to it and give its link address; raises ValueError if the port cannot be had."""


class PublishedBench(Protocol):
    """A running vehicle that other commands find and move, until closed."""

    @property
    def profile(self) -> Path:
        """Where its profile lies."""

    @property
    def doip_profile(self) -> Path:
        """Where the one lies that names its units as its DoIP door does."""

    @property
    def port(self) -> int:
        """The port at which it is moved."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *exc: object) -> None: ...


class BenchDoor(Protocol):
    """Where simulated vehicles come from."""

    def scenarios(self) -> tuple[str, ...]:
        """The names one can start."""

    def about(self, scenario: str) -> str:
        """What happens in a scenario; raises ValueError for an unknown one."""

    def profile_text(self, scenario: str, *, addresses: str = "can") -> str:
        """The text of the scenario's profile, by ``can`` or ``doip`` addresses; raises ValueError if there is none."""

    def actions(self) -> Mapping[str, ActionHelp]:
        """Everything that can be done with a vehicle."""

    def disturbances(self) -> Mapping[str, str]:
        """What can be typed behind the action `disturb`, and what it does."""

    def doors(self) -> tuple[str, ...]:
        """The kinds of door that can be opened."""

    def start(self, scenario: str, *, seed: int = 1, lifelike: bool = False) -> RunningBench:
        """A new vehicle, one that takes its time or answers at once; raises ValueError for an unknown scenario."""

    def publish(self, bench: RunningBench, *, port: int = 0) -> PublishedBench:
        """Let other commands move a running vehicle; raises ValueError if that cannot be."""

    def published(self) -> MovedBench:
        """The vehicle that another command runs; raises ConnectionError if there is none, or ValueError."""


def find_bench() -> BenchDoor:
    """The installed bench.

    Raises:
        LinkError: none is installed.
    """
    for point in entry_points(group=GROUP):
        made: BenchDoor = point.load()()
        return made
    raise LinkError("No simulated vehicle is installed", next_step="install mendproof with its bench (pip install .)")


def start_bench(door: BenchDoor, scenario: str) -> RunningBench:
    """Start a scenario.

    Raises:
        UsageError: there is no such scenario; the line names those there are.
    """
    try:
        return door.start(scenario)
    except ValueError as error:
        raise UsageError(
            f"sim: has no scenario '{scenario}'", next_step=f"scenarios: {', '.join(door.scenarios())}"
        ) from error

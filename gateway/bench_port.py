"""What this package knows of the simulated vehicle: two protocols, met by entry point and never by import."""

from __future__ import annotations

from importlib.metadata import entry_points
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


class RunningBench(Protocol):
    """A simulated vehicle that is running."""

    @property
    def links(self) -> tuple[str, ...]:
        """Link addresses by which this process reaches it."""

    def act(self, action: str, **arguments: int | str) -> ActResult:
        """Do one thing with the vehicle; raises ValueError with a clear line if it cannot be done."""

    def close(self) -> None:
        """Take it off the bus."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *exc: object) -> None: ...


class BenchDoor(Protocol):
    """Where simulated vehicles come from."""

    def scenarios(self) -> tuple[str, ...]:
        """The names one can start."""

    def profile_text(self, scenario: str) -> str:
        """The text of the scenario's profile; raises ValueError for an unknown scenario."""

    def start(self, scenario: str) -> RunningBench:
        """A new vehicle; raises ValueError for an unknown scenario."""


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

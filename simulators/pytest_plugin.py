"""A pytest plugin for developers: the fixture `mendproof_vehicle` is a simulated vehicle of the test's own.

pytest loads this file in every run of everybody who has the package installed, so it imports nothing that they do
not ask for: the bench comes when the first test wants a vehicle.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from simulators.door import ActResult, RunningBench

__all__ = ["Vehicle", "mendproof_vehicle"]

SCENARIO = "warning-lamps"
MARKER = "mendproof_vehicle"
_HELP = (
    f"{MARKER}(scenario='{SCENARIO}', door='virtual', seed=1): which simulated vehicle the fixture of the same name "
    "gives, and by which door `link` reaches it: virtual (this process alone), can, dongle or doip"
)
_VIRTUAL = "virtual"


class Vehicle:
    """A simulated vehicle that runs until its test ends.

    Args:
        bench: the running car.
        door: the door that `link` names.
        folder: where the profile is written.

    Attributes:
        link: the link address of the vehicle.
    """

    def __init__(self, bench: RunningBench, door: str, folder: Path) -> None:
        self._bench = bench
        self._folder = folder
        self.link = self.open(door)

    def open(self, door: str, port: int = 0) -> str:
        """Open one more door to the vehicle and give its link address; every door leads to the same car.

        Args:
            door: virtual, can, dongle or doip.
            port: its port on 127.0.0.1; 0 takes a free one.

        Raises:
            BenchError: no such door, or the port cannot be had.
        """
        return self._bench.links[0] if door == _VIRTUAL else self._bench.open_door(door, port)

    @property
    def bus(self) -> dict[str, Any]:
        """What python-can needs to reach the vehicle in this process: ``can.Bus(**mendproof_vehicle.bus)``."""
        _, interface, channel = self._bench.links[0].split(":", 2)
        return {"interface": interface, "channel": channel, "ignore_config": True}

    @cached_property
    def profile(self) -> Path:
        """The vehicle's profile, in a file."""
        from simulators.door import Bench

        path = self._folder / "profile.toml"
        path.write_text(Bench().profile_text(self._bench.scenario), encoding="utf-8")
        return path

    @property
    def units(self) -> tuple[str, ...]:
        """The addresses of the vehicle's units, e.g. ``7E0/7E8``: request and response identifier."""
        return tuple(self._bench.desk.units)

    def act(self, action: str, /, **arguments: int | str) -> ActResult:
        """Do one thing with the vehicle, as ``mendproof bench do`` does; simulated time passes at once.

        Args:
            action: e.g. start_engine, drive, repair; ``mendproof bench do --help`` lists them.
            arguments: what it takes, e.g. kmh and seconds.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        return self._bench.act(action, **arguments)

    def truth(self, component: str) -> bool:
        """True if the part really is sound, whatever any unit says. No program can know it: for tests only.

        Raises:
            BenchError: no such part.
        """
        return self._bench.truth(component)


@pytest.fixture
def mendproof_vehicle(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Vehicle]:
    """A simulated vehicle of the test's own, with a link address; the marker of the same name chooses which."""
    from simulators.door import Bench

    marker = request.node.get_closest_marker(MARKER)
    scenario, door, seed = _chosen(*marker.args, **marker.kwargs) if marker else _chosen()
    with Bench().start(scenario, seed=seed) as bench:
        yield Vehicle(bench, door, tmp_path_factory.mktemp(MARKER))


def _chosen(scenario: str = SCENARIO, door: str = _VIRTUAL, seed: int = 1) -> tuple[str, str, int]:
    return scenario, door, seed


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line("markers", _HELP)

"""The stories the bench can tell, by name: one TOML file each in this folder, or one of a user's own."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from pathlib import Path

from simulators.errors import BenchError
from simulators.scenarios.scenario import Scenario, scenarios_in

__all__ = ["SCENARIOS", "BenchError", "Scenario", "find_scenario", "scenarios_in"]

SCENARIOS: Mapping[str, Scenario] = scenarios_in(resources.files(__name__))
_ENDING = ".toml"


def find_scenario(name: str) -> Scenario:
    """The scenario of this name, or the one in a file of the user's own, whose name ends in ``.toml``.

    Raises:
        BenchError: there is none; the line names those there are. A file is read later, see `Scenario.vehicle`.
    """
    if name in SCENARIOS:
        return SCENARIOS[name]
    if name.endswith(_ENDING):
        return Scenario.of_file(Path(name))
    raise BenchError(f"unknown scenario '{name}'; known: {', '.join(SCENARIOS)}; or the path of a {_ENDING} file")

"""The stories the bench can tell, by name."""

from __future__ import annotations

from collections.abc import Mapping

from simulators.scenarios import warning_lamps
from simulators.scenarios.scenario import Scenario

__all__ = ["SCENARIOS", "Scenario"]

SCENARIOS: Mapping[str, Scenario] = {
    scenario.name: scenario
    for scenario in (Scenario(name="warning-lamps", profile="warning_lamps.toml", build=warning_lamps.build),)
}

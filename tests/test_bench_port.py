"""The way to the simulated vehicle: found by entry point, known by two protocols."""

from __future__ import annotations

import pytest

import gateway.bench_port
from decoders.errors import LinkError, UsageError
from gateway.bench_port import BenchDoor, RunningBench, find_bench, start_bench
from gateway.profiles import parse_profile


def test_the_bench_is_found_and_offers_its_scenarios() -> None:
    door: BenchDoor = find_bench()
    assert "warning-lamps" in door.scenarios()


def test_each_scenario_brings_a_profile_that_can_be_read() -> None:
    door = find_bench()
    for scenario in door.scenarios():
        assert parse_profile(door.profile_text(scenario), name=scenario).units


def test_a_scenario_starts_and_can_be_moved_through_the_protocol_alone() -> None:
    running: RunningBench
    with start_bench(find_bench(), "warning-lamps") as running:
        assert all(link.startswith("can:virtual:") for link in running.links)
        first = running.act("wait", seconds=2)
        second = running.act("wait", seconds=3)
        assert (3, "waited 3 s") == (second.world_s - first.world_s, second.said)
        with pytest.raises(ValueError, match="the engine is not running"):
            running.act("drive", kmh=50, seconds=5)


def test_an_unknown_scenario_is_a_usage_error_that_names_the_known_ones() -> None:
    with pytest.raises(UsageError, match="sim: has no scenario 'nothing'") as caught:
        start_bench(find_bench(), "nothing")
    assert "warning-lamps" in caught.value.next_step.removeprefix("scenarios: ").split(", ")


def test_without_a_bench_the_line_says_how_to_get_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gateway.bench_port, "entry_points", lambda **_named: ())
    with pytest.raises(LinkError, match="No simulated vehicle is installed") as caught:
        find_bench()
    assert "install mendproof with its bench" in caught.value.next_step

"""The page of scenarios, beside the code: every key, every action, every scenario, and an example that works."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simulators.actions import ACTIONS
from simulators.live_data import COMPRESSION_MONITORS, CONTINUOUS, PARAMETERS, SPARK_MONITORS
from simulators.measured import VALUES
from simulators.scenarios import SCENARIOS, schema
from simulators.scenarios.fields import Field
from simulators.scenarios.loader import read_vehicle

PAGE = (Path(__file__).parents[1] / "docs" / "scenarios.md").read_text(encoding="utf-8")
TABLES = {
    "[scenario]": schema.SCENARIO,
    "[vehicle]": schema.VEHICLE,
    "since_clear": schema.SINCE_CLEAR,
    "[[unit]]": schema.UNIT,
    "[unit.obd]": schema.OBD,
    "[[unit.code]]": schema.CODE,
    "when": schema.WHEN,
    "[[unit.routine]]": schema.ROUTINE,
    "[[unit_series]]": schema.SERIES,
    "[[identifier]]": schema.IDENTIFIER,
    "[[component]]": schema.COMPONENT,
    "[[donor]]": schema.DONOR,
    "[[mishap]]": schema.MISHAP,
    "[[broadcast]]": schema.BROADCAST,
    "[story]": schema.STORY,
}


def section(heading: str) -> str:
    """The part of the page below the heading that names this in backquotes, or in plain words."""
    found = re.search(rf"^##? `?{re.escape(heading)}(?:`|:|,|$).*?(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL)
    assert found is not None, heading
    return found[0]


def rows(text: str) -> list[list[str]]:
    """The cells of each row of a table, without its head."""
    cells = [re.split(r"\s*\|\s*", line)[1:-1] for line in text.split("\n") if line[:2] == "| "]
    return cells[1:]


def keys(text: str) -> list[str]:
    return [key for row in rows(text) for key in re.findall(r"`([^`]+)`", row[0])]


@pytest.mark.parametrize("heading", TABLES)
def test_each_table_has_exactly_its_keys(heading: str) -> None:
    assert sorted(TABLES[heading]) == sorted(keys(section(heading)))


@pytest.mark.parametrize("heading", TABLES)
def test_what_is_required_is_said_to_be(heading: str) -> None:
    fields: dict[str, Field] = dict(TABLES[heading])
    told = {
        key: "required" in row[1] for row in rows(section(heading)) for key in re.findall(r"`([^`]+)`", row[0])
    }  # fmt: skip
    assert {key: field.is_required for key, field in fields.items()} == told


def test_the_whole_file_has_no_table_that_is_not_here() -> None:
    headings = re.findall(r"^## `\[+([a-z_]+)\]+`", PAGE, re.MULTILINE)
    assert set(schema.ROOT) == set(headings)


def test_each_action_is_here_with_its_sentence_and_what_it_takes() -> None:
    told = {row[0].strip("`"): (row[1], row[2]) for row in rows(section("Actions"))}
    assert list(ACTIONS) == list(told)
    for name, action in ACTIONS.items():
        takes = ", ".join(f"`{key}`" if part.default is None else f"[`{key}`]" for key, part in action.takes.items())
        assert (takes, action.about) == told[name]


def test_each_scenario_is_here_with_what_happens_in_it() -> None:
    told = {row[0].strip("`"): row[1] for row in rows(section("Scenarios"))}
    assert {name: scenario.about for name, scenario in SCENARIOS.items()} == told


@pytest.mark.parametrize("word", [*VALUES, *CONTINUOUS, *SPARK_MONITORS, *COMPRESSION_MONITORS])
def test_each_word_that_a_value_may_be_is_here(word: str) -> None:
    assert f"`{word}`" in PAGE


def test_each_parameter_is_here() -> None:
    assert ", ".join(f"{number:02X}" for number in PARAMETERS) in section("[unit.obd]")


def test_the_example_works() -> None:
    [text] = re.findall(r"^```toml\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    car = read_vehicle(text, name="example", beside=lambda _: "").build(seed=1)
    assert 0xAF == car.units["742/74A"].status("B1A21-15")

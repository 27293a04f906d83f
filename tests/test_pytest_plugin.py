"""The pytest plugin, in a pytest of its own: what the page of the bench shows runs, and nothing stays behind."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LONG_S = 40
EXAMPLES = re.findall(r"^```python\n(.*?)^```$", (ROOT / "docs/bench.md").read_text("utf-8"), re.MULTILINE | re.DOTALL)
HEAVY = ("can", "decoders", "gateway", "isotp", "platformdirs", "sessions", "simulators.door")


def pytest_run(folder: Path, text: str) -> tuple[str, str]:
    """Run the tests of a text in a new process with this plugin alone; give back the summary and all output."""
    (folder / "test_it.py").write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-W", "error", "--strict-markers", "-p", "simulators.pytest_plugin", "."],
        capture_output=True,
        text=True,
        cwd=folder,
        timeout=LONG_S,
        check=False,
        env={**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(ROOT)},
    )
    found = re.search(r"=+ ((?:\d+ \w+(?:, )?)+) in", done.stdout)
    return (found[1] if found else "nothing ran"), done.stdout + done.stderr


def test_the_examples_of_the_page_run(tmp_path: Path) -> None:
    summary, output = pytest_run(tmp_path, "\n\n".join(EXAMPLES))
    assert (2, "2 passed") == (len(EXAMPLES), summary), output


def test_the_first_example_is_a_test_of_five_lines() -> None:
    assert 5 == len(EXAMPLES[0].partition("\n\n\n")[2].splitlines())


def test_the_page_a_newcomer_reads_first_has_the_same_example() -> None:
    assert EXAMPLES[0] in (ROOT / "README.md").read_text("utf-8")


def test_pytest_finds_the_plugin_where_the_package_is_installed() -> None:
    assert ["simulators.pytest_plugin"] == [
        point.value for point in entry_points(group="pytest11", name="mendproof_bench")
    ]


def test_everything_that_the_fixture_gives(tmp_path: Path) -> None:
    summary, output = pytest_run(
        tmp_path,
        """
import pytest, tomllib

def test_it(mendproof_vehicle):
    car = mendproof_vehicle
    assert car.link.startswith("can:virtual:") and "760/768" in car.units
    assert tomllib.loads(car.profile.read_text("utf-8"))["unit"] and car.profile is car.profile
    assert car.open("dongle").startswith("dongle:socket://127.0.0.1:")
    assert car.act("wait", seconds=2).said == "waited 2 s"
    assert not car.truth("front_left_speed_sensor")
    car.act("repair", component="front_left_speed_sensor")
    assert car.truth("front_left_speed_sensor")
    with pytest.raises(ValueError, match="the key is already on"):
        car.act("key_on")
""",
    )
    assert "1 passed" == summary, output


def test_the_marker_chooses_and_nothing_runs_on_after_a_test(tmp_path: Path) -> None:
    summary, output = pytest_run(
        tmp_path,
        """
import pytest, threading
seen = []

@pytest.mark.mendproof_vehicle("only-cleared", door="doip", seed=7)
def test_chosen(mendproof_vehicle):
    seen.append(mendproof_vehicle.link)
    assert len(threading.enumerate()) > 1
    raise AssertionError("a test that fails leaves nothing behind either")

def test_gone():
    assert seen[0].startswith("doip:127.0.0.1:")
    assert threading.enumerate() == [threading.main_thread()]
""",
    )
    assert "1 failed, 1 passed" == summary, output


@pytest.mark.parametrize(
    ("marker", "says"),
    [('"nothing"', "unknown scenario 'nothing'"), ('door="window"', "no door 'window'")],
)
def test_a_wrong_choice_is_told(tmp_path: Path, marker: str, says: str) -> None:
    text = f"import pytest\n@pytest.mark.mendproof_vehicle({marker})\ndef test_it(mendproof_vehicle): pass\n"
    summary, output = pytest_run(tmp_path, text)
    assert "1 error" == summary
    assert says in output


def test_a_run_that_wants_no_vehicle_loads_nothing_of_it() -> None:
    code = f"import sys, simulators.pytest_plugin; print(sorted(set(sys.modules) & {set(HEAVY)!r}))"
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=LONG_S, check=False
    )
    assert ("[]\n", "") == (done.stdout, done.stderr)

"""With several processes, what tests share is made once: their groups stay together, also in a pytest to come."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import distribution
import pytest

HERE = Path(__file__).parent
HOOKS = """
import distribution

def pytest_xdist_make_scheduler(config, log):
    return distribution.scheduler(config, log)
"""
TESTS = """
import os
import pytest

@pytest.mark.parametrize("number", range(8))
def test_it(number):
    with open("where.txt", "a") as where:
        where.write(f"{os.environ['PYTEST_XDIST_WORKER']} {os.path.basename(__file__)}\\n")
"""
PLAIN = ("test_one.py", "test_two.py", "test_three.py")


def test_a_group_runs_in_one_process(tmp_path: Path) -> None:
    shutil.copy(HERE / "distribution.py", tmp_path)
    (tmp_path / "conftest.py").write_text(HOOKS, encoding="utf-8")
    for name in (*PLAIN, *distribution.ONE_DEMONSTRATION):
        (tmp_path / name).write_text(TESTS, encoding="utf-8")
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "pytest", "-q", "-p", "xdist.plugin", "-n", "2", "--rootdir", str(tmp_path)],
        cwd=tmp_path,
        env={**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = (tmp_path / "where.txt").read_text(encoding="utf-8").split("\n")[:-1]
    assert len(lines) == 8 * (len(PLAIN) + len(distribution.ONE_DEMONSTRATION))
    workers = defaultdict(set)
    for worker, file in map(str.split, lines):
        workers["demonstration" if file in distribution.ONE_DEMONSTRATION else file].add(worker)
    assert dict.fromkeys((*PLAIN, "demonstration"), 1) == {name: len(found) for name, found in workers.items()}


@pytest.mark.parametrize(
    ("test", "group"),
    [
        ("tests/test_demo.py::test_it", "demonstration"),
        ("tests/test_docs.py::test_it[a::b/c.py]", "demonstration"),
        ("tests/test_values.py::test_it[1]", "test_values.py"),
        ("tests/test_truth.py::test_it[1]", "tests/test_truth.py::test_it[1]"),
        (f"tests/{distribution.BY_DOOR}::test_it[virtual]", distribution.BY_DOOR),
        (f"tests/{distribution.BY_DOOR}::test_it[can]", f"{distribution.BY_DOOR}::[can]"),
        (f"tests/{distribution.BY_DOOR}::test_it", distribution.BY_DOOR),
    ],
)
def test_each_test_has_its_group(test: str, group: str) -> None:
    assert group == distribution.group_of(test)


def test_every_file_that_is_named_is_there() -> None:
    named = {*distribution.ONE_DEMONSTRATION, *distribution.EACH_ALONE, *distribution.LONGEST_FIRST} - {"demonstration"}
    assert [] == sorted(name for name in named if not (HERE / name).is_file())


def test_the_longest_are_begun_first() -> None:
    names = [f"tests/{name}::test_it" for name in ("test_values.py", "test_truth.py", "test_docs.py", "test_demo.py")]
    assert ["test_docs.py", "test_demo.py", "test_truth.py", "test_values.py"] == [
        name.split("::")[0].removeprefix("tests/") for name in sorted(names, key=distribution.rank)
    ]

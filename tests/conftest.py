"""Fixtures that several test files share."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli_help import Cli, running_bench

from simulators.door import RunningBench

_numbers = itertools.count(1)
ONE_DEMONSTRATION = ("test_demo.py", "test_docs.py", "test_outside_judges.py", "test_report_stored.py")
"""These look at one run of the whole demonstration: together in one process it is run once."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a file in one process (``--dist loadgroup``), and those of several that share what is dear."""
    for item in items:
        group = "demonstration" if item.path.name in ONE_DEMONSTRATION else item.path.name
        item.add_marker(pytest.mark.xdist_group(group))


@pytest.fixture
def channel() -> str:
    """A virtual CAN channel that no other test uses."""
    return f"test-{os.getpid()}-{next(_numbers)}"


@pytest.fixture(scope="session")
def recordings() -> Path:
    """The folder of recorded traffic, from the environment."""
    folder = os.environ.get("MENDPROOF_RECORDINGS")
    if not folder:
        pytest.skip("MENDPROOF_RECORDINGS is not set: no folder of recorded traffic to read")
    return Path(folder)


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Cli:
    """The command line with a store of its own."""
    return Cli(tmp_path, monkeypatch, capsys)


@pytest.fixture
def bench() -> Iterator[RunningBench]:
    """A new car, as the scenario's opening left it."""
    with running_bench() as running:
        yield running

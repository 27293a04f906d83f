"""Fixtures that several test files share."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import distribution
import pytest
from cli_help import Cli, running_bench

from simulators.door import RunningBench

_numbers = itertools.count(1)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With ``--dist loadgroup``: tests that share what is dear go to one process."""
    return distribution.scheduler(config, log) if config.getvalue("dist") == "loadgroup" else None


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what takes longest; the tests of a group keep their order.

    Behind the first test of the demonstration stands its whole run: on a loaded machine it may take its time.
    """
    items.sort(key=lambda item: distribution.rank(item.nodeid))
    for item in items:
        if item.path.name in distribution.ONE_DEMONSTRATION:
            item.add_marker(pytest.mark.timeout(300))


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

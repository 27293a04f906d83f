"""Fixtures that several test files share."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import pytest

_numbers = itertools.count(1)


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

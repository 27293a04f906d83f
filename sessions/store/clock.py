"""The machine clock as the store sees it, so that tests can set it."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Two readings of the machine clock; the world clock of a bench is another thing."""

    def now(self) -> datetime:
        """The time of day, UTC, aware."""

    def mono_us(self) -> int:
        """Monotonic microseconds, comparable only within one process."""


class SystemClock:
    """The clock of this machine."""

    def now(self) -> datetime:
        """The time of day, UTC, aware."""
        return datetime.now(UTC)

    def mono_us(self) -> int:
        """Monotonic microseconds, comparable only within one process."""
        return time.monotonic_ns() // 1000


def utc_text(moment: datetime) -> str:
    """ISO 8601 with milliseconds and Z, cut and not rounded, e.g. ``2031-04-05T06:07:08.123Z``."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"

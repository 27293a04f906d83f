"""What the link and its child process write to each other: one JSON object a line, times by `time.perf_counter_ns`.

That clock is one for all processes of a machine: it is the system's monotonic one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from enum import StrEnum
from typing import Any


class Say(StrEnum):
    """What a line of the child process says, in its field ``say``."""

    READY = "ready"
    """The dongle answers."""
    FAILED = "failed"
    """It could not be opened: ``why``, ``text``, ``errno``."""
    BEGUN = "begun"
    """From here on bytes may have reached the port: ``at``."""
    WROTE = "wrote"
    """All bytes of a command did: ``at``, ``data``."""
    HEARD = "heard"
    """Bytes were read: ``at``, ``data``."""
    BROKEN = "broken"
    """The connection is of no use any more: ``why``, ``text``."""
    END = "end"
    """The turn is over and the next one may come."""


class Why(StrEnum):
    """Why something failed or broke."""

    MISSING = "missing"
    """python-OBD is not installed."""
    PORT = "port"
    """The port cannot be opened."""
    MUTE = "mute"
    """Nothing answers as a dongle does."""
    REFUSED = "refused"
    """Something was to be written that is not on the list."""
    SILENT = "silent"
    """The dongle stopped answering."""
    LOST = "lost"
    """The port failed."""
    GIVEN_UP = "given up"
    """The link wants no more."""


def packed(message: Mapping[str, object]) -> bytes:
    """One message as a line."""
    return json.dumps(message, separators=(",", ":")).encode("ascii") + b"\n"


def unpacked(line: bytes) -> dict[str, Any]:
    """The message of a line.

    Raises:
        ValueError: the line holds no message.
    """
    message = json.loads(line)
    if not isinstance(message, dict):
        raise ValueError("a message is an object")
    return message

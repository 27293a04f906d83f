"""What may pass the tap, and until when the other side of it waits. It knows no port."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from contextvars import ContextVar

from gateway.guard.dongle_commands import admitted
from gateway.links.dongle.messages import Say, Why

_MS = 1_000_000


class TapError(Exception):
    """Nothing passes the tap any more; why has been told already."""


class Gate:
    """Admits what is written, tells of everything that passes, and ends a wait at its deadline.

    Args:
        tell: takes one message for the link.

    Attributes:
        given_up: set when the link wants no more.
        broken: True when nothing passes any more.
    """

    def __init__(self, tell: Callable[[Mapping[str, object]], None]) -> None:
        self.given_up = threading.Event()
        self.broken = False
        self._tell = tell
        self._request: str | None = None
        self._quiet_ns = 0
        self._heard_ns = 0
        self._until_ns = 0

    def open_for(self, request: str | None, *, quiet_ms: int, ceiling_ms: int) -> None:
        """Begin a turn.

        Args:
            request: the one request that may be written beside the listed commands, as hex text.
            quiet_ms: how long no byte may come.
            ceiling_ms: how long the turn may last altogether.
        """
        now_ns = time.perf_counter_ns()
        self._request = request
        self._quiet_ns = quiet_ms * _MS
        self._heard_ns = now_ns
        self._until_ns = now_ns + ceiling_ms * _MS

    def admit(self, written: bytes) -> bytes:
        """What goes to the port in place of this; from here on it may have reached it.

        Raises:
            TapError: it is not on the list, or the gate is shut.
        """
        if self.broken:
            raise TapError("the tap is shut")
        may = admitted(written, self._request)
        if may is None:
            raise self.shut(Why.REFUSED, f"{written!r} is not on the list of what a dongle may be sent")
        # A request may be sent once: it would take a turn of its own to repeat it.
        self._request = None
        self._tell({"say": Say.BEGUN, "at": time.perf_counter_ns()})
        return may

    def wrote(self, data: bytes) -> None:
        """All of it is on its way."""
        self._tell({"say": Say.WROTE, "at": time.perf_counter_ns(), "data": data.hex()})

    def heard(self, data: bytes) -> None:
        """These bytes were read."""
        self._heard_ns = time.perf_counter_ns()
        self._tell({"say": Say.HEARD, "at": self._heard_ns, "data": data.hex()})

    def check(self) -> None:
        """Call it while waiting.

        Raises:
            TapError: the deadline has passed, the link wants no more, or the gate is shut.
        """
        now_ns = time.perf_counter_ns()
        if self.broken:
            raise TapError("the tap is shut")
        if self.given_up.is_set():
            raise self.shut(Why.GIVEN_UP, "the link wants no more")
        if now_ns >= min(self._until_ns, self._heard_ns + self._quiet_ns):
            raise self.shut(Why.SILENT, "the dongle stopped answering")

    def shut(self, why: Why, text: str, errno: int | None = None) -> TapError:
        """Let nothing pass any more, and tell why once; gives the error to raise."""
        if not self.broken:
            self.broken = True
            self._tell({"say": Say.BROKEN, "why": why, "text": text, "errno": errno})
        return TapError(text)


GATE: ContextVar[Gate] = ContextVar("gate")
"""The gate of every tap that is opened in this context: pyserial makes the tap, so nothing can be handed to it."""

"""The CAN link: one bus, one reader, one stepping loop, one transport per unit.

Source: ISO 15765-2 (transport), ISO 15765-4 (identifiers, functional requests, padding).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

import can

from decoders.values import Exchange
from gateway.links.base import OPENED_SILENTLY, Closing, HowOpened, Limits, Plan, Trace
from gateway.links.can.bus import CanBus
from gateway.links.can.requests import FUNCTIONAL_TARGETS
from gateway.links.can.run import CanRun
from gateway.links.can.start import StartUp
from gateway.links.can.table import CanTable


class CanLink(Closing):
    """A CAN bus as a link. What a unit sends after its exchange ended is kept for its next one.

    Args:
        bus: an open python-can bus; the link owns it from here on.
        address: the link's text, ``can:INTERFACE:CHANNEL``.
        fd: True to send CAN FD frames, as configured by the user.
        bitrate: the bus's, in bit/s, or None where nobody told.

    Attributes:
        start_up: how bit rate and length of identifiers were found; None where they were given.
    """

    def __init__(self, bus: can.BusABC, address: str, *, fd: bool = False, bitrate: int | None = None) -> None:
        self.address = address
        self.start_up: StartUp | None = None
        self._table = CanTable(CanBus(bus, address, fd=fd, bitrate=bitrate), fd=fd)

    @property
    def functional_targets(self) -> tuple[str, ...]:
        """The legislated functional identifiers, 11-bit and 29-bit. Source: ISO 15765-4."""
        return FUNCTIONAL_TARGETS

    @property
    def how_opened(self) -> HowOpened:
        """How bit rate and length of identifiers were found, with the frames that were sent for it."""
        if self.start_up is None:
            return OPENED_SILENTLY
        return HowOpened(found={"start_up": self.start_up.to_json()}, notice=self.start_up.notice or "")

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run every plan to its end, several units at once; see `Link.run`."""
        self._table.set_limits(limits)
        run = CanRun(self._table, plans, keep, stop, limits)
        try:
            run.to_the_end()
        finally:
            for plan in plans.values():
                plan.close()
            for channel in self._table.channels:
                if channel.sending:
                    channel.reset()

    def set_trace(self, tell: Trace | None) -> bool:
        """Tell of every frame from now on, or stop it."""
        self._table.bus.trace = tell
        return True

    def close(self) -> None:
        """Shut the bus down; whatever is asked afterwards is unsent."""
        self._table.fail("the link is closed")
        self._table.bus.close()

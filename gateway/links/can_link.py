"""The CAN link: one bus, one reader, one stepping loop, one transport per unit.

Source: ISO 15765-2 (transport), ISO 15765-4 (identifiers, functional requests, padding).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

import can

from decoders.values import Exchange
from gateway.links.base import Limits, Plan
from gateway.links.can_bus import CanBus
from gateway.links.can_run import CanRun
from gateway.links.can_table import CanTable


class CanLink:
    """A CAN bus as a link. What a unit sends after its exchange ended is kept for its next one.

    Args:
        bus: an open python-can bus; the link owns it from here on.
        address: the link's text, ``can:INTERFACE:CHANNEL``.
        fd: True to send CAN FD frames, as configured by the user.
    """

    def __init__(self, bus: can.BusABC, address: str, *, fd: bool = False) -> None:
        self.address = address
        self._table = CanTable(CanBus(bus, address, fd=fd), fd=fd)

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

    def close(self) -> None:
        """Shut the bus down; whatever is asked afterwards is unsent."""
        self._table.fail("the link is closed")
        self._table.bus.close()

    def __enter__(self) -> Self:
        """The link itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the link."""
        self.close()

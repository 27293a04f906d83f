"""The CAN link: one bus, one reader, one stepping loop, one transport per unit.

Source: ISO 15765-2 (transport), ISO 15765-4 (identifiers, functional requests, padding).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

import can

from decoders.values import CanId, Exchange, UnitAddress, iso_15765_4_unit
from gateway.links.base import DEFAULT_LIMITS, Limits, Plan
from gateway.links.can_bus import CanBus, Frame
from gateway.links.can_run import CanRun
from gateway.links.channel import Channel

_Key = tuple[int, bool, int | None]


class CanLink:
    """A CAN bus as a link. What a unit sends after its exchange ended is kept for its next one.

    Args:
        bus: an open python-can bus; the link owns it from here on.
        address: the link's text, ``can:INTERFACE:CHANNEL``.
        fd: True to send CAN FD frames, as configured by the user.
    """

    def __init__(self, bus: can.BusABC, address: str, *, fd: bool = False) -> None:
        self.address = address
        self.bus = CanBus(bus, address, fd=fd)
        self.down: str | None = None
        self._fd = fd
        self._limits = DEFAULT_LIMITS
        self._channels: dict[_Key, Channel] = {}
        self._armed_widths: set[bool] = set()

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run every plan to its end, several units at once; see `Link.run`."""
        self._limits = limits
        for channel in self._channels.values():
            channel.set_limits(limits)
        run = CanRun(self, plans, keep, stop, limits)
        try:
            run.to_the_end()
        finally:
            for plan in plans.values():
                plan.close()
            for channel in self._channels.values():
                if channel.sending:
                    channel.reset()

    def close(self) -> None:
        """Shut the bus down; whatever is asked afterwards is unsent."""
        self.down = self.down or "the link is closed"
        self.bus.close()

    def __enter__(self) -> Self:
        """The link itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the link."""
        self.close()

    @property
    def channels(self) -> list[Channel]:
        """The transports of all units met so far."""
        return list(self._channels.values())

    def channel(self, unit: UnitAddress) -> Channel | None:
        """The transport to this unit; None while another pair with the same response identifier is busy."""
        key = _key(unit.response)
        known = self._channels.get(key)
        if known is not None and known.address == unit:
            return known
        if known is not None and (known.receiving or known.sending):
            return None
        made = Channel(unit, self.bus.put, self._limits, fd=self._fd)
        self._channels[key] = made
        return made

    def arm(self, *, is_29_bit: bool) -> None:
        """Take first frames of every responder that ISO 15765-4 names, from now on."""
        self._armed_widths.add(is_29_bit)

    def channel_of(self, frame: Frame) -> Channel | None:
        """The transport that a frame belongs to, or None if it is nobody's we ask."""
        channel = self._channels.get((frame.number, frame.is_29_bit, None))
        if channel is None and frame.data:
            channel = self._channels.get((frame.number, frame.is_29_bit, frame.data[0]))
        if channel is None and frame.is_29_bit in self._armed_widths:
            unit = iso_15765_4_unit(CanId(frame.number, frame.is_29_bit).text)
            if unit is not None:
                return self.channel(UnitAddress.parse(unit))
        return channel


def _key(can_id: CanId) -> _Key:
    return (can_id.number, can_id.is_29_bit, can_id.extension)

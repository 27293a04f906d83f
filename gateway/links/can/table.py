"""What stays from run to run of a CAN link: its bus, whether that still works, and one transport per unit met.

Source: ISO 15765-4 (identifiers of those who may answer a functional request).
"""

from __future__ import annotations

from collections import deque

from decoders.values import CanId, UnitAddress, iso_15765_4_unit
from gateway.links.base import DEFAULT_LIMITS, Limits
from gateway.links.can.bus import CanBus, Frame
from gateway.links.can.other_testers import OtherTesters
from gateway.links.channel import Arrival, Channel
from gateway.links.unanswered import Unanswered

_Key = tuple[int, bool, int | None]
_MOST_STRANGERS = 128
_MOST_OF_ONE = 4
_MOST_CALLS = 16
_CALL_HOLDS_NS = 5_000_000_000
"""Figures of our own: the slowest answer that has a name, after "response pending", may take so long."""


class CanTable:
    """Which transport a unit or a frame belongs to.

    Args:
        bus: the bus that all of them share.
        fd: True to send CAN FD frames.

    Attributes:
        bus: the bus.
        down: why nothing can be sent any more, or None while the bus works.
        heard: sources of units that answered when asked by their own address.
        others: what other testers ask.
        strangers: answers to calls of units that nobody knows yet, which came while no such request was under way.
    """

    def __init__(self, bus: CanBus, *, fd: bool) -> None:
        self.bus = bus
        self.down: str | None = None
        self.heard: set[str] = set()
        self.others = OtherTesters()
        self._calls: tuple[tuple[int, bytes], ...] = ()
        self.strangers: deque[Arrival] = deque()
        self._fd = fd
        self._limits = DEFAULT_LIMITS
        self._channels: dict[_Key, Channel] = {}
        self._armed_widths: set[bool] = set()
        self._units: dict[str, UnitAddress] = {}

    def fail(self, reason: str, next_step: str = "") -> None:
        """The bus is of no use from now on; the first reason stays, with what to do about it."""
        self.down = self.down or (f"{reason}; {next_step}" if next_step else reason)

    def set_limits(self, limits: Limits) -> None:
        """Use these time-outs for all transports, met and still to be met."""
        self._limits = limits
        for channel in self._channels.values():
            channel.set_limits(limits)

    @property
    def channels(self) -> list[Channel]:
        """The transports of all units met so far."""
        return list(self._channels.values())

    def unit(self, text: str) -> UnitAddress:
        """A unit's address in parts, read once.

        Raises:
            UsageError: the text is no such address.
        """
        known = self._units.get(text)
        if known is None:
            known = self._units[text] = UnitAddress.parse(text)
        return known

    def channel(self, unit: UnitAddress) -> Channel | None:
        """The transport to this unit; None while another pair with the same response identifier is busy."""
        key = _key(unit.response)
        known = self._channels.get(key)
        if known is not None and known.address == unit:
            return known
        if known is not None and (known.receiving or known.sending):
            return None
        made = Channel(unit, self.bus.put, self._limits, fd=self._fd)
        if known is not None:
            made.take_over(known)
        self._channels[key] = made
        return made

    def left_open(self, source: str) -> Unanswered | None:
        """What the unit with this source has left without an answer; None of one that was never asked."""
        channel = self._channels.get(_key(CanId.parse(source)))
        return None if channel is None else channel.unanswered

    def call(self, data: bytes, now_ns: int) -> bytes | None:
        """Everybody is asked this now; gives what everybody was asked before, or None."""
        before = self.called(now_ns)
        others = (one for one in self._calls if one[1] != data)
        self._calls = ((now_ns, data), *others)[:_MOST_CALLS]
        return before[0] if before else None

    def called(self, now_ns: int) -> tuple[bytes, ...]:
        """What everybody was asked lately, the newest first: to this an answer may still come."""
        return tuple(data for at_ns, data in self._calls if now_ns - at_ns < _CALL_HOLDS_NS)

    def keep_stranger(self, arrival: Arrival) -> None:
        """Keep an answer for the next call to everybody: a few of each source, so that none pushes another out."""
        alike = sum(one.source == arrival.source for one in self.strangers)
        if alike < _MOST_OF_ONE and len(self.strangers) < _MOST_STRANGERS:
            self.strangers.append(arrival)

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

"""How busy a CAN bus is, as far as one of its members can see. No bus, no clock."""

from __future__ import annotations

import math

_SPAN_NS = 20_000_000
# Source: ISO 11898-1, frame format: all but the data, with the space to the next frame, without stuff bits.
_NARROW_BITS, _WIDE_BITS, _BITS_A_BYTE = 47, 67, 8


class BusLoad:
    """The share of the last 20 ms or so in which classic frames were on the bus; stuff bits are not counted.

    Args:
        bitrate: the bus's, in bit/s.
    """

    def __init__(self, bitrate: int) -> None:
        self._bit_ns = 1e9 / bitrate
        self._busy_ns = 0.0
        self._at_ns = 0

    def note(self, length: int, *, is_29_bit: bool, at_ns: int) -> None:
        """A frame with so many data bytes was sent or read."""
        bits = (_WIDE_BITS if is_29_bit else _NARROW_BITS) + _BITS_A_BYTE * length
        self._busy_ns = self._left_ns(at_ns) + bits * self._bit_ns
        self._at_ns = at_ns

    def share(self, now_ns: int) -> float:
        """From 0 for an idle bus to about 1 for a full one."""
        return self._left_ns(now_ns) / _SPAN_NS

    def _left_ns(self, now_ns: int) -> float:
        """What counts still: the older a frame, the less."""
        return self._busy_ns * math.exp(min(0, self._at_ns - now_ns) / _SPAN_NS)

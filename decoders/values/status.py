"""The DTC status byte together with the mask that says which of its bits the unit supports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntFlag, StrEnum
from types import MappingProxyType


class StatusBit(IntFlag):
    """The eight bits of statusOfDTC. Source: ISO 14229-1, Annex D, DTC status bit definitions."""

    TEST_FAILED = 0x01
    TEST_FAILED_THIS_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    NOT_COMPLETED_SINCE_CLEAR = 0x10
    FAILED_SINCE_CLEAR = 0x20
    NOT_COMPLETED_THIS_CYCLE = 0x40
    WARNING_INDICATOR = 0x80


FAULT_BITS = (
    StatusBit.TEST_FAILED
    | StatusBit.TEST_FAILED_THIS_CYCLE
    | StatusBit.PENDING
    | StatusBit.CONFIRMED
    | StatusBit.WARNING_INDICATOR
)
STORED_BITS = StatusBit.PENDING | StatusBit.CONFIRMED | StatusBit.FAILED_SINCE_CLEAR


BIT_NAMES: Mapping[StatusBit, str] = MappingProxyType(
    {
        StatusBit.TEST_FAILED: "test failed",
        StatusBit.TEST_FAILED_THIS_CYCLE: "failed this cycle",
        StatusBit.PENDING: "pending",
        StatusBit.CONFIRMED: "confirmed",
        StatusBit.NOT_COMPLETED_SINCE_CLEAR: "not tested since clear",
        StatusBit.FAILED_SINCE_CLEAR: "failed since clear",
        StatusBit.NOT_COMPLETED_THIS_CYCLE: "not tested this cycle",
        StatusBit.WARNING_INDICATOR: "warning lamp requested",
    }
)
"""What a set bit says, in our own words."""


class BitState(StrEnum):
    """What is known of one status bit."""

    SET = "set"
    CLEAR = "clear"
    NOT_SUPPORTED = "not supported"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Status:
    """One status byte as read.

    Args:
        byte: the byte exactly as the unit sent it, 0..FF.
        mask: the unit's status availability mask, 0..FF. A bit outside it is unknown, whatever `byte` says.
        mask_read: False if the mask was never read: then `mask` is 0 and no bit is known. See `of`.
    """

    byte: int
    mask: int
    mask_read: bool = True

    @classmethod
    def of(cls, byte: int, mask: int | None) -> Status:
        """A status byte, 0..FF, with its mask, or None for a mask that was never read."""
        return cls(byte, 0, mask_read=False) if mask is None else cls(byte, mask)

    def bit(self, bit: StatusBit) -> bool | None:
        """True or False where the unit supports the bit, None where it does not."""
        if not self.mask & bit:
            return None
        return bool(self.byte & bit)

    def state(self, bit: StatusBit) -> BitState:
        """Like `bit`, with a bit that the unit does not support told apart from one nobody asked about."""
        if not self.mask_read:
            return BitState.UNKNOWN
        if not self.mask & bit:
            return BitState.NOT_SUPPORTED
        return BitState.SET if self.byte & bit else BitState.CLEAR

    @property
    def words(self) -> str:
        """The set bits in words, e.g. ``confirmed, not tested since clear``; unsupported ones are said apart."""
        if not self.mask_read:
            return f"sent, support not read: {_names(self.byte) or 'no bit set'}"
        known = _names(self.known) or "no supported bit set"
        others = _names(self.byte & ~self.mask)
        return f"{known}; sent but not supported: {others}" if others else known

    @property
    def known(self) -> int:
        """The byte with unsupported bits removed. Zero here does not mean good: see `bit`."""
        return self.byte & self.mask

    @property
    def is_fault(self) -> bool:
        """True if a supported bit 0, 1, 2, 3 or 7 is set: the code is a fault, not mere history."""
        return bool(self.known & FAULT_BITS)

    @property
    def is_stored(self) -> bool:
        """True if pending, confirmed or failed-since-clear is set and supported."""
        return bool(self.known & STORED_BITS)


def _names(bits: int) -> str:
    return ", ".join(name for bit, name in BIT_NAMES.items() if bits & bit)

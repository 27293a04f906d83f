"""The DTC status byte together with the mask that says which of its bits the unit supports."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag


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


@dataclass(frozen=True, slots=True)
class Status:
    """One status byte as read.

    Args:
        byte: the byte exactly as the unit sent it, 0..FF.
        mask: the unit's status availability mask, 0..FF. A bit outside it is unknown, whatever `byte` says.
    """

    byte: int
    mask: int

    def bit(self, bit: StatusBit) -> bool | None:
        """True or False where the unit supports the bit, None where it does not."""
        if not self.mask & bit:
            return None
        return bool(self.byte & bit)

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

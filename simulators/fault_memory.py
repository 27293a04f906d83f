"""One trouble code's life: how its status byte, counters and snapshots move from event to event.

Source: ISO 14229-1, Annex D, DTC status bit definitions; permanent codes after 13 CCR 1968.2 (d)(2.5).
The bits are spelt out here on purpose instead of taken from the shared value types.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto

TEST_FAILED = 0x01
TEST_FAILED_THIS_CYCLE = 0x02
PENDING = 0x04
CONFIRMED = 0x08
NOT_COMPLETED_SINCE_CLEAR = 0x10
FAILED_SINCE_CLEAR = 0x20
NOT_COMPLETED_THIS_CYCLE = 0x40
LAMP_REQUESTED = 0x80

NEVER_TESTED = NOT_COMPLETED_SINCE_CLEAR | NOT_COMPLETED_THIS_CYCLE
STORED = PENDING | CONFIRMED | FAILED_SINCE_CLEAR
HEALING_CYCLES = 3
COUNTER_TOP = 0xFF

Snapshot = tuple[tuple[int, bytes], ...]
"""What a unit keeps of the moment of a failure: (data identifier, its bytes)."""


class Event(Enum):
    """What can happen to a code."""

    FAILED = auto()
    PASSED = auto()
    CYCLE_BEGINS = auto()
    CYCLE_ENDS = auto()
    CLEARED = auto()


# What an event does to the byte whatever happened before: (bits taken away, bits set).
# Pending, confirmed, the lamp and ageing depend on history and follow below the table.
_TABLE: Mapping[Event, tuple[int, int]] = {
    Event.FAILED: (NEVER_TESTED, TEST_FAILED | TEST_FAILED_THIS_CYCLE | PENDING | FAILED_SINCE_CLEAR),
    Event.PASSED: (NEVER_TESTED | TEST_FAILED, 0),
    Event.CYCLE_BEGINS: (TEST_FAILED_THIS_CYCLE, NOT_COMPLETED_THIS_CYCLE),
    Event.CYCLE_ENDS: (0, 0),
    Event.CLEARED: (0xFF, NEVER_TESTED),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRule:
    """How a maker set up one code.

    Args:
        trips: failing operation cycles, with no good one between, until it is confirmed.
        lamp: True if a confirmed failure asks for a warning lamp.
        ageing_cycles: good cycles until a confirmed code is forgotten, or None for never.
        permanent: True if a lit lamp also stores a permanent copy.
    """

    trips: int = 1
    lamp: bool = False
    ageing_cycles: int | None = 40
    permanent: bool = False


@dataclass(slots=True, kw_only=True)
class Fault:
    """One code in one unit's memory. It starts as in an empty memory: never tested."""

    rule: FaultRule
    status: int = NEVER_TESTED
    occurrences: int = 0
    first: Snapshot | None = None
    latest: Snapshot | None = None
    is_permanent: bool = False
    _trips: int = 0
    _good_cycles: int = 0

    def has(self, bits: int) -> bool:
        """True if any of these status bits is set."""
        return bool(self.status & bits)

    def happen(self, event: Event, *, snapshot: Snapshot = (), fit_cycle: bool = False) -> None:
        """Move on by one event.

        Args:
            event: what happened.
            snapshot: the conditions of the moment, used when a cycle's first failure is stored.
            fit_cycle: at the end of a cycle, True if it held what may erase a permanent copy.
        """
        first_failure_of_cycle = event is Event.FAILED and not self.has(TEST_FAILED_THIS_CYCLE)
        taken, given = _TABLE[event]
        self.status = self.status & ~taken | given
        if event is Event.FAILED:
            self._failed(first_failure_of_cycle, snapshot)
        elif event is Event.CYCLE_ENDS and not self.has(NOT_COMPLETED_THIS_CYCLE | TEST_FAILED_THIS_CYCLE):
            self._end_good_cycle(fit_cycle)
        elif event is Event.CLEARED:
            self._forget()
            self._trips = self._good_cycles = 0

    def _failed(self, first_of_cycle: bool, snapshot: Snapshot) -> None:
        self._good_cycles = 0
        if first_of_cycle:
            self._trips += 1
            self.occurrences = min(COUNTER_TOP, self.occurrences + 1)
            self.latest = snapshot
            self.first = snapshot if self.first is None else self.first
        if self._trips >= self.rule.trips:
            self.status |= CONFIRMED | (LAMP_REQUESTED if self.rule.lamp else 0)
            self.is_permanent = self.is_permanent or (self.rule.permanent and self.rule.lamp)

    def _end_good_cycle(self, fit_cycle: bool) -> None:
        self.status &= ~PENDING
        self._trips = 0
        self._good_cycles += 1
        lamp_was_on = self.has(LAMP_REQUESTED)
        if self._good_cycles >= HEALING_CYCLES:
            self.status &= ~LAMP_REQUESTED
        # The unit's own ending of the lamp erases the copy; after a clear it takes a full driving cycle.
        if not self.has(LAMP_REQUESTED) and (lamp_was_on or fit_cycle):
            self.is_permanent = False
        ageing = self.rule.ageing_cycles
        if ageing is not None and self._good_cycles >= ageing and self.has(CONFIRMED):
            self.status &= ~CONFIRMED
            self._forget()

    def _forget(self) -> None:
        self.first = self.latest = None
        self.occurrences = 0

"""One trouble code's life: how its status byte, counters and snapshots move from event to event.

Sources: ISO 14229-1, Annex D, DTC status bit definitions; 13 CCR 1968.2 (d)(2.5) for permanent copies; the same
regulation's life of a code, from memory and vehicle makers' texts: lamp off after three good driving cycles,
confirmed code gone after 40 warm-ups without a fault, similar conditions for misfire and fuel.
The bits are spelt out here on purpose instead of taken from the shared value types.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
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
PENDING_CYCLES = 80
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
    WARM_UP_MADE = auto()
    SIMILAR_CONDITIONS_MET = auto()


# What an event does to the byte whatever happened before: (bits taken away, bits set).
# What depends on history follows: confirmation and the lamp in `Fault`, healing and ageing in the last table.
_TABLE: Mapping[Event, tuple[int, int]] = {
    Event.FAILED: (NEVER_TESTED, TEST_FAILED | TEST_FAILED_THIS_CYCLE | PENDING | FAILED_SINCE_CLEAR),
    Event.PASSED: (NEVER_TESTED | TEST_FAILED, 0),
    Event.CYCLE_BEGINS: (TEST_FAILED_THIS_CYCLE, NOT_COMPLETED_THIS_CYCLE),
    Event.CYCLE_ENDS: (0, 0),
    Event.CLEARED: (0xFF, NEVER_TESTED),
    Event.WARM_UP_MADE: (0, 0),
    Event.SIMILAR_CONDITIONS_MET: (0, 0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRule:
    """How a maker set up one code.

    Args:
        trips: failing operation cycles, with no good one between, until it is confirmed.
        lamp: True if a confirmed failure asks for a warning lamp.
        ageing_cycles: good cycles (or warm-ups) until a confirmed code is forgotten, or None for never.
        permanent: True if a lit lamp also stores a permanent copy.
        ageing_by_warm_ups: True if it ages by warm-ups without a fault, as OBD codes do, not by good cycles.
        ageing_ends_failed_since_clear: True if ageing also takes bit 5, an option of newer editions.
        similar_conditions: True for misfire and fuel: a good cycle heals only if it met the conditions of the failure.
        in_use_ratio: True if its test must keep an in-use ratio: then a good cycle alone, after a clear, proves it.
    """

    trips: int = 1
    lamp: bool = False
    ageing_cycles: int | None = 40
    permanent: bool = False
    ageing_by_warm_ups: bool = False
    ageing_ends_failed_since_clear: bool = False
    similar_conditions: bool = False
    in_use_ratio: bool = False


@dataclass(slots=True)
class _Since:
    """What was counted since the last failure or clear.

    Args:
        good: cycles that ended with the test completed and never failed.
        healing: those of them that count towards healing.
        warm_ups: warm-ups made without a fault.
        fit: cycles without a failure that held what may erase a permanent copy.
    """

    good: int = 0
    healing: int = 0
    warm_ups: int = 0
    fit: int = 0


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
    _since: _Since = field(default_factory=_Since)
    _similar_met: bool = False
    _cycle_ended: bool = False

    def has(self, bits: int) -> bool:
        """True if any of these status bits is set."""
        return bool(self.status & bits)

    def happen(self, event: Event, *, snapshot: Snapshot = (), fit_cycle: bool = False) -> None:
        """Move on by one event.

        Args:
            event: what happened. A cycle ends once: an end that follows another one does nothing.
            snapshot: the conditions of the moment, used when a cycle's first failure is stored.
            fit_cycle: at the end of a cycle, True if it held what may erase a permanent copy.
        """
        first_failure_of_cycle = event is Event.FAILED and not self.has(TEST_FAILED_THIS_CYCLE)
        taken, given = _TABLE[event]
        self.status = self.status & ~taken | given
        if event is Event.FAILED:
            self._failed(first_failure_of_cycle, snapshot)
        elif event is Event.CYCLE_BEGINS:
            self._cycle_ended = self._similar_met = False
        elif event is Event.CYCLE_ENDS and not self._cycle_ended:
            self._end_cycle(fit_cycle)
        elif event is Event.CLEARED:
            self._forget()
            self._trips, self._since = 0, _Since()
        elif event is Event.WARM_UP_MADE:
            self._since.warm_ups += not self.has(TEST_FAILED | TEST_FAILED_THIS_CYCLE)
        elif event is Event.SIMILAR_CONDITIONS_MET:
            self._similar_met = True

    def _failed(self, first_of_cycle: bool, snapshot: Snapshot) -> None:
        self._since = _Since()
        if first_of_cycle:
            self._trips += 1
            self.occurrences = min(COUNTER_TOP, self.occurrences + 1)
            self.latest = snapshot
            self.first = snapshot if self.first is None else self.first
        if self._trips >= self.rule.trips:
            self.status |= CONFIRMED | (LAMP_REQUESTED if self.rule.lamp else 0)
            self.is_permanent = self.is_permanent or (self.rule.permanent and self.rule.lamp)

    def _end_cycle(self, fit_cycle: bool) -> None:
        self._cycle_ended = True
        if not self.has(TEST_FAILED_THIS_CYCLE):
            good = not self.has(NOT_COMPLETED_THIS_CYCLE)
            self._since.good += good
            self._since.healing += good and (self._similar_met or not self.rule.similar_conditions)
            self._since.fit += fit_cycle
        for bit, is_over, end in _AT_CYCLE_END:
            if self.has(bit) and is_over(self):
                self.status &= ~bit
                end(self)
        if self._is_proven_after_clear():
            self.is_permanent = False

    def _pending_is_over(self) -> bool:
        return self._since.healing > 0 or self._since.good >= PENDING_CYCLES

    def _break_chain(self) -> None:
        self._trips = 0

    def _lamp_is_over(self) -> bool:
        return self._since.healing >= HEALING_CYCLES

    def _end_permanent_copy(self) -> None:
        """The unit's own ending of the lamp erases the copy at once."""
        self.is_permanent = False

    def _has_aged(self) -> bool:
        """True once it was free of faults long enough. A code that is pending or keeps a lamp lit does not age."""
        limit = self.rule.ageing_cycles
        count = self._since.warm_ups if self.rule.ageing_by_warm_ups else self._since.good
        return limit is not None and count >= limit and not self.has(PENDING | LAMP_REQUESTED)

    def _age(self) -> None:
        self._forget()
        if self.rule.ageing_ends_failed_since_clear:
            self.status &= ~FAILED_SINCE_CLEAR

    def _is_proven_after_clear(self) -> bool:
        """True if a permanent copy without its lamp, so one that outlived a clear, has been proven wrong."""
        since = self._since
        return not self.has(LAMP_REQUESTED) and since.good > 0 and (self.rule.in_use_ratio or since.fit > 0)

    def _forget(self) -> None:
        self.first = self.latest = None
        self.occurrences = 0


# What a cycle's end takes, in this order: (the bit, when it goes, what goes with it).
_AT_CYCLE_END: tuple[tuple[int, Callable[[Fault], bool], Callable[[Fault], None]], ...] = (
    (PENDING, Fault._pending_is_over, Fault._break_chain),
    (LAMP_REQUESTED, Fault._lamp_is_over, Fault._end_permanent_copy),
    (CONFIRMED, Fault._has_aged, Fault._age),
)

"""Permits: what a flow may send beyond reading. Each names one unit and opens no more than it says.

Only the flows make them, after they have checked what must hold (the car stands, a before-scan is kept, a person
confirmed). Without one nothing here is sent, whatever the phase.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Protocol

from decoders.values import Dtc, Exchange, Outcome
from gateway.guard.allowlist import CLEAR_CODE_FORM, CLEAR_FORMS, ROUTINE_FORMS, SESSION_FORM, SESSIONS
from gateway.guard.forms import any_fits

_EXTENDED = 0x03
_NOT_IN_THIS_SESSION = (0x7E, 0x7F)  # ISO 14229-1: sub-function or service not supported in the active session


class Permit(Protocol):
    """What every permit is: one unit, and an answer to whether these bytes are meant."""

    FLOW: ClassVar[str]
    """Which flow makes it, in words."""

    DOES: ClassVar[str]
    """What its requests do, in words."""

    @property
    def unit(self) -> str:
        """Canonical address of the only unit it opens."""

    def covers(self, data: bytes) -> bool:
        """True if this payload may be sent to the unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearPermit:
    """What the clear flow may erase: everything in one unit, or single codes that a scan listed there.

    Args:
        unit: the unit's canonical address.
        codes: the listed three-byte codes that may be cleared one by one.
        memories: numbers of the user-defined memories that were read in this unit (19 17) and may be cleared.
    """

    FLOW: ClassVar[str] = "clear"
    DOES: ClassVar[str] = "erases fault memory"

    unit: str
    codes: frozenset[Dtc] = frozenset()
    memories: frozenset[int] = frozenset()

    def covers(self, data: bytes) -> bool:
        """True for 04, for 14 with a group or a listed code, and for 14 in a memory that was read."""
        listed = any(data[1:4] == code.raw for code in self.codes)
        fits = any_fits(CLEAR_FORMS, data) or (listed and CLEAR_CODE_FORM.fits(data))
        return fits and all(memory in self.memories for memory in data[4:])


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPermit:
    """A session that a unit may be taken to, and why.

    Args:
        unit: the unit's canonical address.
        session: 03, or 40 to 7E as the profile declares.
        refused: what this unit answered in its default session: a refusal with 7E or 7F asks for session 03.
        declared: True if the profile asks for this session in this unit.
    """

    FLOW: ClassVar[str] = "session"
    DOES: ClassVar[str] = "changes or keeps a unit's session"

    unit: str
    session: int = _EXTENDED
    refused: Exchange | None = None
    declared: bool = False

    def covers(self, data: bytes) -> bool:
        """True for the request that begins the session, if there is a reason for it."""
        listed = any(self.session in part for part in SESSIONS)
        because = self.declared or (self.session == _EXTENDED and self._unit_asks_for_it())
        return listed and because and SESSION_FORM.fits(data) and data[1] == self.session

    def _unit_asks_for_it(self) -> bool:
        seen = self.refused
        if seen is None or seen.target != self.unit:
            return False
        return seen.outcome is Outcome.REFUSED and seen.refusal in _NOT_IN_THIS_SESSION


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutinePermit:
    """What the routine flow may send to one unit, byte by byte as the profile declares it.

    Args:
        unit: the unit's canonical address.
        requests: the whole payloads: starts, stops, questions for the result, writes, controls.
    """

    FLOW: ClassVar[str] = "routine"
    DOES: ClassVar[str] = "moves or changes something in the vehicle"

    unit: str
    requests: frozenset[bytes]

    def covers(self, data: bytes) -> bool:
        """True for the declared payloads that have the form of a routine, a write or a control."""
        return data in self.requests and any_fits(ROUTINE_FORMS, data)

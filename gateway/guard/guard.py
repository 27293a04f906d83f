"""The guard: says of each request whether it may be sent, and why not. Pure; the list is in `allowlist`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from decoders.values import Request, is_functional
from gateway.guard.allowlist import (
    IDENTIFIERS,
    KEEP_ALIVE_FORM,
    MOVING_SERVICES,
    NEVER,
    NEVER_ROUTINES,
    NEVER_SESSIONS,
    NEVER_WRITES,
    READ_FORMS,
    STOP_FORMS,
    SWEEP_FORM,
)
from gateway.guard.forms import any_fits, by_service
from gateway.guard.permits import ClearPermit, Permit, RoutinePermit, SessionPermit
from gateway.guard.started import DEFAULT_SESSION
from gateway.guard.targets import sweep_refusal, target_refusal

_SESSION, _READ_DATA, _WRITE_DATA, _ROUTINE = 0x10, 0x22, 0x2E, 0x31
_READ_FORMS = by_service(READ_FORMS)
_KEEP_BACK_ANSWER = 0x80  # ISO 14229-1: bit 7 of a sub-function suppresses a positive answer


class Phase(StrEnum):
    """What is going on, and with it how much may be sent."""

    READING = "reading"
    MOVING = "moving"
    CLEARING = "clearing"
    ROUTINE = "routine"
    SWEEPING = "sweeping"


_STANDING = frozenset({Phase.READING, Phase.CLEARING, Phase.ROUTINE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Guard:
    """Says of each request whether it may be sent.

    Args:
        phase: what is going on.
        declared_identifiers: data identifiers that the profile declares for service 22.
        clearing: the permit of the clear flow; without it nothing is cleared, whatever the phase.
        session: the permit of the flow that takes a unit out of its default session, on a standing car.
        routine: the permit of the routine flow; without it nothing is started, written or controlled.
    """

    phase: Phase
    declared_identifiers: frozenset[int] = frozenset()
    clearing: ClearPermit | None = None
    session: SessionPermit | None = None
    routine: RoutinePermit | None = None

    def refusal(self, request: Request, stops: frozenset[Request] = frozenset()) -> str | None:
        """Why the request must not be sent, in words, or None if it may be.

        Args:
            request: what would be sent, and to whom.
            stops: the stop orders for what this program has begun; they pass in every phase.
        """
        data = request.data
        if not data:
            return "the request is empty"
        never = never_sent(data)
        if never is not None:
            return never
        if request in stops and any_fits(STOP_FORMS, data) and not is_functional(request.target):
            return target_refusal(request.target)
        if self.phase is Phase.SWEEPING:
            return self._sweep_refusal(request)
        header = target_refusal(request.target)
        if header is not None:
            return header
        opened = self._opened_by(data[0])
        if opened is not None:
            return self._permit_refusal(request, *opened)
        if KEEP_ALIVE_FORM.fits(data):
            return self._keep_alive_refusal(request, stops)
        if self.phase is Phase.MOVING:
            moving = _moving_refusal(request, stops)
            if moving is not None:
                return moving
        if not any_fits(_READ_FORMS.get(data[0], ()), data):
            return f"{_shown(data)} is not on the list of requests that may be sent"
        return self._identifier_refusal(data) if data[0] == _READ_DATA else None

    def _opened_by(self, service: int) -> tuple[type[Permit], Permit | None, frozenset[Phase]] | None:
        """What opens this service: the kind of permit, the one there is, and the phases in which it counts."""
        match service:
            case 0x04 | 0x14:
                return ClearPermit, self.clearing, frozenset({Phase.CLEARING})
            case 0x10:
                return SessionPermit, self.session, _STANDING
            case 0x2E | 0x2F | 0x31:
                return RoutinePermit, self.routine, frozenset({Phase.ROUTINE})
        return None

    def _permit_refusal(
        self, request: Request, kind: type[Permit], permit: Permit | None, phases: frozenset[Phase]
    ) -> str | None:
        if permit is None or self.phase not in phases:
            return f"service {request.data[0]:02X} {kind.DOES}: only the {kind.FLOW} flow sends it"
        if is_functional(request.target) or request.target != permit.unit:
            return f"the {kind.FLOW} flow may reach {permit.unit} only, one unit and never all at once"
        if not permit.covers(request.data):
            return f"{_shown(request.data)} is more than the {kind.FLOW} flow was permitted"
        return None

    def _keep_alive_refusal(self, request: Request, stops: frozenset[Request]) -> str | None:
        ours = self.phase in _STANDING and self.session is not None and self.session.unit == request.target
        if not ours or Request(request.target, DEFAULT_SESSION) not in stops:
            return "3E 80 keeps a session: only the flow that began it in this unit sends it"
        return None

    def _sweep_refusal(self, request: Request) -> str | None:
        if not SWEEP_FORM.fits(request.data):
            return f"a sweep asks whether anybody is there, nothing else: {_shown(request.data)} is not sent"
        return sweep_refusal(request.target)

    def _identifier_refusal(self, data: bytes) -> str | None:
        for at in range(1, len(data), 2):
            number = int.from_bytes(data[at : at + 2], "big")
            if _why(IDENTIFIERS, number) is None and number not in self.declared_identifiers:
                return f"data identifier {number:04X} is neither on the list nor declared by the profile"
        return None


def never_sent(data: bytes) -> str | None:
    """Why no flow, permit or profile ever sends this payload, in words, or None."""
    service = data[0]
    if service in NEVER:
        return f"service {service:02X} is never sent: {NEVER[service]}"
    if service == _SESSION and len(data) > 1:
        session = data[1] & ~_KEEP_BACK_ANSWER
        if session in NEVER_SESSIONS:
            return f"session {session:02X} is never begun: {NEVER_SESSIONS[session]}"
    if service == _ROUTINE and len(data) >= 4:
        return _never(NEVER_ROUTINES, "routine", data[2:4])
    if service == _WRITE_DATA and len(data) >= 3:
        return _never(NEVER_WRITES, "a write to", data[1:3])
    return None


def _never(listed: Mapping[range, str], what: str, raw: bytes) -> str | None:
    number = int.from_bytes(raw, "big")
    why = _why(listed, number)
    return None if why is None else f"{what} {number:04X} is never sent: {why}"


def _moving_refusal(request: Request, stops: frozenset[Request]) -> str | None:
    service = request.data[0]
    if service not in MOVING_SERVICES:
        return f"service {service:02X} is not asked while the car moves or is watched"
    elsewhere = {stop.target for stop in stops if stop.data == DEFAULT_SESSION}
    if request.target in elsewhere or (elsewhere and is_functional(request.target)):
        return f"{', '.join(sorted(elsewhere))} is not in its default session: end that first (10 01)"
    return None


def _why(listed: Mapping[range, str], number: int) -> str | None:
    return next((why for part, why in listed.items() if number in part), None)


def _shown(data: bytes) -> str:
    return data[:16].hex(" ").upper()

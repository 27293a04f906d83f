"""The guard between every caller and every link: it reads header and payload as they will be on the bus."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import TracebackType
from typing import Self

from decoders.errors import UsageError
from decoders.values import CanId, Dtc, Exchange, Outcome, Request, UnitAddress, is_functional
from gateway.guard.allowlist import (
    CLEAR_FORMS,
    FUNCTIONAL_29_BIT_PREFIXES,
    FUNCTIONAL_IDS,
    IDENTIFIERS,
    MOVING_SERVICES,
    NEVER,
    READ_FORMS,
)
from gateway.links import Limits, Link, Plan, open_link

_CLEAR_SERVICES = (0x04, 0x14)
_READ_DATA = 0x22


class Phase(StrEnum):
    """What is going on, and with it how much may be sent."""

    READING = "reading"
    MOVING = "moving"
    CLEARING = "clearing"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearPermit:
    """What the clear flow may erase: everything in one unit, or single codes that a scan listed there.

    Args:
        unit: the unit's canonical address.
        codes: the listed three-byte codes that may be cleared one by one.
    """

    unit: str
    codes: frozenset[Dtc] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Guard:
    """Says of each request whether it may be sent.

    Args:
        phase: what is going on.
        declared_identifiers: data identifiers that the profile declares for service 22.
        clearing: the permit of the clear flow; without it nothing is cleared, whatever the phase.
    """

    phase: Phase
    declared_identifiers: frozenset[int] = frozenset()
    clearing: ClearPermit | None = None

    def refusal(self, request: Request) -> str | None:
        """Why the request must not be sent, in words, or None if it may be."""
        data = request.data
        if not data:
            return "the request is empty"
        header = _header_refusal(request.target)
        if header is not None:
            return header
        if data[0] in NEVER:
            return f"service {data[0]:02X} is never sent: {NEVER[data[0]]}"
        if data[0] in _CLEAR_SERVICES:
            return self._clear_refusal(request)
        if self.phase is Phase.MOVING and data[0] not in MOVING_SERVICES:
            return f"service {data[0]:02X} is not asked while the car moves or is watched"
        if not any(form.fits(data) for form in READ_FORMS):
            return f"{data[:16].hex(' ').upper()} is not on the list of requests that may be sent"
        if data[0] == _READ_DATA:
            return self._identifier_refusal(data)
        return None

    def _identifier_refusal(self, data: bytes) -> str | None:
        for at in range(1, len(data), 2):
            number = int.from_bytes(data[at : at + 2], "big")
            listed = any(number in part for part in IDENTIFIERS)
            if not listed and number not in self.declared_identifiers:
                return f"data identifier {number:04X} is neither on the list nor declared by the profile"
        return None

    def _clear_refusal(self, request: Request) -> str | None:
        permit = self.clearing
        if self.phase is not Phase.CLEARING or permit is None:
            return f"service {request.data[0]:02X} erases fault memory: only the clear flow sends it"
        if is_functional(request.target) or request.target != permit.unit:
            return f"the clear flow may clear {permit.unit} only, one unit and never all at once"
        if any(form.fits(request.data) for form in CLEAR_FORMS):
            return None
        if any(code.failure_type is not None and request.data == b"\x14" + code.raw for code in permit.codes):
            return None
        return f"{request.data[:16].hex(' ').upper()} clears neither everything nor a listed code"


def _header_refusal(target: str) -> str | None:
    if is_functional(target):
        if target.partition(":")[2] in FUNCTIONAL_IDS:
            return None
        return f"'{target}' is not a functional address: those are {', '.join(sorted(FUNCTIONAL_IDS))}"
    try:
        unit = UnitAddress.parse(target)
    except UsageError as error:
        return error.message
    if unit.text != target:
        return f"'{target}' is not how this unit is written: {unit.text}"
    if _everyone_hears(unit.request):
        return f"{unit.request.text} reaches every unit: it is no unit's own address"
    return None


def _everyone_hears(can_id: CanId) -> bool:
    digits = f"{can_id.number:08X}" if can_id.is_29_bit else f"{can_id.number:03X}"
    return digits in FUNCTIONAL_IDS or (can_id.is_29_bit and digits.startswith(FUNCTIONAL_29_BIT_PREFIXES))


class GuardedLink:
    """A link with the guard before it: a refused request never reaches the link and is kept as unsent.

    Args:
        link: where allowed requests go.
        guard: what is allowed.
    """

    def __init__(self, link: Link, guard: Guard) -> None:
        self._link = link
        self._guard = guard

    @property
    def address(self) -> str:
        """The link's own address."""
        return self._link.address

    @property
    def guard(self) -> Guard:
        """What is allowed on this link."""
        return self._guard

    def under(self, guard: Guard) -> GuardedLink:
        """The same way to the vehicle under another guard, e.g. to clear after reading."""
        return GuardedLink(self._link, guard)

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run the plans as `Link.run` does; while the car moves, one request at a time."""
        if self._guard.phase is Phase.MOVING:
            limits = replace(limits, window=1)
        guarded = {name: self._guarded(plan, keep, stop) for name, plan in plans.items()}
        try:
            self._link.run(guarded, keep, stop, limits)
        finally:
            # A guarded plan that was never begun does not close the one inside.
            for plan in plans.values():
                plan.close()

    def close(self) -> None:
        """Close the link."""
        self._link.close()

    def __enter__(self) -> Self:
        """The guarded link itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the link."""
        self.close()

    def _guarded(self, plan: Plan, keep: Callable[[Exchange], None], stop: threading.Event) -> Plan:
        try:
            request = next(plan)
            while True:
                reason = self._guard.refusal(request)
                if reason is None:
                    exchange = yield request
                else:
                    exchange = self._refused(request, reason)
                    keep(exchange)
                    if stop.is_set():
                        return
                request = plan.send(exchange)
        except StopIteration:
            return

    def _refused(self, request: Request, reason: str) -> Exchange:
        return Exchange(
            link=self.address,
            target=request.target,
            request=request.data,
            outcome=Outcome.UNSENT,
            trouble=f"guard: {reason}",
        )


def open_guarded(text: str, guard: Guard, *, shown_as: str | None = None) -> GuardedLink:
    """Open a link with the guard before it.

    Args:
        text: the link address.
        guard: what is allowed.
        shown_as: the address the journal gets instead, for a simulated vehicle in this process.

    Raises:
        UsageError: the address cannot be read, or names a kind that only a demonstration uses.
        LinkError: the link cannot be opened.
    """
    return GuardedLink(open_link(text, shown_as=shown_as), guard)

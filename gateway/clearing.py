"""The clear flow: one unit at a time, only on a standing car, read back at once."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from decoders import refusal_name
from decoders.errors import LinkError, RefusedError, UsageError
from decoders.values import Exchange, Outcome, Request
from gateway.guard import ClearPermit, Phase
from gateway.jobs import require_open
from gateway.links import Plan
from gateway.visit import Visit
from sessions.journal import Kind
from sessions.plan import plan_read_back, plan_standstill
from sessions.record import JobRecord, Scan
from sessions.verdict.clears import ALL_GROUPS, OBD_CLEAR
from sessions.verdict.scans import before_scan
from sessions.verdict.sights import fault_keys

FRESH_S = 2.0
"""Engine and road speed may be this old when a clear is sent."""

_ENGINE_SPEED, _ROAD_SPEED = 0x0C, 0x0D
KEPT_BACK = "guard: "
"""How the trouble of a request begins that the guard did not let through."""

STATED = "drive off, not READY, parked"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearAnswer:
    """What one unit said to one clear."""

    unit: str
    request: bytes
    outcome: Outcome
    refusal: int | None

    @property
    def words(self) -> str:
        """The answer in words; a positive one is the unit's word, not yet a proof."""
        if self.outcome is Outcome.ANSWERED:
            return "says cleared"
        if self.outcome is Outcome.REFUSED and self.refusal is not None:
            return f"refused ({self.refusal:02X}, {refusal_name(self.refusal)})"
        return self.outcome.value


def units_to_clear(record: JobRecord, named: Sequence[str]) -> tuple[str, ...]:
    """The units a clear goes to: those named, else each that lists a fault or history.

    Raises:
        RefusedError: there is no complete before-scan, or a named unit was not read in it.
        UsageError: the job is closed, or nothing is listed anywhere.
    """
    require_open(record)
    before = before_scan(record)
    if before is None:
        raise RefusedError(
            "Nothing was cleared: this job has no complete before-scan, and clearing would erase the evidence",
            next_step="scan first: mendproof scan JOB --as before --link LINK",
        )
    listed = sorted({key.unit for key in fault_keys(record)})
    for unit in named:
        if not _was_read(record, before, unit):
            raise RefusedError(
                f"Nothing was cleared: {record.unit_name(unit)} ({unit}) was not read in scan {before.number}",
                next_step="make the unit answer and scan again before clearing it",
            )
    chosen = tuple(dict.fromkeys(named)) or tuple(unit for unit in listed if _was_read(record, before, unit))
    if not chosen:
        raise UsageError(
            "No unit that was read before lists a code, so there is nothing to clear",
            next_step="see mendproof verdict JOB",
        )
    return chosen


def _was_read(record: JobRecord, before: Scan, unit: str) -> bool:
    by_uds = any(
        code.unit == unit and code.scan == before.number and code.outcome is Outcome.ANSWERED for code in record.codes
    )
    return by_uds or any(
        item.unit == unit and item.scan == before.number and item.outcome is Outcome.ANSWERED for item in record.obd
    )


def clear_requests(record: JobRecord, unit: str) -> tuple[bytes, ...]:
    """What to send to a unit: 14 where it speaks service 19, 04 where it lists codes by OBD services only."""
    by_uds = any(
        code.unit == unit and code.request == b"\x19\x02\xff" and code.outcome is Outcome.ANSWERED
        for code in record.codes
    )
    by_obd = any(item.unit == unit and item.outcome is Outcome.ANSWERED for item in record.obd)
    obd_only = any(key.unit == unit and key.memory == "obd" for key in fault_keys(record))
    requests = [ALL_GROUPS] if by_uds else []
    if obd_only or (by_obd and not by_uds):
        requests.append(OBD_CLEAR)
    return tuple(requests)


def clear_unit(visit: Visit, unit: str, *, stated_parked: bool) -> tuple[ClearAnswer, ...]:
    """Clear one unit and read it back at once; a clear that is under way is not torn by `visit.stop`.

    Raises:
        RefusedError: the car does not stand with its engine off, or nobody can tell and nobody stated it.
        LinkError: the way to the vehicle broke before the request was sent.
    """
    record = visit.record()
    answers = []
    for request in clear_requests(record, unit):
        standstill = read_standstill(visit, stated_parked=stated_parked)
        if visit.stop.is_set():
            break
        exchange = _send_clear(visit, unit, request, standstill)
        answers.append(
            ClearAnswer(
                unit=unit,
                request=request,
                outcome=exchange.outcome or Outcome.DAMAGED,
                refusal=exchange.refusal,
            )
        )
        obd = any(item.unit == unit and item.outcome is Outcome.ANSWERED for item in record.obd)
        visit.ask({unit: plan_read_back(unit, obd=obd)}, during="readback", to_the_end=True)
    return tuple(answers)


def _send_clear(visit: Visit, unit: str, request: bytes, standstill: Standstill) -> Exchange:
    age_s = time.monotonic() - standstill.read_at_s
    if standstill.read and age_s > FRESH_S:
        raise RefusedError(
            f"Not cleared: engine and road speed were read {age_s:.1f} s ago, {FRESH_S:.0f} s is the limit",
            next_step="try again; if it stays so, look for what slows the link",
        )
    visit.writer.append(Kind.CLEAR, {"unit": unit, "request": request.hex().upper(), "standstill": standstill.words})
    guard = replace(visit.guard(Phase.CLEARING), clearing=ClearPermit(unit=unit))
    kept = visit.ask({unit: _one(Request(unit, request))}, during="clear", guard=guard, to_the_end=True)
    _require_sent(kept)
    return kept[-1]


def _require_sent(kept: Sequence[Exchange]) -> None:
    for exchange in kept:
        if exchange.outcome is not Outcome.UNSENT:
            continue
        trouble = exchange.trouble or "never sent"
        if trouble.startswith(KEPT_BACK):
            raise RefusedError(f"Not cleared: {trouble}", next_step="correct the unit's address in the profile")
        raise LinkError(f"Not cleared: {trouble}", next_step="check the connection, scan again, then clear")


def _one(request: Request) -> Plan:
    yield request


@dataclass(frozen=True, slots=True, kw_only=True)
class Standstill:
    """How it is known that the car stands: read just now, or stated by the technician."""

    read: bool
    read_at_s: float
    words: str


def read_standstill(visit: Visit, *, stated_parked: bool) -> Standstill:
    """Read engine speed and road speed now, from every unit of the job that told them before.

    Raises:
        RefusedError: a value is not zero, was not answered, or no unit can tell and nobody stated it.
        LinkError: the way to the vehicle is broken.
    """
    record = visit.record()  # what was read up to here is too old to count
    tellers = sorted({item.unit for item in record.live if item.pid in (_ENGINE_SPEED, _ROAD_SPEED)})
    read_at_s = time.monotonic()
    _require_sent(visit.ask({unit: plan_standstill(unit) for unit in tellers}, during="interlock"))
    fresh = [item for item in visit.record().live if item.moment.seq > record.last_seq]
    for pid, name, unit_text in ((_ENGINE_SPEED, "engine speed", "rpm"), (_ROAD_SPEED, "road speed", "km/h")):
        values = [item.value for item in fresh if item.pid == pid]
        if any(value != 0 for value in values):
            raise RefusedError(
                f"Not cleared: {name} is {max(values):.0f} {unit_text}",
                next_step="bring the car to a stop, engine off, key on, then clear again",
            )
        if not values and not stated_parked:
            raise RefusedError(
                f"Not cleared: no unit tells the {name} just now",
                next_step=f"if the car stands still ({STATED}), say so with --stated-parked",
            )
    both = {item.pid for item in fresh} >= {_ENGINE_SPEED, _ROAD_SPEED}
    words = "read: engine 0 rpm, road 0 km/h" if both else f"stated, not read: {STATED}"
    return Standstill(read=both, read_at_s=read_at_s, words=words)

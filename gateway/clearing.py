"""The clear flow: one unit at a time, only on a standing car, read back at once."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from decoders import decode_obd_codes, refusal_name
from decoders.errors import DecodeError, RefusedError, UsageError
from decoders.values import Exchange, Outcome, Request
from gateway.guard import ClearPermit, Phase
from gateway.jobs import require_open, why_no_before
from gateway.links import Plan
from gateway.standstill import Standstill, read_standstill, require_sent
from gateway.visit import Visit, is_record
from sessions.journal import Kind
from sessions.plan import plan_read_back
from sessions.plan.unit import read_list, worth_reading
from sessions.record import JobRecord, unit_words
from sessions.verdict.clears import ALL_GROUPS, EMISSIONS_GROUP, OBD_CLEAR
from sessions.verdict.listing import EMISSION_LIST, NOT_THERE, has_group_list, listing_request
from sessions.verdict.scans import before_scan
from sessions.verdict.sights import fault_keys
from sessions.verdict.units import memory_read

FRESH_S = 2.0
"""Engine and road speed may be this old when a clear is sent."""

_SUPPLY_VOLTAGE = 0x42
_READ_CODES = 0x19
_NOT_CLEARED = "Not cleared"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearAnswer:
    """What one unit said to one clear, and what it listed when it was read back at once.

    Args:
        still_lists: codes the read-back still lists as stored or failing; None if it was not read whole.
    """

    unit: str
    request: bytes
    outcome: Outcome
    refusal: int | None
    still_lists: tuple[str, ...] | None = None

    @property
    def words(self) -> str:
        """The answer in words; a positive one is the unit's word, not yet a proof."""
        if self.outcome is Outcome.ANSWERED:
            if self.still_lists is None:
                return "says cleared; the read-back failed"
            return f"says cleared; still lists {', '.join(self.still_lists)}" if self.still_lists else "says cleared"
        if self.outcome is Outcome.REFUSED and self.refusal is not None:
            return f"refused ({self.refusal:02X}, {refusal_name(self.refusal)})"
        return self.outcome.value


def supply_words(record: JobRecord) -> str:
    """The supply voltage as last read, in words, and when that was: low supply spoils what units store."""
    last = next((item for item in reversed(record.live) if item.pid == _SUPPLY_VOLTAGE), None)
    if last is None:
        return "Supply voltage not read."
    scan = next((item.scan for item in record.asked if item.moment == last.moment), None)
    where = "" if scan is None else f", in scan {scan}"
    return f"Supply voltage {last.value:.1f} V as last read, {last.moment.at}{where}."


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
            next_step=why_no_before(record),
        )
    listed = sorted({key.unit for key in fault_keys(record)})
    for unit in named:
        if not memory_read(record, before, unit):
            name = unit_words(record.unit_name(unit), unit, "{name} ({unit})")
            raise RefusedError(
                f"Nothing was cleared: {name} was not read in scan {before.number}",
                next_step="make the unit answer and scan again before clearing it",
            )
    chosen = tuple(dict.fromkeys(named)) or tuple(unit for unit in listed if memory_read(record, before, unit))
    if not chosen:
        raise UsageError(
            "No unit that was read before lists a code, so there is nothing to clear",
            next_step="see mendproof verdict JOB",
        )
    return chosen


def clear_requests(record: JobRecord, unit: str) -> tuple[bytes, ...]:
    """What to send to a unit: 14 where it speaks service 19, 04 where it lists codes by OBD services only.

    A unit that lists the emissions group alone is asked to clear that group alone.
    """
    listing = listing_request(record, unit)
    by_uds = any(
        code.unit == unit and code.request == listing and code.outcome is Outcome.ANSWERED for code in record.codes
    )
    by_obd = any(item.unit == unit and item.outcome is Outcome.ANSWERED for item in record.obd)
    obd_only = any(key.unit == unit and key.memory == "obd" for key in fault_keys(record))
    of_all = EMISSIONS_GROUP if listing == EMISSION_LIST else ALL_GROUPS
    requests = [of_all] if by_uds else []
    if obd_only or (by_obd and not by_uds):
        requests.append(OBD_CLEAR)
    return tuple(requests)


def clear_unit(visit: Visit, unit: str, *, stated_parked: bool) -> tuple[ClearAnswer, ...]:
    """Clear one unit and read it back at once; a clear that is under way is not torn by `visit.stop`.

    Raises:
        UsageError: the link is a record.
        RefusedError: the car does not stand with its engine off, or nobody can tell and nobody stated it.
        LinkError: the way to the vehicle broke before the request was sent.
    """
    if is_record(visit.link):
        raise UsageError(
            f"Nothing was cleared: {visit.link.address} is a record, which is only read",
            next_step="give the link of a vehicle",
        )
    record = visit.record()
    answers = []
    for request in clear_requests(record, unit):
        standstill = read_standstill(visit, stated_parked=stated_parked, not_done=_NOT_CLEARED)
        if standstill is None or visit.stop.is_set():
            break
        exchange = _send_clear(visit, unit, request, standstill)
        obd = any(item.unit == unit and item.outcome is Outcome.ANSWERED for item in record.obd)
        plan = plan_read_back(unit, obd=obd, group=has_group_list(record, unit))
        back = visit.ask({unit: plan}, during="readback", to_the_end=True)
        answers.append(
            ClearAnswer(
                unit=unit,
                request=request,
                outcome=exchange.outcome or Outcome.DAMAGED,
                refusal=exchange.refusal,
                still_lists=still_listed(back, by_obd=request == OBD_CLEAR),
            )
        )
    return tuple(answers)


def still_listed(back: Sequence[Exchange], *, by_obd: bool) -> tuple[str, ...] | None:
    """What the read-back lists as stored or failing; None if a list that the unit has did not come whole."""
    found: set[str] = set()
    whole = False
    for exchange in back:
        data = exchange.positive
        if data is None:
            plainly_absent = exchange.outcome is Outcome.REFUSED and exchange.refusal in NOT_THERE
            if plainly_absent or exchange.request[0] != _READ_CODES:
                continue
            return None
        try:
            if exchange.request in (b"\x03", b"\x07"):
                found.update(code.text for code in decode_obd_codes(data).codes)
                whole = whole or by_obd
            else:
                found.update(code.text for code in worth_reading(data))
                read_list(data)
                whole = True
        except DecodeError:
            return None
    return tuple(sorted(found)) if whole else None


def _send_clear(visit: Visit, unit: str, request: bytes, standstill: Standstill) -> Exchange:
    age_s = time.monotonic() - standstill.read_at_s
    limits = visit.limits
    if standstill.read and age_s > FRESH_S:
        raise RefusedError(
            f"Not cleared: engine and road speed were read {age_s:.1f} s ago, {FRESH_S:.0f} s is the limit",
            next_step="try again; if it stays so, look for what slows the link",
        )
    if standstill.read:
        # A way to the unit that opens again only later would bring it a clear that nobody looked out for.
        limits = replace(limits, connect_ms=min(limits.connect_ms, max(1, int((FRESH_S - age_s) * 1000))))
    visit.writer.append(Kind.CLEAR, {"unit": unit, "request": request.hex().upper(), "standstill": standstill.words})
    guard = replace(visit.guard(Phase.CLEARING), clearing=ClearPermit(unit=unit))
    kept = visit.ask({unit: _one(Request(unit, request))}, during="clear", guard=guard, limits=limits, to_the_end=True)
    require_sent(kept, not_done=_NOT_CLEARED)
    return kept[-1]


def _one(request: Request) -> Plan:
    yield request

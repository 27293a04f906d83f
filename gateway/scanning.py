"""A scan: the whole car asked, everything kept, and an honest word on whether it was complete."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from decoders.errors import MendproofError
from decoders.values import Dtc, Exchange, Outcome, is_functional
from gateway.stopping import stop_words
from gateway.sweeping import sweep, swept_units
from gateway.visit import Visit
from sessions.journal import Kind
from sessions.plan import LIVE_PIDS, Heard, heard_units, plan_live, plan_prelude, plan_presence, plan_unit
from sessions.record import JobRecord
from sessions.record.model import TakenAs
from sessions.record.strangers import strangers
from sessions.verdict.sights import fault_keys

OBD_REQUEST_IDS = tuple(f"7E{digit}" for digit in range(8))
"""Physical request identifiers of emissions units. Source: ISO 15765-4."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanResult:
    """What a scan came to.

    Args:
        number: its number within the job.
        complete: True if every planned request was sent.
        reason: why it is not complete, or an empty text.
        answered: True if anybody answered anything.
        strangers: identifiers under which units answered that nobody knows how to ask.
    """

    number: int
    complete: bool
    reason: str
    answered: bool
    strangers: tuple[str, ...] = ()


def close_cut_short(visit: Visit) -> None:
    """Mark scans that an earlier process left unfinished as cut short; what they read stays evidence."""
    for scan in visit.record().scans:
        if scan.end is None:
            visit.writer.append(
                Kind.SCAN_END,
                {"scan": scan.number, "complete": False, "reason": "cut short: the program ended"},
            )


def take_scan(
    visit: Visit,
    taken_as: TakenAs,
    *,
    after_erase: bool = False,
    sweeps: bool = False,
    stated_parked: bool = False,
) -> ScanResult:
    """Scan the whole car.

    Args:
        visit: where to ask and what to write.
        taken_as: what the scan is for.
        after_erase: True if a person says that codes were erased before it.
        sweeps: True to look for units at every diagnostic identifier as well.
        stated_parked: True if the technician states that the car is parked, for a sweep where no unit can tell.

    Raises:
        RefusedError: a sweep was asked for and the car does not stand with its engine off; the scan is cut short.
        LinkError: the same, and the way to the vehicle is broken.
    """
    close_cut_short(visit)
    record = visit.record()
    number = max((scan.number for scan in record.scans), default=0) + 1
    begin: dict[str, object] = {"scan": number, "as": taken_as, "link": visit.link.address}
    if after_erase:
        begin["after_erase"] = True
    visit.writer.append(Kind.SCAN_BEGIN, begin)
    exchanges: list[Exchange] = []
    heard: tuple[Heard, ...] = ()
    swept: tuple[Exchange, ...] = ()
    read: set[str] = set()
    steps = ("prelude", "live", *(("sweep",) if sweeps else ()), "units", "last call", "units", "live")
    for step in steps:
        if visit.stop.is_set():
            break
        known = {*_known_units(visit, record, heard), *swept_units(swept)}
        if step in ("prelude", "last call"):
            # Whoever was too slow for the first call to all, or missed it, is heard by the last one.
            ask = plan_prelude if step == "prelude" else plan_presence
            exchanges += visit.ask({"prelude": ask(visit.link.functional_targets)}, during="scan", scan=number)
            heard = heard_units(exchanges)
        elif step == "live":
            exchanges += ask_live(visit, heard, number)
        elif step == "sweep":
            taken = {*known, *strangers(exchanges, ())}
            swept = _swept(visit, number, taken, stated_parked=stated_parked)
        elif known - read:
            exchanges += _ask_units(visit, record, known - read, number)
            read |= known
    units = {*_known_units(visit, record, heard), *swept_units(swept)}
    return replace(_end_scan(visit, number, exchanges), strangers=strangers((*exchanges, *swept), units))


def _swept(visit: Visit, number: int, known: Iterable[str], *, stated_parked: bool) -> tuple[Exchange, ...]:
    try:
        return sweep(visit, number, known=known, stated_parked=stated_parked)
    except MendproofError as error:
        payload = {"scan": number, "complete": False, "reason": f"cut short: {error.message}"}
        visit.writer.append(Kind.SCAN_END, payload)
        raise


def _known_units(visit: Visit, record: JobRecord, heard: Iterable[Heard]) -> set[str]:
    return {*(unit.address for unit in visit.profile.units), *(item.unit for item in heard), *record.units}


def _ask_units(visit: Visit, record: JobRecord, units: Iterable[str], number: int) -> tuple[Exchange, ...]:
    again = listed_before(record)
    plans = {unit: plan_unit(unit, again.get(unit, ())) for unit in sorted(units)}
    return visit.ask(plans, during="scan", scan=number)


def ask_live(visit: Visit, heard: tuple[Heard, ...], number: int) -> tuple[Exchange, ...]:
    """Read engine speed, road speed and the other conditions of every unit that offers them.

    If nobody answered the prelude, the emissions units that the profile names are asked all the same.
    """
    offers = {item.unit: item.live for item in heard if item.live}
    if not heard:
        offers = {
            unit.address: LIVE_PIDS for unit in visit.profile.units if unit.address.partition("/")[0] in OBD_REQUEST_IDS
        }
    plans = {unit: plan_live(unit, pids) for unit, pids in offers.items()}
    return visit.ask(plans, during="scan", scan=number)


def listed_before(record: JobRecord) -> dict[str, tuple[Dtc, ...]]:
    """The three-byte codes that earlier readings of the job listed, by unit."""
    found: dict[str, tuple[Dtc, ...]] = {}
    for key in fault_keys(record):
        if key.memory == "dtc":
            found[key.unit] = (*found.get(key.unit, ()), key.dtc)
    return found


def _end_scan(visit: Visit, number: int, exchanges: list[Exchange]) -> ScanResult:
    unsent = [exchange for exchange in exchanges if exchange.outcome is Outcome.UNSENT]
    reason = ""
    if visit.stop.is_set():
        reason = f"cut short: {stop_words(visit.stop)}"
    elif unsent:
        reason = f"{len(unsent)} request{'s were' if len(unsent) != 1 else ' was'} never sent: {unsent[0].trouble}"
    elif not any(not is_functional(exchange.target) for exchange in exchanges):
        reason = "no unit is known: name a profile, or check that the key is on"
    payload: dict[str, object] = {"scan": number, "complete": not reason}
    if reason:
        payload["reason"] = reason
    visit.writer.append(Kind.SCAN_END, payload)
    answered = any(exchange.answers for exchange in exchanges)
    return ScanResult(number=number, complete=not reason, reason=reason, answered=answered)

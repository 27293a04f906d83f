"""What keeps a job open besides its faults: units that were not read, complaints and lamps nobody settled."""

from __future__ import annotations

from collections.abc import Iterable

from decoders.values import Exchange, Outcome, is_functional, source_of, unit_of_source
from sessions.record import JobRecord
from sessions.verdict.facts import JobContext
from sessions.verdict.listing import EMISSION_LIST, has_group_list
from sessions.verdict.scans import last_change
from sessions.verdict.sights import fault_keys
from sessions.verdict.units import CODE_REQUESTS, NO_SERVICE_19, memory_read, unit_look

MALFUNCTION_LAMP = "malfunction lamp"
"""What the lamp is called that an emissions unit commands on in 01 01."""

LAMP_PID = 0x01
DTC_SERVICE = b"\x19"


def units_that_count(record: JobRecord) -> tuple[str, ...]:
    """Each unit that answered in any scan, that the profile lists as fitted or that a network code names.

    Who answered a call to everybody and cannot be asked is not among them: see `JobRecord.strangers`.
    """
    fitted = {unit.address for unit in record.profile.units if unit.fitted}
    listed = {(key.unit, key.dtc.text) for key in fault_keys(record)}
    named = {code.about for code in record.profile.codes if code.about and (code.unit, code.code) in listed}
    sources = {
        answer.source
        for item in record.asked
        if is_functional(item.exchange.target)
        for answer in item.exchange.answers
    }
    heard = {unit for source in sources if (unit := unit_of_source(source)) is not None}
    heard |= {unit for unit in record.known_units if source_of(unit) in sources}
    return tuple(sorted(fitted | named | heard | _showed_themselves(record)))


def _showed_themselves(record: JobRecord) -> set[str]:
    """Units that gave a sign of themselves when asked by their own address, also a damaged one.

    Where "I have no such service" is all that a unit ever says, to service 19 too, nothing in it goes unread. What
    was spoilt without a word of the unit (stopped by hand, refused by the adapter) is no sign any more once a complete
    scan has found it silent.
    """
    whole = {scan.number for scan in record.scans if scan.complete}
    silent = {
        item.unit: item.moment
        for item in record.asked
        if item.scan in whole
        and item.during == "scan"
        and item.exchange.outcome is Outcome.SILENT
        and item.exchange.request in CODE_REQUESTS
    }
    signs: dict[str, list[Exchange]] = {}
    for item in record.asked:
        if item.unit is None:
            continue
        since = silent.get(item.unit)
        if _shows_itself(item.exchange, needs_a_word=since is not None and item.moment < since):
            signs.setdefault(item.unit, []).append(item.exchange)
    return {unit for unit, shown in signs.items() if not _has_no_service_19(shown)}


def _has_no_service_19(shown: Iterable[Exchange]) -> bool:
    refused = {exchange.request[:1] for exchange in shown if exchange.refusal == NO_SERVICE_19}
    return DTC_SERVICE in refused and all(exchange.refusal == NO_SERVICE_19 for exchange in shown)


def _shows_itself(exchange: Exchange, *, needs_a_word: bool) -> bool:
    if exchange.outcome is Outcome.DAMAGED and not needs_a_word:
        return True
    return exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED) or any(
        answer.source == source_of(exchange.target) for answer in exchange.answers
    )


def unit_reasons(context: JobContext, unit: str) -> tuple[str, ...]:
    """A unit that was not read before its first clear, or that answered less in the after-scan than it ever did."""
    record, after = context.record, context.after
    read = [
        (code.request, code.moment.seq, code.scan)
        for code in record.codes
        if code.unit == unit and code.request in CODE_REQUESTS and code.outcome is Outcome.ANSWERED
    ]
    read += [
        (bytes([item.service]), item.moment.seq, item.scan)
        for item in record.obd
        if item.unit == unit and item.outcome is Outcome.ANSWERED
    ]
    first_clear = min((clear.moment.seq for clear in record.clears if clear.unit == unit), default=float("inf"))
    label = f"{record.unit_name(unit)} ({unit})"
    reasons = []
    earlier = [scan for scan in record.scans if scan.begin.seq < first_clear]
    if not any(memory_read(record, scan, unit) for scan in earlier):
        reasons.append(f"{label} was not read before its first clear")
    if after is not None:
        now = {request for request, _seq, scan in read if scan == after.number}
        lost = sorted(request.hex(" ").upper() for request in {request for request, _seq, _scan in read} - now)
        if lost:
            reasons.append(f"{label} did not answer {', '.join(lost)} whole in scan {after.number}")
        elif not memory_read(record, after, unit):
            reasons.append(f"{label} was not read in scan {after.number}: {unit_look(record, after, unit).words}")
        elif has_group_list(record, unit) and EMISSION_LIST not in now:
            reasons.append(f"{label} did not tell its emission codes by 19 42 in scan {after.number}")
    return tuple(reasons)


def unsettled(context: JobContext) -> tuple[str, ...]:
    """Complaints and lit lamps whose newest note does not say that they are gone or explained.

    The malfunction lamp is lit until a newer reading of the same unit shows it off: silence does not put it out.

    Gone counts only if it was noted after the last clear and the last repair: before, it was another car. Nor does
    it count against a unit that showed the lamp on later.
    """
    record = context.record
    newest = {item.about: item for item in record.observations}
    lit = {item.about for item in record.observations if item.state == "lit"}
    newest_mil = {item.unit: item for item in record.monitors if item.status.pid == LAMP_PID}
    shown_lit = max((item.moment.seq for item in newest_mil.values() if item.status.mil), default=0)
    if shown_lit:
        lit.add(MALFUNCTION_LAMP)
    changed = last_change(record)
    gone_after = {MALFUNCTION_LAMP: max(changed, shown_lit)}
    wanted = [*(f"complaint {number}" for number in range(1, len(record.complaints) + 1)), *sorted(lit)]
    settled = {
        about
        for about, item in newest.items()
        if item.state == "explained" or (item.state == "gone" and item.moment.seq > gone_after.get(about, changed))
    }
    return tuple(about for about in wanted if about not in settled)

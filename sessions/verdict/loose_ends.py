"""What keeps a job open besides its faults: units that were not read, complaints and lamps nobody settled."""

from __future__ import annotations

from decoders.values import AnswerKind, Outcome, is_functional, iso_15765_4_unit
from sessions.record import JobRecord
from sessions.verdict.emissions import emissions_looks
from sessions.verdict.facts import JobContext
from sessions.verdict.scans import last_change
from sessions.verdict.sights import fault_keys
from sessions.verdict.units import CODE_REQUESTS

MALFUNCTION_LAMP = "malfunction lamp"
"""What the lamp is called that an emissions unit commands on in 01 01."""


def units_that_count(record: JobRecord) -> tuple[str, ...]:
    """Each unit that answered in any scan, that the profile lists as fitted or that a network code names."""
    fitted = {unit.address for unit in record.profile.units if unit.fitted}
    listed = {(key.unit, key.dtc.text) for key in fault_keys(record)}
    named = {code.about for code in record.profile.codes if code.about and (code.unit, code.code) in listed}
    answered: set[str] = set()
    for item in record.asked:
        exchange = item.exchange
        if is_functional(exchange.target):
            sources = {answer.source for answer in exchange.answers if answer.kind is AnswerKind.POSITIVE}
            answered |= {unit for source in sources if (unit := iso_15765_4_unit(source)) is not None}
        elif exchange.outcome is Outcome.ANSWERED:
            answered.add(exchange.target)
    return tuple(sorted(fitted | named | answered))


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
    if not any(seq < first_clear for _request, seq, _scan in read):
        reasons.append(f"{label} was not read before its first clear")
    if after is not None:
        now = {request for request, _seq, scan in read if scan == after.number}
        lost = sorted(request.hex(" ").upper() for request in {request for request, _seq, _scan in read} - now)
        if lost:
            reasons.append(f"{label} did not answer {', '.join(lost)} whole in scan {after.number}")
    return tuple(reasons)


def unsettled(context: JobContext) -> tuple[str, ...]:
    """Complaints and lit lamps whose newest note does not say that they are gone or explained.

    Gone counts only if it was noted after the last clear and the last repair: before, it was another car.
    """
    record = context.record
    newest = {item.about: item for item in record.observations}
    lit = {item.about for item in record.observations if item.state == "lit"}
    if context.after is not None and any(look.lamp_on for look in emissions_looks(record, context.after)):
        lit.add(MALFUNCTION_LAMP)
    wanted = [*(f"complaint {number}" for number in range(1, len(record.complaints) + 1)), *sorted(lit)]
    settled = {
        about
        for about, item in newest.items()
        if item.state == "explained" or (item.state == "gone" and item.moment.seq > last_change(record))
    }
    return tuple(about for about in wanted if about not in settled)

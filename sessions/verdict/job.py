"""The verdict of a whole job, from its record alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from decoders.errors import RecordError
from sessions.record import JobRecord, Scan
from sessions.verdict.code_words import code_words
from sessions.verdict.facts import FaultFacts, JobContext, context_of, facts_of
from sessions.verdict.identity import another_vehicle, vehicle_vin
from sessions.verdict.loose_ends import unit_reasons, units_that_count, unsettled
from sessions.verdict.proof_plan import LooseEnd, proof_plan
from sessions.verdict.rules import Ruling, Verdict, decide
from sessions.verdict.scans import taken_after_erase
from sessions.verdict.sights import FaultKey, fault_keys
from sessions.verdict.units import UnitLook, unit_looks

SPOILS_SIBLINGS = frozenset({Verdict.NEW, Verdict.RETURNED, Verdict.FAILING})


class JobGrade(StrEnum):
    """The grade of a whole job."""

    PROVEN = "proven"
    HELD = "held"
    OPEN = "open"


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A person's decision to live with a fault: laid over the verdict, never instead of it."""

    reason: str
    given_for: Verdict
    actor: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultVerdict:
    """One fault with its verdict.

    Args:
        text: the profile's words for the code, else what is published of it or that nothing is known; never empty.
        first_seen: where and how the job first listed it, in words.
        provisional: True if the after-scan was not taken as one.
    """

    key: FaultKey
    unit_name: str
    text: str
    ruling: Ruling
    set_aside: SetAside | None
    first_seen: str
    provisional: bool

    @property
    def verdict(self) -> Verdict:
        """The grade of evidence."""
        return self.ruling.verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitPair:
    """One unit before and after; one that answered a call to everybody and cannot be asked stands by its source."""

    unit: str
    name: str
    before: UnitLook | None
    after: UnitLook | None
    set_aside: SetAside | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobVerdict:
    """The whole outcome.

    Args:
        history: codes shown only as history, as (unit, code) texts.
        reasons: why the job is not better than it is; empty if proven.
        plan: the shortest list of things to do next.
    """

    record: JobRecord
    vin: str | None
    grade: JobGrade
    reasons: tuple[str, ...]
    before: Scan | None
    after: Scan | None
    faults: tuple[FaultVerdict, ...]
    history: tuple[tuple[str, str], ...]
    units: tuple[UnitPair, ...]
    plan: tuple[str, ...]

    @property
    def set_aside_count(self) -> int:
        """How many faults and units are set aside: the grade is never shown without it."""
        faults = sum(fault.set_aside is not None for fault in self.faults)
        return faults + sum(unit.set_aside is not None for unit in self.units)


def judge(record: JobRecord) -> JobVerdict:
    """Give every fault and the job its verdict.

    Raises:
        RecordError: units that are the same as before now carry another VIN: this is not one vehicle.
    """
    other = another_vehicle(record)
    if other is not None:
        raise RecordError(f"No verdict: {other}", next_step="check which vehicle is connected, and open a job for it")
    context = context_of(record)
    facts = [facts_of(context, key) for key in fault_keys(record)]
    shown = [item for item in facts if is_fault(item)]
    rulings = _rulings(shown)
    faults = tuple(_fault_verdict(context, item, rulings[item.key]) for item in shown)
    units = _unit_pairs(context)
    loose = _loose_ends(context, units)
    reasons = (*_scan_reasons(context, shown), *_fault_reasons(faults), *(end.reason for end in loose))
    aside = {fault.key for fault in faults if fault.set_aside is not None}
    return JobVerdict(
        record=record,
        vin=vehicle_vin(record),
        grade=_grade(faults, reasons),
        reasons=reasons,
        before=context.before,
        after=context.after,
        faults=tuple(sorted(faults, key=lambda fault: (fault.verdict.badness, fault.key))),
        history=tuple((item.key.unit, item.key.dtc.text) for item in facts if not is_fault(item)),
        units=units,
        plan=proof_plan(context, [item for item in shown if item.key not in aside], rulings, loose),
    )


def is_fault(facts: FaultFacts) -> bool:
    """True if some reading shows more than history.

    testFailedSinceLastClear alone is history, unless it was read after an accepted clear of that code.
    """
    if any(sight.status.is_fault for sight in facts.sights) or any(sight.listed for sight in facts.obd):
        return True
    cleared = min((erase.seq for erase in facts.erasures.all_accepted), default=None)
    came_back = cleared is not None and any(sight.seq > cleared and sight.lists_it for sight in facts.sights)
    return facts.ever_permanent or came_back


def _rulings(facts: list[FaultFacts]) -> dict[FaultKey, Ruling]:
    """Two passes: what spoils a sibling is decided by rules that do not look at siblings."""
    first = {item.key: decide(item, ()) for item in facts}
    final = {}
    for item in facts:
        siblings = tuple(
            key.dtc.text
            for key, ruling in first.items()
            if key != item.key
            and (key.unit, key.dtc.base) == (item.key.unit, item.key.dtc.base)
            and ruling.verdict in SPOILS_SIBLINGS
        )
        final[item.key] = decide(item, siblings)
    return final


def _fault_verdict(context: JobContext, facts: FaultFacts, ruling: Ruling) -> FaultVerdict:
    record, key = context.record, facts.key
    listed = next((sight for sight in facts.sights if sight.lists_it), None)
    first_seen = f"status {listed.status.byte:02X}, entry {listed.seq}" if listed else ""
    if listed is None:
        services = [f"service {sight.service:02X}" for sight in facts.obd if sight.listed]
        first_seen = services[0] if services else ""
    return FaultVerdict(
        key=key,
        unit_name=record.unit_name(key.unit),
        text=code_words(record, key.unit, key.dtc.text),
        ruling=ruling,
        set_aside=_set_aside(record, key.unit, key, ruling.verdict),
        first_seen=first_seen,
        provisional=context.after is not None and context.after.taken_as != "after",
    )


def _set_aside(record: JobRecord, unit: str, key: FaultKey | None, verdict: Verdict) -> SetAside | None:
    """The newest decision about this fault or unit, unless the verdict got worse than the one it was given for."""
    code = key.dtc.text if key else None
    found = [
        decision
        for decision in record.decisions
        if decision.unit == unit and decision.code == code and (key is None or decision.memory in (None, key.memory))
    ]
    if not found:
        return None
    decision = found[-1]
    given_for = Verdict(decision.given_for)
    if verdict.badness < given_for.badness:
        return None
    return SetAside(reason=decision.reason, given_for=given_for, actor=decision.actor, at=decision.moment.at)


def _unit_pairs(context: JobContext) -> tuple[UnitPair, ...]:
    record = context.record
    before = unit_looks(record, context.before) if context.before else ()
    after = unit_looks(record, context.after) if context.after else ()
    looked_at = {look.unit for look in (*before, *after)}
    units = sorted({*looked_at, *record.units, *units_that_count(record), *record.strangers})
    by_before = {look.unit: look for look in before}
    by_after = {look.unit: look for look in after}
    return tuple(
        UnitPair(
            unit=unit,
            name=record.unit_name(unit),
            before=by_before.get(unit),
            after=by_after.get(unit),
            set_aside=_set_aside(record, unit, None, Verdict.UNREAD),
        )
        for unit in units
    )


def _loose_ends(context: JobContext, units: tuple[UnitPair, ...]) -> tuple[LooseEnd, ...]:
    """Units and notes that keep the job open; without a before-scan no unit is singled out."""
    count = set(units_that_count(context.record)) if context.before is not None else set()
    heard = set(context.record.strangers) if context.before is not None else set()
    aside = {pair.unit for pair in units if pair.set_aside is not None}
    unread = [
        (pair, reason)
        for pair in units
        if pair.unit in count and pair.unit not in aside
        for reason in unit_reasons(context, pair.unit)
    ]
    names = ", ".join(dict.fromkeys(f"{pair.name} ({pair.unit})" for pair, _reason in unread))
    step = f"Make these answer and scan again, or set them aside with a reason (job set-aside): {names}."
    return (
        *(LooseEnd(reason=reason, step=step, before_scan=True) for _pair, reason in unread),
        *_heard_only(sorted(heard - aside)),
        *(
            LooseEnd(
                reason=f"{about} is not noted as gone or explained",
                step=f'Note whether it is gone or explained: mendproof job observe JOB --about "{about}" --state gone',
            )
            for about in unsettled(context)
        ),
    )


def _heard_only(sources: Sequence[str]) -> tuple[LooseEnd, ...]:
    """Those who are there and whose memory nobody can read."""
    if not sources:
        return ()
    who = f"whoever answers under {', '.join(sources)}"
    step = (
        f"Find {who} by scan --sweep, which reads it, or set it aside with a reason (job set-aside). A profile that "
        "names it with its request identifier needs a job of its own."
    )
    reason = f"{who} was not read: the identifier to ask it by is not known"
    return (LooseEnd(reason=reason, step=step, before_scan=True),)


def _scan_reasons(context: JobContext, facts: list[FaultFacts]) -> tuple[str, ...]:
    before, after = context.before, context.after
    if before is None:
        return ("nothing to prove: no complete before-scan that read a unit",)
    reasons = []
    if taken_after_erase(context.record, before):
        reasons.append("the before-scan was taken after an erase")
    if not any(shown_as_fault(item, before) for item in facts):
        reasons.append("nothing to prove: the before-scan listed no fault")
    if after is None:
        reasons.append("no complete after-scan newer than the last clear")
    elif after.taken_as != "after":
        reasons.append(f"scan {after.number} was taken as a {after.taken_as}: only an after-scan closes a job")
    return tuple(reasons)


def shown_as_fault(facts: FaultFacts, scan: Scan) -> bool:
    """True if a scan lists it as a fault, not as mere history."""
    by_19 = any(sight.scan == scan.number and sight.status.is_fault for sight in facts.sights)
    return by_19 or facts.ever_permanent or any(sight.scan == scan.number and sight.listed for sight in facts.obd)


def _fault_reasons(faults: tuple[FaultVerdict, ...]) -> tuple[str, ...]:
    reasons = []
    open_faults = [fault for fault in faults if not fault.verdict.is_good and fault.set_aside is None]
    if open_faults:
        reasons.append(f"{len(open_faults)} fault{'s' if len(open_faults) != 1 else ''} not proven")
    if not any(fault.verdict.is_good for fault in faults) and faults:
        reasons.append("no fault is proven")
    return tuple(reasons)


def _grade(faults: tuple[FaultVerdict, ...], reasons: tuple[str, ...]) -> JobGrade:
    if reasons:
        return JobGrade.OPEN
    held = any(fault.verdict is Verdict.HELD and fault.set_aside is None for fault in faults)
    if held or not any(fault.verdict is Verdict.PROVEN for fault in faults):
        return JobGrade.HELD
    return JobGrade.PROVEN

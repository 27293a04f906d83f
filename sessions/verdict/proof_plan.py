"""The proof plan: the shortest list of things to do next, never a bare "fail"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from decoders.values import Outcome
from sessions.verdict.facts import FaultFacts, JobContext
from sessions.verdict.gaps import Mend
from sessions.verdict.met import SetResult
from sessions.verdict.rules import Ruling, Verdict
from sessions.verdict.sights import FaultKey


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseEnd:
    """Something besides the faults that keeps a job open, and what to do about it.

    Args:
        reason: why the job is open.
        step: what to do.
        before_scan: True if it is to be done before the next scan.
    """

    reason: str
    step: str
    before_scan: bool = False


def proof_plan(
    context: JobContext,
    facts: Sequence[FaultFacts],
    rulings: Mapping[FaultKey, Ruling],
    loose: Sequence[LooseEnd] = (),
) -> tuple[str, ...]:
    """What to do next for every fault that is not proven and every loose end, in the order it should be done."""
    open_facts = [item for item in facts if not rulings[item.key].verdict.is_good]
    untested = [item for item in open_facts if rulings[item.key].verdict is Verdict.UNTESTED]
    steps = [
        *(["Scan the car before anything is repaired or cleared (scan --as before)."] if not context.before else []),
        *(step for item in open_facts for step in _repair_steps(context, item, rulings[item.key])),
        *(step for item in open_facts for step in _clear_steps(context, item, rulings[item.key])),
        *(end.step for end in loose if end.before_scan),
        *_drive_steps(context, untested, rulings),
        *(step for item in untested for step in _other_steps(context, item, rulings[item.key])),
    ]
    if context.after is None:
        steps.append("Scan the car after the work (scan --as after).")
    elif open_facts or context.after.taken_as != "after":
        steps.append("Then scan again (scan --as after).")
    steps += [end.step for end in loose if not end.before_scan]
    return tuple(dict.fromkeys(steps))


def _repair_steps(context: JobContext, facts: FaultFacts, ruling: Ruling) -> list[str]:
    label, clear = _label(context, facts), _clear_this(context, facts)
    if ruling.verdict in (Verdict.FAILING, Verdict.RETURNED, Verdict.NEW):
        return [f"{label}: it is there now. Mend its cause, or do the service it asks for, then {clear}."]
    if ruling.verdict is Verdict.UNREAD and context.after is not None:
        return [f"{label}: make the unit answer (supply, connection), then scan again (scan --as after)."]
    return []


def _clear_steps(context: JobContext, facts: FaultFacts, ruling: Ruling) -> list[str]:
    name, clear = context.record.unit_name(facts.key.unit), _clear_this(context, facts)
    if ruling.verdict is Verdict.UNCLEARED:
        return [f"{name}: {clear}; it still lists the old entry."]
    if ruling.verdict in (Verdict.UNTESTED, Verdict.LAPSED) and _needs_new_clear(facts):
        return [f"{name}: clear this unit; what was read before does not count for the repair."]
    mends = _mends(ruling)
    if Mend.CLEAR in mends and Mend.NEVER not in mends:
        return [f"{name}: {clear}; missing: {mends[Mend.CLEAR]}."]
    return []


def _clear_this(context: JobContext, facts: FaultFacts) -> str:
    """What to do, as a unit that was never asked to erase is not cleared again."""
    asked = any(clear.unit == facts.key.unit and clear.outcome is not Outcome.UNSENT for clear in context.record.clears)
    return "clear this unit again" if asked else "clear this unit"


def _needs_new_clear(facts: FaultFacts) -> bool:
    accepted, unvouched = facts.erasures.accepted, facts.erasures.unvouched
    if accepted is None or facts.counted_from > accepted.seq:
        return True
    return unvouched is not None and unvouched.seq >= accepted.seq


def _mends(ruling: Ruling) -> dict[Mend, str]:
    """What could close each gap of an untested fault, with the first gap of that kind in words."""
    found: dict[Mend, str] = {}
    for gap in ruling.gaps:
        found.setdefault(gap.mend, gap.text)
    return found


def _drive_steps(context: JobContext, untested: Sequence[FaultFacts], rulings: Mapping[FaultKey, Ruling]) -> list[str]:
    """Key cycle and driving conditions still missing, each once, with the faults they serve."""
    wanted: dict[str, list[str]] = {}
    for item in untested:
        for result in _sets_to_run(item, _mends(rulings[item.key])):
            words = f"{result.words} for at least {result.needed_s:.0f} s"
            wanted.setdefault(words, []).append(_label(context, item))
    if not wanted:
        return []
    off_s = context.settings.key_off_s
    return [
        f"Begin to watch (mendproof watch JOB --link LINK): key off for at least {off_s} s, then key on.",
        *(f"While it reads: {words}. For {', '.join(dict.fromkeys(labels))}." for words, labels in wanted.items()),
    ]


def _sets_to_run(facts: FaultFacts, mends: Mapping[Mend, str]) -> Sequence[SetResult]:
    """Sets of conditions under which the car is still to be run for one fault."""
    if Mend.NEVER in mends:
        return ()
    unmet = [result for result in facts.sets if not result.met]
    # After a new clear every set counts afresh; a test that has still to run has to run under one of them.
    afresh = Mend.CLEAR in mends or (Mend.DRIVE in mends and not unmet)
    return facts.sets if afresh else unmet


def _other_steps(context: JobContext, facts: FaultFacts, ruling: Ruling) -> list[str]:
    """What a drive under the fault's conditions cannot do for an untested fault."""
    label, mends = _label(context, facts), _mends(ruling)
    steps = []
    if Mend.SIBLING in mends:
        steps.append(f"{label}: {mends[Mend.SIBLING]}; mend that first.")
    if Mend.PARTNER in mends:
        steps.append(f"{label}: {mends[Mend.PARTNER]}; make it answer.")
    if Mend.NEVER in mends:
        steps.append(
            f"{label}: this version cannot prove it ({mends[Mend.NEVER]}). Watch it over several drives, "
            "or set it aside with a reason (job set-aside)."
        )
    elif Mend.CYCLES in mends:
        steps.append(f"{label}: go on driving, in several key cycles, until this has gone: {mends[Mend.CYCLES]}.")
    return steps


def _label(context: JobContext, facts: FaultFacts) -> str:
    return f"{context.record.unit_name(facts.key.unit)} {facts.key.dtc.text}"

"""The proof plan: the shortest list of things to do next, never a bare "fail"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sessions.verdict.facts import FaultFacts, JobContext
from sessions.verdict.rules import Ruling, Verdict
from sessions.verdict.sights import FaultKey


def proof_plan(context: JobContext, facts: Sequence[FaultFacts], rulings: Mapping[FaultKey, Ruling]) -> tuple[str, ...]:
    """What to do next for every fault that is not proven, in the order it should be done."""
    steps: list[str] = []
    open_facts = [item for item in facts if rulings[item.key].verdict not in (Verdict.PROVEN, Verdict.HELD)]
    if context.before is None:
        steps.append("Scan the car before anything is repaired or cleared (scan --as before).")
    for item in open_facts:
        label = _label(context, item)
        verdict = rulings[item.key].verdict
        if verdict in (Verdict.FAILING, Verdict.RETURNED, Verdict.NEW):
            steps.append(f"{label}: find and repair the cause, then clear this unit again.")
        elif verdict is Verdict.UNCLEARED:
            steps.append(f"{label}: clear this unit again; it still lists the old entry.")
        elif verdict is Verdict.UNREAD:
            steps.append(f"{label}: make the unit answer (supply, connection), then scan again (scan --as after).")
        elif _needs_new_clear(item):
            steps.append(f"{label}: clear this unit; what was read before does not count for the repair.")
    steps += _drive_steps(context, [i for i in open_facts if rulings[i.key].verdict is Verdict.UNTESTED])
    if open_facts and context.after is not None:
        steps.append("Then scan again (scan --as after).")
    elif open_facts:
        steps.append("Scan the car after the work (scan --as after).")
    return tuple(dict.fromkeys(steps))


def _needs_new_clear(facts: FaultFacts) -> bool:
    accepted, unvouched = facts.erasures.accepted, facts.erasures.unvouched
    if accepted is None:
        return True
    if facts.repair_seq > accepted.seq:
        return True
    return unvouched is not None and unvouched.seq >= accepted.seq


def _drive_steps(context: JobContext, facts: Sequence[FaultFacts]) -> list[str]:
    """Key cycle and driving conditions still missing, each once, with the faults they serve."""
    wanted: dict[str, list[str]] = {}
    for item in facts:
        label = _label(context, item)
        unmet = [result for result in item.sets if not result.met and result.conditions.problem is None]
        for result in unmet:
            wanted.setdefault(result.words, []).append(label)
        if not unmet and not item.standing:
            wanted.setdefault("", []).append(label)
    steps = []
    for words, labels in wanted.items():
        names = ", ".join(dict.fromkeys(labels))
        hold = context.settings.hold_s
        if words:
            steps.append(f"Run with {words} for at least {hold} s while reading, from a fresh key-on: {names}.")
        else:
            steps.append(f"Keep watching over several drives; one passed test does not prove it: {names}.")
    return steps


def _label(context: JobContext, facts: FaultFacts) -> str:
    return f"{context.record.unit_name(facts.key.unit)} {facts.key.dtc.text}"

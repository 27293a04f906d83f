"""The proof plan: the shortest list of things to do next, never a bare "fail"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sessions.verdict.facts import FaultFacts, JobContext
from sessions.verdict.rules import Ruling, Verdict
from sessions.verdict.sights import FaultKey


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseEnd:
    """Something besides the faults that keeps a job open, and what to do about it."""

    reason: str
    step: str


def proof_plan(
    context: JobContext,
    facts: Sequence[FaultFacts],
    rulings: Mapping[FaultKey, Ruling],
    loose: Sequence[LooseEnd] = (),
) -> tuple[str, ...]:
    """What to do next for every fault that is not proven and every loose end, in the order it should be done."""
    open_facts = [item for item in facts if rulings[item.key].verdict not in (Verdict.PROVEN, Verdict.HELD)]
    clears: list[str] = []
    steps: list[str] = []
    for item in open_facts:
        label, name = _label(context, item), context.record.unit_name(item.key.unit)
        verdict = rulings[item.key].verdict
        if verdict in (Verdict.FAILING, Verdict.RETURNED, Verdict.NEW):
            steps.append(f"{label}: find and repair the cause, then clear this unit again.")
        elif verdict is Verdict.UNCLEARED:
            clears.append(f"{name}: clear this unit again; it still lists the old entry.")
        elif verdict is Verdict.UNREAD:
            steps.append(f"{label}: make the unit answer (supply, connection), then scan again (scan --as after).")
        elif _needs_new_clear(item):
            clears.append(f"{name}: clear this unit; what was read before does not count for the repair.")
    steps += _drive_steps(context, [i for i in open_facts if rulings[i.key].verdict is Verdict.UNTESTED])
    if context.before is None:
        clears.insert(0, "Scan the car before anything is repaired or cleared (scan --as before).")
    steps += [end.step for end in loose]
    if context.after is None:
        steps.append("Scan the car after the work (scan --as after).")
    elif open_facts or context.after.taken_as != "after":
        steps.append("Then scan again (scan --as after).")
    return tuple(dict.fromkeys((*clears, *steps)))


def _needs_new_clear(facts: FaultFacts) -> bool:
    accepted, unvouched = facts.erasures.accepted, facts.erasures.unvouched
    if accepted is None or facts.counted_from > accepted.seq:
        return True
    return unvouched is not None and unvouched.seq >= accepted.seq


def _drive_steps(context: JobContext, facts: Sequence[FaultFacts]) -> list[str]:
    """Key cycle and driving conditions still missing, each once, with the faults they serve."""
    wanted: dict[str, list[str]] = {}
    for item in facts:
        label = _label(context, item)
        unmet = [result for result in item.sets if not result.met and result.conditions.problem is None]
        for result in unmet:
            wanted.setdefault(f"{result.words} for at least {result.needed_s:.0f} s", []).append(label)
        if not unmet and not item.standing:
            wanted.setdefault("", []).append(label)
    steps = []
    for words, labels in wanted.items():
        names = ", ".join(dict.fromkeys(labels))
        if words:
            steps.append(f"Run with {words} while reading, from a fresh key-on: {names}.")
        else:
            steps.append(f"Keep watching over several drives; one passed test does not prove it: {names}.")
    return steps


def _label(context: JobContext, facts: FaultFacts) -> str:
    return f"{context.record.unit_name(facts.key.unit)} {facts.key.dtc.text}"

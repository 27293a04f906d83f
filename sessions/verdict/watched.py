"""What watching can still prove: cleared, standing faults, and how far their conditions have been met."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.values import Outcome
from sessions.record import JobRecord
from sessions.verdict.facts import context_of, facts_of
from sessions.verdict.met import SetResult
from sessions.verdict.rules import rule_3_returned_failing, rule_5_returned
from sessions.verdict.sights import FaultKey, fault_keys


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedFault:
    """One fault worth watching.

    Args:
        key: the fault.
        unit_name: its unit's name.
        sets: how each set of its conditions has fared so far.
        came_back: True if a look since the clear shows it again: watching it further proves nothing.
        silent: True if the unit did not answer when it was asked last: the key is off, or it is cut off.
    """

    key: FaultKey
    unit_name: str
    sets: tuple[SetResult, ...]
    came_back: bool
    silent: bool = False

    @property
    def done(self) -> bool:
        """True if nothing more is to be watched for it."""
        return self.came_back or (bool(self.sets) and all(result.met for result in self.sets))

    @property
    def words(self) -> str:
        """Where it stands, in words."""
        if self.came_back:
            return "came back"
        return f"{self._progress}; silent just now" if self.silent else self._progress

    @property
    def _progress(self) -> str:
        unmet = [result for result in self.sets if not result.met]
        if not self.sets:
            return "its conditions are not known"
        if not unmet:
            return "passed under all its conditions"
        first = unmet[0]
        what = first.conditions.problem or first.words
        return f"{len(self.sets) - len(unmet)} of {len(self.sets)} conditions met; next: {what}"


def watched_faults(record: JobRecord) -> tuple[WatchedFault, ...]:
    """Cleared faults that were standing: those a test passed under its conditions could prove."""
    context = context_of(record)
    facts = [facts_of(context, key) for key in fault_keys(record)]
    return tuple(
        WatchedFault(
            key=item.key,
            unit_name=record.unit_name(item.key.unit),
            sets=item.sets,
            came_back=any(rule(item, ()) is not None for rule in (rule_3_returned_failing, rule_5_returned)),
            silent=_silent_now(record, item.key.unit),
        )
        for item in facts
        if item.standing and item.erasures.accepted is not None
    )


def worth_watching(record: JobRecord) -> tuple[str, ...]:
    """Units with a fault that watching could still prove."""
    return tuple(sorted({fault.key.unit for fault in watched_faults(record) if not fault.came_back}))


def _silent_now(record: JobRecord, unit: str) -> bool:
    last = next((item for item in reversed(record.asked) if item.exchange.target == unit), None)
    return last is not None and last.exchange.outcome is Outcome.SILENT

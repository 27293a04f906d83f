"""The named facts about one fault that the rules decide on. Nothing here decides."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.values import Outcome, StatusBit
from sessions.record import JobRecord, Scan
from sessions.verdict.clears import Erase, Erasures, erasures_of
from sessions.verdict.conditions import stored_sets
from sessions.verdict.cycles import UnitCycles, cycles_of
from sessions.verdict.flips import Flip, flips_of, unexplained_erasures
from sessions.verdict.identity import Swap, swaps_of
from sessions.verdict.listing import PERMANENT_LISTS
from sessions.verdict.live import LiveTracks
from sessions.verdict.met import SetResult, Trial, failing_sets, judge_set
from sessions.verdict.permanent import Permanent, permanent_copy
from sessions.verdict.presence import is_new, listed_at, why_unread
from sessions.verdict.scans import after_scan, before_scan, last_repair
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import (
    FaultKey,
    ObdSight,
    Sight,
    obd_sights_of,
    run_bit,
    sights_of,
)
from sessions.verdict.standing import why_not_standing
from sessions.verdict.trust import absence_counts, reset_seen, watched_throughout


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultFacts:
    """What the journal shows about one fault.

    Args:
        key: the fault.
        sights: every look by service 19.
        obd: every look by services 03, 07, 0A.
        before: the before-scan, or None.
        after: the after-scan, or None.
        unread: why the after-scan cannot speak of this fault, or None if it can.
        new: True if the memory was read before the first change and did not list it, and it is there now.
        came_with_unit: True if another unit was fitted and listed it at its first reading.
        erasures: accepted clears and unvouched erasures.
        not_standing: why it is not standing, or an empty text.
        ever_permanent: True if any reading of the job lists a permanent copy.
        permanent: whether a permanent copy exists.
        mil_on: True if the unit's malfunction indicator bit is on in the after-scan.
        silent_partner: the unit a network code names, if it did not answer in the after-scan.
        sets: how each set of conditions fared.
        repair_seq: place of the last repair, or 0.
        counted_from: rules 8 to 10 count only looks later than this: the last clear or repair.
        absence_counts: True if absence from a list may count as passed.
        reset_seen: True if the first read-back after the clear showed bit 4 come on for another code.
        cycle_starts: places by which a new cycle of its unit has begun for certain.
        watched_throughout: True if no cycle since the clear went by without a look that could see it fail.
    """

    key: FaultKey
    sights: tuple[Sight, ...]
    obd: tuple[ObdSight, ...]
    before: Scan | None
    after: Scan | None
    unread: str | None
    new: bool
    came_with_unit: bool
    erasures: Erasures
    not_standing: str
    ever_permanent: bool
    permanent: Permanent
    mil_on: bool | None
    silent_partner: str | None
    sets: tuple[SetResult, ...]
    repair_seq: int
    counted_from: int
    absence_counts: bool
    reset_seen: bool
    cycle_starts: tuple[int, ...]
    watched_throughout: bool

    @property
    def base(self) -> Erase | None:
        """The erasure rules 3 to 7 count from."""
        return self.erasures.latest

    @property
    def since(self) -> tuple[Sight, ...]:
        """Looks since that erasure."""
        base = self.base
        return () if base is None else tuple(sight for sight in self.sights if sight.seq > base.seq)

    @property
    def obd_since(self) -> tuple[ObdSight, ...]:
        """OBD looks since that erasure."""
        base = self.base
        return () if base is None else tuple(sight for sight in self.obd if sight.seq > base.seq)

    def _in_after(self, scan: int | None) -> bool:
        return self.after is not None and scan == self.after.number

    @property
    def after_sights(self) -> tuple[Sight, ...]:
        """Looks in the after-scan."""
        return tuple(sight for sight in self.sights if self._in_after(sight.scan))

    @property
    def after_obd(self) -> tuple[ObdSight, ...]:
        """OBD looks in the after-scan, by services 03 and 07."""
        return tuple(sight for sight in self.obd if self._in_after(sight.scan) and sight.service in (0x03, 0x07))

    @property
    def standing(self) -> bool:
        """True if it was failing when first listed, never seen to pass before the repair or to come back after."""
        return not self.not_standing

    def run_bit(self, sight: Sight, bit: StatusBit) -> bool | None:
        """Bit 4 or 6 of a look, absence taken for completed where it may be."""
        return run_bit(self.sights, sight, bit, after_seq=self.counted_from, absence_counts=self.absence_counts)

    @property
    def stored_after(self) -> bool:
        """True if the after-scan shows the code as stored or failing."""
        return any(sight.lists_it for sight in self.after_sights) or any(sight.listed for sight in self.after_obd)

    @property
    def newest(self) -> Sight | None:
        """The newest look in the after-scan that shows a status byte, else the newest look there."""
        shown = [sight for sight in self.after_sights if not sight.absent] or list(self.after_sights)
        return shown[-1] if shown else None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobContext:
    """What all faults of a job share, worked out once."""

    record: JobRecord
    settings: RuleSettings
    before: Scan | None
    after: Scan | None
    tracks: LiveTracks
    cycles: dict[str, UnitCycles]
    erased_codes: dict[str, tuple[Flip, ...]]
    swaps: dict[str, Swap]


def context_of(record: JobRecord) -> JobContext:
    """Work out what all faults of a job share."""
    settings = RuleSettings.of(record.profile.settings, record.settings)
    tracks = LiveTracks(record, settings.gap_s)
    flips = {unit: flips_of(record, unit) for unit in record.units}
    return JobContext(
        record=record,
        settings=settings,
        before=before_scan(record),
        after=after_scan(record),
        tracks=tracks,
        cycles={unit: cycles_of(record, unit, tracks, settings, flips[unit]) for unit in record.units},
        erased_codes={unit: unexplained_erasures(record, flips[unit]) for unit in record.units},
        swaps=swaps_of(record),
    )


def facts_of(context: JobContext, key: FaultKey) -> FaultFacts:
    """Gather the facts about one fault."""
    record, before, after = context.record, context.before, context.after
    sights = sights_of(record, key.unit, key.dtc) if key.memory == "dtc" else ()
    obd = obd_sights_of(record, key.unit, key.dtc)
    swap = context.swaps.get(key.unit)
    came = swap is not None and listed_at(sights, obd, swap.scan)
    erasures = erasures_of(
        record,
        key,
        sights,
        obd,
        after_seq=before.end.seq if before and before.end else None,
        extra=[*_swap_erase(swap), *_permanent_only(context, key, sights, obd)],
        settings=context.settings,
        erased_codes=context.erased_codes[key.unit],
    )
    accepted_seq = erasures.accepted.seq if erasures.accepted else 0
    counted_from = max(accepted_seq, last_repair(record), erasures.doubtful_seq)
    absence = absence_counts(record, key)
    return FaultFacts(
        key=key,
        sights=sights,
        obd=obd,
        before=before,
        after=after,
        unread=why_unread(record, key, obd, after),
        new=after is not None
        and (listed_at(sights, obd, after.number) if came else is_new(record, key, sights, obd, after)),
        came_with_unit=came,
        erasures=erasures,
        not_standing=why_not_standing(record, key, sights, obd, erasures),
        ever_permanent=_ever_permanent(record, key),
        permanent=permanent_copy(record, key, after) if after else Permanent.UNKNOWN,
        mil_on=_mil(context, key.unit),
        silent_partner=_silent_partner(context, key),
        sets=_sets(context, key, sights, erasures, counted_from, absence),
        repair_seq=last_repair(record),
        counted_from=counted_from,
        absence_counts=absence,
        reset_seen=reset_seen(record, key, erasures.accepted),
        cycle_starts=context.cycles[key.unit].starts,
        watched_throughout=watched_throughout(
            sights, erasures.accepted, context.cycles[key.unit].key_ons, context.settings
        ),
    )


def _swap_erase(swap: Swap | None) -> list[Erase]:
    if swap is None:
        return []
    return [Erase(seq=swap.seq, text=f"another unit stands in its place ({swap.what})")]


def _permanent_only(
    context: JobContext, key: FaultKey, sights: tuple[Sight, ...], obd: tuple[ObdSight, ...]
) -> list[Erase]:
    """For a code that only a permanent list holds, the before-scan itself counts as the accepted clear."""
    before = context.before
    elsewhere = any(sight.lists_it for sight in sights) or any(sight.listed and sight.service != 0x0A for sight in obd)
    if elsewhere or before is None or before.end is None or not _ever_permanent(context.record, key):
        return []
    return [Erase(seq=before.end.seq, text=f"only a permanent copy was listed in scan {before.number}")]


def _ever_permanent(record: JobRecord, key: FaultKey) -> bool:
    by_obd = any(
        item.unit == key.unit and item.service == 0x0A and key.dtc.base_only in item.codes for item in record.obd
    )
    return by_obd or any(
        code.unit == key.unit and code.request in PERMANENT_LISTS and key.dtc in code.entries for code in record.codes
    )


def _mil(context: JobContext, unit: str) -> bool | None:
    after = context.after
    if after is None:
        return None
    readings = [
        item.status.mil
        for item in context.record.monitors
        if item.unit == unit and item.status.pid == 0x01 and item.moment.seq >= after.begin.seq
    ]
    return readings[-1] if readings else None


def _silent_partner(context: JobContext, key: FaultKey) -> str | None:
    """The unit a network code names, if it gave no answer in the after-scan."""
    named = context.record.profile.code(key.unit, key.dtc.text)
    if named is None or named.about is None or context.after is None:
        return None
    answered = any(
        item.scan == context.after.number
        and item.exchange.target == named.about
        and item.exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED)
        for item in context.record.asked
    )
    return None if answered else named.about


def _sets(
    context: JobContext,
    key: FaultKey,
    sights: tuple[Sight, ...],
    erasures: Erasures,
    counted_from: int,
    absence: bool,
) -> tuple[SetResult, ...]:
    """How each set of conditions fared: every one known from before the accepted clear."""
    if erasures.accepted is None or key.memory != "dtc":
        return ()
    record, before_seq = context.record, erasures.accepted.seq
    named = record.profile.code(key.unit, key.dtc.text)
    unit = record.profile.unit(key.unit)
    trial = Trial(
        sights=sights,
        tracks=context.tracks,
        cycles=context.cycles[key.unit],
        system=unit.system if unit else None,
        settings=context.settings,
        after_seq=counted_from,
        hold_s=named.hold_s if named and named.hold_s is not None else context.settings.hold_s,
        continuous=named.continuous if named else False,
        electric_drive=record.profile.electric_drive,
        absence_counts=absence,
    )
    sets = (*stored_sets(record, key, trial.system, before_seq), *failing_sets(trial, before_seq))
    return tuple(judge_set(trial, conditions) for conditions in sets)

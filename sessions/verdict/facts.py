"""The named facts about one fault that the rules decide on. Nothing here decides."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from decoders.values import Outcome, StatusBit
from sessions.record import JobRecord, Scan
from sessions.verdict.clears import Erase, Erasures, erasures_of
from sessions.verdict.conditions import failing_sets, stored_sets
from sessions.verdict.cycles import UnitCycles, cycles_of
from sessions.verdict.identity import Swap, swaps_of
from sessions.verdict.live import LiveTracks
from sessions.verdict.met import SetResult, Trial, judge_set
from sessions.verdict.permanent import Permanent, permanent_copy
from sessions.verdict.scans import after_scan, before_scan, first_change, last_repair
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import (
    FULL_LIST,
    PERMANENT_LIST,
    SUPPORTED_LIST,
    FaultKey,
    ObdSight,
    Sight,
    obd_sights_of,
    sights_of,
)

SEES_FAILURE = StatusBit.TEST_FAILED | StatusBit.TEST_FAILED_THIS_CYCLE | StatusBit.PENDING | StatusBit.CONFIRMED


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultFacts:
    """What the journal shows about one fault.

    Args:
        key: the fault.
        system: which part of the vehicle its unit belongs to, or None if the profile does not say.
        sights: every look by service 19.
        obd: every look by services 03, 07, 0A.
        before: the before-scan, or None.
        after: the after-scan, or None.
        unread: why the after-scan cannot speak of this fault, or None if it can.
        new: True if the memory was read before the first change and did not list it, and it is there now.
        came_with_unit: True if another unit was fitted and listed it at its first reading.
        erasures: accepted clears and unvouched erasures.
        standing: True if it was failing when first listed and stayed so until the repair.
        not_standing: why it is not standing, or an empty text.
        permanent: whether a permanent copy exists.
        mil_on: True if the unit's malfunction indicator bit is on in the after-scan.
        silent_partner: the unit a network code names, if it did not answer in the after-scan.
        sets: how each set of conditions fared.
        conditions_met: True if there is at least one set and each is met.
        repair_seq: place of the last repair, or 0.
        absence_counts: True if absence from a list may count as passed.
        cycle_starts: places at which a new cycle of its unit may have begun.
        watched_throughout: True if no cycle since the clear went by without a look that could see it fail.
    """

    key: FaultKey
    system: str | None
    sights: tuple[Sight, ...]
    obd: tuple[ObdSight, ...]
    before: Scan | None
    after: Scan | None
    unread: str | None
    new: bool
    came_with_unit: bool
    erasures: Erasures
    standing: bool
    not_standing: str
    permanent: Permanent
    mil_on: bool | None
    silent_partner: str | None
    sets: tuple[SetResult, ...]
    repair_seq: int
    absence_counts: bool
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

    @property
    def after_sights(self) -> tuple[Sight, ...]:
        """Looks in the after-scan."""
        if self.after is None:
            return ()
        return tuple(sight for sight in self.sights if sight.scan == self.after.number)

    @property
    def after_obd(self) -> tuple[ObdSight, ...]:
        """OBD looks in the after-scan, by services 03 and 07."""
        if self.after is None:
            return ()
        return tuple(sight for sight in self.obd if sight.scan == self.after.number and sight.service in (0x03, 0x07))

    @property
    def conditions_met(self) -> bool:
        """True if there is at least one set of conditions and each is met."""
        return bool(self.sets) and all(result.met for result in self.sets)

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
    swaps: dict[str, Swap]


def context_of(record: JobRecord) -> JobContext:
    """Work out what all faults of a job share."""
    settings = RuleSettings.of(record.profile.settings, record.settings)
    tracks = LiveTracks(record, settings.gap_s)
    return JobContext(
        record=record,
        settings=settings,
        before=before_scan(record),
        after=after_scan(record),
        tracks=tracks,
        cycles={unit: cycles_of(record, unit, tracks, settings) for unit in record.units},
        swaps=swaps_of(record),
    )


def facts_of(context: JobContext, key: FaultKey) -> FaultFacts:
    """Gather the facts about one fault."""
    record = context.record
    sights = sights_of(record, key.unit, key.dtc) if key.memory == "dtc" else ()
    obd = obd_sights_of(record, key.unit, key.dtc)
    swap = context.swaps.get(key.unit)
    came = swap is not None and _listed_at(sights, obd, swap.scan)
    extra = [*_swap_erase(swap), *_permanent_only(context, key, sights, obd)]
    erasures = erasures_of(
        record,
        key,
        sights,
        obd,
        after_seq=context.before.end.seq if context.before and context.before.end else None,
        extra=extra,
        settings=context.settings,
    )
    unit = record.profile.unit(key.unit)
    system = unit.system if unit else None
    before_repair = _cutoff(record, erasures)
    not_standing = _why_not_standing(record, sights, obd, erasures, before_repair)
    absence = _absence_counts(record, key)
    return FaultFacts(
        key=key,
        system=system,
        sights=sights,
        obd=obd,
        before=context.before,
        after=context.after,
        unread=_why_unread(context, key, obd),
        new=_is_new(context, key, sights, obd, came=came),
        came_with_unit=came,
        erasures=erasures,
        standing=not not_standing,
        not_standing=not_standing,
        permanent=permanent_copy(record, key, context.after) if context.after else Permanent.UNKNOWN,
        mil_on=_mil(context, key.unit),
        silent_partner=_silent_partner(context, key),
        sets=_sets(context, key, sights, erasures, before_repair, system, absence),
        repair_seq=last_repair(record),
        absence_counts=absence,
        cycle_starts=context.cycles[key.unit].boundaries,
        watched_throughout=_watched_throughout(context, key, sights, erasures),
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
        code.unit == key.unit and code.request == PERMANENT_LIST and key.dtc in code.entries for code in record.codes
    )


def _listed_at(sights: tuple[Sight, ...], obd: tuple[ObdSight, ...], scan: int) -> bool:
    return any(sight.scan == scan and sight.lists_it for sight in sights) or any(
        sight.scan == scan and sight.listed for sight in obd
    )


def _cutoff(record: JobRecord, erasures: Erasures) -> float:
    """Place before which a reading counts as before the repair."""
    if record.repairs:
        return min(repair.seq for repair in record.repairs)
    return erasures.accepted.seq if erasures.accepted else float("inf")


def _why_unread(context: JobContext, key: FaultKey, obd: tuple[ObdSight, ...]) -> str | None:
    after = context.after
    if after is None:
        return "there is no complete scan after the last clear"
    if key.memory == "dtc":
        lists = [
            code
            for code in context.record.codes
            if code.unit == key.unit and code.scan == after.number and code.request == FULL_LIST
        ]
        if not lists:
            return f"scan {after.number} did not ask this unit for its codes (not asked)"
        if lists[-1].outcome is not Outcome.ANSWERED:
            return f"scan {after.number}, 19 02: {lists[-1].outcome.value}"
        return None
    permanent_only = {sight.service for sight in obd if sight.listed} == {0x0A}
    for service in (0x0A,) if permanent_only else (0x03, 0x07):
        asked = [
            item
            for item in context.record.obd
            if item.unit == key.unit and item.scan == after.number and item.service == service
        ]
        if not asked:
            return f"scan {after.number} did not ask this unit service {service:02X} (not asked)"
        if asked[-1].outcome is not Outcome.ANSWERED:
            return f"scan {after.number}, service {service:02X}: {asked[-1].outcome.value}"
    return None


def _is_new(
    context: JobContext, key: FaultKey, sights: tuple[Sight, ...], obd: tuple[ObdSight, ...], *, came: bool
) -> bool:
    """True if it is there now, and either came with another unit or was not listed before the first change.

    Not listed means that the same request was answered then and did not name it, not even as history.
    """
    if context.after is None:
        return False
    record, limit = context.record, first_change(context.record)
    earlier = [scan.number for scan in record.scans if scan.begin.seq < limit and scan.number != context.after.number]
    if not _listed_at(sights, obd, context.after.number):
        return False
    if came or any(_listed_at(sights, obd, number) for number in earlier):
        return came
    if key.memory == "dtc":
        return any(
            code.unit == key.unit
            and code.scan in earlier
            and code.request == FULL_LIST
            and code.outcome is Outcome.ANSWERED
            for code in record.codes
        )
    services = {sight.service for sight in obd if sight.listed}
    read = {
        item.service
        for item in record.obd
        if item.unit == key.unit and item.scan in earlier and item.outcome is Outcome.ANSWERED
    }
    return services <= read


def _why_not_standing(
    record: JobRecord,
    sights: tuple[Sight, ...],
    obd: tuple[ObdSight, ...],
    erasures: Erasures,
    before_repair: float,
) -> str:
    """Why the fault is not standing; empty if it is."""
    failed = StatusBit.TEST_FAILED
    listed = [sight for sight in sights if sight.lists_it]
    if listed:
        first = listed[0]
        if first.bit(failed) is not True:
            return f"its test was not failing where the job first listed it (status {first.status.byte:02X})"
        for sight in sights:
            if first.seq < sight.seq < before_repair and _shows_passed(record, first, sight):
                return f"its test had passed before the repair (entry {sight.seq}): it comes and goes"
    else:
        pending = [sight.listed for sight in obd if sight.service == 0x07]
        if pending[:1] != [True]:
            return "service 07 did not list it where the job first listed it"
    repaired = last_repair(record)
    for erase in erasures.all_accepted:
        if erase.seq <= repaired or (erasures.accepted and erase.seq == erasures.accepted.seq):
            continue
        came_back = any(sight.seq > erase.seq and sight.lists_it for sight in sights) or any(
            sight.seq > erase.seq and sight.listed and sight.service != 0x0A for sight in obd
        )
        if came_back:
            return f"it came back after {erase.text}"
    return ""


def _shows_passed(record: JobRecord, first: Sight, sight: Sight) -> bool:
    """True if a look before the repair shows the fault's test passed, or the code gone with no clear to explain it."""
    if sight.bit(StatusBit.TEST_FAILED) is not False:
        return False
    if not sight.absent:
        return sight.bit(StatusBit.NOT_COMPLETED_SINCE_CLEAR) is not True
    unit_clears = (clear.moment.seq for clear in record.clears)
    return not any(first.seq < seq < sight.seq for seq in unit_clears)


def _absence_counts(record: JobRecord, key: FaultKey) -> bool:
    """True if the unit's list of supported codes, where it answered one, still holds the code."""
    lists = [
        code
        for code in record.codes
        if code.unit == key.unit and code.request == SUPPORTED_LIST and code.outcome is Outcome.ANSWERED
    ]
    return not lists or key.dtc in lists[-1].entries


def _watched_throughout(context: JobContext, key: FaultKey, sights: tuple[Sight, ...], erasures: Erasures) -> bool:
    """True if every cycle since the accepted clear holds a look that could have seen a failure.

    Looks further apart than a key-off that counts could hide a cycle, unless the key-on between them was seen.
    """
    if erasures.accepted is None:
        return False
    could_see = [
        sight
        for sight in sights
        if sight.seq > erasures.accepted.seq and sight.status.mask & SEES_FAILURE == SEES_FAILURE
    ]
    key_ons = context.cycles[key.unit].key_ons
    for earlier, later in pairwise(could_see):
        gap = earlier.moment.seconds_until(later.moment)
        seen_between = [item for item in key_ons if earlier.seq < item.answered.seq <= later.seq]
        if seen_between:
            gap = seen_between[-1].answered.seconds_until(later.moment)
        if gap is None or gap > context.settings.key_off_s:
            return False
    return bool(could_see)


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
    before_repair: float,
    system: str | None,
    absence: bool,
) -> tuple[SetResult, ...]:
    if erasures.accepted is None or key.memory != "dtc":
        return ()
    record = context.record
    named = record.profile.code(key.unit, key.dtc.text)
    trial = Trial(
        sights=sights,
        tracks=context.tracks,
        cycles=context.cycles[key.unit],
        system=system or "unknown",
        settings=context.settings,
        after_seq=max(erasures.accepted.seq, last_repair(record)),
        hold_s=named.hold_s if named and named.hold_s is not None else context.settings.hold_s,
        continuous=named.continuous if named else False,
        electric_drive=record.profile.electric_drive,
        absence_counts=absence,
    )
    sets = (
        *stored_sets(record, key, system, before_repair),
        *failing_sets(record, sights, context.tracks, system, before_repair),
    )
    return tuple(judge_set(trial, conditions) for conditions in sets)

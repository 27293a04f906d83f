"""Which erasures count: accepted clears, and erasures nobody vouches for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from decoders.values import Outcome, StatusBit
from sessions.record import ClearEvent, JobRecord
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import FULL_LIST, SUPPORTED_LIST, FaultKey, ObdSight, Sight

ALL_GROUPS = bytes.fromhex("14FFFFFF")
EMISSIONS_GROUP = bytes.fromhex("14FFFF33")
OBD_CLEAR = b"\x04"
STORED = StatusBit.PENDING | StatusBit.CONFIRMED | StatusBit.FAILED_SINCE_CLEAR
KEPT_BITS = STORED | StatusBit.NOT_COMPLETED_SINCE_CLEAR
_WARM_UPS, _DISTANCE, _MINUTES, _ODOMETER = 0x30, 0x31, 0x4E, 0xA6


@dataclass(frozen=True, slots=True, kw_only=True)
class Erase:
    """One erasure of one fault: readings with a larger `seq` come after it."""

    seq: int
    text: str
    clear: ClearEvent | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Erasures:
    """What happened to one fault's memory.

    Args:
        accepted: the latest accepted clear, or None.
        unvouched: the latest erasure that no accepted clear explains, or None.
        withdrawn: texts on clears whose acceptance a later reading took back.
        refused: texts on clears that were refused, unanswered or never sent.
    """

    accepted: Erase | None = None
    unvouched: Erase | None = None
    withdrawn: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    all_accepted: tuple[Erase, ...] = field(default=())

    @property
    def latest(self) -> Erase | None:
        """The one that rules 3 to 7 count from: the latest of both kinds."""
        known = [erase for erase in (self.accepted, self.unvouched) if erase is not None]
        return max(known, key=lambda erase: erase.seq, default=None)


def covers(clear: ClearEvent, key: FaultKey, obd: Iterable[ObdSight]) -> bool:
    """True if this request's group and memory contain the fault."""
    if clear.unit != key.unit:
        return False
    request = clear.request
    listed_by_obd = any(sight.listed and sight.service != 0x0A for sight in obd if sight.seq < clear.moment.seq)
    if request in (OBD_CLEAR, EMISSIONS_GROUP):
        return listed_by_obd
    if key.memory != "dtc":
        return False
    return request == ALL_GROUPS or request == b"\x14" + key.dtc.raw


def erasures_of(
    record: JobRecord,
    key: FaultKey,
    sights: Sequence[Sight],
    obd: Sequence[ObdSight],
    *,
    after_seq: int | None,
    extra: Sequence[Erase],
    settings: RuleSettings,
) -> Erasures:
    """Sort the erasures of one fault.

    Args:
        record: the job.
        key: the fault.
        sights: its looks by service 19.
        obd: its looks by OBD services.
        after_seq: end of the before-scan; None (no before-scan) accepts no clear.
        extra: erasures that count as accepted without a request (another unit fitted, a permanent entry).
        settings: the figures in force.
    """
    accepted = list(extra)
    withdrawn: list[str] = []
    refused: list[str] = []
    for clear in record.clears:
        if not covers(clear, key, obd) or after_seq is None or clear.moment.seq < after_seq:
            continue
        words = clear.request.hex(" ").upper()
        if clear.outcome is not Outcome.ANSWERED or clear.answered is None:
            refused.append(f"clear {words} (entry {clear.moment.seq}): {clear.outcome.value}")
        elif still_there(clear, sights, obd):
            withdrawn.append(
                f"clear {words} was answered (entry {clear.answered.seq}), but the unit still lists the old entry"
            )
        else:
            text = f"clear {words} accepted by the unit (entry {clear.answered.seq})"
            accepted.append(Erase(seq=clear.answered.seq, text=text, clear=clear))
    accepted.sort(key=lambda erase: erase.seq)
    unvouched = _unvouched(record, key, sights, obd, accepted, settings)
    return Erasures(
        accepted=accepted[-1] if accepted else None,
        unvouched=unvouched[-1] if unvouched else None,
        withdrawn=tuple(withdrawn),
        refused=tuple(refused),
        all_accepted=tuple(accepted),
    )


def still_there(clear: ClearEvent, sights: Sequence[Sight], obd: Sequence[ObdSight]) -> bool:
    """True if a later reading still shows the entry from before the clear: not carried out, whatever it answered."""
    seq = clear.moment.seq
    before = [sight for sight in sights if sight.seq < seq and sight.lists_it]
    for sight in (sight for sight in sights if sight.seq > seq):
        if not sight.is_set(STORED):
            if sight.status.mask & STORED:
                break
            continue
        if sight.bit(StatusBit.TEST_FAILED) is not False:
            break
        if before and _same_entry(before, sight):
            return True
    stored_before = [sight for sight in obd if sight.service == 0x03 and sight.seq < seq]
    stored_after = [sight for sight in obd if sight.service == 0x03 and sight.seq > seq]
    failing = any(sight.seq > seq and sight.bit(StatusBit.TEST_FAILED) for sight in sights)
    return bool(stored_before and stored_before[-1].listed and stored_after and stored_after[0].listed) and not failing


def _same_entry(before: Sequence[Sight], sight: Sight) -> bool:
    """True if status, counter or snapshot are those from before the clear."""
    if sight.single and sight.records:
        old = [earlier.records for earlier in before if earlier.request == sight.request]
        if old and old[-1] == sight.records:
            return True
    return before[-1].status.known & KEPT_BITS == sight.status.known & KEPT_BITS


def _unvouched(
    record: JobRecord,
    key: FaultKey,
    sights: Sequence[Sight],
    obd: Sequence[ObdSight],
    accepted: Sequence[Erase],
    settings: RuleSettings,
) -> list[Erase]:
    found = [
        *_unanswered_but_done(record, key, sights, obd),
        *_status_went_back(record, key, sights, accepted),
        *_counters_went_back(record, key.unit, settings),
        *_monitors_went_back(record, key.unit),
    ]
    return sorted(found, key=lambda erase: erase.seq)


def _unanswered_but_done(
    record: JobRecord, key: FaultKey, sights: Sequence[Sight], obd: Sequence[ObdSight]
) -> Iterable[Erase]:
    """A clear without a final answer, after which the old entry is no longer shown."""
    for clear in record.clears:
        if clear.outcome not in (Outcome.SILENT, Outcome.DAMAGED) or not covers(clear, key, obd):
            continue
        before = [s.lists_it for s in sights if s.seq < clear.moment.seq]
        after = [s.lists_it for s in sights if s.seq > clear.moment.seq]
        before_obd = [s.listed for s in obd if s.seq < clear.moment.seq and s.service == 0x03]
        after_obd = [s.listed for s in obd if s.seq > clear.moment.seq and s.service == 0x03]
        gone = before[-1:] == [True] and after[:1] == [False]
        gone_obd = before_obd[-1:] == [True] and after_obd[:1] == [False]
        if gone or gone_obd:
            seq = clear.answered.seq if clear.answered else clear.moment.seq
            yield Erase(seq=seq, text=f"clear at entry {clear.moment.seq} was not answered, yet the entry is gone")


def _status_went_back(
    record: JobRecord, key: FaultKey, sights: Sequence[Sight], accepted: Sequence[Erase]
) -> Iterable[Erase]:
    """testFailedSinceLastClear went out or testNotCompletedSinceLastClear came on without an accepted clear."""
    exhaustive = any(
        code.unit == key.unit and code.request == SUPPORTED_LIST and key.dtc in code.entries for code in record.codes
    )
    since = StatusBit.FAILED_SINCE_CLEAR
    for earlier, later in pairwise(sights):
        went_out = earlier.bit(since) is True and later.bit(since) is False and (exhaustive or not later.absent)
        if went_out and not _between(accepted, earlier, later):
            yield _went_back(later)
    for earlier, later in pairwise(_completion_told(sights)):
        if not earlier.not_completed_since_clear and later.not_completed_since_clear:
            if not _between(accepted, earlier, later):
                yield _went_back(later)


def _between(accepted: Sequence[Erase], earlier: Sight, later: Sight) -> bool:
    return any(earlier.seq <= erase.seq < later.seq for erase in accepted)


def _went_back(later: Sight) -> Erase:
    text = f"the status shows an erasure before entry {later.seq} that no clear of this job explains"
    return Erase(seq=later.seq - 1, text=text)


def _completion_told(sights: Sequence[Sight]) -> list[Sight]:
    """The looks that tell whether the test has completed since the clear.

    An absent code tells it only in a list that has named this very code as not completed: that list is
    exhaustive, others never name a code that is merely untested.
    """
    listed_untested = False
    told = []
    for sight in sights:
        if not sight.absent and sight.bit(StatusBit.NOT_COMPLETED_SINCE_CLEAR) is not None:
            told.append(sight)
            untested = sight.request == FULL_LIST and sight.not_completed_since_clear and not sight.lists_it
            listed_untested = listed_untested or untested
        elif sight.absent and listed_untested:
            told.append(sight)
    return told


def _explained(record: JobRecord, unit: str, low: int, high: int) -> bool:
    return any(
        clear.unit == unit
        and clear.outcome is Outcome.ANSWERED
        and clear.answered is not None
        and low < clear.answered.seq < high
        for clear in record.clears
    )


def _counters_went_back(record: JobRecord, unit: str, settings: RuleSettings) -> Iterable[Erase]:
    """Warm-ups, distance or time since clear went down, or distance lags behind the odometer."""
    names = {_WARM_UPS: "warm-ups", _DISTANCE: "distance", _MINUTES: "engine time"}
    readings = [item for item in record.live if item.unit == unit]
    for pid, name in names.items():
        own = [item for item in readings if item.pid == pid]
        for earlier, later in pairwise(own):
            if later.value < earlier.value and not _explained(record, unit, earlier.moment.seq, later.moment.seq):
                yield Erase(
                    seq=later.moment.seq - 1,
                    text=f"{name} since clear went down before entry {later.moment.seq} without a clear of this job",
                )
    distances = [item for item in readings if item.pid == _DISTANCE]
    odometers = [item for item in record.live if item.pid == _ODOMETER]
    for earlier, later in pairwise(distances):
        if later.value >= 65535 or _explained(record, unit, earlier.moment.seq, later.moment.seq):
            continue
        from_km = [item.value for item in odometers if item.moment.seq <= earlier.moment.seq]
        to_km = [item.value for item in odometers if item.moment.seq <= later.moment.seq]
        if not from_km or not to_km:
            continue
        lag = (to_km[-1] - from_km[-1]) - (later.value - earlier.value)
        if lag > settings.distance_slack_km:
            yield Erase(
                seq=later.moment.seq - 1,
                text=f"distance since clear lags {lag:.0f} km behind the odometer before entry {later.moment.seq}",
            )


def _monitors_went_back(record: JobRecord, unit: str) -> Iterable[Erase]:
    """A readiness monitor that was complete since the clear is not any more."""
    own = [item for item in record.monitors if item.unit == unit and item.status.pid == 0x01]
    for earlier, later in pairwise(own):
        complete = {m.name for m in earlier.status.monitors if m.supported and m.complete}
        open_now = {m.name for m in later.status.monitors if m.supported and not m.complete}
        lost = sorted(complete & open_now)
        if lost and not _explained(record, unit, earlier.moment.seq, later.moment.seq):
            yield Erase(
                seq=later.moment.seq - 1,
                text=f"monitor {lost[0]} went incomplete before entry {later.moment.seq} without a clear of this job",
            )

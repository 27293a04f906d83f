"""Which erasures count: accepted clears, and erasures nobody vouches for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from decoders import decode_extended
from decoders.errors import DecodeError
from decoders.values import Outcome, StatusBit
from sessions.profile import Profile
from sessions.record import ClearEvent, JobRecord
from sessions.verdict.counters import unit_erasures
from sessions.verdict.flips import ALL_GROUPS, EMISSIONS_GROUP, GROUP_CLEARS, OBD_CLEAR, Flip
from sessions.verdict.listing import EMISSION_LIST, SUPPORTED_LIST
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import FaultKey, ObdSight, Sight

STORED = StatusBit.PENDING | StatusBit.CONFIRMED | StatusBit.FAILED_SINCE_CLEAR
KEPT_BITS = STORED | StatusBit.TEST_FAILED | StatusBit.NOT_COMPLETED_SINCE_CLEAR
_SNAPSHOTS = 0x04
_RECORDS_AT = 6

__all__ = [
    "ALL_GROUPS",
    "EMISSIONS_GROUP",
    "OBD_CLEAR",
    "Erase",
    "Erasures",
    "covers",
    "erasures_of",
    "still_there",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Erase:
    """One erasure of one fault: readings with a larger `seq` come after it."""

    seq: int
    text: str
    clear: ClearEvent | None = None

    @property
    def of_whole_memory(self) -> bool:
        """True if it erased more than this one code, so that other codes and counters moved with it."""
        return self.clear is None or self.clear.request in GROUP_CLEARS


@dataclass(frozen=True, slots=True, kw_only=True)
class Erasures:
    """What happened to one fault's memory.

    Args:
        accepted: the latest accepted clear, or None.
        unvouched: the latest erasure that no accepted clear explains, or None.
        withdrawn: texts on clears whose acceptance a later reading took back.
        refused: texts on clears that were refused, unanswered or never sent.
        all_accepted: every accepted clear, in order.
        doubtful_seq: place of the latest clear that may have been carried out though nobody said so, or 0.
    """

    accepted: Erase | None = None
    unvouched: Erase | None = None
    withdrawn: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    all_accepted: tuple[Erase, ...] = ()
    doubtful_seq: int = 0

    @property
    def latest(self) -> Erase | None:
        """The one that rules 3 to 7 count from: the latest of both kinds."""
        known = [erase for erase in (self.accepted, self.unvouched) if erase is not None]
        return max(known, key=lambda erase: erase.seq, default=None)


def covers(clear: ClearEvent, key: FaultKey, sights: Iterable[Sight], obd: Iterable[ObdSight]) -> bool:
    """True if this request's group and memory contain the fault.

    The emissions group holds what 03, 07 or 19 42 listed before.
    """
    if clear.unit != key.unit:
        return False
    request = clear.request
    if request in (OBD_CLEAR, EMISSIONS_GROUP):
        seq = clear.moment.seq
        by_group = any(sight.request == EMISSION_LIST and not sight.absent for sight in sights if sight.seq < seq)
        return by_group or any(sight.listed and sight.service != 0x0A for sight in obd if sight.seq < seq)
    return key.memory == "dtc" and request in (ALL_GROUPS, b"\x14" + key.dtc.raw)


def erasures_of(
    record: JobRecord,
    key: FaultKey,
    sights: Sequence[Sight],
    obd: Sequence[ObdSight],
    *,
    after_seq: int | None,
    extra: Sequence[Erase],
    settings: RuleSettings,
    erased_codes: Sequence[Flip],
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
        erased_codes: changes of this unit's codes that show an erasure no answered clear explains.
    """
    own = [clear for clear in record.clears if covers(clear, key, sights, obd)]
    accepted = list(extra)
    ours = [erase.seq for erase in extra]
    withdrawn: list[str] = []
    refused: list[str] = []
    for clear in own:
        words = clear.request.hex(" ").upper()
        if clear.outcome is not Outcome.ANSWERED or clear.answered is None:
            refused.append(f"clear {words} (entry {clear.moment.seq}): {clear.outcome.value}")
            continue
        ours.append(clear.answered.seq)
        if after_seq is None or clear.moment.seq < after_seq:
            refused.append(f"clear {words} (entry {clear.moment.seq}): no complete before-scan stands before it")
        elif still_there(clear, sights, obd, record.profile):
            withdrawn.append(
                f"clear {words} was answered (entry {clear.answered.seq}), but the unit still lists the old entry"
            )
        else:
            text = f"clear {words} accepted by the unit (entry {clear.answered.seq})"
            accepted.append(Erase(seq=clear.answered.seq, text=text, clear=clear))
    accepted.sort(key=lambda erase: erase.seq)
    unvouched = [
        *_unanswered_but_done(own, sights, obd),
        *_status_went_back(record, key, sights, ours),
        *_other_codes_went_back(key, erased_codes, accepted),
        *_unit_went_back(record, key, own, accepted, settings),
    ]
    doubtful = [clear.moment.seq for clear in own if clear.outcome in (Outcome.SILENT, Outcome.DAMAGED)]
    return Erasures(
        accepted=accepted[-1] if accepted else None,
        unvouched=max(unvouched, key=lambda erase: erase.seq, default=None),
        withdrawn=tuple(withdrawn),
        refused=tuple(refused),
        all_accepted=tuple(accepted),
        doubtful_seq=max(doubtful, default=0),
    )


def still_there(clear: ClearEvent, sights: Sequence[Sight], obd: Sequence[ObdSight], profile: Profile) -> bool:
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
        if before and _same_entry(before, sight, profile, clear.unit):
            return True
    stored_before = [sight.listed for sight in obd if sight.service == 0x03 and sight.seq < seq]
    stored_after = [sight.listed for sight in obd if sight.service == 0x03 and sight.seq > seq]
    failing = any(sight.seq > seq and sight.bit(StatusBit.TEST_FAILED) for sight in sights)
    return stored_before[-1:] == [True] and stored_after[:1] == [True] and not failing


def _same_entry(before: Sequence[Sight], sight: Sight, profile: Profile, unit: str) -> bool:
    """True if status, counter or snapshot are those from before the clear.

    A status whose testFailed went out in between is not the old one: the entry may be a new one, failed and passed.
    """
    if before[-1].status.known & KEPT_BITS == sight.status.known & KEPT_BITS:
        return True
    old = [earlier for earlier in before if earlier.single and earlier.request == sight.request]
    if not sight.single or not old:
        return False
    if sight.request[1] == _SNAPSHOTS:
        records = sight.answer[_RECORDS_AT:]
        return bool(records) and old[-1].answer[_RECORDS_AT:] == records
    was, now = (_occurrences(look, profile, unit) for look in (old[-1], sight))
    # One occurrence may be the first of a new entry; a count cannot be reached again at once.
    return was is not None and now is not None and 1 < was <= now


def _occurrences(sight: Sight, profile: Profile, unit: str) -> int | None:
    """The occurrence counter of a 59 06 answer, where the profile says where it stands."""
    known = profile.unit(unit)
    if known is None or known.occurrence_record is None:
        return None
    try:
        records = decode_extended(sight.answer, profile.record_sizes(unit)).records
    except DecodeError:
        return None
    counter = next((raw for number, raw in records if number == known.occurrence_record), None)
    return None if counter is None else int.from_bytes(counter, "big")


def _unanswered_but_done(
    own: Iterable[ClearEvent], sights: Sequence[Sight], obd: Sequence[ObdSight]
) -> Iterable[Erase]:
    """A clear without a final answer, after which the old entry is no longer shown."""
    for clear in own:
        if clear.outcome not in (Outcome.SILENT, Outcome.DAMAGED):
            continue
        sent = clear.moment.seq
        shown = [(sight.seq, sight.lists_it) for sight in sights]
        by_obd = [(sight.seq, sight.listed) for sight in obd if sight.service == 0x03]
        if _gone(shown, sent) or _gone(by_obd, sent):
            seq = clear.answered.seq if clear.answered else sent
            yield Erase(seq=seq, text=f"clear at entry {sent} was not answered, yet the entry is gone")


def _gone(shown: Sequence[tuple[int, bool]], sent: int) -> bool:
    before = [listed for seq, listed in shown if seq < sent]
    after = [listed for seq, listed in shown if seq > sent]
    return before[-1:] == [True] and after[:1] == [False]


def _status_went_back(
    record: JobRecord, key: FaultKey, sights: Sequence[Sight], ours: Sequence[int]
) -> Iterable[Erase]:
    """Bit 5 (testFailedSinceLastClear) went out or bit 4 (not completed since) came on without a clear of ours."""
    exhaustive = any(
        code.unit == key.unit and code.request == SUPPORTED_LIST and key.dtc in code.entries for code in record.codes
    )
    since = StatusBit.FAILED_SINCE_CLEAR
    for earlier, later in pairwise(sights):
        went_out = earlier.bit(since) is True and later.bit(since) is False and (exhaustive or not later.absent)
        if went_out and not _between(ours, earlier.seq, later.seq):
            yield _went_back(later.seq)
    for earlier, later in pairwise(_completion_told(sights)):
        came_on = not earlier.not_completed_since_clear and later.not_completed_since_clear
        if came_on and not _between(ours, earlier.seq, later.seq):
            yield _went_back(later.seq)


def _between(places: Iterable[int], earlier_seq: int, later_seq: int) -> bool:
    return any(earlier_seq <= seq < later_seq for seq in places)


def _went_back(later_seq: int) -> Erase:
    text = f"the status shows an erasure before entry {later_seq} that no clear of this job explains"
    return Erase(seq=later_seq - 1, text=text)


def _completion_told(sights: Sequence[Sight]) -> list[Sight]:
    """The looks that tell whether the test has completed since the clear.

    An absent code tells it only in a list that names this very code, at any time, as not completed: that list is
    exhaustive, others never name a code that is merely untested. What is read at once after a clear may come before
    the unit has written its memory anew.
    """
    exhaustive = any(sight.names_a_test_not_run for sight in sights)
    bit = StatusBit.NOT_COMPLETED_SINCE_CLEAR
    return [
        sight
        for sight in sights
        if sight.status.bit(bit) is not None and (not sight.absent or (exhaustive and sight.during != "readback"))
    ]


def _other_codes_went_back(key: FaultKey, erased_codes: Iterable[Flip], accepted: Sequence[Erase]) -> Iterable[Erase]:
    """Another code of this unit shows an erasure: of the whole memory, for all anyone knows."""
    whole = [erase.seq for erase in accepted if erase.of_whole_memory]
    for flip in erased_codes:
        if flip.dtc != key.dtc and not _between(whole, flip.earlier.seq, flip.later.seq):
            text = f"{flip.dtc.text} shows an erasure before entry {flip.later.seq} that no clear of this job explains"
            yield Erase(seq=flip.later.seq - 1, text=text)


def _unit_went_back(
    record: JobRecord,
    key: FaultKey,
    own: Iterable[ClearEvent],
    accepted: Iterable[Erase],
    settings: RuleSettings,
) -> Iterable[Erase]:
    """Counters or monitors of the unit went back where neither an answered clear nor another unit explains it."""
    explained = [
        clear.answered.seq
        for clear in own
        if clear.outcome is Outcome.ANSWERED and clear.answered is not None and clear.request in GROUP_CLEARS
    ]
    explained += [erase.seq for erase in accepted if erase.clear is None]
    for sign in unit_erasures(record, key.unit, settings):
        if not any(sign.earlier_seq < seq < sign.later_seq for seq in explained):
            yield Erase(seq=sign.later_seq - 1, text=sign.text)

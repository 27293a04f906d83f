"""Each look at one fault: what a reading says of one code, kept apart from what it cannot say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from decoders.values import Dtc, Outcome, Status, StatusBit
from sessions.record import CodeReading, JobRecord, Moment
from sessions.record.model import During
from sessions.verdict.listing import EMISSION_LIST, FULL_LIST, PERMANENT_LISTS, SUPPORTED_LIST, naming_requests

FAILED = StatusBit.TEST_FAILED
CAME_BACK = StatusBit.TEST_FAILED_THIS_CYCLE | StatusBit.FAILED_SINCE_CLEAR | StatusBit.PENDING | StatusBit.CONFIRMED
"""Set after an erasure, any of these shows that the fault came back; bit 7 alone does not."""

RUN_BITS = StatusBit.NOT_COMPLETED_SINCE_CLEAR | StatusBit.NOT_COMPLETED_THIS_CYCLE


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class FaultKey:
    """One fault: the unit, the code with its failure type, and the memory it stands in."""

    unit: str
    dtc: Dtc
    memory: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """One look at one code by service 19.

    Args:
        status: the byte with the mask that holds for it; for an absent code a zero byte.
        absent: True if a whole list did not name the code: then bits 4 and 6 are unknown.
        single: True for the status inside a single-code answer.
        answer: the whole single-code answer, as sent.
    """

    moment: Moment
    status: Status
    request: bytes
    scan: int | None
    during: During
    absent: bool = False
    single: bool = False
    session_ok: bool = True
    answer: bytes = b""

    @property
    def seq(self) -> int:
        """Place in the journal."""
        return self.moment.seq

    def bit(self, bit: StatusBit) -> bool | None:
        """True or False where this look can tell, None where it cannot."""
        if self.absent and bit & RUN_BITS:
            return None
        return self.status.bit(bit)

    def is_set(self, bits: StatusBit) -> bool:
        """True if any of the bits is supported and set."""
        return bool(self.status.known & bits)

    @property
    def lists_it(self) -> bool:
        """True if the code is shown as a fault or as history: more than a test that has not run."""
        return self.status.is_fault or self.status.is_stored

    @property
    def not_completed_since_clear(self) -> bool:
        """True if this look says outright that the test has not completed since the clear."""
        return self.bit(StatusBit.NOT_COMPLETED_SINCE_CLEAR) is True

    @property
    def names_a_test_not_run(self) -> bool:
        """True if the unit's code list names the code for nothing but a test that has not completed."""
        return self.request in (FULL_LIST, EMISSION_LIST) and self.is_set(RUN_BITS) and not self.lists_it


@dataclass(frozen=True, slots=True, kw_only=True)
class ObdSight:
    """One look at one two-byte code by service 03, 07 or 0A."""

    moment: Moment
    service: int
    scan: int | None
    listed: bool

    @property
    def seq(self) -> int:
        """Place in the journal."""
        return self.moment.seq


def sights_of(record: JobRecord, unit: str, dtc: Dtc) -> tuple[Sight, ...]:
    """Every look at a code by service 19, in journal order.

    A clean byte from a single-code answer counts only if the unit knows the code: 19 0A lists it, or the same
    request showed its test as not completed since the last clear. Units may answer 00 for a code they never heard of.
    A byte whose mask was not read counts only if it speaks against the fault.
    """
    known = any(code.unit == unit and code.request == SUPPORTED_LIST and dtc in code.entries for code in record.codes)
    clears = [clear.moment.seq for clear in record.clears if clear.unit == unit]
    listing = naming_requests(record, unit, dtc)[0]
    found: list[Sight] = []
    for code in record.codes:
        if code.unit != unit or code.outcome is not Outcome.ANSWERED:
            continue
        sight = _sight(code, dtc, listing)
        if sight is None:
            continue
        since = max((seq for seq in clears if seq < sight.seq), default=0)
        if sight.single and not sight.lists_it:
            shown = sight.not_completed_since_clear or _shown_incomplete(found, sight, since)
            if code.mask is None or not (known or shown):
                continue
        found.append(sight)
    return tuple(found)


def _sight(code: CodeReading, dtc: Dtc, listing: bytes) -> Sight | None:
    absent = dtc not in code.entries
    if code.request in PERMANENT_LISTS or (absent and code.request != listing):
        return None
    single = not code.whole
    return Sight(
        moment=code.moment,
        status=Status(code.entries.get(dtc, 0), 0xFF if code.mask is None else code.mask),
        request=code.request,
        scan=code.scan,
        during=code.during,
        absent=absent,
        single=single,
        session_ok=code.session_ok,
        answer=(code.data or b"") if single else b"",
    )


def _shown_incomplete(found: Iterable[Sight], sight: Sight, since_seq: int) -> bool:
    return any(
        earlier.request == sight.request and earlier.seq > since_seq and earlier.not_completed_since_clear
        for earlier in found
    )


def run_bit(
    sights: Iterable[Sight], sight: Sight, bit: StatusBit, *, after_seq: int, absence_counts: bool
) -> bool | None:
    """Bit 4 or 6 of one look, where absence from the code list may stand for "completed".

    It does only if that list named this very code, later than `after_seq`, for nothing but a test not completed:
    then it names such codes, and no bit of the mask is set in one that it leaves out.

    Args:
        sights: all looks at the code.
        sight: the look.
        bit: which of the two.
        after_seq: place of the last clear or repair.
        absence_counts: True if the unit's list of supported codes, where it has one, still holds the code.
    """
    if not sight.absent:
        return sight.bit(bit)
    if not absence_counts or sight.status.bit(bit) is None:
        return None
    named = any(
        after_seq < item.seq < sight.seq and item.request == sight.request and item.names_a_test_not_run
        for item in sights
    )
    return False if named else None


def obd_sights_of(record: JobRecord, unit: str, dtc: Dtc) -> tuple[ObdSight, ...]:
    """Every answered look at a two-byte code by services 03, 07 and 0A, in journal order."""
    base = dtc.base_only
    return tuple(
        ObdSight(moment=item.moment, service=item.service, scan=item.scan, listed=base in item.codes)
        for item in record.obd
        if item.unit == unit and item.outcome is Outcome.ANSWERED
    )


def fault_keys(record: JobRecord) -> tuple[FaultKey, ...]:
    """Every code that any reading of the job shows as more than a test that has not run.

    What OBD services say of the same two bytes in a unit belongs to its service 19 codes; only where service 19
    never lists that base code is the OBD memory a fault of its own.
    """
    keys: set[FaultKey] = set()
    for code in record.codes:
        if code.outcome is not Outcome.ANSWERED:
            continue
        for dtc, byte in code.entries.items():
            status = Status(byte, code.mask if code.mask is not None else 0xFF)
            if status.is_fault or status.is_stored or code.request in PERMANENT_LISTS:
                keys.add(FaultKey(unit=code.unit, dtc=dtc, memory="dtc"))
    by_service_19 = {(key.unit, key.dtc.base) for key in keys}
    for item in record.obd:
        for dtc in item.codes:
            if (item.unit, dtc.base) not in by_service_19:
                keys.add(FaultKey(unit=item.unit, dtc=dtc, memory="obd"))
    return tuple(sorted(keys))

"""Each look at one fault: what a reading says of one code, kept apart from what it cannot say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from decoders.values import Dtc, Outcome, Status, StatusBit
from sessions.record import CodeReading, JobRecord, Moment

FULL_LIST = bytes.fromhex("1902FF")
SUPPORTED_LIST = bytes.fromhex("190A")
PERMANENT_LIST = bytes.fromhex("1915")
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
        records: the stored records of a single-code answer, as sent.
    """

    moment: Moment
    status: Status
    request: bytes
    scan: int | None
    absent: bool = False
    single: bool = False
    session_ok: bool = True
    records: bytes = b""

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
    def not_completed(self) -> bool:
        """True if this look says the test has not completed, this cycle or since the clear."""
        return self.is_set(RUN_BITS)


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
    request showed it as not completed before. Units may answer 00 for a code they never heard of.
    """
    known = any(code.unit == unit and code.request == SUPPORTED_LIST and dtc in code.entries for code in record.codes)
    found: list[Sight] = []
    for code in record.codes:
        if code.unit != unit or code.outcome is not Outcome.ANSWERED or code.mask is None:
            continue
        sight = _sight(code, dtc)
        if sight is None:
            continue
        if sight.single and not (known or sight.lists_it or _shown_incomplete(found, sight)):
            continue
        found.append(sight)
    return tuple(found)


def _sight(code: CodeReading, dtc: Dtc) -> Sight | None:
    mask = code.mask or 0
    if code.request == PERMANENT_LIST:
        return None
    absent = dtc not in code.entries
    if absent and code.request != FULL_LIST:
        return None
    single = not code.whole
    return Sight(
        moment=code.moment,
        status=Status(code.entries.get(dtc, 0), mask),
        request=code.request,
        scan=code.scan,
        absent=absent,
        single=single,
        session_ok=code.session_ok,
        records=(code.data or b"")[6:] if single else b"",
    )


def _shown_incomplete(found: Iterable[Sight], sight: Sight) -> bool:
    return any(
        earlier.request == sight.request and earlier.bit(StatusBit.NOT_COMPLETED_SINCE_CLEAR) for earlier in found
    )


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
            if status.is_fault or status.is_stored or code.request == PERMANENT_LIST:
                keys.add(FaultKey(unit=code.unit, dtc=dtc, memory="dtc"))
    by_service_19 = {(key.unit, key.dtc.base) for key in keys}
    for item in record.obd:
        for dtc in item.codes:
            if (item.unit, dtc.base) not in by_service_19:
                keys.add(FaultKey(unit=item.unit, dtc=dtc, memory="obd"))
    return tuple(sorted(keys))

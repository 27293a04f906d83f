"""What changed between two lists of a unit: status bits of any of its codes, seen to go out or to come on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from decoders.values import Dtc, Outcome, Status, StatusBit
from sessions.record import ClearEvent, JobRecord, Moment
from sessions.verdict.listing import PERMANENT_LISTS, in_emissions_group

ALL_GROUPS = bytes.fromhex("14FFFFFF")
EMISSIONS_GROUP = bytes.fromhex("14FFFF33")
OBD_CLEAR = b"\x04"
GROUP_CLEARS = frozenset({ALL_GROUPS, EMISSIONS_GROUP, OBD_CLEAR})


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """One code whose status differs between two lists that both name it, one right after the other."""

    unit: str
    dtc: Dtc
    earlier: Moment
    later: Moment
    before: Status
    after: Status

    def came_on(self, bit: StatusBit) -> bool:
        """True if the bit was shown clear, then set."""
        return self.before.bit(bit) is False and self.after.bit(bit) is True

    def went_out(self, bit: StatusBit) -> bool:
        """True if the bit was shown set, then clear."""
        return self.before.bit(bit) is True and self.after.bit(bit) is False

    @property
    def shows_erasure(self) -> bool:
        """True if only an erasure explains it. Source: ISO 14229-1, Annex D, bits 4 and 5."""
        return self.went_out(StatusBit.FAILED_SINCE_CLEAR) or self.came_on(StatusBit.NOT_COMPLETED_SINCE_CLEAR)


def flips_of(record: JobRecord, unit: str) -> tuple[Flip, ...]:
    """Every change between lists of a unit, in journal order."""
    last: dict[Dtc, tuple[Moment, Status]] = {}
    found: list[Flip] = []
    for code in record.codes:
        if code.unit != unit or not code.whole or code.mask is None or code.request in PERMANENT_LISTS:
            continue
        for dtc, byte in code.entries.items():
            now = Status(byte, code.mask)
            earlier, before = last.get(dtc, (code.moment, now))
            if before != now:
                found.append(Flip(unit=unit, dtc=dtc, earlier=earlier, later=code.moment, before=before, after=now))
            last[dtc] = (code.moment, now)
    return tuple(found)


def cleared_between(record: JobRecord, unit: str, start_seq: int, end_seq: int) -> bool:
    """True if a clear was sent to the unit between two places, whatever it answered."""
    return any(clear.unit == unit and start_seq < clear.moment.seq < end_seq for clear in record.clears)


def unexplained_erasures(record: JobRecord, flips: Iterable[Flip]) -> tuple[Flip, ...]:
    """The changes that show an erasure which no answered clear of this job explains."""
    return tuple(flip for flip in flips if flip.shows_erasure and not _explained(record, flip))


def _explained(record: JobRecord, flip: Flip) -> bool:
    return any(
        clear.unit == flip.unit
        and clear.outcome is Outcome.ANSWERED
        and flip.earlier.seq < clear.moment.seq < flip.later.seq
        and _erases(record, clear, flip.dtc)
        for clear in record.clears
    )


def _erases(record: JobRecord, clear: ClearEvent, dtc: Dtc) -> bool:
    if clear.request in (EMISSIONS_GROUP, OBD_CLEAR):
        return in_emissions_group(record, clear.unit, dtc, clear.moment.seq)
    return clear.request in (ALL_GROUPS, b"\x14" + dtc.raw)

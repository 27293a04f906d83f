"""How each unit fared in a scan, in the five words that never stand for one another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from decoders.values import Outcome
from decoders.values.status import FAULT_BITS
from sessions.record import CodeReading, JobRecord, ObdReading, Scan
from sessions.verdict.listing import (
    EMISSION_LIST,
    FULL_LIST,
    PERMANENT_LISTS,
    SUPPORTED_LIST,
    has_group_list,
    listing_request,
)

NO_SERVICE_19 = 0x11
"""serviceNotSupported. 7F, not supported in this session, means that the memory is there and unread."""

OBD_CODE_SERVICES = frozenset({0x03, 0x07})
LAST_OBD_SERVICE = b"\x0f"
CODE_REQUESTS = (FULL_LIST, SUPPORTED_LIST, EMISSION_LIST, *PERMANENT_LISTS, b"\x03", b"\x07", b"\x0a")
_STATUS_LISTS = (FULL_LIST, SUPPORTED_LIST, EMISSION_LIST)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLook:
    """One unit in one scan.

    Args:
        outcome: that of 19 02, or of 03 where the unit has no service 19; None if it was not asked.
        refusal: the negative response code if refused.
        mask: its status availability mask, or None.
        faults: code text, memory and status byte text of each fault it lists.
        others: other memories that went unread, in words such as ``07 silent``.
    """

    unit: str
    outcome: Outcome | None
    refusal: int | None = None
    mask: int | None = None
    faults: tuple[tuple[str, str, str], ...] = ()
    others: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """One of: lists n faults, lists none, refused, silent, damaged, not asked; never sent counts as not asked."""
        if self.outcome is None or self.outcome is Outcome.UNSENT:
            text = "not asked"
        elif self.outcome is Outcome.REFUSED and self.refusal is not None:
            text = f"refused ({self.refusal:02X})"
        elif self.outcome is not Outcome.ANSWERED:
            text = self.outcome.value
        elif not self.faults:
            text = "lists none"
        else:
            text = f"lists {len(self.faults)} fault{'s' if len(self.faults) != 1 else ''}"
        return f"{text} ({', '.join(self.others)})" if self.others else text

    @property
    def outcome_text(self) -> str:
        """The outcome for machine-readable output."""
        return "not asked" if self.outcome is None else self.outcome.value


def unit_looks(record: JobRecord, scan: Scan) -> tuple[UnitLook, ...]:
    """Every unit of the job in one scan, in address order."""
    units = {*record.units, *(unit.address for unit in record.profile.units if unit.fitted)}
    return tuple(unit_look(record, scan, unit) for unit in sorted(units))


def unit_look(record: JobRecord, scan: Scan, unit: str) -> UnitLook:
    """One unit in one scan."""
    listing = _last_listing(record, scan, unit)
    obd = [item for item in record.obd if (item.unit, item.scan) == (unit, scan.number)]
    if speaks_obd_only(record, unit):
        stored = [item for item in obd if item.service == 0x03]
        others = [item for item in obd if item.service != 0x03]
        return UnitLook(
            unit=unit,
            outcome=stored[-1].outcome if stored else None,
            refusal=stored[-1].refusal if stored else None,
            faults=_obd_faults(obd, set()),
            others=(*_unread_memories(record, unit, others), *_permanent_copies(record, scan, unit)),
        )
    faults = _faults_by_19(record, scan, unit)
    blind = listing is not None and listing.mask is not None and not listing.mask & FAULT_BITS
    return UnitLook(
        unit=unit,
        outcome=listing.outcome if listing else None,
        refusal=listing.refusal if listing else None,
        mask=listing.mask if listing else None,
        faults=faults + _obd_faults(obd, {code.partition("-")[0] for code, _memory, _status in faults}),
        others=(
            *(("its mask shows no fault bit",) if blind else ()),
            *_other_list(record, scan, unit),
            *_unread_memories(record, unit, obd),
            *_unread_permanent_list(record, scan, unit),
            *_permanent_copies(record, scan, unit),
        ),
    )


def memory_read(record: JobRecord, scan: Scan, unit: str) -> bool:
    """True if a scan read the memory of a unit whole: what decides whether it may be cleared, and counts as read.

    That is 19 02 with a mask that can show a fault; 03 and 07 suffice only from a unit that speaks OBD alone.
    """
    if speaks_obd_only(record, unit):
        read = {
            item.service
            for item in record.obd
            if (item.unit, item.scan, item.outcome) == (unit, scan.number, Outcome.ANSWERED)
        }
        return read >= OBD_CODE_SERVICES
    listing = _last_listing(record, scan, unit)
    if listing is None or listing.outcome is not Outcome.ANSWERED:
        return False
    return bool((listing.mask or 0) & FAULT_BITS)


def speaks_obd_only(record: JobRecord, unit: str) -> bool:
    """True if a unit answered OBD services, and in the whole job nothing but 11 or silence to service 19.

    Silence alone speaks for that only from a unit that answers nothing else than OBD services: one that answers
    others would refuse what it does not have, so its silence is an answer that got lost.
    Source: ISO 14229-1, Annex A (11); ISO 15765-4, a unit for OBD alone need not answer services it does not have.
    """
    if not any(item.unit == unit and item.outcome is Outcome.ANSWERED for item in record.obd):
        return False
    asked = [code for code in record.codes if code.unit == unit and code.outcome is not Outcome.UNSENT]
    has_none = [code for code in asked if code.outcome is Outcome.REFUSED and code.refusal == NO_SERVICE_19]
    if any(code.outcome is not Outcome.SILENT for code in asked if code not in has_none):
        return False
    return bool(has_none) or (bool(asked) and not _answers_beyond_obd(record, unit))


def _answers_beyond_obd(record: JobRecord, unit: str) -> bool:
    return any(
        item.exchange.target == unit
        and item.exchange.request[:1] > LAST_OBD_SERVICE
        and item.exchange.outcome not in (Outcome.SILENT, Outcome.UNSENT)
        for item in record.asked
    )


def _last_listing(record: JobRecord, scan: Scan, unit: str) -> CodeReading | None:
    listing = listing_request(record, unit)
    codes = [code for code in record.codes if (code.unit, code.scan, code.request) == (unit, scan.number, listing)]
    return codes[-1] if codes else None


def _other_list(record: JobRecord, scan: Scan, unit: str) -> tuple[str, ...]:
    """Of 19 02 and 19 42 the one by which the unit is not read, if it went unread in this scan."""
    if not has_group_list(record, unit):
        return ()
    other = FULL_LIST if listing_request(record, unit) == EMISSION_LIST else EMISSION_LIST
    asked = [code for code in record.codes if (code.unit, code.scan, code.request) == (unit, scan.number, other)]
    name = other[:2].hex(" ")
    if not asked:
        return (f"{name} not asked",)
    if asked[-1].outcome is Outcome.ANSWERED:
        return ()
    refusal = asked[-1].refusal
    return (f"{name} {asked[-1].outcome.value}" + (f" ({refusal:02X})" if refusal is not None else ""),)


def _faults_by_19(record: JobRecord, scan: Scan, unit: str) -> tuple[tuple[str, str, str], ...]:
    found: dict[str, str] = {}
    for code in record.codes:
        if code.unit != unit or code.scan != scan.number or code.mask is None or code.request not in _STATUS_LISTS:
            continue
        for dtc, byte in code.entries.items():
            if byte & code.mask & FAULT_BITS:
                found[dtc.text] = f"{byte:02X}"
    return tuple((text, "dtc", status) for text, status in sorted(found.items()))


def _obd_faults(obd: Sequence[ObdReading], known: set[str]) -> tuple[tuple[str, str, str], ...]:
    texts = {dtc.text for item in obd if item.service in (0x03, 0x07) for dtc in item.codes} - known
    return tuple((text, "obd", "") for text in sorted(texts))


def _unread_memories(record: JobRecord, unit: str, obd: Sequence[ObdReading]) -> tuple[str, ...]:
    """OBD memories that went unread in this scan: those it answered at another time, and of 03 and 07 the other one.

    Source: SAE J1979, a unit that has one of these services has both; 0A is newer than many units.
    """
    ever = {item.service for item in record.obd if item.unit == unit and item.outcome is Outcome.ANSWERED}
    if ever & OBD_CODE_SERVICES:
        ever |= OBD_CODE_SERVICES
    return tuple(
        f"{item.service:02X} {item.outcome.value}"
        for item in obd
        if item.service in ever and item.outcome is not Outcome.ANSWERED
    )


def _unread_permanent_list(record: JobRecord, scan: Scan, unit: str) -> tuple[str, ...]:
    """19 15 and 19 55, where the unit answered them at another time and not in this scan."""
    asked = [code for code in record.codes if code.unit == unit and code.request in PERMANENT_LISTS]
    ever = {code.request for code in asked if code.outcome is Outcome.ANSWERED}
    return tuple(
        f"{code.request[:2].hex(' ')} {code.outcome.value}"
        for code in asked
        if code.request in ever and code.scan == scan.number and code.outcome is not Outcome.ANSWERED
    )


def _permanent_copies(record: JobRecord, scan: Scan, unit: str) -> tuple[str, ...]:
    """Permanent copies that 0A, 19 15 or 19 55 lists: no fault of their own here, and never "nothing"."""
    by_obd = {
        dtc.text
        for item in record.obd
        if (item.unit, item.scan, item.service) == (unit, scan.number, 0x0A)
        for dtc in item.codes
    }
    by_list = {"0A": by_obd}
    for code in record.codes:
        if (code.unit, code.scan) == (unit, scan.number) and code.request in PERMANENT_LISTS:
            by_list.setdefault(code.request[:2].hex(" "), set()).update(dtc.text for dtc in code.entries)
    return tuple(f"{service} lists {', '.join(sorted(texts))}" for service, texts in by_list.items() if texts)

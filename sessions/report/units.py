"""Every unit before and after: how it fared, what it is, and what its emissions services say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from decoders import decode_identifier, decode_info, text_of
from decoders.errors import DecodeError
from decoders.values import Exchange, Outcome
from sessions.record import JobRecord, Scan, unit_words
from sessions.record.decode import answer_of
from sessions.report.faults import AsideNote, aside_note
from sessions.report.words import look_mark
from sessions.verdict import EmissionsLook, JobVerdict, UnitLook, emissions_looks
from sessions.verdict.emissions import how_it_ended
from sessions.verdict.identity import VIN_BY_OBD, VIN_BY_UDS

NO_BEFORE, NO_AFTER = "no usable before-scan", "no complete scan after the last clear"
IDENTITY: tuple[tuple[str, bytes], ...] = (
    ("part number", b"\x22\xf1\x87"),
    ("software", b"\x22\xf1\x89"),
    ("serial number", b"\x22\xf1\x8c"),
    ("VIN", VIN_BY_UDS),
    ("VIN by OBD", VIN_BY_OBD),
)
"""What a unit is known by. Source: ISO 14229-1, Annex C (F187, F189, F18C, F190); SAE J1979, service 09."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookCell:
    """One unit in one scan: mark, words, and the codes it lists."""

    mark: str
    words: str
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityLine:
    """One number or text a unit is known by, in the before-scan and in the after-scan.

    Args:
        changed: True if both were read and differ; what was not read in one of them has not changed.
    """

    label: str
    before: str
    after: str
    changed: bool

    @property
    def same(self) -> bool:
        """True if both scans read the same."""
        return self.before == self.after


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRow:
    """One unit before and after."""

    name: str
    unit: str
    before: LookCell
    after: LookCell
    identity: tuple[IdentityLine, ...]
    set_aside: AsideNote | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EmissionsRow:
    """One emissions unit: malfunction lamp, monitors and permanent copies, each before and after."""

    name: str
    unit: str
    lines: tuple[tuple[LookCell, LookCell], ...]


def unit_rows(verdict: JobVerdict) -> tuple[UnitRow, ...]:
    """Every unit of the job."""
    return tuple(
        UnitRow(
            name=pair.name,
            unit=pair.unit,
            before=_look_cell(pair.before),
            after=_look_cell(pair.after),
            identity=_identity(verdict, pair.unit),
            set_aside=aside_note(unit_words(pair.name, pair.unit), pair.set_aside),
        )
        for pair in verdict.units
    )


def _look_cell(look: UnitLook | None) -> LookCell:
    if look is None:
        return LookCell(mark=look_mark(None), words="not asked")
    return LookCell(
        mark=look_mark(look),
        words=look.words,
        codes=tuple(f"{code} {status or memory.upper()}" for code, memory, status in look.faults),
    )


# What a unit is.


def _identity(verdict: JobVerdict, unit: str) -> tuple[IdentityLine, ...]:
    """Everything the unit told of itself in at least one of the two scans."""
    found = []
    for label, request in IDENTITY:
        before, after = (_told(verdict.record, scan, unit, request) for scan in (verdict.before, verdict.after))
        if before.data is None and after.data is None:
            continue
        read = before.data is not None and after.data is not None
        changed = read and before.data != after.data
        alike = changed and before.words == after.words
        found.append(
            IdentityLine(
                label=label,
                before=before.bytes_words if alike else before.words,
                after=after.bytes_words if alike else after.words,
                changed=changed,
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What a unit told of one identifier in one scan, or why it told nothing."""

    data: bytes | None
    words: str

    @property
    def bytes_words(self) -> str:
        """The bytes themselves: two that differ may read alike."""
        return self.data.hex(" ").upper() if self.data is not None else self.words


def _told(record: JobRecord, scan: Scan | None, unit: str, request: bytes) -> _Told:
    asked: Sequence[Exchange] = [
        item.exchange
        for item in record.asked
        if scan is not None and (item.exchange.target, item.scan, item.exchange.request) == (unit, scan.number, request)
    ]
    told = [_value(exchange) for exchange in asked]
    return next((item for item in reversed(told) if item.data is not None), told[-1] if told else _NOT_ASKED)


_NOT_ASKED = _Told(data=None, words="not asked")


def _value(exchange: Exchange) -> _Told:
    outcome, answer = answer_of(exchange)
    if answer is None:
        return _Told(data=None, words=how_it_ended(outcome, exchange.refusal))
    try:
        by_obd = exchange.request == VIN_BY_OBD
        data = ", ".join(decode_info(answer).items).encode() if by_obd else decode_identifier(answer).data
    except DecodeError:
        return _Told(data=None, words=Outcome.DAMAGED.value)
    if not data:
        return _Told(data=None, words="answered with none")
    return _Told(data=data, words=text_of(data) or data.hex(" ").upper())


# What the emissions services say.


def emissions_rows(verdict: JobVerdict) -> tuple[EmissionsRow, ...]:
    """Every unit that told its emissions monitors in this job."""
    record = verdict.record
    before, after = (
        {look.unit: look for look in emissions_looks(record, scan)} if scan is not None else {}
        for scan in (verdict.before, verdict.after)
    )
    return tuple(
        EmissionsRow(
            name=record.unit_name(unit),
            unit=unit,
            lines=tuple(
                zip(_cells(before.get(unit), NO_BEFORE), _cells(after.get(unit), NO_AFTER), strict=True),
            ),
        )
        for unit in sorted({*before, *after})
    )


def _cells(look: EmissionsLook | None, none: str) -> tuple[LookCell, ...]:
    """Lamp, monitors and permanent copies; a mark of their own where they are not told."""
    if look is None:
        return (LookCell(mark="untold", words=none),) * 3
    permanent = "untold" if look.permanent is None else "lists" if look.permanent else "none"
    return (
        LookCell(mark={True: "yes", False: "no", None: "untold"}[look.lamp_on], words=look.lamp_words),
        LookCell(mark=_monitor_mark(look), words=_monitor_words(look)),
        LookCell(mark=permanent, words=look.permanent_words),
    )


def _monitor_mark(look: EmissionsLook) -> str:
    if look.incomplete:
        return "no"
    return "yes" if look.complete else "untold"


def _monitor_words(look: EmissionsLook) -> str:
    """The monitors by name, those not complete first; nothing is named where nothing was told."""
    if not look.complete:
        return look.monitor_words
    return f"{look.monitor_words}{'; complete' if look.incomplete else ''}: {', '.join(look.complete)}"

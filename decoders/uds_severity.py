"""Answers of service 19 (ReadDTCInformation) that give a severity with each code: 08, 09 and 42."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntFlag
from types import MappingProxyType

from decoders.uds_report import open_report, take_records
from decoders.values import Dtc

_BY_SEVERITY = frozenset({0x08, 0x09})
_BY_GROUP = frozenset({0x42})
_UNIT_ENTRY_SIZE = 6
_GROUP_ENTRY_SIZE = 5


class SeverityBit(IntFlag):
    """The bits of DTCSeverity: five of a class, three of what to do.

    Source: ISO 14229-1, Annex D, DTC severity and class definition; classes A to C of UN GTR 5, module B.
    """

    NO_CLASS = 0x01
    CLASS_A = 0x02
    CLASS_B1 = 0x04
    CLASS_B2 = 0x08
    CLASS_C = 0x10
    MAINTENANCE_ONLY = 0x20
    CHECK_AT_NEXT_HALT = 0x40
    CHECK_IMMEDIATELY = 0x80


SEVERITY_NAMES: Mapping[SeverityBit, str] = MappingProxyType(
    {
        SeverityBit.NO_CLASS: "no class",
        SeverityBit.CLASS_A: "class A",
        SeverityBit.CLASS_B1: "class B1",
        SeverityBit.CLASS_B2: "class B2",
        SeverityBit.CLASS_C: "class C",
        SeverityBit.MAINTENANCE_ONLY: "maintenance only",
        SeverityBit.CHECK_AT_NEXT_HALT: "check at next halt",
        SeverityBit.CHECK_IMMEDIATELY: "check immediately",
    }
)
"""What a set bit says, in our own words."""


@dataclass(frozen=True, slots=True)
class Severity:
    """One severity byte as sent, 0..FF."""

    byte: int

    @property
    def bits(self) -> SeverityBit:
        """The set bits."""
        return SeverityBit(self.byte)

    @property
    def words(self) -> str:
        """The set bits in words, e.g. ``class A, check immediately``; ``no severity given`` for none."""
        return ", ".join(name for bit, name in SEVERITY_NAMES.items() if self.byte & bit) or "no severity given"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityEntry:
    """One listed code.

    Args:
        dtc: the code.
        status: its status byte as sent, 0..FF.
        severity: how grave the unit calls it.
        functional_unit: the function of the vehicle that it belongs to, 0..FF, by a maker's own numbering;
            None where this kind of list does not say (42).
    """

    dtc: Dtc
    status: int
    severity: Severity
    functional_unit: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityList:
    """The codes one unit lists, with a severity each.

    Args:
        subfunction: which report this answers.
        mask: the unit's status availability mask, 0..FF.
        entries: the codes in the order sent.
        zero_entries: number of records of zero bytes only; they name no code.
        leftover: fill bytes behind the last record, else empty. A record that is all 55, AA, CC or FF up to the end
            of the answer cannot be told from them.
        raw: the whole answer.
        group: functional group, 0..FF, e.g. 33 for emissions (42), else None.
        severity_mask: the unit's severity availability mask, 0..FF (42), else None. A bit outside it is
            unknown, whatever an entry says.
        format_id: DTC format identifier of the codes, 0..FF (42), else None.
    """

    subfunction: int
    mask: int
    entries: tuple[SeverityEntry, ...]
    zero_entries: int
    leftover: bytes
    raw: bytes
    group: int | None = None
    severity_mask: int | None = None
    format_id: int | None = None


def decode_severity_list(data: bytes) -> SeverityList:
    """Read an answer 59 08 or 09.

    Raises:
        DecodeError: another answer, no mask, or a cut record.

    Source: ISO 14229-1, reportDTCBySeverityMaskRecord, reportSeverityInformationOfDTC.
    """
    cursor, subfunction = open_report(data, _BY_SEVERITY)
    mask = cursor.u8("status availability mask")
    records, zero_entries = take_records(cursor, _UNIT_ENTRY_SIZE)
    return SeverityList(
        subfunction=subfunction,
        mask=mask,
        entries=tuple(_entry(record[0], record[2:], functional_unit=record[1]) for record in records),
        zero_entries=zero_entries,
        leftover=cursor.padding("severity record"),
        raw=data,
    )


def decode_group_list(data: bytes) -> SeverityList:
    """Read an answer 59 42: the codes of a functional group.

    Raises:
        DecodeError: another answer, one cut within its head, or a cut record.

    Source: ISO 14229-1, reportWWHOBDDTCByMaskRecord; ISO 27145-3 (both from memory).
    """
    cursor, subfunction = open_report(data, _BY_GROUP)
    group = cursor.u8("functional group")
    mask = cursor.u8("status availability mask")
    severity_mask = cursor.u8("severity availability mask")
    format_id = cursor.u8("format identifier")
    records, zero_entries = take_records(cursor, _GROUP_ENTRY_SIZE)
    return SeverityList(
        subfunction=subfunction,
        mask=mask,
        entries=tuple(_entry(record[0], record[1:], functional_unit=None) for record in records),
        zero_entries=zero_entries,
        leftover=cursor.padding("severity record"),
        raw=data,
        group=group,
        severity_mask=severity_mask,
        format_id=format_id,
    )


def _entry(severity: int, code: bytes, *, functional_unit: int | None) -> SeverityEntry:
    return SeverityEntry(
        dtc=Dtc.from_bytes(code[:3]),
        status=code[3],
        severity=Severity(severity),
        functional_unit=functional_unit,
    )

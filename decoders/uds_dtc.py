"""Answers of service 19 (ReadDTCInformation) that list or count: codes with status, snapshots, test counters.

An answer with nothing behind its fixed part is an empty list, which is positive. What a unit stored with a
code is read by ``decoders.uds_records``, lists with a severity by ``decoders.uds_severity``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from struct import Struct
from types import MappingProxyType

from decoders.cursor import Cursor, is_padding
from decoders.uds_report import FILL, open_report, take_records, take_whole_records
from decoders.values import Dtc

_MASK = ("mask", "status availability mask")
_MASK_ALONE = (_MASK,)
_FORMAT = ("format_id", "format identifier")
_GROUP = ("group", "functional group")

_SUPPORTING = 0x1A

_LIST_HEADS: Mapping[int, tuple[tuple[str, str], ...]] = MappingProxyType(
    {
        **dict.fromkeys((0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15), _MASK_ALONE),
        0x17: (("memory", "memory selection"), _MASK),
        _SUPPORTING: (_MASK, ("record_number", "record number")),
        0x55: (_GROUP, _MASK, _FORMAT),
        0x56: (_GROUP, _MASK, _FORMAT, ("readiness_group", "readiness group")),
    }
)
"""Sub-function of a list -> the bytes in front of its codes, by (our name, name in errors).

Source: ISO 14229-1, ReadDTCInformation positive response; 1A, 55 and 56 from memory.
"""

_ZERO_ENTRY = (0, 0, 0)
_COUNTS = frozenset({0x01, 0x07, 0x11, 0x12})
_SNAPSHOT_INDEX = frozenset({0x03})
_COUNTERS = frozenset({0x14})
_ENTRY = Struct(">HBB")
"""A code's two bytes, its failure type, its status. Source: ISO 14229-1, DTCAndStatusRecord."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcEntry:
    """One listed code with its status byte as sent, 0..FF."""

    dtc: Dtc
    status: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ListScope:
    """What a list was limited to, as the answer says; None where this kind of list does not say.

    Args:
        memory: number of the user-defined memory, 0..FF (17).
        record_number: extended data record that the codes support, 0..FF (1A; left out by a unit where no
            code does).
        group: functional group, 0..FF, e.g. 33 for emissions (55, 56).
        readiness_group: readiness group, 0..FF (56).
        format_id: DTC format identifier of the codes, 0..FF (55, 56).
    """

    memory: int | None = None
    record_number: int | None = None
    group: int | None = None
    readiness_group: int | None = None
    format_id: int | None = None


_WHOLE_UNIT = ListScope()


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcList:
    """The codes one unit lists.

    Args:
        subfunction: which report this answers.
        mask: the unit's status availability mask, 0..FF.
        entries: the codes in the order sent.
        zero_entries: number of records that were four zero bytes; they name no code.
        leftover: fill bytes behind the last record, else empty. Where they are not empty, a record that was cut,
            or one that is all 55, AA, CC or FF, cannot be told from padding.
        raw: the whole answer.
        scope: the memory, record or group that was listed, and the format of the codes.
    """

    subfunction: int
    mask: int
    entries: tuple[DtcEntry, ...]
    zero_entries: int
    leftover: bytes
    raw: bytes
    scope: ListScope = _WHOLE_UNIT


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcCount:
    """How many codes one unit lists.

    Args:
        subfunction: which report this answers.
        mask: the unit's status availability mask, 0..FF.
        format_id: DTC format identifier, 0..FF: see ``FORMAT_NAMES`` of the value types.
        count: number of codes, 0..FFFF.
        leftover: fill bytes behind the count, else empty.
        raw: the whole answer.
    """

    subfunction: int
    mask: int
    format_id: int
    count: int
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotIndex:
    """Which snapshots one unit keeps.

    Args:
        records: (code, number of a snapshot record of it, 0..FF) in the order sent; a code with several
            snapshots comes several times.
        zero_entries: number of records that were four zero bytes; they name no code.
        leftover: fill bytes behind the last record, else empty; see `DtcList`.
        raw: the whole answer.
    """

    records: tuple[tuple[Dtc, int], ...]
    zero_entries: int
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCounters:
    """How far the tests of codes that are neither passed nor failed have gone.

    Args:
        counters: (code, fault detection counter) in the order sent. The counter goes from -128 to 127:
            127 is failed, -128 is passed, 1 to 126 is on the way to failed (from memory).
        zero_entries: number of records that were four zero bytes; they name no code.
        leftover: fill bytes behind the last record, else empty; see `DtcList`.
        raw: the whole answer.
    """

    counters: tuple[tuple[Dtc, int], ...]
    zero_entries: int
    leftover: bytes
    raw: bytes


def decode_dtc_list(data: bytes) -> DtcList:
    """Read an answer 59 02, 0A, 0B, 0C, 0D, 0E, 15, 17, 1A, 55 or 56, or 0F or 13, withdrawn in 2020.

    Fill bytes up to the end of the answer are no codes, however many they are; see `DtcList`. An answer 1A with
    nothing else behind its mask lists none.

    Raises:
        DecodeError: another answer, one cut within its head, or a cut record.

    Source: ISO 14229-1, ReadDTCInformation positive response, DTCAndStatusRecord; 55 and 56 also ISO 27145-3.
    """
    cursor, subfunction = open_report(data, _LIST_HEADS)
    mask, scope = _list_head(cursor, subfunction)
    # Only where the last byte may be fill is there more to look at.
    is_plain = scope is _WHOLE_UNIT and data[-1] not in FILL
    content = cursor.take_whole(_ENTRY.size) if is_plain else _content(cursor, subfunction, scope)
    records = list(_ENTRY.iter_unpack(content))
    entries = tuple([_entry(*record) for record in records if record != _ZERO_ENTRY])
    return DtcList(
        subfunction=subfunction,
        mask=mask,
        entries=entries,
        zero_entries=len(records) - len(entries),
        leftover=cursor.padding("code"),
        raw=data,
        scope=scope,
    )


@lru_cache(maxsize=4096)
def _entry(base: int, failure_type: int, status: int) -> DtcEntry:
    # A unit lists the same few codes each time it is asked: one value of each is enough.
    return DtcEntry(dtc=Dtc(base, failure_type), status=status)


def _list_head(cursor: Cursor, subfunction: int) -> tuple[int, ListScope]:
    head = _LIST_HEADS[subfunction]
    if head is _MASK_ALONE:
        return cursor.u8(_MASK[1]), _WHOLE_UNIT
    found = {}
    for name, field in head:
        if name == "record_number" and _only_fill_left(cursor):
            break
        found[name] = cursor.u8(field)
    mask = found.pop("mask")
    return mask, ListScope(**found)


def _content(cursor: Cursor, subfunction: int, scope: ListScope) -> bytes:
    if subfunction == _SUPPORTING and scope.record_number is None:
        return b""
    return take_whole_records(cursor, _ENTRY.size)


def _only_fill_left(cursor: Cursor) -> bool:
    return cursor.remaining == 0 or is_padding(cursor.peek(cursor.remaining, "code"))


def decode_dtc_count(data: bytes) -> DtcCount:
    """Read an answer 59 01 or 07, or 11 or 12, withdrawn in 2020.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: ISO 14229-1, ReadDTCInformation positive response, number of DTC.
    """
    cursor, subfunction = open_report(data, _COUNTS)
    return DtcCount(
        subfunction=subfunction,
        mask=cursor.u8("status availability mask"),
        format_id=cursor.u8("format identifier"),
        count=cursor.u16("count"),
        leftover=cursor.padding("end of answer"),
        raw=data,
    )


def decode_snapshot_index(data: bytes) -> SnapshotIndex:
    """Read an answer 59 03. It has neither a mask nor a status.

    Raises:
        DecodeError: another answer, or a cut record.

    Source: ISO 14229-1, reportDTCSnapshotIdentification.
    """
    cursor, _ = open_report(data, _SNAPSHOT_INDEX)
    records, zero_entries = take_records(cursor, _ENTRY.size)
    return SnapshotIndex(
        records=tuple((Dtc.from_bytes(record[:3]), record[3]) for record in records),
        zero_entries=zero_entries,
        leftover=cursor.padding("code"),
        raw=data,
    )


def decode_fault_counters(data: bytes) -> FaultCounters:
    """Read an answer 59 14. It has neither a mask nor a status.

    Raises:
        DecodeError: another answer, or a cut record.

    Source: ISO 14229-1, reportDTCFaultDetectionCounter.
    """
    cursor, _ = open_report(data, _COUNTERS)
    records, zero_entries = take_records(cursor, _ENTRY.size)
    return FaultCounters(
        counters=tuple(
            (Dtc.from_bytes(record[:3]), int.from_bytes(record[3:], "big", signed=True)) for record in records
        ),
        zero_entries=zero_entries,
        leftover=cursor.padding("code"),
        raw=data,
    )

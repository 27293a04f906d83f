"""Answers of service 19 (ReadDTCInformation): lists, counts, snapshots and extended data.

An answer with nothing behind its fixed part is an empty list, which is positive. How long the data of a
snapshot identifier or an extended data record is cannot be seen in the message: what the caller does not
know stays undecoded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from decoders.cursor import Cursor, is_padding
from decoders.values import Dtc

_POSITIVE = 0x59
_LISTS = frozenset({0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x13, 0x15})
_COUNTS = frozenset({0x01, 0x07, 0x11, 0x12})
_SNAPSHOTS = frozenset({0x04})
_EXTENDED = frozenset({0x06})
_ENTRY_SIZE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcEntry:
    """One listed code with its status byte as sent, 0..FF."""

    dtc: Dtc
    status: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcList:
    """The codes one unit lists.

    Args:
        subfunction: which report this answers.
        mask: the unit's status availability mask, 0..FF.
        entries: the codes in the order sent.
        zero_entries: number of records that were four zero bytes; they name no code.
        leftover: fill bytes behind the last whole record, else empty. Where they are not empty, a record
            that was cut cannot be told from padding.
        raw: the whole answer.
    """

    subfunction: int
    mask: int
    entries: tuple[DtcEntry, ...]
    zero_entries: int
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcCount:
    """How many codes one unit lists.

    Args:
        subfunction: which report this answers.
        mask: the unit's status availability mask, 0..FF.
        format_id: DTC format identifier: 00 and 04 SAE J2012-DA, 01 ISO 14229-1, 02 SAE J1939-73,
            03 ISO 11992-4.
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
class SnapshotRecord:
    """One snapshot of a code.

    Args:
        number: record number, 0..FF.
        values: (identifier, its bytes) in the order sent.
        whole: True if every identifier of the record was read; False if the rest of it is undecoded.
    """

    number: int
    values: tuple[tuple[int, bytes], ...]
    whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotAnswer:
    """The snapshots of one code.

    Args:
        dtc: the code.
        status: its status byte as sent, 0..FF.
        records: the snapshots in the order sent; only the last can be not `whole`.
        undecoded: everything from the first identifier of unknown length on, else empty. It may hold
            further records.
        raw: the whole answer.
    """

    dtc: Dtc
    status: int
    records: tuple[SnapshotRecord, ...]
    undecoded: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtendedAnswer:
    """The extended data of one code.

    Args:
        dtc: the code.
        status: its status byte as sent, 0..FF.
        records: (record number, its bytes) in the order sent.
        undecoded: everything from the first record of unknown size on, else empty.
        raw: the whole answer.
    """

    dtc: Dtc
    status: int
    records: tuple[tuple[int, bytes], ...]
    undecoded: bytes
    raw: bytes


def _open(data: bytes, subfunctions: frozenset[int]) -> tuple[Cursor, int]:
    cursor = Cursor(data)
    cursor.one_of((_POSITIVE,), "service")
    return cursor, cursor.one_of(subfunctions, "sub-function")


def decode_dtc_list(data: bytes) -> DtcList:
    """Read an answer 59 02, 0A, 0B, 0C, 0D, 0E, 13 or 15.

    Raises:
        DecodeError: another answer, no mask, or a cut record.

    Source: ISO 14229-1, ReadDTCInformation positive response, DTCAndStatusRecord.
    """
    cursor, subfunction = _open(data, _LISTS)
    mask = cursor.u8("status availability mask")
    entries = []
    zero_entries = 0
    while cursor.remaining >= _ENTRY_SIZE:
        entry = cursor.take(_ENTRY_SIZE, "code")
        if any(entry):
            entries.append(DtcEntry(dtc=Dtc.from_bytes(entry[:3]), status=entry[3]))
        else:
            zero_entries += 1
    return DtcList(
        subfunction=subfunction,
        mask=mask,
        entries=tuple(entries),
        zero_entries=zero_entries,
        leftover=cursor.padding("code"),
        raw=data,
    )


def decode_dtc_count(data: bytes) -> DtcCount:
    """Read an answer 59 01, 07, 11 or 12.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: ISO 14229-1, ReadDTCInformation positive response, number of DTC.
    """
    cursor, subfunction = _open(data, _COUNTS)
    return DtcCount(
        subfunction=subfunction,
        mask=cursor.u8("status availability mask"),
        format_id=cursor.u8("format identifier"),
        count=cursor.u16("count"),
        leftover=cursor.padding("end of answer"),
        raw=data,
    )


def decode_snapshots(data: bytes, lengths: Mapping[int, int]) -> SnapshotAnswer:
    """Read an answer 59 04.

    Args:
        data: the answer.
        lengths: identifier -> number of bytes of its data, for every identifier that is known.

    Raises:
        DecodeError: another answer, or one cut within a record.

    Source: ISO 14229-1, reportDTCSnapshotRecordByDTCNumber.
    """
    cursor, _ = _open(data, _SNAPSHOTS)
    dtc = Dtc.from_bytes(cursor.take(3, "code"))
    status = cursor.u8("status")
    records: list[SnapshotRecord] = []
    while _more_snapshots(cursor) and (not records or records[-1].whole):
        records.append(_snapshot_record(cursor, lengths))
    return SnapshotAnswer(dtc=dtc, status=status, records=tuple(records), undecoded=cursor.rest(), raw=data)


def _more_snapshots(cursor: Cursor) -> bool:
    # No record is a repeated fill byte: its number, its count and its identifiers would all be that byte.
    return cursor.remaining > 0 and not is_padding(cursor.peek(cursor.remaining, "record"))


def _snapshot_record(cursor: Cursor, lengths: Mapping[int, int]) -> SnapshotRecord:
    number = cursor.u8("record number")
    count = cursor.u8(f"number of identifiers in record {number:02X}")
    values: list[tuple[int, bytes]] = []
    # A count of zero stands for a number that the byte cannot hold (from memory), so nothing can be read.
    whole = count > 0 or cursor.remaining == 0
    for _ in range(count):
        identifier = int.from_bytes(cursor.peek(2, f"identifier in record {number:02X}"), "big")
        if identifier not in lengths:
            whole = False
            break
        cursor.take(2, "identifier")
        values.append((identifier, cursor.take(lengths[identifier], f"identifier {identifier:04X}")))
    return SnapshotRecord(number=number, values=tuple(values), whole=whole)


def decode_extended(data: bytes, sizes: Mapping[int, int]) -> ExtendedAnswer:
    """Read an answer 59 06.

    Args:
        data: the answer.
        sizes: record number -> number of bytes of the record, for every record that is known.

    Raises:
        DecodeError: another answer, or one cut within a record of known size.

    Source: ISO 14229-1, reportDTCExtDataRecordByDTCNumber.
    """
    cursor, _ = _open(data, _EXTENDED)
    dtc = Dtc.from_bytes(cursor.take(3, "code"))
    status = cursor.u8("status")
    records: list[tuple[int, bytes]] = []
    while cursor.remaining and (number := cursor.peek(1, "record number")[0]) in sizes:
        cursor.take(1, "record number")
        records.append((number, cursor.take(sizes[number], f"record {number:02X}")))
    return ExtendedAnswer(dtc=dtc, status=status, records=tuple(records), undecoded=cursor.rest(), raw=data)

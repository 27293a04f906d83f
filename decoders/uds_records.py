"""Answers of service 19 with what a unit stored for its codes: snapshots, stored data and extended data.

How long the data of an identifier or of an extended data record is cannot be seen in the message: what the
caller does not know stays undecoded, and says so. Fill bytes are told apart from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from decoders.cursor import Cursor, is_padding
from decoders.uds_report import open_report, take_records
from decoders.values import Dtc

_SNAPSHOTS = frozenset({0x04, 0x18})
_STORED_DATA = frozenset({0x05})
_EXTENDED = frozenset({0x06, 0x10, 0x19})
_EXTENDED_BY_NUMBER = frozenset({0x16})
_WITH_MEMORY = frozenset({0x18, 0x19})
_ENTRY_SIZE = 4
_NO_RECORD_NUMBERS = frozenset({0x00, 0xFF})

Values = tuple[tuple[int, bytes], ...]
"""(identifier or record number, its bytes) in the order sent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotRecord:
    """One snapshot of a code.

    Args:
        number: record number, 0..FF.
        values: (identifier, its bytes) in the order sent.
        whole: True if every identifier of the record was read; False if the rest of it is undecoded.
    """

    number: int
    values: Values
    whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotAnswer:
    """The snapshots of one code.

    Args:
        subfunction: which report this answers.
        memory: number of the user-defined memory, 0..FF (18), else None.
        dtc: the code.
        status: its status byte as sent, 0..FF.
        records: the snapshots in the order sent; only the last can be not `whole`.
        undecoded: everything from the first identifier of unknown length on, else empty. It may hold
            further records.
        leftover: fill bytes behind the last record, else empty.
        raw: the whole answer.
    """

    subfunction: int
    memory: int | None
    dtc: Dtc
    status: int
    records: tuple[SnapshotRecord, ...]
    undecoded: bytes
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDataRecord:
    """One record of stored data.

    Args:
        number: record number, 0..FF.
        dtc: the code that it belongs to, or None where the unit has nothing under this number.
        status: status byte of the code as sent, 0..FF, or None likewise.
        values: (identifier, its bytes) in the order sent.
        whole: True if every identifier of the record was read; False if the rest of it is undecoded.
    """

    number: int
    dtc: Dtc | None
    status: int | None
    values: Values
    whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDataAnswer:
    """Stored data by record number, whatever code it belongs to.

    Args:
        records: the records in the order sent, at least one; only the last can be not `whole`.
        undecoded: everything from the first identifier of unknown length on, else empty.
        leftover: fill bytes behind the last record, else empty.
        raw: the whole answer.
    """

    records: tuple[StoredDataRecord, ...]
    undecoded: bytes
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtendedAnswer:
    """The extended data of one code.

    Args:
        subfunction: which report this answers.
        memory: number of the user-defined memory, 0..FF (19), else None.
        dtc: the code.
        status: its status byte as sent, 0..FF.
        records: (record number, its bytes) in the order sent.
        undecoded: everything from the first record of unknown size on, else empty.
        leftover: bytes 00 or FF behind the last record, which number no record; else empty. Other fill bytes
            could be a record and stay undecoded.
        raw: the whole answer.
    """

    subfunction: int
    memory: int | None
    dtc: Dtc
    status: int
    records: Values
    undecoded: bytes
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtendedEntry:
    """One code that has the extended data record asked for.

    Args:
        dtc: the code.
        status: its status byte as sent, 0..FF.
        data: the record, or None where its size is not known: then it is undecoded.
    """

    dtc: Dtc
    status: int
    data: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtendedByNumber:
    """One extended data record of all codes that have it.

    Args:
        number: record number, 0..FF.
        entries: the codes in the order sent; only the first where the size of the record is not known.
        zero_entries: number of entries that were zero bytes only; they name no code.
        undecoded: where the size is not known, everything behind the first code and status; else empty.
        leftover: fill bytes behind the last entry, else empty. An entry that is all 55, AA, CC or FF up to the end of
            the answer cannot be told from them.
        raw: the whole answer.
    """

    number: int
    entries: tuple[ExtendedEntry, ...]
    zero_entries: int
    undecoded: bytes
    leftover: bytes
    raw: bytes


def decode_snapshots(data: bytes, lengths: Mapping[int, int]) -> SnapshotAnswer:
    """Read an answer 59 04 or 18.

    Args:
        data: the answer.
        lengths: identifier -> number of bytes of its data, for every identifier that is known.

    Raises:
        DecodeError: another answer, or one cut within a record.

    Source: ISO 14229-1, reportDTCSnapshotRecordByDTCNumber, reportUserDefMemoryDTCSnapshotRecordByDTCNumber.
    """
    cursor, subfunction = open_report(data, _SNAPSHOTS)
    memory, dtc, status = _code_head(cursor, subfunction)
    records: list[SnapshotRecord] = []
    while _more_records(cursor) and (not records or records[-1].whole):
        number = cursor.u8("record number")
        values, whole = _identifiers(cursor, number, lengths)
        records.append(SnapshotRecord(number=number, values=values, whole=whole))
    undecoded, leftover = _tail(cursor, whole=not records or records[-1].whole)
    return SnapshotAnswer(
        subfunction=subfunction,
        memory=memory,
        dtc=dtc,
        status=status,
        records=tuple(records),
        undecoded=undecoded,
        leftover=leftover,
        raw=data,
    )


def decode_stored_data(data: bytes, lengths: Mapping[int, int]) -> StoredDataAnswer:
    """Read an answer 59 05.

    Args:
        data: the answer.
        lengths: identifier -> number of bytes of its data, for every identifier that is known.

    Raises:
        DecodeError: another answer, one without a record number, or one cut within a record.

    Source: ISO 14229-1, reportDTCStoredDataByRecordNumber.
    """
    cursor, _ = open_report(data, _STORED_DATA)
    records = [_stored_record(cursor, lengths)]
    while _more_records(cursor) and records[-1].whole:
        records.append(_stored_record(cursor, lengths))
    undecoded, leftover = _tail(cursor, whole=records[-1].whole)
    return StoredDataAnswer(records=tuple(records), undecoded=undecoded, leftover=leftover, raw=data)


def decode_extended(data: bytes, sizes: Mapping[int, int]) -> ExtendedAnswer:
    """Read an answer 59 06 or 19, or 10, withdrawn in 2020.

    Args:
        data: the answer.
        sizes: record number -> number of bytes of the record, for every record that is known.

    Raises:
        DecodeError: another answer, or one cut within a record of known size.

    Source: ISO 14229-1, reportDTCExtDataRecordByDTCNumber, reportUserDefMemoryDTCExtDataRecordByDTCNumber;
        00 and FF are no number of a record in an answer: from memory.
    """
    cursor, subfunction = open_report(data, _EXTENDED)
    memory, dtc, status = _code_head(cursor, subfunction)
    records: list[tuple[int, bytes]] = []
    while cursor.remaining and (number := cursor.peek(1, "record number")[0]) in sizes:
        cursor.take(1, "record number")
        records.append((number, cursor.take(sizes[number], f"record {number:02X}")))
    rest = cursor.rest()
    is_fill = is_padding(rest) and rest[0] in _NO_RECORD_NUMBERS
    return ExtendedAnswer(
        subfunction=subfunction,
        memory=memory,
        dtc=dtc,
        status=status,
        records=tuple(records),
        undecoded=b"" if is_fill else rest,
        leftover=rest if is_fill else b"",
        raw=data,
    )


def decode_extended_by_number(data: bytes, sizes: Mapping[int, int]) -> ExtendedByNumber:
    """Read an answer 59 16.

    Args:
        data: the answer.
        sizes: record number -> number of bytes of the record, for every record that is known.

    Raises:
        DecodeError: another answer, one without a record number, or one cut within an entry.

    Source: ISO 14229-1, reportDTCExtDataRecordByRecordNumber.
    """
    cursor, _ = open_report(data, _EXTENDED_BY_NUMBER)
    number = cursor.u8("record number")
    undecoded = b""
    if number in sizes:
        entries, zero_entries = take_records(cursor, _ENTRY_SIZE + sizes[number])
        found = [_extended_entry(entry, entry[_ENTRY_SIZE:]) for entry in entries]
    elif _more_records(cursor):
        found, zero_entries = [_extended_entry(cursor.take(_ENTRY_SIZE, "code"), None)], 0
        undecoded = cursor.rest()
    else:
        found, zero_entries = [], 0
    return ExtendedByNumber(
        number=number,
        entries=tuple(found),
        zero_entries=zero_entries,
        undecoded=undecoded,
        leftover=cursor.padding("code"),
        raw=data,
    )


def _extended_entry(entry: bytes, data: bytes | None) -> ExtendedEntry:
    return ExtendedEntry(dtc=Dtc.from_bytes(entry[:3]), status=entry[3], data=data)


def _code_head(cursor: Cursor, subfunction: int) -> tuple[int | None, Dtc, int]:
    memory = cursor.u8("memory selection") if subfunction in _WITH_MEMORY else None
    return memory, Dtc.from_bytes(cursor.take(3, "code")), cursor.u8("status")


def _more_records(cursor: Cursor) -> bool:
    # No record is a repeated fill byte: its number, its count and its identifiers would all be that byte.
    return cursor.remaining > 0 and not is_padding(cursor.peek(cursor.remaining, "record"))


def _stored_record(cursor: Cursor, lengths: Mapping[int, int]) -> StoredDataRecord:
    number = cursor.u8("record number")
    if not _more_records(cursor):
        return StoredDataRecord(number=number, dtc=None, status=None, values=(), whole=True)
    dtc = Dtc.from_bytes(cursor.take(3, f"code of record {number:02X}"))
    status = cursor.u8(f"status of record {number:02X}")
    values, whole = _identifiers(cursor, number, lengths)
    return StoredDataRecord(number=number, dtc=dtc, status=status, values=values, whole=whole)


def _identifiers(cursor: Cursor, number: int, lengths: Mapping[int, int]) -> tuple[Values, bool]:
    """The identifiers of record `number` up to the first of unknown length, and whether that was all."""
    count = cursor.u8(f"number of identifiers in record {number:02X}")
    values: list[tuple[int, bytes]] = []
    for _ in range(count):
        identifier = int.from_bytes(cursor.peek(2, f"identifier in record {number:02X}"), "big")
        if identifier not in lengths:
            return tuple(values), False
        cursor.take(2, "identifier")
        values.append((identifier, cursor.take(lengths[identifier], f"identifier {identifier:04X}")))
    # A count of zero stands for a number that the byte cannot hold (from memory), so nothing can be read.
    return tuple(values), count > 0 or not _more_records(cursor)


def _tail(cursor: Cursor, *, whole: bool) -> tuple[bytes, bytes]:
    """What is left as (undecoded, fill bytes): of it, one is empty."""
    rest = cursor.rest()
    return (b"", rest) if whole else (rest, b"")

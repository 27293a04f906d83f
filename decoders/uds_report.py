"""What every answer of service 19 (ReadDTCInformation) has in common: its head, and records of one size."""

from __future__ import annotations

from collections.abc import Collection

from decoders.cursor import Cursor

_POSITIVE = 0x59


def open_report(data: bytes, subfunctions: Collection[int]) -> tuple[Cursor, int]:
    """Read the service and the sub-function; the cursor stands behind them.

    Raises:
        DecodeError: another answer, or a sub-function that is not among `subfunctions`.

    Source: ISO 14229-1, ReadDTCInformation positive response.
    """
    cursor = Cursor(data)
    cursor.one_of((_POSITIVE,), "service")
    return cursor, cursor.one_of(subfunctions, "sub-function")


def take_records(cursor: Cursor, size: int, field: str) -> tuple[list[bytes], int]:
    """Read whole records of `size` bytes until fewer are left.

    Returns:
        The records in the order sent, without those of zero bytes only, which name no code; and how many
        such there were.

    Source: ISO 14229-1, DTCAndStatusRecord; SAE J2012, 0000 names no code.
    """
    records = []
    zero_entries = 0
    while cursor.remaining >= size:
        record = cursor.take(size, field)
        if any(record):
            records.append(record)
        else:
            zero_entries += 1
    return records, zero_entries

"""What every answer of service 19 (ReadDTCInformation) has in common: its head, and records of one size."""

from __future__ import annotations

from collections.abc import Collection

from decoders.cursor import PADDING, Cursor

_POSITIVE = 0x59

FILL = PADDING - {0x00}
"""Fill bytes that could also be a record by their value. Records of zero bytes are counted, not taken for fill."""


def open_report(data: bytes, subfunctions: Collection[int]) -> tuple[Cursor, int]:
    """Read the service and the sub-function; the cursor stands behind them.

    Raises:
        DecodeError: another answer, or a sub-function that is not among `subfunctions`.

    Source: ISO 14229-1, ReadDTCInformation positive response.
    """
    cursor = Cursor(data)
    cursor.one_of((_POSITIVE,), "service")
    return cursor, cursor.one_of(subfunctions, "sub-function")


def take_whole_records(cursor: Cursor, size: int) -> bytes:
    """Read as many whole records of `size` bytes as are left, but for those at the end that are fill.

    Records that are one fill byte of 55, AA, CC or FF up to the end of the answer stay in front of the cursor: they
    cannot be told from padding, and a code of such bytes would be invented by it.

    Source: common practice, fill bytes behind a message.
    """
    rest = cursor.peek(cursor.remaining, "records")
    whole = len(rest) - len(rest) % size
    if rest and rest[-1] in FILL:
        content = len(rest.rstrip(rest[-1:]))
        whole = min(whole, content + -content % size)
    return cursor.take(whole, "records")


def take_records(cursor: Cursor, size: int) -> tuple[list[bytes], int]:
    """Read whole records of `size` bytes until fewer are left, or fill bytes up to the end (`take_whole_records`).

    Returns:
        The records in the order sent, without those of zero bytes only, which name no code; and how many
        such there were.

    Source: ISO 14229-1, DTCAndStatusRecord; SAE J2012, 0000 names no code.
    """
    content = take_whole_records(cursor, size)
    records = [content[at : at + size] for at in range(0, len(content), size)]
    named = [record for record in records if any(record)]
    return named, len(records) - len(named)

"""What the tests of the record share."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from decoders.values import Answer, AnswerKind, Exchange, Outcome
from sessions.journal import Kind, exchange_to_payload
from sessions.store import JobWriter

# One unit that lists P0420 and one that stays quiet: ISO 14229-1, 19 02 with mask FF.
LISTED = Exchange(
    link="sim:any",
    target="7E0/7E8",
    request=bytes.fromhex("1902FF"),
    answers=(
        Answer(
            source="7E8",
            data=bytes.fromhex("5902FF0420002F"),
            first_us=900,
            last_us=950,
            kind=AnswerKind.POSITIVE,
        ),
        Answer(source="7E9", data=b"", first_us=990, last_us=990, kind=AnswerKind.DAMAGED),
    ),
    outcome=Outcome.ANSWERED,
)
REFUSED = Exchange(
    link="sim:any",
    target="7E1/7E9",
    request=bytes.fromhex("1902FF"),
    answers=(Answer(source="7E9", data=bytes.fromhex("7F1911"), first_us=9, last_us=9, kind=AnswerKind.NEGATIVE),),
    outcome=Outcome.REFUSED,
    refusal=0x11,
)
BEGIN = {"scan": 1, "as": "before", "link": "sim:any", "planned": ["7E0/7E8"]}


class HandClock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.time = datetime(2031, 4, 5, 6, 7, 8, 123999, tzinfo=UTC)
        self.mono = 5_000_000

    def now(self) -> datetime:
        return self.time

    def mono_us(self) -> int:
        return self.mono

    def move(self, seconds: float) -> None:
        self.time += timedelta(seconds=seconds)
        self.mono += int(seconds * 1e6)


def scan_of_two(writer: JobWriter) -> None:
    """A scan with two exchanges, and one exchange after it."""
    writer.append(Kind.SCAN_BEGIN, BEGIN)
    for exchange in (LISTED, REFUSED):
        writer.append(Kind.EXCHANGE, exchange_to_payload(exchange) | {"during": "scan", "scan": 1})
    writer.append(Kind.SCAN_END, {"scan": 1, "complete": True})
    writer.append(Kind.EXCHANGE, exchange_to_payload(REFUSED) | {"during": "readback"})


def raw(path: Path, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """What any SQLite tool gets for this statement."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        return connection.execute(sql, values).fetchall()
    finally:
        connection.close()

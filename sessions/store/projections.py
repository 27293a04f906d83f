"""What the journal says, as tables a person can read: made from it at any time, never read for a verdict.

Every function here runs inside a transaction of its caller.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any

from sessions.journal import Entry, Kind


def project(connection: sqlite3.Connection, job: int, entry: Entry) -> None:
    """Bring the tables up to date with one entry.

    Raises:
        KeyError: the payload lacks a key that entries of this kind always have.
    """
    if entry.kind is Kind.SCAN_BEGIN:
        _begin_scan(connection, job, entry)
    elif entry.kind is Kind.EXCHANGE:
        _add_exchange(connection, job, entry)
    elif entry.kind is Kind.SCAN_END:
        _end_scan(connection, job, entry)


def rebuild(connection: sqlite3.Connection, job: int, entries: Iterable[Entry]) -> None:
    """Forget the tables' rows for a job and make them again."""
    connection.execute("DELETE FROM scan WHERE job = ?", (job,))
    connection.execute("DELETE FROM exchange WHERE job = ?", (job,))
    for entry in entries:
        project(connection, job, entry)


def answers_text(answers: Iterable[Mapping[str, Any]]) -> str:
    """The answers of an exchange payload in one line, e.g. ``7E8 positive 59 02 FF; 7E9 stray 41 00``."""
    return "; ".join(
        f"{answer['source']} {answer['kind']} {bytes.fromhex(answer['data']).hex(' ').upper()}".rstrip()
        for answer in answers
    )


def _begin_scan(connection: sqlite3.Connection, job: int, entry: Entry) -> None:
    payload = entry.payload
    # A scan that was cut short and goes on begins once more under its number; its first begin stays.
    connection.execute(
        "INSERT INTO scan (job, scan, taken_as, link, begin_seq) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (job, scan) DO UPDATE SET end_seq = NULL, complete = 0, reason = NULL",
        (job, payload["scan"], payload["as"], payload.get("link"), entry.seq),
    )


def _end_scan(connection: sqlite3.Connection, job: int, entry: Entry) -> None:
    payload = entry.payload
    connection.execute(
        "UPDATE scan SET end_seq = ?, complete = ?, reason = ? WHERE job = ? AND scan = ?",
        (entry.seq, int(payload["complete"]), payload.get("reason"), job, payload["scan"]),
    )


def _add_exchange(connection: sqlite3.Connection, job: int, entry: Entry) -> None:
    payload = entry.payload
    connection.execute(
        "INSERT INTO exchange (job, seq, scan, during, target, request, outcome, refusal, answers_text)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            job,
            entry.seq,
            payload.get("scan"),
            payload.get("during"),
            payload["target"],
            payload["request"],
            payload.get("outcome"),
            payload.get("refusal"),
            answers_text(payload["answers"]),
        ),
    )

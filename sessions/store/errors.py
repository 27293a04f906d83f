"""Every error of SQLite becomes one `RecordError` that says what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from decoders.errors import RecordError

_TRY_AGAIN = "end the other program that has it open, then run the command again"
_CAUSES: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_BUSY: ("{path} is locked by another program", _TRY_AGAIN),
    sqlite3.SQLITE_LOCKED: ("{path} is locked by another program", _TRY_AGAIN),
    sqlite3.SQLITE_FULL: (
        "The disk is full: the last entry was not added to {path}",
        "free some space, then run the command again; everything before it is kept",
    ),
    sqlite3.SQLITE_NOTADB: ("{path} is not a Mendproof record", "name another file with --store"),
    sqlite3.SQLITE_CORRUPT: (
        "{path} is damaged ({error})",
        "keep the file as it is and go on with a copy from before",
    ),
    sqlite3.SQLITE_READONLY: ("{path} cannot be written", "make the file and its folder writable"),
    sqlite3.SQLITE_PERM: ("{path} cannot be written", "make the file and its folder writable"),
    sqlite3.SQLITE_CANTOPEN: (
        "{path} cannot be opened",
        "check that it is a file in a folder that you may write to",
    ),
    sqlite3.SQLITE_IOERR: (
        "The disk failed while {path} was in use ({error})",
        "check the disk, then run the command again",
    ),
    sqlite3.SQLITE_CONSTRAINT: ("{path} refused the change: {error}", "entries are only ever added"),
}
_OTHER = ("{path}: {error}", "check that no other program changed the file, then run the command again")


@contextmanager
def record_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite raises inside the block into a `RecordError` naming the file.

    Raises:
        RecordError: SQLite raised an error; the original is its cause.
    """
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the low byte is the primary result code
        message, next_step = _CAUSES.get(code, _OTHER)
        raise RecordError(message.format(path=path, error=error), next_step=next_step) from error

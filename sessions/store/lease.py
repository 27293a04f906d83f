"""One writer per job: a lease in the store with the process that holds it and its last heartbeat.

Every function here runs inside a transaction of its caller.
"""

from __future__ import annotations

import os
import platform
import sqlite3
from datetime import datetime, timedelta

from decoders.errors import RecordError
from sessions.store.clock import utc_text

STALE_AFTER = timedelta(seconds=15)


def take(connection: sqlite3.Connection, job: int, holder: str, now: datetime) -> None:
    """Take the lease of a job, also from a process that is gone or has been quiet for too long.

    Args:
        connection: the store, inside a transaction.
        job: the local job number.
        holder: random id of the writer that wants it.
        now: time of day, UTC.

    Raises:
        RecordError: another writer holds it.
    """
    row = connection.execute("SELECT host, pid, beat_at FROM lease WHERE job = ?", (job,)).fetchone()
    if row is not None:
        host, pid, beat_at = row
        if not _is_stale(host, pid, datetime.fromisoformat(beat_at), now):
            raise RecordError(
                f"Job {job} is being written by process {pid}",
                next_step=f"wait until process {pid} on {host} has finished, then run the command again",
            )
    connection.execute(
        "INSERT OR REPLACE INTO lease (job, holder, host, pid, beat_at) VALUES (?, ?, ?, ?, ?)",
        (job, holder, platform.node(), os.getpid(), utc_text(now)),
    )


def renew(connection: sqlite3.Connection, job: int, holder: str, now: datetime) -> None:
    """Set the heartbeat, and make sure that nobody took the lease in the meantime.

    Raises:
        RecordError: this holder has no lease (any more).
    """
    cursor = connection.execute(
        "UPDATE lease SET beat_at = ? WHERE job = ? AND holder = ?", (utc_text(now), job, holder)
    )
    if not cursor.rowcount:
        raise RecordError(
            f"Job {job} is no longer written by process {os.getpid()}: it let go, or another took over",
            next_step="run the command again; everything written so far is kept",
        )


def release(connection: sqlite3.Connection, job: int, holder: str) -> None:
    """Let go of the lease; does nothing where another holds it."""
    connection.execute("DELETE FROM lease WHERE job = ? AND holder = ?", (job, holder))


def _is_stale(host: str, pid: int, beat_at: datetime, now: datetime) -> bool:
    # A heartbeat from the future is no fresher than an old one: the clock was set back since.
    if abs(now - beat_at) >= STALE_AFTER:
        return True
    return host == platform.node() and process_is_gone(pid)


def process_is_gone(pid: int, *, can_ask: bool = os.name == "posix") -> bool:
    """True if this machine has no such process. False where it cannot be asked: the heartbeat decides."""
    if not can_ask:
        return False  # elsewhere than on POSIX, os.kill ends the process that it is asked about
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False  # it is there and belongs to somebody else
    return False

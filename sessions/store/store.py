"""The store: one SQLite file with the journals of all jobs, read by many and written by one per job."""

from __future__ import annotations

import secrets
import sqlite3
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from decoders.errors import RecordError
from sessions.journal import (
    DURABLE_KINDS,
    FIRST_PREV,
    ChainBreak,
    Entry,
    Kind,
    SealedEntry,
    canonical,
    find_break_in_sealed,
    seal,
)
from sessions.store import lease, projections
from sessions.store.clock import Clock, SystemClock, utc_text
from sessions.store.errors import record_errors
from sessions.store.schema import open_database, transaction

_JOBS = "SELECT job, job_uid, opened_at, closed, entries FROM job_summary"
# The payload is read as the bytes that were hashed: text that was altered need not even be UTF-8.
_NO_END = 2**62
_ENTRIES = """
    SELECT entry.seq, entry.kind, entry.at, entry.run, entry.mono_us, entry.actor, entry.payload_sha256,
        entry.raw_sha256, coalesce(CAST(body.payload AS BLOB), x''), body.raw, entry.prev, entry.hash
    FROM entry LEFT JOIN body USING (job, seq)
    WHERE entry.job = ? AND entry.seq <= ? ORDER BY entry.seq"""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRow:
    """One job as a list shows it.

    Args:
        job: its number, local to the store.
        job_uid: its identity, a UUID.
        opened_at: UTC, ISO 8601 with milliseconds and Z.
        closed: True if its journal holds a close entry.
        entries: how many entries its journal holds.
    """

    job: int
    job_uid: str
    opened_at: str
    closed: bool
    entries: int


class Store:
    """An open store. Belongs to the thread that opened it; others open their own.

    Every method raises `RecordError` where SQLite fails (locked, disk full, damaged).
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, clock: Clock) -> None:
        self.path = path
        self.run = secrets.token_hex(8)
        self._connection = connection
        self._clock = clock
        self._synchronous = "NORMAL"

    @classmethod
    def open(cls, path: Path, *, create: bool, clock: Clock | None = None) -> Self:
        """Open the record at `path`.

        Args:
            path: the SQLite file.
            create: True to make it, and its folder, where it is missing.
            clock: the machine clock, or None for the real one.

        Raises:
            RecordError: it is missing, no record, too new, locked or damaged.
        """
        return cls(path, open_database(path, create=create), clock or SystemClock())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; a writer that is still open leaves its lease to go stale."""
        with record_errors(self.path):
            self._connection.close()

    def jobs(self) -> tuple[JobRow, ...]:
        """All jobs, by number."""
        with record_errors(self.path):
            return tuple(_job_row(row) for row in self._connection.execute(f"{_JOBS} ORDER BY job"))

    def job(self, job: int) -> JobRow:
        """One job.

        Raises:
            RecordError: there is no such job.
        """
        with record_errors(self.path):
            row = self._connection.execute(f"{_JOBS} WHERE job = ?", (job,)).fetchone()
        if row is None:
            raise RecordError(
                f"There is no job {job} in {self.path}",
                next_step="see which jobs there are: mendproof job list",
            )
        return _job_row(row)

    def new_job(self) -> JobRow:
        """Give a new job its number and its identity; its journal is still empty."""
        job_uid = str(uuid.uuid4())
        with self.transaction() as connection:
            [(job,)] = connection.execute(
                "INSERT INTO job (job_uid, opened_at) VALUES (?, ?) RETURNING job",
                (job_uid, utc_text(self._clock.now())),
            ).fetchall()
        return self.job(job)

    def journal(self, job: int, *, until_seq: int | None = None) -> tuple[Entry, ...]:
        """All entries of a job in order. Only `check` says whether the chain holds.

        Args:
            job: its number.
            until_seq: read no further than this entry; None for all.

        Raises:
            RecordError: there is no such job, or an entry is missing or cannot be read.
        """
        entries: list[Entry] = []
        for seq, sealed in enumerate(self._sealed(self.job(job), until_seq), start=1):
            try:
                entry = sealed.opened()
            except ValueError as error:
                raise self._damaged(job, seq) from error
            if entry.seq != seq:
                raise self._damaged(job, seq)
            entries.append(entry)
        return tuple(entries)

    def check(self, job: int) -> ChainBreak | None:
        """The first entry that was altered, removed or reordered, or None if the chain is whole.

        Entries cut off at the very end leave a shorter chain that is whole.

        Raises:
            RecordError: there is no such job.
        """
        return find_break_in_sealed(self._sealed(self.job(job)))

    def rebuild(self, job: int) -> None:
        """Make the tables that only repeat the journal anew.

        Raises:
            RecordError: there is no such job, or an entry is missing or cannot be read.
        """
        with self.transaction() as connection:
            projections.rebuild(connection, job, self.journal(job))

    def writer(self, job: int, *, actor: str) -> JobWriter:
        """Become the one writer of a job.

        Args:
            job: its number.
            actor: who does what is now written.

        Raises:
            RecordError: there is no such job, or another process writes it.
        """
        return JobWriter(self, self.job(job), actor=actor, clock=self._clock)

    @contextmanager
    def transaction(self, *, durable: bool = False) -> Iterator[sqlite3.Connection]:
        """One write, all or nothing. Inside `sessions.store` only.

        Args:
            durable: True if it must survive a power cut, not only a killed process.
        """
        with record_errors(self.path):
            synchronous = "FULL" if durable else "NORMAL"
            if synchronous != self._synchronous:
                self._connection.execute(f"PRAGMA synchronous = {synchronous}")
                self._synchronous = synchronous
            with transaction(self._connection):
                yield self._connection

    def _sealed(self, row: JobRow, until_seq: int | None = None) -> Iterator[SealedEntry]:
        last = _NO_END if until_seq is None else until_seq
        with record_errors(self.path):
            for entry in self._connection.execute(_ENTRIES, (row.job, last)):
                yield _sealed_entry(row.job_uid, entry)

    def _damaged(self, job: int, seq: int) -> RecordError:
        return RecordError(
            f"Entry {seq} of job {job} in {self.path} is missing or was altered",
            next_step="keep the file as it is; mendproof store check shows what is whole",
        )


class JobWriter:
    """The one writer of a job, by a lease that each entry renews."""

    def __init__(self, store: Store, row: JobRow, *, actor: str, clock: Clock) -> None:
        self.job = row.job
        self.job_uid = row.job_uid
        self.run = store.run
        self.actor = actor
        self._store = store
        self._clock = clock
        self._holder = secrets.token_hex(8)
        self._tail: tuple[int, bytes] | None = None
        with store.transaction() as connection:
            lease.take(connection, self.job, self._holder, clock.now())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the job."""
        with self._store.transaction() as connection:
            lease.release(connection, self.job, self._holder)

    def renew(self) -> None:
        """Show that this writer is alive while it has nothing to write: at least every 15 s.

        Raises:
            RecordError: another process took the job over.
        """
        with self._store.transaction() as connection:
            lease.renew(connection, self.job, self._holder, self._clock.now())

    def append(self, kind: Kind, payload: Mapping[str, Any], raw: bytes | None = None) -> Entry:
        """Add one entry at the end of the job's journal; when this returns, it is committed.

        Args:
            kind: what it records.
            payload: the meaning; no floats, no nulls, integers below 2**53.
            raw: a binary body, or None.

        Returns:
            The entry as `Store.journal` gives it.

        Raises:
            ValueError: the payload cannot be journaled; nothing is written.
            RecordError: another process took the job over, or SQLite failed; nothing is written.
        """
        payload_bytes = canonical(payload)
        with self._store.transaction(durable=kind in DURABLE_KINDS) as connection:
            now = self._clock.now()
            lease.renew(connection, self.job, self._holder, now)
            # The lease is still ours, so nobody else has added anything since we did.
            last_seq, prev = self._tail or self._read_tail(connection)
            sealed = seal(
                prev=prev,
                job_uid=self.job_uid,
                seq=last_seq + 1,
                kind=kind,
                at=utc_text(now),
                run=self.run,
                mono_us=self._clock.mono_us(),
                actor=self.actor,
                payload_bytes=payload_bytes,
                raw=raw,
            )
            _insert(connection, self.job, sealed)
            entry = sealed.opened()
            projections.project(connection, self.job, entry)
        self._tail = (entry.seq, entry.hash)
        return entry

    def _read_tail(self, connection: sqlite3.Connection) -> tuple[int, bytes]:
        """Number and hash of the job's last entry."""
        last = connection.execute(
            "SELECT seq, hash FROM entry WHERE job = ? ORDER BY seq DESC LIMIT 1", (self.job,)
        ).fetchone()
        return (0, FIRST_PREV) if last is None else (int(last[0]), bytes(last[1]))


def _insert(connection: sqlite3.Connection, job: int, sealed: SealedEntry) -> None:
    connection.execute(
        "INSERT INTO entry (job, seq, kind, at, run, mono_us, actor, payload_sha256, raw_sha256, prev, hash)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            job,
            sealed.seq,
            sealed.kind,
            sealed.at,
            sealed.run,
            sealed.mono_us,
            sealed.actor,
            sealed.payload_sha256,
            sealed.raw_sha256,
            sealed.prev,
            sealed.hash,
        ),
    )
    connection.execute(
        "INSERT INTO body (job, seq, payload, raw) VALUES (?, ?, ?, ?)",
        (job, sealed.seq, sealed.payload.decode(), sealed.raw),
    )


def _job_row(row: tuple[int, str, str, int, int]) -> JobRow:
    job, job_uid, opened_at, closed, entries = row
    return JobRow(job=job, job_uid=job_uid, opened_at=opened_at, closed=bool(closed), entries=entries)


def _sealed_entry(job_uid: str, row: tuple[Any, ...]) -> SealedEntry:
    seq, kind, at, run, mono_us, actor, payload_sha256, raw_sha256, payload, raw, prev, digest = row
    return SealedEntry(
        job_uid=job_uid,
        seq=seq,
        kind=kind,
        at=at,
        run=run,
        mono_us=mono_us,
        actor=actor,
        payload_sha256=payload_sha256,
        raw_sha256=raw_sha256,
        payload=payload,
        raw=raw,
        prev=prev,
        hash=digest,
    )

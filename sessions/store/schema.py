"""The shape of the file: its migrations, how it is opened and what is refused.

A migration is a name and its statements; the list only ever grows at its end, and `user_version` counts it.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from decoders.errors import RecordError
from sessions.store.errors import record_errors

APPLICATION_ID = 0x4D454E44
BUSY_S = 5.0
_SET = "mendproof"
_WAL_TRIES = 500
_WAL_PAUSE_S = 0.01


def _append_only(table: str) -> tuple[str, str]:
    """Triggers by which a table refuses to change or lose a row."""
    return (
        f"CREATE TRIGGER {table}_never_changes BEFORE UPDATE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'rows of {table} never change'); END",
        f"CREATE TRIGGER {table}_never_goes BEFORE DELETE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never deleted'); END",
    )


_JOURNAL = (
    """CREATE TABLE job (
        job INTEGER PRIMARY KEY,
        job_uid TEXT NOT NULL UNIQUE,
        opened_at TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE entry (
        job INTEGER NOT NULL REFERENCES job (job),
        seq INTEGER NOT NULL,
        kind TEXT NOT NULL,
        at TEXT NOT NULL,
        run TEXT NOT NULL,
        mono_us INTEGER NOT NULL,
        actor TEXT NOT NULL,
        payload_sha256 TEXT NOT NULL,
        raw_sha256 TEXT,
        prev BLOB NOT NULL,
        hash BLOB NOT NULL,
        PRIMARY KEY (job, seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE body (
        job INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        payload TEXT NOT NULL,
        raw BLOB,
        PRIMARY KEY (job, seq),
        FOREIGN KEY (job, seq) REFERENCES entry (job, seq)
    ) STRICT, WITHOUT ROWID""",
    *_append_only("job"),
    *_append_only("entry"),
    *_append_only("body"),
    # INSERT OR REPLACE deletes the old row without asking the triggers above: these three refuse it.
    """CREATE TRIGGER job_never_replaced BEFORE INSERT ON job
        WHEN EXISTS (SELECT 1 FROM job WHERE job = NEW.job OR job_uid = NEW.job_uid)
        BEGIN SELECT RAISE(ABORT, 'rows of job are never replaced'); END""",
    """CREATE TRIGGER body_never_replaced BEFORE INSERT ON body
        WHEN EXISTS (SELECT 1 FROM body WHERE job = NEW.job AND seq = NEW.seq)
        BEGIN SELECT RAISE(ABORT, 'rows of body are never replaced'); END""",
    """CREATE TRIGGER entry_only_at_the_end BEFORE INSERT ON entry
        WHEN NEW.seq <> 1 + coalesce((SELECT max(seq) FROM entry WHERE job = NEW.job), 0)
        BEGIN SELECT RAISE(ABORT, 'an entry is added only at the end'); END""",
    """CREATE TABLE lease (
        job INTEGER PRIMARY KEY REFERENCES job (job),
        holder TEXT NOT NULL,
        host TEXT NOT NULL,
        pid INTEGER NOT NULL,
        beat_at TEXT NOT NULL
    ) STRICT""",
)

_PROJECTIONS = (
    """CREATE TABLE scan (
        job INTEGER NOT NULL REFERENCES job (job),
        scan INTEGER NOT NULL,
        taken_as TEXT NOT NULL,
        link TEXT,
        begin_seq INTEGER NOT NULL,
        end_seq INTEGER,
        complete INTEGER NOT NULL DEFAULT 0,
        reason TEXT,
        PRIMARY KEY (job, scan)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE exchange (
        job INTEGER NOT NULL REFERENCES job (job),
        seq INTEGER NOT NULL,
        scan INTEGER,
        during TEXT,
        target TEXT NOT NULL,
        request TEXT NOT NULL,
        outcome TEXT,
        refusal INTEGER,
        answers_text TEXT NOT NULL,
        PRIMARY KEY (job, seq)
    ) STRICT, WITHOUT ROWID""",
)

_VIEWS = (
    """CREATE VIEW job_summary AS
        SELECT job.job, job.job_uid, job.opened_at,
            (SELECT count(*) FROM entry WHERE entry.job = job.job) AS entries,
            EXISTS (SELECT 1 FROM entry WHERE entry.job = job.job AND entry.kind = 'close') AS closed
        FROM job""",
    """CREATE VIEW story AS
        SELECT entry.job, entry.seq, entry.at, entry.kind, entry.actor, body.payload
        FROM entry LEFT JOIN body USING (job, seq)""",
    """CREATE VIEW reading AS
        SELECT exchange.job, exchange.seq, entry.at, exchange.scan, scan.taken_as, exchange.during,
            exchange.target, exchange.request, exchange.outcome,
            CASE WHEN exchange.refusal IS NOT NULL THEN printf('%02X', exchange.refusal) END AS refusal,
            exchange.answers_text
        FROM exchange
        JOIN entry USING (job, seq)
        LEFT JOIN scan ON scan.job = exchange.job AND scan.scan = exchange.scan
        WHERE substr(exchange.request, 1, 2) IN ('03', '07', '0A', '19')
            OR exchange.request IN ('0101', '0141')""",
)

MIGRATIONS: tuple[tuple[str, tuple[str, ...]], ...] = (("m001_record", _JOURNAL + _PROJECTIONS + _VIEWS),)


def open_database(path: Path, *, create: bool) -> sqlite3.Connection:
    """Open the file, bring it to the newest shape and set the connection up.

    The connection is in autocommit mode: write inside `transaction`.

    Raises:
        RecordError: the file is missing (and not `create`), no record of ours, too new, locked or damaged.
    """
    if not create and not path.exists():
        raise RecordError(
            f"There is no record at {path}",
            next_step="open a job first: mendproof job open",
        )
    if create:
        _make_folder(path.parent)
    with record_errors(path):
        mode = "rwc" if create else "rw"
        uri = f"{path.absolute().as_uri()}?mode={mode}"
        connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
        try:
            _prepare(connection, path, create=create)
        except BaseException:
            connection.close()
            raise
        return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One write: all of the block or nothing of it. Takes the write lock at once.

    A transaction that reads first and writes later fails when another process writes between the two,
    however long it would be willing to wait.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        connection.rollback()
        raise


def use_wal(connection: sqlite3.Connection, pause: Callable[[float], None] = time.sleep) -> None:
    """Switch to write-ahead logging, so that readers and the writer do not wait for each other.

    SQLite does not wait for a lock here, even with a busy timeout, so this does.

    Raises:
        sqlite3.OperationalError: the file stayed locked.
    """
    tries_left = _WAL_TRIES
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError:
            tries_left -= 1
            if not tries_left:
                raise
            pause(_WAL_PAUSE_S)
        else:
            return


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(
            f"The folder {folder} cannot be made: {error.strerror}",
            next_step="name another file with --store",
        ) from error


def _prepare(connection: sqlite3.Connection, path: Path, *, create: bool) -> None:
    version = _version_of(connection, path, create=create)
    use_wal(connection)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = NORMAL")
    if version < len(MIGRATIONS):
        _migrate(connection)


def _version_of(connection: sqlite3.Connection, path: Path, *, create: bool) -> int:
    """How many migrations the file has: 0 for one that is still empty."""
    connection.execute("BEGIN")  # one view of the file, also while another process is filling it
    try:
        application_id = _number(connection, "PRAGMA application_id")
        version = _number(connection, "PRAGMA user_version")
        is_empty = not _number(connection, "SELECT count(*) FROM sqlite_schema")
        if is_empty and create:
            return 0
        if application_id != APPLICATION_ID:
            raise RecordError(
                f"{path} is not a Mendproof record",
                next_step="name another file with --store",
            )
        known = {name for name, _ in MIGRATIONS}
        rows = connection.execute("SELECT name FROM _sqlite_migrations WHERE migration_set = ?", (_SET,))
        unknown = {str(name) for (name,) in rows} - known
    finally:
        connection.rollback()
    if version > len(MIGRATIONS) or unknown:
        raise RecordError(
            f"{path} was written by a newer Mendproof",
            next_step="install the newest version; this one leaves the file as it is",
        )
    return version


def _number(connection: sqlite3.Connection, sql: str) -> int:
    return int(connection.execute(sql).fetchone()[0])


def _migrate(connection: sqlite3.Connection) -> None:
    """Apply what is missing. Several processes may come here at once: the first one does the work."""
    from sqlite_utils import Database, Migrations  # slow to import, and rarely needed

    def _step(statements: tuple[str, ...]) -> Callable[[Database], None]:
        def apply(db: Database) -> None:
            for statement in statements:
                db.conn.execute(statement)

        return apply

    migrations = Migrations(_SET)
    for name, statements in MIGRATIONS:
        migrations(name=name)(_step(statements))
    with transaction(connection):
        migrations.apply(Database(connection, recursive_triggers=False, execute_plugins=False))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

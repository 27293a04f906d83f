"""The SQLite record: what nobody may change, how a change is found, and what a failing disk says."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from store_help import HandClock, raw, scan_of_two

from decoders.errors import RecordError
from sessions.journal import ChainBreak, Kind
from sessions.store import JobWriter, Store
from sessions.store.errors import record_errors


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "new folder" / "record.db"


@pytest.fixture
def store(path: Path, clock: HandClock) -> Iterator[Store]:
    with Store.open(path, create=True, clock=clock) as opened:
        yield opened


@pytest.fixture
def writer(store: Store) -> Iterator[JobWriter]:
    with store.writer(store.new_job().job, actor="technician") as opened:
        yield opened


# --- what triggers and the chain guard ------------------------------------------------------------

TAMPERING = [
    "UPDATE entry SET actor = 'nobody' WHERE seq = 2",
    "DELETE FROM entry WHERE seq = 2",
    "UPDATE body SET payload = '{}' WHERE seq = 2",
    "DELETE FROM body WHERE seq = 2",
    "UPDATE job SET job_uid = 'other'",
    "DELETE FROM job",
    "INSERT OR REPLACE INTO entry SELECT job, seq, kind, at, run, mono_us, 'nobody', payload_sha256,"
    " raw_sha256, prev, hash FROM entry WHERE seq = 2",
    "INSERT OR REPLACE INTO body (job, seq, payload) VALUES (1, 2, '{}')",
    "INSERT OR REPLACE INTO job (job, job_uid, opened_at) VALUES (1, 'other', '')",
    "INSERT INTO entry SELECT job, 9, kind, at, run, mono_us, actor, payload_sha256, raw_sha256, prev, hash"
    " FROM entry WHERE seq = 2",
]


@pytest.mark.parametrize("sql", TAMPERING)
def test_the_journal_refuses_to_be_changed_through_any_tool(
    store: Store, writer: JobWriter, path: Path, sql: str
) -> None:
    scan_of_two(writer)
    before = store.journal(writer.job)
    with pytest.raises(sqlite3.IntegrityError, match=r"rows of|added only at the end"):
        raw(path, sql)
    assert before == store.journal(writer.job)


def tampered(path: Path, sql: str) -> None:
    """Change a record as someone would who takes the triggers away first."""
    for (name,) in raw(path, "SELECT name FROM sqlite_schema WHERE type = 'trigger'"):
        raw(path, f"DROP TRIGGER {name}")
    raw(path, sql)


@pytest.mark.parametrize(
    ("sql", "seq", "reason"),
    [
        ("UPDATE entry SET actor = 'nobody' WHERE seq = 3", 3, "entry 3 was altered"),
        ("UPDATE entry SET kind = 'unheard of' WHERE seq = 3", 3, "entry 3 was altered"),
        ("UPDATE body SET payload = replace(payload, '59', '5A')", 2, "the payload of entry 2 was altered"),
        ("UPDATE body SET payload = payload || ' ' WHERE seq = 4", 4, "the payload of entry 4 was altered"),
        ("UPDATE body SET payload = CAST(x'FF' AS TEXT)", 1, "the payload of entry 1 was altered"),
        ("UPDATE body SET raw = x'00' WHERE seq = 2", 2, "the raw body of entry 2 was altered"),
        ("DELETE FROM body WHERE seq = 2", 2, "the payload of entry 2 was altered"),
        ("DELETE FROM entry WHERE seq = 2", 2, "entry 2 is missing, entry 3 stands there"),
        ("UPDATE job SET job_uid = 'other'", 1, "entry 1 was altered"),
        (
            "UPDATE entry SET seq = CASE seq WHEN 2 THEN 30 ELSE seq END",
            2,
            "entry 2 is missing, entry 3 stands there",
        ),
    ],
)
def test_a_change_behind_the_triggers_is_found(
    store: Store, writer: JobWriter, path: Path, sql: str, seq: int, reason: str
) -> None:
    scan_of_two(writer)
    tampered(path, sql)
    assert ChainBreak(seq, reason) == store.check(writer.job)


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM entry WHERE seq = 2",
        "DELETE FROM body WHERE seq = 2",
        "UPDATE entry SET kind = 'unheard of' WHERE seq = 2",
        "UPDATE body SET payload = '[' WHERE seq = 2",
    ],
)
def test_a_journal_with_a_hole_is_not_given_out(store: Store, writer: JobWriter, path: Path, sql: str) -> None:
    scan_of_two(writer)
    tampered(path, sql)
    with pytest.raises(RecordError, match=r"Entry 2 of job 1 in .+ is missing or was altered"):
        store.journal(writer.job)


# --- errors of SQLite -----------------------------------------------------------------------------


def test_a_full_disk_says_that_the_entry_was_not_added(store: Store, writer: JobWriter) -> None:
    # SQLITE_FULL, brought about by SQLite's own limit on the number of pages.
    store._connection.execute("PRAGMA max_page_count = 1")
    first = writer.append(Kind.OBSERVATION, {"n": 1})
    with pytest.raises(RecordError, match="The disk is full") as caught:
        writer.append(Kind.FRAMES, {"n": 2}, raw=bytes(1_000_000))
    assert "free some space" in caught.value.next_step
    assert (first,) == store.journal(writer.job)


def test_a_locked_record_says_what_to_do(store: Store, writer: JobWriter, path: Path) -> None:
    store._connection.execute("PRAGMA busy_timeout = 0")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordError, match="is locked by another program"):
        writer.append(Kind.OBSERVATION, {"n": 1})
    other.close()
    assert writer.append(Kind.OBSERVATION, {"n": 1}).seq == 1


def test_a_closed_store_is_an_error_of_the_record(path: Path) -> None:
    store = Store.open(path, create=True)
    store.close()
    with pytest.raises(RecordError, match="closed database"):
        store.jobs()


def test_a_damaged_file_is_called_damaged(path: Path) -> None:
    with Store.open(path, create=True) as store, store.writer(store.new_job().job, actor="a") as writer:
        scan_of_two(writer)
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xa5" * (len(data) - 4096)
    path.write_bytes(data)
    with pytest.raises(RecordError, match="is damaged"), Store.open(path, create=False) as again:
        again.jobs()


def test_every_error_class_of_sqlite_is_mapped(path: Path) -> None:
    # The class tree of Python's sqlite3 module.
    classes: list[type[sqlite3.Error]] = [sqlite3.Error, *sqlite3.Error.__subclasses__()]
    classes += sqlite3.DatabaseError.__subclasses__()
    for error in classes:
        with pytest.raises(RecordError, match="made up") as caught, record_errors(path):
            raise error("made up")
        assert isinstance(caught.value.__cause__, error)

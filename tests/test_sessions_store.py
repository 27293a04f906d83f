"""The SQLite record: opening, appending, reading back, and its tables for people."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_help import BEGIN, LISTED, HandClock, raw, scan_of_two

from decoders.errors import RecordError
from decoders.values import Exchange
from sessions.journal import Kind, exchange_from_payload, exchange_to_payload, find_break
from sessions.store import JobWriter, Store, SystemClock
from sessions.store.schema import APPLICATION_ID, use_wal


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


# --- opening --------------------------------------------------------------------------------------


def test_a_missing_record_names_the_next_step(path: Path) -> None:
    with pytest.raises(RecordError) as caught:
        Store.open(path, create=False)
    assert f"There is no record at {path}" == caught.value.message
    assert caught.value.next_step.endswith("mendproof job open")
    assert not path.exists()


def test_an_existing_record_opens_without_create(store: Store, path: Path) -> None:
    job = store.new_job()
    with Store.open(path, create=False) as again:
        assert (job,) == again.jobs()


def test_a_text_file_is_not_a_record(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("Bought a lamp. " * 100)
    for create in (True, False):
        with pytest.raises(RecordError, match="is not a Mendproof record"):
            Store.open(path, create=create)
    assert path.read_text().startswith("Bought a lamp.")


def test_another_programs_database_is_not_a_record_and_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    raw(path, "CREATE TABLE recipe (name TEXT)")
    before = path.read_bytes()
    for create in (True, False):
        with pytest.raises(RecordError, match="is not a Mendproof record"):
            Store.open(path, create=create)
    assert before == path.read_bytes()


def test_an_empty_file_becomes_a_record_only_when_one_may_be_made(tmp_path: Path) -> None:
    path = tmp_path / "empty.db"
    path.touch()
    with pytest.raises(RecordError, match="is not a Mendproof record"):
        Store.open(path, create=False)
    with Store.open(path, create=True) as store:
        assert store.jobs() == ()


@pytest.mark.parametrize(
    "change",
    [
        "PRAGMA user_version = 99",
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('mendproof', 'm999', '')",
    ],
)
def test_a_newer_record_is_refused_and_stays_as_it_is(store: Store, path: Path, change: str) -> None:
    store.close()
    raw(path, change)
    before = path.read_bytes()
    with pytest.raises(RecordError, match="was written by a newer Mendproof"):
        Store.open(path, create=True)
    assert before == path.read_bytes()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(RecordError, match="cannot be made"):
        Store.open(tmp_path / "file" / "record.db", create=True)


def test_a_folder_is_not_a_record(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot be opened"):
        Store.open(tmp_path, create=False)


def test_the_file_is_marked_as_ours(store: Store, path: Path) -> None:
    # SQLite's file format, section 1.3: application id at offset 68, user version at 60, WAL versions at 18.
    store.close()
    head = path.read_bytes()[:100]
    assert int.from_bytes(head[68:72], "big") == APPLICATION_ID
    assert int.from_bytes(head[60:64], "big") == 1
    assert bytes([2, 2]) == head[18:20]


def test_every_table_of_ours_is_strict(store: Store, path: Path) -> None:
    # SQLite's PRAGMA table_list: its column `strict`.
    rows = raw(path, "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table'")
    ours = {name: strict for name, strict in rows if not name.startswith(("sqlite_", "_sqlite"))}
    assert dict.fromkeys(("job", "entry", "body", "lease", "scan", "exchange"), 1) == ours


def test_the_switch_to_write_ahead_logging_waits_for_a_lock(tmp_path: Path) -> None:
    # SQLite refuses this switch at once while another connection writes, whatever the busy timeout.
    ours, other = (sqlite3.connect(tmp_path / "a.db", isolation_level=None) for _ in range(2))
    other.execute("CREATE TABLE t (a)")
    other.execute("BEGIN IMMEDIATE")
    use_wal(ours, pause=lambda _: other.rollback())
    mode = ours.execute("PRAGMA journal_mode").fetchone()
    ours.close()
    other.close()
    assert str(mode[0]) == "wal"


def test_the_switch_to_write_ahead_logging_gives_up_in_the_end(tmp_path: Path) -> None:
    ours, other = (sqlite3.connect(tmp_path / "a.db", isolation_level=None) for _ in range(2))
    other.execute("CREATE TABLE t (a)")
    other.execute("BEGIN IMMEDIATE")
    pauses: list[float] = []
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        use_wal(ours, pause=pauses.append)
    ours.close()
    other.close()
    assert 4.9 < sum(pauses) < 5.1  # as long as the busy timeout of every other statement


# --- jobs and entries -----------------------------------------------------------------------------


def test_a_new_job_has_a_number_an_identity_and_no_entry(store: Store) -> None:
    first, second = store.new_job(), store.new_job()
    assert (first.job, second.job) == (1, 2)
    assert first.job_uid != second.job_uid
    assert (first.opened_at, first.closed, first.entries) == ("2031-04-05T06:07:08.123Z", False, 0)
    assert (first, second) == store.jobs()
    assert second == store.job(2)


def test_a_job_that_does_not_exist_names_the_next_step(store: Store, path: Path) -> None:
    for ask in (store.job, store.journal, store.check, store.rebuild):
        with pytest.raises(RecordError) as caught:
            ask(7)
        assert f"There is no job 7 in {path}" == caught.value.message
        assert caught.value.next_step.endswith("mendproof job list")
    with pytest.raises(RecordError, match="There is no job 7"):
        store.writer(7, actor="technician")


def test_an_entry_reads_back_as_it_was_given_out(store: Store, writer: JobWriter) -> None:
    given_out = [
        writer.append(Kind.JOB, {"complaint": "lamp", "odometer_km": 81234}),
        writer.append(Kind.FRAMES, {"count": 2}, raw=b"\x00\xff"),
        writer.append(Kind.EXCHANGE, exchange_to_payload(LISTED)),
    ]
    assert tuple(given_out) == store.journal(writer.job)
    assert exchange_from_payload(given_out[2].payload) == LISTED
    assert find_break(given_out) is None
    assert store.check(writer.job) is None


def test_an_entry_says_when_and_by_whom(store: Store, writer: JobWriter, clock: HandClock) -> None:
    clock.move(1.5)
    entry = writer.append(Kind.OBSERVATION, {"text": "x"})
    expected = ("2031-04-05T06:07:09.623Z", 6_500_000, "technician", store.run, writer.job_uid, 1)
    assert expected == (entry.at, entry.mono_us, entry.actor, entry.run, entry.job_uid, entry.seq)
    assert writer.run == store.run


def test_two_stores_are_two_runs(store: Store, path: Path) -> None:
    with Store.open(path, create=False) as other:
        assert store.run != other.run


def test_chains_of_two_jobs_do_not_mix(store: Store) -> None:
    with (
        store.writer(store.new_job().job, actor="a") as one,
        store.writer(store.new_job().job, actor="b") as two,
    ):
        for writer in (one, two, two, one):
            writer.append(Kind.OBSERVATION, {"job": writer.job})
    assert [entry.seq for entry in store.journal(1)] == [1, 2]
    assert [entry.seq for entry in store.journal(2)] == [1, 2]
    assert (store.check(1), store.check(2)) == (None, None)


def test_a_job_with_a_close_entry_is_closed(store: Store, writer: JobWriter) -> None:
    writer.append(Kind.CLOSE, {"verdict": "proven"})
    row = store.job(writer.job)
    assert (row.closed, row.entries) == (True, 1)


def test_the_real_clock_is_the_default(path: Path) -> None:
    before = datetime.now(UTC) - timedelta(milliseconds=1)
    with Store.open(path, create=True) as store, store.writer(store.new_job().job, actor="a") as writer:
        first = writer.append(Kind.OBSERVATION, {"n": 1})
        second = writer.append(Kind.OBSERVATION, {"n": 2})
    assert before <= datetime.fromisoformat(first.at) <= SystemClock().now()
    assert first.mono_us < second.mono_us


def test_kinds_a_person_answers_for_commit_with_full_synchronisation(store: Store, writer: JobWriter) -> None:
    # SQLite: with WAL, synchronous=FULL (2) syncs at each commit, NORMAL (1) only at checkpoints.
    levels = []
    for kind in (Kind.EXCHANGE, Kind.CLEAR, Kind.REVIEW, Kind.EXCHANGE):
        writer.append(kind, exchange_to_payload(LISTED))
        levels.append(store._connection.execute("PRAGMA synchronous").fetchone()[0])
    expected = [1, 2, 2, 1]
    assert expected == levels


JSON = st.recursive(
    st.booleans() | st.integers(1 - 2**53, 2**53 - 1) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(payload=st.dictionaries(st.text(), JSON, max_size=4), body=st.none() | st.binary(max_size=20))
def test_any_payload_survives_the_store(
    store: Store, writer: JobWriter, payload: dict[str, Any], body: bytes | None
) -> None:
    entry = writer.append(Kind.OBSERVATION, payload, raw=body)
    stored = store.journal(writer.job)[-1]
    assert (payload, body) == (stored.payload, stored.raw)
    assert entry == stored
    assert store.check(writer.job) is None


# --- all or nothing -------------------------------------------------------------------------------


def test_a_payload_that_cannot_be_journaled_leaves_nothing(store: Store, writer: JobWriter) -> None:
    with pytest.raises(ValueError, match=r"payload\.speed holds 1\.5"):
        writer.append(Kind.OBSERVATION, {"speed": 1.5})
    assert store.journal(writer.job) == ()


def test_an_entry_that_cannot_be_shown_leaves_nothing(store: Store, writer: JobWriter, path: Path) -> None:
    writer.append(Kind.SCAN_BEGIN, BEGIN)
    with pytest.raises(KeyError, match="target"):
        writer.append(Kind.EXCHANGE, {"link": "sim:any"})
    with pytest.raises(RecordError, match=r"record\.db: "):
        writer.append(Kind.SCAN_END, {"scan": 1, "complete": True, "reason": ["no", "text"]})
    assert [entry.kind for entry in store.journal(writer.job)] == [Kind.SCAN_BEGIN]
    assert raw(path, "SELECT count(*), max(seq) FROM body") == [(1, 1)]


def test_the_next_entry_follows_after_one_that_failed(store: Store, writer: JobWriter) -> None:
    with pytest.raises(KeyError):
        writer.append(Kind.SCAN_BEGIN, {})
    assert writer.append(Kind.SCAN_BEGIN, BEGIN).seq == 1
    assert store.check(writer.job) is None


# --- projections ----------------------------------------------------------------------------------

SCANS = "SELECT scan, taken_as, link, begin_seq, end_seq, complete, reason FROM scan"
EXCHANGES = "SELECT seq, scan, during, target, request, outcome, refusal, answers_text FROM exchange"


def test_scans_and_exchanges_can_be_read_as_tables(writer: JobWriter, path: Path) -> None:
    scan_of_two(writer)
    text = "7E8 positive 59 02 FF 04 20 00 2F; 7E9 damaged"
    expected = [
        (2, 1, "scan", "7E0/7E8", "1902FF", "answered", None, text),
        (3, 1, "scan", "7E1/7E9", "1902FF", "refused", 17, "7E9 negative 7F 19 11"),
        (5, None, "readback", "7E1/7E9", "1902FF", "refused", 17, "7E9 negative 7F 19 11"),
    ]
    assert raw(path, SCANS) == [(1, "before", "sim:any", 1, 4, 1, None)]
    assert expected == raw(path, EXCHANGES)


def test_a_scan_cut_short_has_no_end(writer: JobWriter, path: Path) -> None:
    writer.append(Kind.SCAN_BEGIN, BEGIN)
    assert raw(path, SCANS) == [(1, "before", "sim:any", 1, None, 0, None)]
    writer.append(Kind.SCAN_END, {"scan": 1, "complete": False, "reason": "interrupted"})
    assert raw(path, SCANS) == [(1, "before", "sim:any", 1, 2, 0, "interrupted")]
    writer.append(Kind.SCAN_BEGIN, BEGIN)
    assert raw(path, SCANS) == [(1, "before", "sim:any", 1, None, 0, None)]


def test_a_reading_shows_the_scan_it_belongs_to(writer: JobWriter, path: Path) -> None:
    writer.append(Kind.EXCHANGE, exchange_to_payload(Exchange(link="l", target="7E0/7E8", request=b"\x22\xf1\x90")))
    scan_of_two(writer)
    rows = raw(path, "SELECT seq, taken_as, during, target, outcome, refusal FROM reading ORDER BY seq")
    expected = [
        (3, "before", "scan", "7E0/7E8", "answered", None),
        (4, "before", "scan", "7E1/7E9", "refused", "11"),
        (6, None, "readback", "7E1/7E9", "refused", "11"),
    ]
    assert expected == rows


def test_the_story_is_the_journal_in_the_bytes_that_were_hashed(writer: JobWriter, path: Path) -> None:
    writer.append(Kind.OBSERVATION, {"b": "\u20ac", "a": 1})
    rows = raw(path, "SELECT job, seq, at, kind, actor, payload FROM story")
    expected = [(1, 1, "2031-04-05T06:07:08.123Z", "observation", "technician", '{"a":1,"b":"\u20ac"}')]
    assert expected == rows


def test_rebuild_makes_the_same_tables_again(store: Store, writer: JobWriter, path: Path) -> None:
    scan_of_two(writer)
    before = raw(path, SCANS), raw(path, EXCHANGES)
    raw(path, "DELETE FROM exchange WHERE seq = 2")
    raw(path, "UPDATE scan SET complete = 0, taken_as = 'after'")
    store.rebuild(writer.job)
    assert before == (raw(path, SCANS), raw(path, EXCHANGES))


def test_rebuild_leaves_other_jobs_alone(store: Store, writer: JobWriter, path: Path) -> None:
    with store.writer(store.new_job().job, actor="other") as other:
        scan_of_two(other)
    store.rebuild(writer.job)
    assert raw(path, "SELECT job, scan FROM scan") == [(2, 1)]

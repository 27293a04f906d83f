"""The SQLite record among processes: one writer per job, killed writers, many openers, other readers."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from store_help import BEGIN, LISTED, HandClock, raw, scan_of_two

from decoders.errors import RecordError
from sessions.journal import Kind, exchange_to_payload
from sessions.store import JobWriter, Store
from sessions.store.lease import process_is_gone


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


# Opens the record when told to, and says the number of its new job.
OPENER = """
import sys
from pathlib import Path
from sessions.store import Store
print("ready", flush=True)
sys.stdin.readline()
with Store.open(Path(sys.argv[1]), create=True) as store:
    print(store.new_job().job, flush=True)
"""
# Writes exchanges into job 1 without end, and says each sequence number once it is committed.
WRITER = """
import sys
from pathlib import Path
from sessions.journal import Kind
from sessions.store import Store
store = Store.open(Path(sys.argv[1]), create=False)
writer = store.writer(1, actor="child")
exchange = {"link": "sim:any", "target": "7E0/7E8", "request": "1902FF", "answers": [], "outcome": "silent"}
writer.append(Kind.SCAN_BEGIN, {"scan": 1, "as": "before"})
while True:
    print(writer.append(Kind.EXCHANGE, exchange | {"during": "scan", "scan": 1}).seq, flush=True)
"""


@contextmanager
def child(script: str, path: Path) -> Iterator[subprocess.Popen[str]]:
    """A Python process running the script, ended with the block."""
    process = subprocess.Popen(  # noqa: S603 - our own script
        [sys.executable, "-c", script, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


def line_of(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


# --- one writer per job ---------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_told_who_writes(store: Store, writer: JobWriter) -> None:
    with pytest.raises(RecordError) as caught:
        store.writer(writer.job, actor="another")
    expected = f"Job {writer.job} is being written by process {os.getpid()}"
    assert expected == caught.value.message
    assert str(os.getpid()) in caught.value.next_step


def test_a_writer_that_let_go_makes_room(store: Store, writer: JobWriter) -> None:
    writer.close()
    with store.writer(writer.job, actor="another") as second:
        assert second.append(Kind.OBSERVATION, {"n": 1}).seq == 1
    writer.close()  # once more does no harm


def test_other_jobs_can_be_written_meanwhile(store: Store, writer: JobWriter) -> None:
    with store.writer(store.new_job().job, actor="another") as second:
        assert second.append(Kind.OBSERVATION, {"n": 1}).seq == 1


@pytest.mark.parametrize(("quiet_s", "is_free"), [(14.9, False), (15.0, True), (-14.9, False), (-15.1, True)])
def test_a_quiet_writer_loses_its_job_after_15_s(
    store: Store, writer: JobWriter, clock: HandClock, quiet_s: float, is_free: bool
) -> None:
    # 15 s are the record's own figure; a heartbeat that far ahead means that the clock was set back.
    clock.move(quiet_s)
    if is_free:
        store.writer(writer.job, actor="another")
    else:
        with pytest.raises(RecordError, match="is being written by process"):
            store.writer(writer.job, actor="another")


@pytest.mark.parametrize("how", ["append", "renew"])
def test_each_sign_of_life_counts(store: Store, writer: JobWriter, clock: HandClock, how: str) -> None:
    clock.move(14)
    if how == "append":
        writer.append(Kind.OBSERVATION, {"n": 1})
    else:
        writer.renew()
    clock.move(14)
    with pytest.raises(RecordError, match="is being written by process"):
        store.writer(writer.job, actor="another")


def test_a_writer_that_lost_its_job_writes_no_more(
    store: Store, writer: JobWriter, clock: HandClock, path: Path
) -> None:
    writer.append(Kind.OBSERVATION, {"n": 1})
    clock.move(16)
    with store.writer(writer.job, actor="another") as second:
        for attempt in (writer.renew, lambda: writer.append(Kind.OBSERVATION, {"n": 2})):
            with pytest.raises(RecordError, match=r"is no longer written by process \d+"):
                attempt()
        writer.close()
        assert second.append(Kind.OBSERVATION, {"n": 3}).seq == 2
    assert raw(path, "SELECT count(*) FROM lease") == [(0,)]


def test_a_quiet_writer_that_nobody_replaced_goes_on(writer: JobWriter, clock: HandClock) -> None:
    clock.move(3600)
    assert writer.append(Kind.OBSERVATION, {"n": 1}).seq == 1


def test_a_process_on_another_host_is_judged_by_its_heartbeat_alone(
    store: Store, writer: JobWriter, path: Path
) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    raw(path, "UPDATE lease SET host = 'elsewhere', pid = ?", gone.pid)
    with pytest.raises(RecordError, match=f"is being written by process {gone.pid}"):
        store.writer(writer.job, actor="another")
    raw(path, "DELETE FROM lease")


def test_a_process_is_gone_only_when_the_system_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    # POSIX kill(2) with signal 0: ESRCH for no such process, EPERM for one of another user.
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    assert process_is_gone(gone.pid, can_ask=True)
    assert not process_is_gone(os.getpid(), can_ask=True)
    assert not process_is_gone(gone.pid, can_ask=False)

    def of_another_user(pid: int, number: int) -> None:
        raise PermissionError(pid, number)

    monkeypatch.setattr(os, "kill", of_another_user)
    assert not process_is_gone(gone.pid, can_ask=True)


# --- killed, crowded, looked at -------------------------------------------------------------------


def test_a_killed_writer_leaves_all_it_committed_and_its_job_free(path: Path) -> None:
    with Store.open(path, create=True) as store:
        job = store.new_job().job
    with child(WRITER, path) as process:
        while int(line_of(process)) < 50:
            pass
        refusal = f"Job 1 is being written by process {process.pid}"
        with Store.open(path, create=False) as other, pytest.raises(RecordError, match=refusal):
            other.writer(job, actor="another")
        process.send_signal(signal.SIGKILL)
        assert process.stdout is not None
        rest = process.stdout.read().rpartition("\n")[0]  # whole lines: what it said after a commit
        acknowledged = [int(line) for line in rest.splitlines()]
        process.wait()
    with Store.open(path, create=False) as after:
        entries = after.journal(job)
        assert len(entries) >= max(acknowledged, default=50)
        assert after.check(job) is None
        assert raw(path, "SELECT complete, end_seq FROM scan") == [(0, None)]
        assert raw(path, "SELECT count(*) FROM exchange") == [(len(entries) - 1,)]
        with after.writer(job, actor="another") as writer:
            ended = writer.append(Kind.SCAN_END, {"scan": 1, "complete": False, "reason": "cut short"})
        assert len(entries) + 1 == ended.seq
        assert after.check(job) is None


def test_four_processes_open_a_new_record_at_once(path: Path) -> None:
    with (
        child(OPENER, path) as a,
        child(OPENER, path) as b,
        child(OPENER, path) as c,
        child(OPENER, path) as d,
    ):
        for process in (a, b, c, d):
            assert line_of(process) == "ready"
        for process in (a, b, c, d):
            assert process.stdin is not None
            process.stdin.write("go\n")
            process.stdin.flush()
        jobs = sorted(line_of(process) for process in (a, b, c, d))
    assert jobs == ["1", "2", "3", "4"]


def test_a_reader_sees_what_is_committed_while_the_writer_goes_on(store: Store, writer: JobWriter, path: Path) -> None:
    first = writer.append(Kind.OBSERVATION, {"n": 1})
    with Store.open(path, create=False) as reader:
        assert (first,) == reader.journal(writer.job)
        second = writer.append(Kind.OBSERVATION, {"n": 2})
        assert (first, second) == reader.journal(writer.job)


@pytest.mark.skipif(shutil.which("sqlite3") is None, reason="the sqlite3 command line shell is not installed")
def test_the_sqlite3_shell_reads_the_record_while_the_writer_is_open(writer: JobWriter, path: Path) -> None:
    scan_of_two(writer)
    sql = "SELECT taken_as, target, outcome, refusal, answers_text FROM reading WHERE scan = 1 ORDER BY seq"
    shell = [shutil.which("sqlite3") or "", "-readonly", str(path), sql]
    done = subprocess.run(shell, capture_output=True, text=True, check=True)  # noqa: S603 - our own query
    expected = [
        "before|7E0/7E8|answered||7E8 positive 59 02 FF 04 20 00 2F; 7E9 damaged",
        "before|7E1/7E9|refused|11|7E9 negative 7F 19 11",
    ]
    assert expected == done.stdout.splitlines()
    writer.append(Kind.EXCHANGE, exchange_to_payload(LISTED) | {"during": "watch"})
    writer.append(Kind.SCAN_BEGIN, {**BEGIN, "scan": 2})

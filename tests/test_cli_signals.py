"""Ended from outside: Ctrl-C, SIGTERM, kill -9 and a reader that goes away. Nothing that was read is lost."""

from __future__ import annotations

import errno
import io
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli_help import QUICK, Cli, one_line, running_bench

import gateway.cli.main
import gateway.scanning
from gateway.cli.frame import StoppedError, stoppable
from gateway.demo import Demo
from sessions.store import Store

# A scan of a simulated car that takes many seconds, since most of the units in its profile are silent.
DRIVER = """
import sys
from gateway.bench_port import find_bench
from gateway.cli.main import main, run

store, profile = sys.argv[1:]
with find_bench().start("warning-lamps") as bench:
    assert run(["job", "open", "--store", store, "--profile", profile, "--quiet"]) == 0
    main(["scan", "1", "--as", "before", "--link", bench.links[0], "--store", store, "--set", "scan.window=1"])
"""
SILENT_UNITS = "".join(
    f'\n[[unit]]\naddress = "{number:03X}/{number + 8:03X}"\nname = "Unit {number:03X}"\nsystem = "body"\n'
    for number in range(0x600, 0x680, 0x10)
)
ENOUGH, LONG_S = 25, 20


@pytest.fixture
def scanning(cli: Cli) -> Iterator[subprocess.Popen[str]]:
    """A process in the middle of a scan."""
    profile = cli.folder / "car.toml"
    profile.write_text(Path(cli.profile_file()).read_text(encoding="utf-8") + SILENT_UNITS, encoding="utf-8")
    process = subprocess.Popen(  # noqa: S603
        [sys.executable, "-c", DRIVER, str(cli.store_file), str(profile)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        wait_for_exchanges(cli.store_file, process)
        yield process
    finally:
        process.kill()
        process.communicate(timeout=LONG_S)


def wait_for_exchanges(store_file: Path, process: subprocess.Popen[str]) -> None:
    deadline_s = time.monotonic() + LONG_S
    while time.monotonic() < deadline_s and process.poll() is None:
        if store_file.exists() and exchanges(store_file) >= ENOUGH:
            return
        time.sleep(0.02)
    raise AssertionError(f"no scan came under way: {process.communicate()}")


def exchanges(store_file: Path) -> int:
    connection = sqlite3.connect(f"file:{store_file}?mode=ro", uri=True)
    try:
        return int(connection.execute("SELECT count(*) FROM exchange").fetchone()[0])
    except sqlite3.OperationalError:  # the tables are just being made
        return 0
    finally:
        connection.close()


def reasons(cli: Cli) -> list[tuple[int, int, str | None]]:
    connection = sqlite3.connect(cli.store_file)
    try:
        return connection.execute("SELECT scan, complete, reason FROM scan ORDER BY scan").fetchall()
    finally:
        connection.close()


@pytest.mark.parametrize(
    ("number", "code", "how"),
    [(signal.SIGINT, 130, "stopped by hand"), (signal.SIGTERM, 143, "stopped by a signal")],
)
def test_a_signal_ends_a_scan_gently(
    cli: Cli, scanning: subprocess.Popen[str], number: signal.Signals, code: int, how: str
) -> None:
    scanning.send_signal(number)
    out, err = scanning.communicate(timeout=LONG_S)
    assert "stopped; what was read is kept" in one_line(err)
    assert code == scanning.returncode
    assert f"Scan 1, taken as before: not complete: cut short: {how}" in out
    assert [(1, 0, f"cut short: {how}")] == reasons(cli)
    assert len(cli.record().asked) >= ENOUGH
    assert [False] == [scan.complete for scan in cli.record().scans]


def test_after_kill_9_the_next_scan_closes_the_one_that_was_cut_short(
    cli: Cli, scanning: subprocess.Popen[str]
) -> None:
    scanning.kill()
    scanning.communicate(timeout=LONG_S)
    assert -signal.SIGKILL == scanning.returncode
    assert [(1, 0, None)] == reasons(cli)
    kept = len(cli.record().asked)
    assert kept >= ENOUGH
    with running_bench() as bench:
        units = ("--set", "scan.p2_ms=20", "--set", "scan.functional_ms=60")
        cli.done("scan", "1", "--as", "before", "--link", bench.links[0], *units)
    assert [(1, 0, "cut short: the program ended"), (2, 1, None)] == reasons(cli)
    assert len(cli.record().asked) > kept


# --- the same in this process, at chosen moments ---


def test_ctrl_c_in_a_scan_prints_the_scan_and_no_second_object(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    hear = gateway.scanning.heard_units

    def stopping(exchanges: list[object]) -> object:
        signal.raise_signal(signal.SIGINT)
        return hear(exchanges)  # type: ignore[arg-type]

    cli.use_scanned_job()
    monkeypatch.setattr(gateway.scanning, "heard_units", stopping)
    with running_bench() as bench:
        result = cli("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK, "--json")
    assert (130, False) == (result.code, result.form["complete"])
    one_line(result.err)


def test_ctrl_c_ends_the_demo_between_two_steps(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Demo, "_decide", lambda _demo: signal.raise_signal(signal.SIGINT))
    folder = cli.folder / "demo"
    result = cli("demo", "--folder", str(folder), *QUICK, "--quiet")
    assert 130 == result.code
    one_line(result.err)
    assert not (folder / "report.html").exists()
    with Store.open(folder / "demo.sqlite", create=False) as store:
        assert store.check(1) is None


def test_ctrl_c_in_a_command_that_asks_no_vehicle(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_arguments: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(gateway.jobs, "judge_job", interrupted)
    cli.use_scanned_job()
    result = cli("verdict", "1", "--json")
    assert (130, "stopped", 130) == (result.code, result.form["error"]["kind"], result.form["error"]["exit"])
    assert result.err.strip().endswith("mendproof: stopped -> run the command again")


def test_a_second_ctrl_c_does_not_wait() -> None:
    def stop_twice() -> None:
        with stoppable() as stop:
            signal.raise_signal(signal.SIGTERM)
            assert stop.is_set()
            signal.raise_signal(signal.SIGINT)
            raise AssertionError("not reached")

    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(StoppedError) as stopped:
        stop_twice()
    assert 130 == stopped.value.exit_code
    assert before is signal.getsignal(signal.SIGINT)


# --- a reader that goes away, and no room ---

MENDPROOF = [sys.executable, "-m", "gateway"]


def without_reader(*arguments: str, environment: dict[str, str] | None = None) -> tuple[int, str]:
    """Run a command whose standard output nobody reads any more."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(  # noqa: S603
            [*MENDPROOF, *arguments],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            timeout=LONG_S,
            check=False,
            env={**os.environ, **(environment or {})},
        )
    finally:
        os.close(writing)
    return done.returncode, done.stderr


@pytest.mark.parametrize("unbuffered", ["", "1"], ids=["at the end", "at once"])
@pytest.mark.parametrize("command", [("--help",), ("settings",), ("settings", "--json")], ids=" ".join)
def test_a_reader_that_closes_the_pipe_is_no_fault(cli: Cli, command: tuple[str, ...], unbuffered: str) -> None:
    assert (0, "") == without_reader(*command, environment={"PYTHONUNBUFFERED": unbuffered})


def test_work_on_a_job_goes_on_without_a_reader(cli: Cli) -> None:
    cli.use_scanned_job()
    assert (0, "") == without_reader("repair", "part", "1", "a sensor", environment={"PYTHONUNBUFFERED": "1"})
    assert ["a sensor"] == [repair.text for repair in cli.record().repairs]


def test_a_closed_standard_output_is_no_fault_either(cli: Cli) -> None:
    cli.use_scanned_job()
    command = " ".join([*MENDPROOF, "settings", ">&-"])
    done = subprocess.run(  # noqa: S602
        command, shell=True, stderr=subprocess.PIPE, text=True, timeout=LONG_S, check=False
    )
    assert (0, "") == (done.returncode, done.stderr)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full to write to")
def test_a_full_disk_under_the_output_is_told_in_one_line(cli: Cli) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(  # noqa: S603
            [*MENDPROOF, "settings"], stdout=full, stderr=subprocess.PIPE, text=True, timeout=LONG_S, check=False
        )
    assert 4 == done.returncode
    assert "The disk is full: the output is not whole" in one_line(done.stderr)


def test_a_terminal_that_lacks_a_sign_shows_another(cli: Cli) -> None:
    cli.use_scanned_job()
    done = subprocess.run(  # noqa: S603
        [*MENDPROOF, "verdict", "1"],
        capture_output=True,
        timeout=LONG_S,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert (0, b"") == (done.returncode, done.stderr)
    assert b"Job: open" in done.stdout


def test_main_ends_the_process_with_the_commands_code(
    cli: Cli, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for arguments, code in ((["settings", "--quiet"], 0), (["verdict", "0"], 2)):
        with pytest.raises(SystemExit) as ended:
            gateway.cli.main.main(arguments)
        assert code == ended.value.code
    monkeypatch.setattr(sys, "argv", ["mendproof", "nothing"])
    with pytest.raises(SystemExit) as ended:
        gateway.cli.main.main()
    assert 2 == ended.value.code
    capsys.readouterr()


class Gone(io.StringIO):
    """A standard output whose writing fails, over a file that can be turned elsewhere."""

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__()
        self.error: OSError | None = None
        self._later = error
        self._file = path.open("wb")

    def fileno(self) -> int:
        return self._file.fileno()

    def write(self, text: str) -> int:
        if self.error is not None:
            raise self.error
        return super().write(text)

    def flush(self) -> None:
        if self.error is not None:
            raise self.error

    def fail_from_now_on(self) -> None:
        self.error = self._later


@pytest.mark.parametrize(
    ("error", "code"),
    [(BrokenPipeError(errno.EPIPE, "pipe"), 0), (OSError(errno.ENOSPC, "full"), 4), (OSError(errno.EIO, "bad"), 70)],
    ids=["no reader", "no room", "broken"],
)
@pytest.mark.parametrize("command", [["settings"], ["settings", "--json"], ["--help"]], ids=" ".join)
def test_each_way_in_which_output_can_fail_has_its_code(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, error: OSError, code: int, command: list[str]
) -> None:
    gone = Gone(cli.folder / "out", error)
    gone.fail_from_now_on()
    monkeypatch.setattr(sys, "stdout", gone)
    assert code == gateway.cli.main.run(command)
    gone.error = None


@pytest.mark.parametrize(
    ("error", "code"), [(BrokenPipeError(errno.EPIPE, "pipe"), 0), (OSError(errno.ENOSPC, "full"), 4)]
)
def test_output_that_fails_at_the_very_end_has_its_code(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, error: OSError, code: int
) -> None:
    gone = Gone(cli.folder / "out", error)
    run = gateway.cli.main.run

    def then_gone(arguments: list[str]) -> int:
        found = run(arguments)
        gone.fail_from_now_on()
        return found

    monkeypatch.setattr(gateway.cli.main, "run", then_gone)
    monkeypatch.setattr(sys, "stdout", gone)
    with pytest.raises(SystemExit) as ended:
        gateway.cli.main.main(["settings"])
    gone.error = None
    assert code == ended.value.code


def test_without_any_standard_output_the_code_stays(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    with pytest.raises(SystemExit) as ended:
        gateway.cli.main.main(["settings"])
    assert 0 == ended.value.code

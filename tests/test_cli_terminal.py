"""What a person at a terminal sees beside the results: progress on standard error, and never in a pipe."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from collections.abc import Iterator

import pytest
from cli_help import Cli, running_bench

from gateway.cli.frame import Frame
from gateway.cli.progress import DriveProgress

LONG_S = 20
SCAN = """
import sys
from gateway.bench_port import find_bench
from gateway.cli.main import main
with find_bench().start("warning-lamps") as bench:
    main(["scan", "1", "--as", "check", "--link", bench.links[0], *sys.argv[1:]])
"""


def pretend_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Standard error, as it is captured now, says that it is a terminal."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("FORCE_COLOR", "1")


def on_a_terminal(*options: str, columns: int = 200) -> tuple[str, str]:
    """What a scan writes into a file, and what it shows meanwhile on a real terminal."""
    reading, writing = pty.openpty()
    try:
        done = subprocess.run(  # noqa: S603
            [sys.executable, "-c", SCAN, *options],
            stdout=subprocess.PIPE,
            stderr=writing,
            text=True,
            timeout=LONG_S,
            check=False,
            env={**os.environ, "TERM": "xterm", "COLUMNS": str(columns)},
        )
        os.write(writing, b"\0")
        shown = b""
        while not shown.endswith(b"\0"):
            shown += os.read(reading, 65536)
    finally:
        os.close(writing)
        os.close(reading)
    assert 0 == done.returncode
    return done.stdout, shown.decode()


def test_a_scan_shows_its_progress_on_the_terminal_and_its_result_in_the_file(cli: Cli) -> None:
    cli.use_scanned_job()
    result, shown = on_a_terminal()
    assert result.startswith("Scan 2, taken as check: complete\n")
    assert "\x1b" not in result
    assert re.search(r"Scanning  \d:\d\d  asking who is there", shown)
    assert re.search(r"\[#+\.*\]  \d+ of 11 units done", shown)
    assert re.search(r"lists faults: \d+", shown)
    assert re.search(r"waiting for [A-Z][a-z ]+  [0-9A-F]{3}", shown)
    assert "taken as check" not in shown


def test_a_quiet_scan_shows_its_result_alone(cli: Cli) -> None:
    cli.use_scanned_job()
    result, shown = on_a_terminal("--quiet")
    assert result.startswith("Scan 2, taken as check: complete\n")
    assert "\0" == shown


def test_progress_is_drawn_while_the_vehicle_is_asked(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    pretend_terminal(monkeypatch)
    cli.use_scanned_job()
    with running_bench() as bench:
        result = cli("scan", "1", "--as", "check", "--link", bench.links[0])
        assert re.search(r"\d+ of 11 units done", plain(result.err))
        assert plain(result.err).endswith("\r")
        shown = cli("clear", "1", "--link", bench.links[0], "--unit", "760/768")
        assert (0, True) == (shown.code, "Clearing Brake control  760/768, unit 1 of 1" in plain(shown.err))
        cleared = cli("clear", "1", "--link", bench.links[0], "--unit", "760/768", "--json")
        assert (0, 1, "") == (cleared.code, len(cleared.form["clears"]), cleared.err)
    assert (0, "Scan 2, taken as check: complete") == (result.code, plain(result.out).splitlines()[0])


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_what_is_drawn_fits_the_terminal_and_is_gone_at_the_end(cli: Cli, columns: int) -> None:
    cli.use_scanned_job()
    _result, shown = on_a_terminal(columns=columns)
    drawn = [line for line in plain(shown).replace("\r", "\n").split("\n") if line]
    assert max(len(line) for line in drawn if line != "\0") <= columns
    # As many lines are wiped as are drawn at last, and the cursor is back.
    assert shown.rpartition("Scanning")[2].count("\x1b[2K") >= 2
    assert "\x1b[?25h" in shown


def test_a_watch_tells_its_faults_above_what_is_drawn(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    pretend_terminal(monkeypatch)
    cli.use_scanned_job()
    monkeypatch.setattr("gateway.cli.watch.MINUTE_S", 2)
    with running_bench() as bench:
        cli.done("clear", "1", "--link", bench.links[0], "--quiet")
        result = cli("watch", "1", "--link", bench.links[0], "--minutes", "1")
    assert 0 == result.code
    assert re.search(r"Watching, 0 of 5 faults settled  0:0\d", plain(result.err))
    assert "Brake control 760/768  C0035-13  0 of 3 conditions met" in plain(result.out)


def plain(text: str) -> str:
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)


@pytest.fixture
def drive() -> Iterator[DriveProgress]:
    with DriveProgress(Frame(), 5) as progress:
        yield progress


def test_a_drive_leaves_one_line_for_each_stretch(drive: DriveProgress, capsys: pytest.CaptureFixture[str]) -> None:
    for done_s in (5, 10, 15):
        drive("idle", done_s, 15)
    assert ("  idle: 15 s (simulated), read every 5 s\n", "") == capsys.readouterr()


def test_a_drive_draws_a_bar_on_the_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pretend_terminal(monkeypatch)
    with DriveProgress(Frame(), 5) as drive:
        for done_s in (5, 10):
            drive("idle", done_s, 10)
        drive("drive at 62 km/h", 5, 660)
    printed = capsys.readouterr()
    assert "  idle: 10 s (simulated), read every 5 s\n" == plain(printed.out)
    assert "10 of 10 s, simulated" in plain(printed.err)
    assert "drive at 62 km/h" in plain(printed.err)
    assert printed.err.endswith("\x1b[2K")  # nothing stays on the screen

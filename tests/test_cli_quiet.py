"""`--quiet` leaves out hints and what is being done; results, cautions and what went unread stay."""

from __future__ import annotations

import pytest
from cli_help import QUICK, Cli

from gateway.cautions import AFTER_CLEAR, BEFORE_CLEAR
from gateway.tracing import FrameCollector
from simulators.door import RunningBench


def unfolded(text: str) -> str:
    return " ".join(text.split())


def test_a_quiet_clear_keeps_the_cautions_and_the_answers(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    out = cli.done("clear", "1", "--link", bench.links[0], "--unit", "760/768", *QUICK, "--quiet").out
    assert unfolded(out).startswith(BEFORE_CLEAR)
    assert "Supply voltage 12.3 V as last read" in out
    assert "  Brake control  760/768  says cleared" in out.splitlines()
    assert unfolded(out).endswith(AFTER_CLEAR)
    assert "Next:" not in out


def test_a_quiet_scan_says_who_was_heard_and_not_read(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open")
    out = cli.done("scan", "1", "--as", "before", "--link", bench.links[0], *QUICK, "--quiet").out
    assert "Heard and not read: " in out
    assert "7E0/7E8" in out


def test_a_quiet_scan_says_which_frames_were_not_kept(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dropping(collector: FrameCollector) -> None:
        collector.dropped += 3

    monkeypatch.setattr(FrameCollector, "write_rest", dropping)
    cli.use_scanned_job()
    out = cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK, "--quiet").out
    assert "frames were not kept" in out


def test_a_quiet_watch_says_where_each_fault_stands(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    cli.done("clear", "1", "--link", bench.links[0], *QUICK)
    monkeypatch.setattr("gateway.cli.watch.MINUTE_S", 0)
    out = cli.done("watch", "1", "--link", bench.links[0], "--minutes", "1", *QUICK, "--quiet").out
    assert "  Brake control 760/768  C0035-13  " in out
    assert "Next:" not in out


def test_hints_are_left_out(cli: Cli) -> None:
    assert "Job 1 is open. VIN unknown: not read: no link was given.\n" == cli.done("job", "open", "--quiet").out
    assert "" == cli.done("repair", "part", "1", "a sensor", "--quiet").out


def test_what_a_decision_does_not_cover_is_no_hint(cli: Cli) -> None:
    cli.use_scanned_job()
    out = cli.done("job", "set-aside", "1", "--unit", "760/768", "--reason", "x", "--quiet").out
    assert "none of its open faults" in out

"""`--json` of commands that take their time: events, a line each and at once, and the result as the last line."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from cli_help import QUICK, Cli, Result

from decoders.errors import LinkError
from simulators.door import RunningBench

LONG_S = 20
SCAN = """
import sys
from gateway.bench_port import find_bench
from gateway.cli.main import main
with find_bench().start("warning-lamps") as bench:
    main(["scan", "1", "--as", "check", "--link", bench.links[0], "--json", *sys.argv[1:]])
"""


def lines(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.out.splitlines()]


@contextmanager
def scanning(*options: str) -> Iterator[subprocess.Popen[str]]:
    """A scan in a process of its own, whose output is a pipe."""
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-c", SCAN, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=dict(os.environ),
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def test_a_scan_tells_its_begin_its_units_and_each_that_is_done(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    result = cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK, "--json")
    begin, *events, last = lines(result)
    assert {"event": "begin", "job": 1, "scan": 2, "as": "check", "link": bench.links[0]} == begin
    found = [unit for event in events if event["event"] == "found" for unit in event["units"]]
    told = [event for event in events if event["event"] == "unit"]
    assert {"found", "unit"} == {event["event"] for event in events}
    final = {unit["unit"]: unit for unit in last["units"]}
    assert sorted(final) == sorted(unit["unit"] for unit in found) == sorted(unit["unit"] for unit in told)
    for unit in told:
        named = final[unit["unit"]]
        wanted = {key: named[key] for key in ("unit", "unit_name", "outcome", "refusal")}
        assert {"event": "unit", **wanted, "faults": len(named["faults"])} == unit
    assert ["job", "scan", "as", "complete", "reason", "link", "units", "heard_not_read"] == list(last)
    assert last == result.form


def test_events_come_while_the_scan_goes_on(cli: Cli) -> None:
    cli.use_scanned_job()
    with scanning() as process:
        assert process.stdout is not None
        first = json.loads(process.stdout.readline())
        assert ("begin", None) == (first["event"], process.poll())
        out, err = process.communicate(timeout=LONG_S)
    assert (0, "") == (process.returncode, err)
    assert json.loads(out.splitlines()[-1])["complete"]


def test_ctrl_c_in_the_middle_still_ends_with_the_scan(cli: Cli) -> None:
    cli.use_scanned_job()
    with scanning("--set", "scan.window=1") as process:
        assert process.stdout is not None
        while json.loads(process.stdout.readline())["event"] != "found":
            pass
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=LONG_S)
    last = json.loads(out.splitlines()[-1])
    assert (130, False, 2) == (process.returncode, last["complete"], last["scan"])
    assert "cut short: stopped by hand" == last["reason"]
    assert err.startswith("mendproof: stopped")


def test_a_clear_tells_each_unit_as_it_is_cleared(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    units = ("--unit", "760/768", "--unit", "750/758")
    begin, *events, last = lines(cli.done("clear", "1", "--link", bench.links[0], *units, *QUICK, "--json"))
    assert {"event": "begin", "job": 1, "link": bench.links[0], "units": ["760/768", "750/758"]} == begin
    assert {"job", "clears"} == set(last)
    names = ["Brake control", "Parking assist"]
    assert events == [
        {"event": "clear", **form, "unit_name": name} for form, name in zip(last["clears"], names, strict=True)
    ]


def test_a_watch_tells_each_change_of_a_fault(cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    cli.use_scanned_job()
    cli.done("clear", "1", "--link", bench.links[0], *QUICK)
    monkeypatch.setattr("gateway.cli.watch.MINUTE_S", 0)
    begin, *events, last = lines(cli.done("watch", "1", "--link", bench.links[0], "--minutes", "1", *QUICK, "--json"))
    assert {"event": "begin", "job": 1, "link": bench.links[0]} == begin
    named = {event.pop("unit_name") for event in events}
    assert events == [{"event": "fault", **fault} for fault in last["faults"]]
    assert "Brake control" in named


def test_an_error_is_the_last_line(cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_arguments: object, **_more: object) -> None:
        raise LinkError("the adapter is gone", next_step="plug it in")

    cli.use_scanned_job()
    monkeypatch.setattr("gateway.clearing.clear_unit", broken)
    result = cli("clear", "1", "--link", bench.links[0], "--unit", "760/768", *QUICK, "--json")
    begin, last = lines(result)
    assert (3, "begin") == (result.code, begin["event"])
    assert {"kind": "link", "exit": 3, "message": "the adapter is gone", "next": "plug it in"} == last["error"]


def test_without_json_no_event_is_printed(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    assert '"event"' not in cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK).out


def test_a_reader_that_went_away_does_not_end_the_scan(cli: Cli) -> None:
    cli.use_scanned_job()
    with scanning() as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr is not None
        err = process.stderr.read()
        assert (0, "") == (process.wait(timeout=LONG_S), err)
    assert [True, True] == [scan.complete for scan in cli.record().scans]

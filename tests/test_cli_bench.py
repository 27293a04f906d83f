"""``mendproof bench``: a car in one process, moved from another, found by a file and gone when it is stopped."""

from __future__ import annotations

import json
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from cli_help import Cli, one_line

import gateway.cli.bench
from simulators.door import Bench, RunningBench

SCENARIO = "repaired-well"
LONG_S = 20
NOBODY = "mendproof: no simulated vehicle is running"
START_ONE = "start one in another terminal: mendproof bench run SCENARIO"


@pytest.fixture(autouse=True)
def runtime(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A runtime folder of the test's own."""
    folder = cli.folder / "runtime"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    return folder / "mendproof"


@pytest.fixture
def car() -> Iterator[RunningBench]:
    """A car that is published by this process."""
    with Bench().start(SCENARIO) as bench, Bench().publish(bench):
        yield bench


@dataclass(frozen=True)
class Served:
    """A `bench run` in a process of its own."""

    process: subprocess.Popen[str]
    form: Any

    def stop(self, number: signal.Signals) -> tuple[int, str, str]:
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=LONG_S)
        return self.process.returncode, out, err


def start(*options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(  # noqa: S603
        [sys.executable, "-m", "gateway", "bench", "run", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.fixture
def served() -> Iterator[Served]:
    process = start(SCENARIO, "--json")
    try:
        assert process.stdout is not None
        yield Served(process, json.loads(process.stdout.readline()))
    finally:
        process.kill()
        process.communicate(timeout=LONG_S)


# --- bench run ---


def test_a_car_is_served_moved_and_stopped(cli: Cli, served: Served, runtime: Path) -> None:
    assert SCENARIO == served.form["scenario"]
    assert str(runtime / f"{SCENARIO}.toml") == served.form["profile"]
    assert str(runtime / f"{SCENARIO}-doip.toml") == served.form["doip_profile"]
    assert list(Bench().doors()) == list(served.form["links"])
    for kind, link in served.form["links"].items():
        if kind == "pty":
            assert Path(link.removeprefix("dongle:")).is_char_device()
            continue
        with socket.create_connection(("127.0.0.1", int(link.rpartition(":")[2].partition("?")[0])), timeout=5):
            pass
    moved = cli.done("bench", "do", "wait", "seconds=5", "--json").form
    assert "waited 5 s" == moved["said"]
    assert moved["world_s"] + 5 == cli.done("bench", "do", "wait", "seconds=5", "--json").form["world_s"]
    assert (130, "", "") == served.stop(signal.SIGINT)
    assert [] == list(runtime.iterdir())


@pytest.mark.parametrize(("options", "lifelike"), [((), True), (("--at-once",), False)])
def test_the_car_takes_its_time_unless_told_otherwise(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], lifelike: bool
) -> None:
    loads = []

    def look(frame: object, scenario: str, links: object, published: object, about: str) -> None:
        loads.append(benches[0].side.load())
        signal.raise_signal(signal.SIGINT)

    benches: list[RunningBench] = []
    start_bench = Bench.start

    def starting(door: Bench, *arguments: Any, **more: Any) -> RunningBench:
        benches.append(start_bench(door, *arguments, **more))
        return benches[0]

    monkeypatch.setattr(Bench, "start", starting)
    monkeypatch.setattr(gateway.cli.bench, "_show_running", look)
    assert 130 == cli("bench", "run", SCENARIO, *options).code
    assert lifelike is (loads[0] is not None)


def test_sigterm_ends_it_with_its_own_code(served: Served, runtime: Path) -> None:
    assert (143, "", "") == served.stop(signal.SIGTERM)
    assert [] == list(runtime.iterdir())


def test_what_it_prints_can_be_typed(cli: Cli, runtime: Path) -> None:
    process = start(SCENARIO)
    try:
        assert process.stdout is not None
        lines = []
        while not (lines and lines[-1].startswith("Ctrl-C")):
            lines.append(process.stdout.readline())
            assert lines[-1], "it ended early"
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=LONG_S)
    finally:
        process.kill()
    # It sent its broadcast messages on a bus with physics; how busy that made it, the last line says.
    assert re.fullmatch(
        r"The simulated vehicle is gone\. Bus load: \d+ % in the last second, \d+\.\d % in all\.\n", out
    )
    assert (130, "") == (process.returncode, err)
    commands = [shlex.split(line) for line in lines if line.startswith("  mendproof")]
    assert [["job", "open"], ["scan", "JOB"], ["bench", "do"]] == [command[1:3] for command in commands]
    [profile] = [line.split()[1] for line in lines if line.startswith("  profile")]
    link = lines[2].split()[1]
    assert ["--link", link, "--profile", profile] == commands[0][3:]
    assert ["--as", "before", "--link", link] == commands[1][3:]


def test_after_kill_9_the_next_one_starts_as_ever(cli: Cli, served: Served, runtime: Path) -> None:
    served.process.kill()
    served.process.wait(timeout=LONG_S)
    assert (runtime / "bench.json").exists()
    assert cli.fails(3, "bench", "do", "key_off").endswith(START_ONE)
    with Bench().start(SCENARIO) as bench, Bench().publish(bench):
        assert "key off" in cli.done("bench", "do", "key_off").out


def test_a_second_car_at_a_time_is_refused(cli: Cli, car: RunningBench) -> None:
    line = cli.fails(3, "bench", "run", SCENARIO)
    assert f"a simulated vehicle '{SCENARIO}' (process {os.getpid()}) is running already; end it first" in line


@pytest.mark.parametrize("option", ["--control-port", *(f"--{kind}-port" for kind in Bench().doors() if kind != "pty")])
def test_a_port_in_use_is_named_and_nothing_is_left(cli: Cli, runtime: Path, option: str) -> None:
    threads = threading.active_count()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = str(listener.getsockname()[1])
        line = cli.fails(3, "bench", "run", SCENARIO, option, port)
    assert port in line
    assert line.endswith("or leave the port out: then a free one is taken")
    assert threads == threading.active_count()
    assert not runtime.exists()


@pytest.mark.parametrize(
    ("scenario", "says"),
    [
        ("nothing", "unknown scenario 'nothing'; known: "),
        ("missing.toml", "the scenario file missing.toml cannot be read"),
        ("broken.toml", "broken.toml, line 1"),
    ],
)
def test_a_scenario_that_is_not_there_or_broken_is_named(cli: Cli, scenario: str, says: str) -> None:
    if scenario == "broken.toml":
        scenario = str(cli.folder / scenario)
        Path(scenario).write_text("[[[", encoding="utf-8")
    line = cli.fails(2, "bench", "run", scenario)
    assert says in line
    assert line.endswith("mendproof bench list shows the scenarios")


@pytest.mark.parametrize("words", [("--control-port", "65536"), ("--can-port", "x"), ("--seed", "-1")])
def test_a_number_that_is_none_is_refused(cli: Cli, words: tuple[str, ...]) -> None:
    cli.fails(2, "bench", "run", SCENARIO, *words)


# --- bench list ---


def test_the_scenarios_are_listed_with_what_happened(cli: Cli) -> None:
    form = cli.done("bench", "list", "--json").form
    assert {name: Bench().about(name) for name in Bench().scenarios()} == {
        row["scenario"]: row["about"] for row in form["scenarios"]
    }
    text = cli.done("bench", "list").out
    assert all(f"{name} " in text for name in Bench().scenarios())


# --- bench do ---


def test_what_happened_is_printed(cli: Cli, car: RunningBench) -> None:
    assert cli.done("bench", "do", "start_engine").out.startswith("engine running at 800 1/min (simulated clock ")
    assert "drove 60 s, now at 60 km/h" in cli.done("bench", "do", "drive", "kmh=60", "seconds=60").out
    assert 60 == car.world.speed_kmh


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("drive", "kmh=60", "seconds=5"), "the engine is not running; start it first"),
        (("key_on",), "the key is already on"),
        (("fly",), "unknown action 'fly'"),
        (("key_of",), "did you mean 'key_off'?"),
        (("wait",), "'wait' takes seconds, not nothing"),
        (("wait", "seconds=soon"), "seconds must be a whole number from 1"),
        (("wait", "seconds=9999999999"), "seconds must be a whole number from 1"),
        (("repair", "component=tail"), "no part 'tail'; known: "),
        (("wait", "5"), "'5' is not NAME=VALUE"),
        (("wait", "seconds="), "'seconds=' is not NAME=VALUE"),
        (("wait", "seconds=1", "seconds=2"), "'seconds' is there twice"),
        (("key_off", "--pace", "5"), "--pace is for actions that last"),
        (("wait", "seconds=0", "--pace", "5"), "seconds must be a whole number from 1"),
        (("fly", "seconds=5", "--pace", "5"), "unknown action 'fly'"),
    ],
)
def test_what_cannot_be_done_is_told(cli: Cli, car: RunningBench, words: tuple[str, ...], says: str) -> None:
    before_s = car.world.now_s
    assert says in cli.fails(2, "bench", "do", *words)
    assert before_s == car.world.now_s


def test_without_a_car_the_line_names_the_command_that_starts_one(cli: Cli) -> None:
    assert f"{NOBODY} -> {START_ONE}" == cli.fails(3, "bench", "do", "key_on")


def test_the_help_lists_every_action_and_value(cli: Cli) -> None:
    text = " ".join(cli.done("bench", "do", "--help").out.split())
    for name, action in Bench().actions().items():
        assert f"{name} {action.usage}".strip() in text
        assert action.about in text
        for argument, part in action.takes.items():
            assert f"{argument.upper()} " in text
            assert part.about in text
    for words, about in Bench().disturbances().items():
        assert f"{words} {about}" in text


def test_at_a_pace_time_passes_in_steps(cli: Cli, car: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = []
    act = car.act

    def noting(action: str, /, **arguments: int | str) -> object:
        steps.append(arguments["seconds"])
        return act(action, **arguments)

    monkeypatch.setattr(car, "act", noting)
    before_s, began_s = car.world.now_s, time.monotonic()
    out = cli.done("bench", "do", "wait", "seconds=100", "--pace", "200").out
    took_s = time.monotonic() - began_s
    assert (100, [1, 50, 49]) == (car.world.now_s - before_s, steps)
    assert out.startswith("waited 100 s (simulated clock ")
    assert took_s >= 51 / 200  # the last step begins when those before it have passed


def test_a_paced_drive_is_told_as_one(cli: Cli, car: RunningBench) -> None:
    cli.done("bench", "do", "start_engine")
    said = cli.done("bench", "do", "drive", "kmh=62", "seconds=61", "--pace", "200", "--json").form["said"]
    assert said.startswith("drove 61 s, now at ")


def test_steps_that_tell_no_seconds_are_counted_behind_what_they_say() -> None:
    assert "rolling, 61 s in all" == gateway.cli.bench._of_all("rolling", 11, 61)


def test_ctrl_c_leaves_a_paced_car_as_it_then_is(cli: Cli, car: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopping(_due_s: float, stop: threading.Event) -> bool:
        signal.raise_signal(signal.SIGINT)
        return not stop.is_set()

    monkeypatch.setattr(gateway.cli.bench, "_wait_until", stopping)
    before_s = car.world.now_s
    result = cli("bench", "do", "wait", "seconds=100", "--pace", "1", "--json")
    assert (130, "waited 1 s", before_s + 1) == (result.code, result.form["said"], result.form["world_s"])
    assert before_s + 1 == car.world.now_s


def test_a_car_that_goes_away_meanwhile_is_told(cli: Cli, car: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_arguments: object, **_more: object) -> object:
        raise ConnectionError("the simulated vehicle does not answer any more")

    monkeypatch.setattr("simulators.bench_file.DistantBench.act", gone)
    result = cli("bench", "do", "key_off")
    assert 3 == result.code
    assert one_line(result.err).endswith(f"does not answer any more -> {START_ONE}")


# --- a car that takes its time is the same car ---


def test_a_scan_reads_the_same_faults_from_a_car_that_takes_its_time(cli: Cli) -> None:
    profile = cli.folder / "car.toml"
    profile.write_text(Bench().profile_text(SCENARIO), encoding="utf-8")
    listed = []
    for job, lifelike in enumerate((False, True), start=1):
        with Bench().start(SCENARIO, lifelike=lifelike) as bench:
            cli.done("job", "open", "--profile", str(profile), "--link", bench.links[0])
            form = cli.done("scan", str(job), "--as", "before", "--link", bench.links[0], "--json").form
        assert form["complete"]
        listed.append([(unit["unit"], unit["outcome"], unit["faults"]) for unit in form["units"]])
    assert any(faults for _, _, faults in listed[0])
    assert listed[0] == listed[1]


@pytest.mark.parametrize("scenario", Bench().scenarios())
def test_a_newcomer_scans_each_car_with_three_commands(cli: Cli, scenario: str) -> None:
    profile = cli.folder / "car.toml"
    profile.write_text(Bench().profile_text(scenario), encoding="utf-8")
    with Bench().start(scenario) as bench:
        link = bench.open_door("can")
        cli.done("job", "open", "--link", link, "--profile", str(profile))
        form = cli.done("scan", "1", "--as", "before", "--link", link, "--json").form
    assert form["complete"]
    assert len(bench.desk.units) == len(form["units"])
    assert {"answered"} == {unit["outcome"] for unit in form["units"]}

"""Watching: rounds of reading while the car is used, until each fault passed under its conditions or came back."""

from __future__ import annotations

import itertools

import pytest
from cli_help import QUICK, Cli

import gateway.watching
from decoders.values import Dtc, Exchange
from gateway.visit import Visit
from sessions.verdict.conditions import ConditionSet
from sessions.verdict.met import SetResult
from sessions.verdict.sights import FaultKey
from sessions.verdict.watched import WatchedFault
from simulators.door import RunningBench

KEY = FaultKey(unit="760/768", dtc=Dtc.parse("C0035-13"), memory="dtc")
STANDING_ROUNDS = 40
BRIEF = ("--set", "rules.hold_s=1")


def result(*, met: bool, problem: str | None = None) -> SetResult:
    conditions = ConditionSet(origin="stored record 01", problem=problem)
    return SetResult(
        conditions=conditions, words="engine off, standing", held_s=0.0, needed_s=10.0, seen_at=None, met=met
    )


def fault(*sets: SetResult, came_back: bool = False) -> WatchedFault:
    return WatchedFault(key=KEY, unit_name="Brake control", sets=sets, came_back=came_back)


@pytest.mark.parametrize(
    ("watched", "done", "words"),
    [
        (fault(result(met=True), came_back=True), True, "came back"),
        (fault(), False, "its conditions are not known"),
        (fault(result(met=True)), True, "passed under all its conditions"),
        (
            fault(result(met=True), result(met=False)),
            False,
            "1 of 2 conditions met; next: engine off, standing",
        ),
        (fault(result(met=False, problem="not readable")), False, "0 of 1 conditions met; next: not readable"),
    ],
)
def test_where_a_fault_stands_is_told_in_words(watched: WatchedFault, done: bool, words: str) -> None:
    assert (done, words) == (watched.done, watched.words)


def driven_between_rounds(bench: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver who moves after each round: stands a while with the key on, then drives at the stored speed."""
    rounds = itertools.count(1)
    real_round = gateway.watching.watch_round

    def round_then_drive(visit: Visit, watch: gateway.watching.Watch) -> tuple[Exchange, ...]:
        kept = real_round(visit, watch)
        number = next(rounds)
        if number <= STANDING_ROUNDS:
            bench.act("wait", seconds=1)
        else:
            if number == STANDING_ROUNDS + 1:
                bench.act("start_engine")
            bench.act("drive", kmh=62, seconds=5)
        return kept

    monkeypatch.setattr(gateway.watching, "watch_round", round_then_drive)


def test_watching_ends_when_every_standing_fault_passed_or_came_back(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Real time and the world's run side by side: a second of holding is enough here, by a setting of the job."""
    link = bench.links[0]
    cli.done("job", "open", "--profile", cli.profile_file(), *BRIEF)
    cli.done("scan", "1", "--as", "before", "--link", link, *QUICK)
    bench.act("repair", component="front_left_speed_sensor")
    cli.done("repair", "part", "1", "sensor")
    cli.done("clear", "1", "--link", link, *QUICK)
    monkeypatch.setattr(gateway.watching, "ROUND_S", 0.05)
    monkeypatch.setattr("gateway.cli.watch.JUDGE_EVERY_S", 1.0)
    driven_between_rounds(bench, monkeypatch)
    form = cli.done("watch", "1", "--link", link, "--minutes", "1", "--json", *QUICK).form
    states = {fault["code"]: fault["state"] for fault in form["faults"]}
    assert {
        "B1B3A-77": "came back",
        "B2A10-00": "came back",
        "C0035-13": "passed under all its conditions",
        "U0415-00": "passed under all its conditions",
        "U0415-81": "passed under all its conditions",
    } == states
    bench.act("drive", kmh=0, seconds=25)
    bench.act("stop_engine")
    cli.done("scan", "1", "--as", "after", "--link", link, *QUICK)
    verdicts = {item["code"]: item["verdict"] for item in cli.done("verdict", "1", "--json").form["faults"]}
    assert "proven" == verdicts["C0035-13"]
    assert "untested" == verdicts["P0353-13"]


def test_without_a_clear_there_is_nothing_to_watch(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    line = cli.fails(2, "watch", "1", "--link", bench.links[0], *QUICK)
    assert "There is nothing to watch" in line


def test_the_time_given_ends_it(cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A deadline that has passed: where each fault stands is told, and nothing was asked."""
    cli.use_scanned_job()
    cli.done("clear", "1", "--link", bench.links[0], *QUICK)
    frames = len(bench.frames)
    monkeypatch.setattr("gateway.cli.watch.MINUTE_S", 0)
    out = cli.done("watch", "1", "--link", bench.links[0], "--minutes", "1", *QUICK).out
    assert "Brake control 760/768  C0035-13  0 of 3 conditions met" in out
    assert frames == len(bench.frames)

"""The judge against the truth: random stories on the bench, where alone it is known what is really repaired.

A `proven` for a fault whose part is not sound is the worst error there is; here it would show.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from decoders.errors import RefusedError
from gateway.bench_port import find_bench
from gateway.clearing import clear_unit, units_to_clear
from gateway.guard import Guard, Phase, open_guarded
from gateway.jobs import note_work, open_job, visit_vehicle
from gateway.links import DEFAULT_LIMITS
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import take_scan
from gateway.settings import read_settings
from gateway.visit import Visit
from gateway.watching import watch_of, watch_round
from sessions.journal import Kind
from sessions.store import Store
from sessions.verdict import JobVerdict, Verdict, judge
from simulators.door import RunningBench

SCENARIO = "warning-lamps"
STORIES = int(os.environ.get("MENDPROOF_TRUTH_STORIES", "10"))
PARTS = ("front_left_speed_sensor", "coil_c_connector", "tailgate_strut", "inspection_interval")
PROVING_SEED = 218
QUICK = replace(DEFAULT_LIMITS, p2_ms=60, functional_ms=60)


class Story:
    """One random workshop: every move is possible, also the foolish ones."""

    def __init__(self, visit: Visit, bench: RunningBench, chance: random.Random) -> None:
        self.visit = visit
        self.bench = bench
        self.chance = chance
        self.moves: list[str] = []

    def act(self, action: str, **arguments: int | str) -> None:
        result = self.bench.act(action, **arguments)
        self.visit.writer.append(Kind.WORLD, {"action": action, "world_s": result.world_s, "said": result.said})

    def pass_time(self, action: str, seconds: int, *, watched: bool, **arguments: int) -> None:
        record = self.visit.record()
        watch = watch_of(record, ("730/738", "760/768", "7E0/7E8", "7E1/7E9", "740/748"))
        step = self.chance.choice((5, 5, 5, 12)) if watched else seconds
        for _ in range(0, seconds, step):
            self.act(action, seconds=step, **arguments)
            if watched:
                watch_round(self.visit, watch)

    def repair(self) -> None:
        part = self.chance.choice((PARTS[0], *PARTS))
        self.act("repair", component=part)
        note_work(self.visit.writer, "part", part)

    def claim_repair(self) -> None:
        note_work(self.visit.writer, "part", "a part that cures nothing")

    def clear(self) -> None:
        for unit in units_to_clear(self.visit.record(), ()):
            try:
                clear_unit(self.visit, unit, stated_parked=False)
            except RefusedError:
                return

    def key_cycle(self) -> None:
        watched = self.chance.random() < 0.6
        self.act("key_off")
        self.pass_time("wait", self.chance.choice((30, 65)), watched=watched)
        self.act("key_on")
        self.pass_time("wait", self.chance.choice((5, 15)), watched=watched)

    def drive(self) -> None:
        watched = self.chance.random() < 0.7
        self.act("start_engine")
        kmh = self.chance.choice((45, 62, 62, 62, 90))
        self.pass_time("drive", self.chance.choice((60, 300, 520)), watched=watched, kmh=kmh)
        self.act("drive", kmh=0, seconds=25)
        self.act("stop_engine")

    def wait(self) -> None:
        self.pass_time("wait", 15, watched=True)

    def check(self) -> None:
        take_scan(self.visit, "check")

    def run(self) -> JobVerdict:
        self.act("wait", seconds=1)
        take_scan(self.visit, "before")
        moves: list[Callable[[], None]] = [
            self.repair,
            self.repair,
            self.claim_repair,
            self.clear,
            self.clear,
            self.key_cycle,
            self.drive,
            self.drive,
            self.wait,
            self.check,
        ]
        sensible = [
            self.repair,
            self.claim_repair,
            self.clear,
            self.wait,
            self.clear,
            self.wait,
            self.key_cycle,
            self.drive,
        ]
        if self.chance.random() < 0.6:
            chosen = [move for move in sensible if self.chance.random() < 0.75]
        else:
            chosen = self.chance.choices(moves, k=self.chance.randint(3, 8))
        for move in chosen:
            self.moves.append(move.__name__)
            move()
        take_scan(self.visit, "after")
        return judge(self.visit.record())


def tell_story(seed: int, folder: Path) -> tuple[JobVerdict, list[str], dict[str, bool]]:
    """Run one story and give back its verdict, its moves, and which part is really sound."""
    door = find_bench()
    text = door.profile_text(SCENARIO)
    profile = LoadedProfile(profile=parse_profile(text, name=SCENARIO), text=text)
    settings = read_settings([], None)
    with (
        Store.open(folder / f"story-{seed}.sqlite", create=True) as store,
        door.start(SCENARIO) as bench,
        open_guarded(bench.links[0], Guard(phase=Phase.READING), shown_as=f"sim:{SCENARIO}") as link,
    ):
        opened = open_job(
            store, actor="test", settings=settings, profile=profile, complaints=(), odometer_km=None, link=None
        )
        with store.writer(opened.job, actor="test") as writer:
            visit = visit_vehicle(store, writer, link, settings)
            visit.limits = QUICK
            story = Story(visit, bench, random.Random(seed))  # noqa: S311 - a story, not a secret
            verdict = story.run()
        monitors = {
            (address, code): monitor.spec.component
            for address, unit in bench.car.units.items()
            for code, monitor in unit.monitors.items()
        }
        sound = {f"{unit} {code}": bench.truth(part) for (unit, code), part in monitors.items()}
    return verdict, story.moves, sound


@pytest.mark.parametrize("seed", range(STORIES))
def test_nothing_is_proven_that_is_not_repaired(seed: int, tmp_path: Path) -> None:
    verdict, moves, sound = tell_story(seed, tmp_path)
    proven = [f"{f.key.unit} {f.key.dtc.text}" for f in verdict.faults if f.verdict is Verdict.PROVEN]
    false = [fault for fault in proven if not sound[fault]]
    assert ([], moves) == (false, moves)


def test_a_story_in_which_the_right_things_are_done_does_prove(tmp_path: Path) -> None:
    """The guard against a judge that never says proven: otherwise the test above could not fail."""
    verdict, _moves, _sound = tell_story(PROVING_SEED, tmp_path)
    proven = sorted(fault.key.dtc.text for fault in verdict.faults if fault.verdict is Verdict.PROVEN)
    assert ["C0035-13", "U0415-00", "U0415-81"] == proven

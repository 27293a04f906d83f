"""What tests do that need a job on a simulated car: a bench, an open job, a visit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from gateway.bench_port import find_bench
from gateway.guard import Guard, Phase, open_guarded
from gateway.jobs import open_job, visit_vehicle
from gateway.profiles import LoadedProfile, parse_profile
from gateway.settings import Setting, Settings, read_settings
from gateway.visit import Visit
from sessions.store import Store
from simulators.door import RunningBench

SCENARIO = "warning-lamps"
# Enough for any unit of the bench on a busy machine; calls to all wait less than for real units.
QUICK = {"scan.functional_ms": 80}


def profile() -> LoadedProfile:
    text = find_bench().profile_text(SCENARIO)
    return LoadedProfile(profile=parse_profile(text, name=SCENARIO), text=text)


def settings(figures: Mapping[str, int] = QUICK) -> Settings:
    changed = {name: Setting(value, "test") for name, value in figures.items()}
    return Settings({**read_settings((), None).values, **changed})


@contextmanager
def visiting(store: Store, link_text: str, loaded: LoadedProfile | None, in_force: Settings) -> Iterator[Visit]:
    """A new job in the store, and a visit to the vehicle at the link."""
    with open_guarded(link_text, Guard(phase=Phase.READING)) as link:
        opened = open_job(
            store,
            actor="tester",
            settings=in_force,
            profile=loaded,
            complaints=(),
            odometer_km=None,
            link=link,
        )
        with store.writer(opened.job, actor="tester") as writer:
            yield visit_vehicle(store, writer, link, in_force)


@dataclass(frozen=True)
class Workshop:
    """A running bench with a visit to it."""

    bench: RunningBench
    visit: Visit


@contextmanager
def workshop(store_file: Path) -> Iterator[Workshop]:
    """A new car and a job that is open on it."""
    bench = find_bench().start(SCENARIO)
    assert isinstance(bench, RunningBench)
    with (
        bench,
        Store.open(store_file, create=True) as store,
        visiting(store, bench.links[0], profile(), settings()) as visit,
    ):
        yield Workshop(bench, visit)

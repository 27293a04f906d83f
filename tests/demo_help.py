"""One run of the whole demonstration, shared by every test that looks at what it left behind."""

from __future__ import annotations

import atexit
import contextlib
import functools
import io
import shutil
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from bus_help import Message, reassemble

import gateway.cli.demo_show
from gateway.cli.main import run
from sessions.journal import Entry
from sessions.record import JobRecord, read_record
from sessions.store import Store
from simulators.can_node import Frame
from simulators.door import RunningBench

SHELL_QUERY = (
    "SELECT scan || ' ' || taken_as || ' ' || complete FROM scan ORDER BY scan;"
    "SELECT 'exchanges ' || count(*) FROM exchange;"
)
OLD = "left by an earlier demo"


@dataclass(frozen=True)
class Step:
    """What the sqlite3 shell showed of the record when a step ended; None without a shell."""

    title: str
    shown: list[str] | None


@dataclass(frozen=True)
class DemoRun:
    """What one run left behind."""

    code: int
    wall_s: float
    output: str
    store_file: Path
    report_file: Path
    steps: list[Step]
    frames: tuple[Frame, ...]
    messages: list[Message]
    sound: dict[str, bool]
    entries: tuple[Entry, ...]
    record: JobRecord


def shell(store_file: Path, query: str) -> list[str] | None:
    """What the sqlite3 shell says, read-only, or None where it is not installed."""
    program = shutil.which("sqlite3")
    if program is None:
        return None
    done = subprocess.run(  # noqa: S603
        [program, "-readonly", str(store_file), query], capture_output=True, text=True, timeout=20, check=False
    )
    assert (0, "") == (done.returncode, done.stderr)
    return done.stdout.splitlines()


@functools.cache
def demo_run() -> DemoRun:
    """Run ``mendproof demo`` once, in this process; every caller gets the same run."""
    folder = Path(tempfile.mkdtemp(prefix="mendproof-demo-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    store_file = folder / "demo.sqlite"
    for name in ("demo.sqlite", "report.html", "mine.txt"):
        (folder / name).write_text(OLD)
    titles: list[str] = []
    steps: list[Step] = []
    benches: list[RunningBench] = []
    show = gateway.cli.demo_show

    def begin(frame: object, number: int, title: str) -> None:
        if titles:
            steps.append(Step(titles[-1], shell(store_file, SHELL_QUERY)))
        titles.append(title)
        tell(frame, number, title)

    def start(*args: object) -> RunningBench:
        benches.append(start_bench(*args))
        return benches[-1]

    tell, start_bench = show._heading, show.start_bench
    output = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(output):
        patch.setattr(show, "_heading", begin)
        patch.setattr(show, "start_bench", start)
        patch.setenv("XDG_CONFIG_HOME", str(folder))
        began_s = time.perf_counter()
        code = run(["demo", "--folder", str(folder), "--by", "tester"])
        wall_s = time.perf_counter() - began_s
    steps.append(Step(titles[-1], shell(store_file, SHELL_QUERY)))
    (bench,) = benches
    with Store.open(store_file, create=False) as store:
        entries = store.journal(1)
    return DemoRun(
        code=code,
        wall_s=wall_s,
        output=output.getvalue(),
        store_file=store_file,
        report_file=folder / "report.html",
        steps=steps,
        frames=bench.frames,
        messages=reassemble(bench.frames),
        sound={name: bench.truth(name) for name in bench.car.components},
        entries=entries,
        record=read_record(entries),
    )

"""Runs commands in this process, the way a person types them, each test with folders of its own."""

from __future__ import annotations

import atexit
import functools
import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from workshop import SCENARIO, profile, workshop

from gateway.bench_port import find_bench
from gateway.cli.main import run
from gateway.scanning import take_scan
from sessions.record import JobRecord, read_record
from sessions.store import Store
from simulators.door import RunningBench

QUICK = ("--set", "scan.functional_ms=80")
CLEAR_SERVICES = (0x04, 0x14)


@dataclass(frozen=True)
class Result:
    """What a command printed and its exit code."""

    code: int
    out: str
    err: str

    @property
    def form(self) -> Any:
        """The result: the last JSON object on standard output, after the events of a command that takes its time."""
        return json.loads(self.out.splitlines()[-1])


class Cli:
    """The command line with a store of its own."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.store_file = folder / "record.sqlite"
        self._capsys = capsys
        for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME"):
            monkeypatch.setenv(name, str(folder / name.lower()))
        monkeypatch.setenv("MENDPROOF_STORE", str(self.store_file))

    def __call__(self, *arguments: str) -> Result:
        """Run a command."""
        self._capsys.readouterr()
        code = run(list(arguments))
        printed = self._capsys.readouterr()
        return Result(code, printed.out, printed.err)

    def done(self, *arguments: str) -> Result:
        """Run a command that must end well and say nothing on standard error."""
        result = self(*arguments)
        assert (0, "") == (result.code, result.err), result
        return result

    def fails(self, code: int, *arguments: str) -> str:
        """Run a command that must fail: one line on standard error with a next step, nothing else anywhere."""
        result = self(*arguments)
        assert (code, "") == (result.code, result.out)
        return one_line(result.err)

    def record(self, job: int = 1) -> JobRecord:
        """The job's record as it now is."""
        with Store.open(self.store_file, create=False) as store:
            assert store.check(job) is None
            return read_record(store.journal(job))

    def profile_file(self) -> str:
        """The bench's profile as a file."""
        path = self.folder / "profile.toml"
        path.write_text(profile().text, encoding="utf-8")
        return str(path)

    def use_scanned_job(self) -> None:
        """Put a job with a complete before-scan of the bench's car into the store."""
        shutil.copy(scanned_store(), self.store_file)


def one_line(err: str) -> str:
    """The text of a failure: one line, with a next step, and no traceback."""
    assert 1 == err.count("\n"), err
    assert err.startswith("mendproof: "), err
    assert " -> " in err, err
    assert "Traceback" not in err, err
    return err.strip()


@functools.cache
def scanned_store() -> Path:
    """A record with one job, whose car has been scanned as `before`; made once, copied by those who change it."""
    folder = Path(tempfile.mkdtemp(prefix="mendproof-scanned-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "record.sqlite"
    with workshop(path) as shop:
        assert take_scan(shop.visit, "before").complete
    return path


@contextmanager
def running_bench() -> Iterator[RunningBench]:
    """A new car, as the scenario's opening left it."""
    with find_bench().start(SCENARIO) as bench:
        assert isinstance(bench, RunningBench)
        yield bench


def clears_on_the_bus(bench: RunningBench) -> list[bytes]:
    """Every frame to the car that begins a clear (all of them fit one frame)."""
    return [frame.data for frame in bench.frames if frame.direction == "rx" and frame.data[1] in CLEAR_SERVICES]

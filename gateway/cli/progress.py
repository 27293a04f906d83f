"""What goes on while the vehicle is asked: drawn for a person at a terminal, or told to a program line by line.

What is drawn stands on standard error and is gone when it is over; a pipe never sees it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import TYPE_CHECKING, Any, Self

import click

from decoders.values import Outcome
from gateway.cli.follow import ScanProgress, StepProgress, with_address
from gateway.visit import Asks, Begins, Ended, Onlooker, Visit, VisitEvent
from sessions.record import JobRecord
from sessions.record.model import During, TakenAs
from sessions.verdict import UnitLook

if TYPE_CHECKING:
    from rich.console import Group
    from rich.live import Live
    from rich.progress import Progress, ProgressColumn

    from gateway.cli.frame import Frame

Aside = Callable[[], AbstractContextManager[None]]
"""Takes what is drawn away while something else is printed."""

_REDRAWN_A_SECOND = 5


def somebody_watches(frame: Frame) -> bool:
    """True if standard error is a terminal and the person did not ask for results only."""
    return sys.stderr.isatty() and not (frame.quiet or frame.as_json)


def tell_event(frame: Frame, event: str, form: Mapping[str, Any]) -> None:
    """Print one event as a line of JSON, at once, if ``--json`` was given; the result is the last line."""
    if not frame.as_json:
        return
    from gateway.cli.console import silence_stdout

    try:
        click.echo(json.dumps({"event": event, **form}, ensure_ascii=False))
    except BrokenPipeError:
        silence_stdout()


class ScanStream:
    """Tells a program of a scan: its begin, the units to be read, and each unit that is done.

    Args:
        frame: where to print.
        progress: follows the same scan, and is told of everything before this.
        record: the job, for the names of its units.
        head: what the first event says beside the scan's number.
    """

    def __init__(self, frame: Frame, progress: ScanProgress, record: JobRecord, head: Mapping[str, Any]) -> None:
        self._frame = frame
        self._progress = progress
        self._record = record
        self._head = head
        self._begun = False
        self._found: tuple[str, ...] = ()
        self._told: dict[str, UnitLook] = {}

    def __call__(self, event: VisitEvent) -> None:
        """What the visit does."""
        match event:
            case Begins(scan=scan):
                self._tell_begin(scan)
            case Asks():
                self._tell_found()
            case Ended(name=name):
                self._tell_unit(name)

    def _tell_begin(self, scan: int | None) -> None:
        if not self._begun:
            self._begun = True
            tell_event(self._frame, "begin", {"job": self._head["job"], "scan": scan, **self._head})

    def _tell_found(self) -> None:
        new = self._progress.units[len(self._found) :]
        if new:
            self._found = self._progress.units
            units = [{"unit": unit, "unit_name": self._record.unit_name(unit)} for unit in new]
            tell_event(self._frame, "found", {"units": units})

    def _tell_unit(self, name: str) -> None:
        look = self._progress.looks.get(name)
        if look is None or look == self._told.get(name):
            return
        self._told[name] = look
        refused = look.outcome is Outcome.REFUSED and look.refusal is not None
        tell_event(
            self._frame,
            "unit",
            {
                "unit": name,
                "unit_name": self._record.unit_name(name),
                "outcome": look.outcome_text,
                "refusal": f"{look.refusal:02X}" if refused else None,
                "faults": len(look.faults),
            },
        )


@contextmanager
def scanning(frame: Frame, visit: Visit, job: int, taken_as: TakenAs) -> Iterator[None]:
    """While a scan runs: progress on a terminal, or events with ``--json``, or nothing."""
    if not (frame.as_json or somebody_watches(frame)):
        yield
        return
    record = visit.record()
    progress = ScanProgress(record)
    stream = ScanStream(frame, progress, record, {"job": job, "as": taken_as, "link": visit.link.address})
    with onlooking(visit, progress, stream), drawn(frame, progress.lines):
        yield


@contextmanager
def clearing(frame: Frame, visit: Visit, record: JobRecord, unit: str, place: str) -> Iterator[None]:
    """While one unit is cleared: which step it is at, on a terminal only.

    Args:
        frame: the command.
        visit: where it asks.
        record: the job, for the names of its units.
        unit: the unit that is cleared.
        place: which of the units it is, e.g. ``2 of 5``.
    """
    steps: Mapping[During, str] = {
        "interlock": "does the car stand?",
        "clear": "the erase was sent",
        "readback": "reading it back",
    }
    progress = StepProgress(record, f"Clearing {with_address(record, unit)}, unit {place}", steps)
    with onlooking(visit, progress), drawn(frame, progress.lines):
        yield


@contextmanager
def watching(frame: Frame, visit: Visit) -> Iterator[tuple[StepProgress, Aside]]:
    """While the car is watched: how long for, and who is waited for, on a terminal only.

    Yields:
        The progress, whose `doing` says where things stand, and what makes way for a line of text.
    """
    progress = StepProgress(visit.record(), "Watching", {})
    with onlooking(visit, progress), drawn(frame, progress.lines) as aside:
        yield progress, aside


@contextmanager
def onlooking(visit: Visit, *onlookers: Onlooker) -> Iterator[None]:
    """Let these see what the visit does, in this order, for a while."""
    visit.onlookers += onlookers
    try:
        yield
    finally:
        for onlooker in onlookers:
            visit.onlookers.remove(onlooker)


@contextmanager
def drawn(frame: Frame, lines: Callable[[], tuple[str, ...]]) -> Iterator[Aside]:
    """Draw lines on the terminal a few times a second; they are gone when it is over."""
    if not somebody_watches(frame):
        yield nullcontext
        return
    from rich.console import Console
    from rich.live import Live

    # Results go to standard output, perhaps into a file: rich must not catch them for the terminal.
    live = Live(
        get_renderable=lambda: _as_text(lines()),
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
        refresh_per_second=_REDRAWN_A_SECOND,
    )
    with live:
        yield lambda: _aside(live)


@contextmanager
def _aside(live: Live) -> Iterator[None]:
    live.stop()
    try:
        yield
    finally:
        live.start()


def _as_text(lines: tuple[str, ...]) -> Group:
    from rich.console import Group
    from rich.text import Text

    return Group(*(Text(line, no_wrap=True, overflow="ellipsis") for line in lines))


def _bar(*columns: ProgressColumn) -> Progress:
    from rich.console import Console
    from rich.progress import Progress

    return Progress(
        *columns, console=Console(stderr=True), transient=True, redirect_stdout=False, redirect_stderr=False
    )


class DriveProgress:
    """A bar for each stretch of simulated time; when one is over, a line says what it was."""

    def __init__(self, frame: Frame, step_s: int) -> None:
        self._frame = frame
        self._step_s = step_s
        self._bar: Progress | None = None

    def __call__(self, doing: str, done_s: int, total_s: int) -> None:
        """So many seconds of a stretch have passed."""
        if self._bar is None and somebody_watches(self._frame):
            from rich.progress import BarColumn, TextColumn

            numbers = TextColumn("{task.completed} of {task.total} s, simulated")
            self._bar = _bar(TextColumn("  {task.description}"), BarColumn(), numbers)
            self._bar.add_task(doing, total=total_s)
            self._bar.start()
        if self._bar is not None:
            self._bar.update(self._bar.task_ids[0], completed=done_s)
        if done_s >= total_s:
            self._end()
            self._frame.say(f"  {doing}: {total_s} s (simulated), read every {self._step_s} s")

    def __enter__(self) -> Self:
        """The progress itself."""
        return self

    def __exit__(self, *_error: object) -> None:
        """Take away a bar that is still drawn."""
        self._end()

    def _end(self) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

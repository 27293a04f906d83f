"""Progress for a person at a terminal, on standard error and gone when it is over; a pipe never sees it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from decoders.values import Exchange, Outcome
from gateway.visit import Visit

if TYPE_CHECKING:
    from rich.progress import Progress, ProgressColumn

    from gateway.cli.frame import Frame


def somebody_watches(frame: Frame) -> bool:
    """True if standard error is a terminal and the person did not ask for results only."""
    return sys.stderr.isatty() and not (frame.quiet or frame.as_json)


def _bar(*columns: ProgressColumn) -> Progress:
    from rich.console import Console
    from rich.progress import Progress

    # Results go to standard output, perhaps into a file: rich must not catch them for the terminal.
    return Progress(
        *columns, console=Console(stderr=True), transient=True, redirect_stdout=False, redirect_stderr=False
    )


@contextmanager
def asking(frame: Frame, visit: Visit) -> Iterator[None]:
    """While the vehicle is asked: how many units spoke, how requests ended, and who was asked last."""
    if not somebody_watches(frame):
        yield
        return
    from rich.progress import SpinnerColumn, TextColumn, TimeElapsedColumn

    counts = dict.fromkeys(Outcome, 0)
    spoke: set[str] = set()
    with _bar(SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn()) as bar:
        task = bar.add_task("asking the vehicle", total=None)

        def notice(exchange: Exchange) -> None:
            if exchange.outcome is not None:
                counts[exchange.outcome] += 1
            if exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED):
                spoke.add(exchange.target)
            shown = ", ".join(f"{count} {outcome.value}" for outcome, count in counts.items() if count)
            bar.update(task, description=f"{len(spoke)} units spoke; {shown}; last asked {exchange.target}")

        before, visit.notice = visit.notice, notice
        try:
            yield
        finally:
            visit.notice = before


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

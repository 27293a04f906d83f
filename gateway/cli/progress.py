"""Progress for a person at a terminal: units that spoke, requests made, and what is being waited for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from decoders.values import Exchange, Outcome


@contextmanager
def scan_progress(*, show: bool) -> Iterator[Callable[[Exchange], None]]:
    """Give back what to call with each exchange; draws only where somebody watches."""
    if not show:
        yield lambda _exchange: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    counts = dict.fromkeys(Outcome, 0)
    answered: set[str] = set()
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("asking the vehicle", total=None)

        def notice(exchange: Exchange) -> None:
            if exchange.outcome is not None:
                counts[exchange.outcome] += 1
            if exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED):
                answered.add(exchange.target)
            shown = ", ".join(f"{count} {outcome.value}" for outcome, count in counts.items() if count)
            bar.update(task, description=f"{len(answered)} units spoke; {shown}; last asked {exchange.target}")

        yield notice

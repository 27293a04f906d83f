"""The geometry of the line charts: live values read while the car was watched."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from sessions.record import JobRecord, LiveReading, unit_words
from sessions.report.times import clock_words

WIDTH, HEIGHT = 2000, 100
"""Size of a plot in its own units; the page stretches it."""
PAUSE_S = 60
_PAUSE_SHARE = 0.02
_LABEL_SHARE = 0.18


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A line or label at a place: `at` in plot units."""

    at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One quantity over time.

    Args:
        name: what is drawn.
        unit: its unit of measure.
        source: name and address of the unit that told it.
        lines: points of each unbroken line, as SVG writes them.
        levels: horizontal lines with their values.
        times: places on the time axis with the time since the first reading.
        pauses: places where a pause was cut out.
        summary: the same in a sentence, for those who do not see it.
    """

    name: str
    unit: str
    source: str
    lines: tuple[str, ...]
    levels: tuple[Tick, ...]
    times: tuple[Tick, ...]
    pauses: tuple[float, ...]
    summary: str


_QUANTITIES: tuple[tuple[int, str, str, bool], ...] = (
    (0x0D, "Road speed", "km/h", True),
    (0x0C, "Engine speed", "1/min", True),
    (0x05, "Coolant temperature", "°C", True),
    (0x42, "Supply voltage", "V", False),
)
"""PID, name, unit, and whether the scale begins at zero. Source: SAE J1979-DA, Annex B."""


class TimeAxis:
    """Times laid side by side, with every long pause cut to the same short gap.

    Args:
        times_s: when something was read, in seconds, in order.
    """

    def __init__(self, times_s: Sequence[float]) -> None:
        self.begin = times_s[0]
        gaps = [(a, b) for a, b in pairwise(times_s) if b - a > PAUSE_S]
        shown = times_s[-1] - times_s[0] - sum(b - a for a, b in gaps)
        self._gap = WIDTH * min(_PAUSE_SHARE, 0.5 / len(gaps)) if gaps else 0.0
        self._scale = (WIDTH - self._gap * len(gaps)) / shown if shown > 0 else 0.0
        self._gaps = gaps

    def place(self, time_s: float) -> float:
        """Where a time lies on the plot."""
        cut = sum(b - a for a, b in self._gaps if b <= time_s)
        passed = sum(b <= time_s for _a, b in self._gaps)
        return round((time_s - self.begin - cut) * self._scale + passed * self._gap, 1)

    @property
    def pauses(self) -> tuple[float, ...]:
        """Where the pauses were cut out: the middle of each gap."""
        return tuple(round(self.place(b) - self._gap / 2, 1) for _a, b in self._gaps)

    def ticks(self, last_s: float) -> tuple[Tick, ...]:
        """The begin of each stretch that has room for a label, and the end."""
        wanted = [self.begin, *(b for _a, b in self._gaps), last_s]
        kept: list[float] = [wanted[0]]
        end = self.place(last_s)
        for time_s in wanted[1:-1]:
            at = self.place(time_s)
            if at - self.place(kept[-1]) >= WIDTH * _LABEL_SHARE and end - at >= WIDTH * _LABEL_SHARE:
                kept.append(time_s)
        kept.append(last_s)
        return tuple(Tick(at=self.place(s), text=clock_words(round(s - self.begin))) for s in kept)

    def splits(self, earlier_s: float, later_s: float) -> bool:
        """True if a pause lies between two times."""
        return any(earlier_s <= a and b <= later_s for a, b in self._gaps)


def charts(record: JobRecord) -> tuple[Chart, ...]:
    """A chart for each quantity that one unit told at least twice while the car was watched."""
    watched = {item.moment.seq for item in record.asked if item.during == "watch"}
    live = [item for item in record.live if item.moment.seq in watched]
    simulated = record.is_simulated
    timed = [(time_s, item) for item in live if (time_s := _time_s(item, simulated=simulated)) is not None]
    drawn = {pid: told for pid, *_rest in _QUANTITIES if len(told := _one_unit(timed, pid)) > 1}
    if not drawn:
        return ()
    axis = TimeAxis(sorted(time_s for told in drawn.values() for time_s, _item in told))
    last_s = max(told[-1][0] for told in drawn.values())
    return tuple(
        _chart(record, axis, last_s, drawn[pid], name=name, unit=unit, from_zero=from_zero)
        for pid, name, unit, from_zero in _QUANTITIES
        if pid in drawn
    )


def _time_s(item: LiveReading, *, simulated: bool) -> float | None:
    """Simulated seconds on a simulated vehicle, else seconds by the journal's UTC; None where neither is known."""
    if simulated:
        return None if item.moment.world_s is None else float(item.moment.world_s)
    return datetime.fromisoformat(item.moment.at).timestamp() if item.moment.at else None


def _one_unit(timed: Sequence[tuple[float, LiveReading]], pid: int) -> list[tuple[float, LiveReading]]:
    """The readings of the unit that told this value most often, in order of time."""
    by_unit: dict[str, list[tuple[float, LiveReading]]] = {}
    for time_s, item in timed:
        if item.pid == pid:
            by_unit.setdefault(item.unit, []).append((time_s, item))
    most = max(sorted(by_unit.items()), key=lambda told: len(told[1]), default=("", []))[1]
    return sorted(most, key=lambda told: told[0])


def _chart(
    record: JobRecord,
    axis: TimeAxis,
    last_s: float,
    told: Sequence[tuple[float, LiveReading]],
    *,
    name: str,
    unit: str,
    from_zero: bool,
) -> Chart:
    values = [item.value for _time_s, item in told]
    levels = scale_levels(min(values), max(values), from_zero=from_zero)
    low, high = levels[0], levels[-1]
    digits = 0 if levels[1] - low >= 1 else 1
    address = told[0][1].unit
    return Chart(
        name=name,
        unit=unit,
        source=unit_words(record.unit_name(address), address),
        lines=_lines(axis, told, low, high),
        levels=tuple(
            Tick(at=HEIGHT - (level - low) / (high - low) * HEIGHT, text=f"{level:.{digits}f}") for level in levels
        ),
        times=axis.ticks(last_s),
        pauses=axis.pauses,
        summary=(
            f"{name}, {len(told)} readings: first {values[0]:.{digits}f}, lowest {min(values):.{digits}f}, "
            f"highest {max(values):.{digits}f}, last {values[-1]:.{digits}f} {unit}."
        ),
    )


def _lines(axis: TimeAxis, told: Sequence[tuple[float, LiveReading]], low: float, high: float) -> tuple[str, ...]:
    lines: list[list[str]] = [[]]
    for index, (time_s, item) in enumerate(told):
        if index and axis.splits(told[index - 1][0], time_s):
            lines.append([])
        y = HEIGHT - (item.value - low) / (high - low) * HEIGHT
        lines[-1].append(f"{axis.place(time_s):.0f},{y:.1f}")
    # A point on its own is drawn as a line to itself: a dot.
    return tuple(" ".join(points if len(points) > 1 else points * 2) for points in lines)


def scale_levels(low: float, high: float, *, from_zero: bool) -> tuple[float, ...]:
    """Three to six round levels that enclose all values."""
    if from_zero:
        low, high = min(low, 0.0), max(high, 1.0)
    step = _round_step((high - low) / 4 or 0.5)
    first, last = math.floor(low / step), max(math.ceil(high / step), math.floor(low / step) + 2)
    return tuple(round(number * step, 6) for number in range(first, last + 1))


def _round_step(wanted: float) -> float:
    power = 10.0 ** math.floor(math.log10(wanted))
    return next(factor * power for factor in (1, 2, 5, 10) if wanted <= factor * power * (1 + 1e-9))

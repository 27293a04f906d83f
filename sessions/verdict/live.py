"""The live values of a job as tracks in time: were conditions X held from one moment to another?"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence

from sessions.record import JobRecord, LiveReading, Moment

QUANTITY_OF_PID = {
    0x0C: "engine_rpm",
    0x04: "load_percent",
    0x05: "coolant_c",
    0x0D: "road_kmh",
    0x46: "ambient_c",
}
RUN_TIME_PID = 0x1F
Test = Callable[[float], bool]


class LiveTracks:
    """The live readings of a job by quantity. Readings of several units join: each must agree."""

    def __init__(self, record: JobRecord, gap_s: float) -> None:
        self.gap_s = gap_s
        self._by_quantity: dict[str, list[LiveReading]] = {name: [] for name in QUANTITY_OF_PID.values()}
        self.run_times: dict[str, list[LiveReading]] = {}
        for reading in record.live:
            quantity = QUANTITY_OF_PID.get(reading.pid)
            if quantity is not None:
                self._by_quantity[quantity].append(reading)
            elif reading.pid == RUN_TIME_PID:
                self.run_times.setdefault(reading.unit, []).append(reading)

    def readings(self, quantity: str) -> Sequence[LiveReading]:
        """All readings of one quantity in journal order."""
        return self._by_quantity[quantity]

    def close(self, earlier: Moment, later: Moment) -> bool:
        """True if two moments are near enough in time to join."""
        gap = earlier.seconds_until(later)
        return gap is not None and 0 <= gap <= self.gap_s

    def _last_before(self, quantity: str, moment: Moment) -> int:
        """Index of the last reading at or before a moment, -1 without one."""
        return bisect_right(self._by_quantity[quantity], moment.seq, key=lambda item: item.moment.seq) - 1

    def value_at(self, quantity: str, moment: Moment) -> float | None:
        """The last value read before a moment, if it is near enough in time to join, else None."""
        index = self._last_before(quantity, moment)
        if index < 0:
            return None
        item = self._by_quantity[quantity][index]
        return item.value if self.close(item.moment, moment) else None

    def within(self, tests: Mapping[str, Test], start: Moment, end: Moment) -> bool:
        """True if every reading from `start` to `end` passes its test and the readings join without a gap.

        The last reading at or before `start` belongs to it: conditions must already hold there.
        """
        return all(self._within(quantity, test, start, end) for quantity, test in tests.items())

    def _within(self, quantity: str, test: Test, start: Moment, end: Moment) -> bool:
        first = self._last_before(quantity, start)
        if first < 0:
            return False
        span = self._by_quantity[quantity][first : self._last_before(quantity, end) + 1]
        moments = [item.moment for item in span]
        if not self.close(moments[0], start):
            return False
        joined = all(self.close(earlier, later) for earlier, later in zip(moments, [*moments[1:], end], strict=True))
        return joined and all(test(item.value) for item in span)

    def all_pass(self, tests: Mapping[str, Test], after_seq: int, until_seq: int) -> bool:
        """True if every reading later than `after_seq` and up to `until_seq` passes its test."""
        return all(
            test(item.value)
            for quantity, test in tests.items()
            for item in self._by_quantity[quantity]
            if after_seq < item.moment.seq <= until_seq
        )

    def first_after(self, tests: Mapping[str, Test], moment: Moment) -> Moment | None:
        """The moment from which every quantity has been read since `moment`, or None if one has not."""
        firsts = [
            next((item.moment for item in self._by_quantity[name] if item.moment.seq > moment.seq), None)
            for name in tests
        ]
        known = [first for first in firsts if first is not None]
        return max(known) if len(known) == len(firsts) else None

    def held_s(self, tests: Mapping[str, Test], after_seq: int) -> float:
        """Seconds of the longest stretch after `after_seq` in which all tests held."""
        common, *others = (self._stretches(quantity, test, after_seq) for quantity, test in tests.items())
        for other in others:
            common = [joined for a in common for b in other if (joined := _overlap(a, b)) is not None]
        return max((start.seconds_until(end) or 0.0 for start, end in common), default=0.0)

    def _stretches(self, quantity: str, test: Test, after_seq: int) -> list[tuple[Moment, Moment]]:
        found: list[tuple[Moment, Moment]] = []
        holds = False
        for item in self._by_quantity[quantity]:
            if item.moment.seq <= after_seq:
                continue
            if not test(item.value):
                holds = False
            elif holds and self.close(found[-1][1], item.moment):
                found[-1] = (found[-1][0], item.moment)
            else:
                found.append((item.moment, item.moment))
                holds = True
        return found


def _overlap(a: tuple[Moment, Moment], b: tuple[Moment, Moment]) -> tuple[Moment, Moment] | None:
    # Readings of one round stand a few entries apart, so stretches are compared by time where a clock allows.
    start, end = max(a[0], b[0]), min(a[1], b[1])
    seconds = start.seconds_until(end)
    return (start, end) if seconds is not None and seconds >= 0 else None

"""The live values of a job as tracks in time: were conditions X held from one moment to another?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Held:
    """A stretch in which conditions held."""

    start: Moment
    end: Moment
    seconds: float


class LiveTracks:
    """The live readings of a job by quantity. Readings of several units join: each must agree."""

    def __init__(self, record: JobRecord, gap_s: float) -> None:
        self._gap_s = gap_s
        self._by_quantity: dict[str, list[LiveReading]] = {name: [] for name in QUANTITY_OF_PID.values()}
        self.run_times: list[LiveReading] = []
        for reading in record.live:
            quantity = QUANTITY_OF_PID.get(reading.pid)
            if quantity is not None:
                self._by_quantity[quantity].append(reading)
            elif reading.pid == RUN_TIME_PID:
                self.run_times.append(reading)

    def readings(self, quantity: str) -> Sequence[LiveReading]:
        """All readings of one quantity in journal order."""
        return self._by_quantity[quantity]

    def close(self, earlier: Moment, later: Moment) -> bool:
        """True if two moments are near enough in time to join."""
        gap = earlier.seconds_until(later)
        return gap is not None and 0 <= gap <= self._gap_s

    def around(self, quantity: str, moment: Moment, bracket: tuple[int, int] | None) -> tuple[float, ...]:
        """The values around a moment: the last before and the first after, equal ones once.

        Args:
            quantity: which value.
            moment: when.
            bracket: first and last entry of the scan the moment lies in: within it readings count however far
                apart in time, since a scan reads them at its begin and its end; None outside a scan.
        """
        track = self._by_quantity[quantity]
        before = [item for item in track if item.moment.seq <= moment.seq][-1:]
        after = [item for item in track if item.moment.seq > moment.seq][:1]
        kept = [item.value for item in before if self._belongs(item.moment, moment, bracket)]
        kept += [item.value for item in after if self._belongs(moment, item.moment, bracket)]
        return tuple(dict.fromkeys(kept))

    def _belongs(self, earlier: Moment, later: Moment, bracket: tuple[int, int] | None) -> bool:
        if bracket is not None and bracket[0] <= earlier.seq and later.seq <= bracket[1]:
            return True
        return self.close(earlier, later)

    def within(self, tests: Mapping[str, Test], start: Moment, end: Moment) -> bool:
        """True if every reading from `start` to `end` passes its test and the readings join without a gap.

        The last reading at or before `start` belongs to it: conditions must already hold there.
        """
        return all(self._within(quantity, test, start, end) for quantity, test in tests.items())

    def _within(self, quantity: str, test: Test, start: Moment, end: Moment) -> bool:
        track = self._by_quantity[quantity]
        first = max((index for index, item in enumerate(track) if item.moment.seq <= start.seq), default=None)
        if first is None:
            return False
        span = [item for item in track[first:] if item.moment.seq <= end.seq]
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
        return max(known) if known and len(known) == len(firsts) else None

    def held(self, tests: Mapping[str, Test], after_seq: int) -> Held | None:
        """The longest stretch after `after_seq` in which all tests held, or None."""
        stretches = [self._stretches(quantity, test, after_seq) for quantity, test in tests.items()]
        if not stretches:
            return None
        common = stretches[0]
        for other in stretches[1:]:
            common = [joined for a in common for b in other if (joined := _overlap(a, b)) is not None]
        timed = [
            Held(start, end, seconds) for start, end in common if (seconds := start.seconds_until(end)) is not None
        ]
        return max(timed, key=lambda stretch: stretch.seconds, default=None)

    def _stretches(self, quantity: str, test: Test, after_seq: int) -> list[tuple[Moment, Moment]]:
        found: list[tuple[Moment, Moment]] = []
        open_since: tuple[Moment, Moment] | None = None
        for item in self._by_quantity[quantity]:
            if item.moment.seq <= after_seq:
                continue
            if not test(item.value):
                if open_since is not None:
                    found.append(open_since)
                open_since = None
            elif open_since is not None and self.close(open_since[1], item.moment):
                open_since = (open_since[0], item.moment)
            else:
                if open_since is not None:
                    found.append(open_since)
                open_since = (item.moment, item.moment)
        if open_since is not None:
            found.append(open_since)
        return found


def _overlap(a: tuple[Moment, Moment], b: tuple[Moment, Moment]) -> tuple[Moment, Moment] | None:
    # Readings of one round stand a few entries apart, so stretches are compared by time where a clock allows.
    start, end = max(a[0], b[0]), min(a[1], b[1])
    seconds = start.seconds_until(end)
    return (start, end) if seconds is not None and seconds >= 0 else None

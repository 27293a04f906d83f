"""Times as the report prints them: UTC by the machine clock, and a simulated vehicle's own time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from sessions.record import JobRecord, Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Tells when something happened in one job.

    Args:
        origin_s: the simulated second in which the job's first scan began, or None where there is no such second.
    """

    origin_s: int | None

    @classmethod
    def of(cls, record: JobRecord) -> Self:
        """The clock of a job."""
        return cls(origin_s=record.scans[0].begin.world_s if record.scans else None)

    def whole(self, moment: Moment) -> str:
        """UTC, and the simulated time where there is one."""
        since = self._since(moment)
        return f"{utc_words(moment.at)} ({since}, simulated)" if since else utc_words(moment.at)

    def span(self, begin: Moment, end: Moment) -> str:
        """From one moment to another: in simulated time where there is one, else in UTC."""
        first, last = self._since(begin), self._since(end)
        if first and last:
            return f"{first}, simulated" if first == last else f"{first} to {last}, simulated"
        one, other = utc_words(begin.at), utc_words(end.at)
        return one if one == other else f"{one} to {other}"

    def _since(self, moment: Moment) -> str:
        """Simulated time since the origin; empty where it is not known."""
        if moment.world_s is None or self.origin_s is None:
            return ""
        seconds = moment.world_s - self.origin_s
        sign = "+" if seconds >= 0 else "\u2212"
        # Never torn at the end of a line.
        return f"{sign} {span_words(abs(seconds))}".replace(" ", "\u00a0")


def utc_words(at: str) -> str:
    """An ISO 8601 UTC text as people read it, to the second."""
    return f"{at[:10]} {at[11:19]} UTC" if len(at) >= 19 else "time not known"


def span_words(seconds: int) -> str:
    """A span of whole seconds: ``5 s``, ``12 min 30 s``, ``1 h 02 min 03 s``."""
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min {rest:02d} s"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def clock_words(seconds: int) -> str:
    """A span of whole seconds as ``h:mm:ss``, for the axis of a chart."""
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"

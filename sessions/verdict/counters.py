"""Counters and monitors of a unit that only an erasure takes back. Source: SAE J1979, PIDs 01, 30, 31 and 4E."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from sessions.record import JobRecord, LiveReading, Scan
from sessions.verdict.settings import RuleSettings

_DISTANCE, _ODOMETER = 0x31, 0xA6
_NAMES = {0x30: "warm-ups", _DISTANCE: "distance", 0x4E: "engine time"}
_DISTANCE_TOP_KM = 65535


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """Something went back between two readings of a unit."""

    earlier_seq: int
    later_seq: int
    text: str


def unit_erasures(record: JobRecord, unit: str, settings: RuleSettings) -> tuple[Sign, ...]:
    """Every sign of an erasure in a unit's counters and monitors, whatever explains it."""
    return (
        *_counters_went_down(record, unit),
        *_distance_lags(record, unit, settings.distance_slack_km),
        *_monitors_went_back(record, unit),
    )


def _counters_went_down(record: JobRecord, unit: str) -> Iterable[Sign]:
    for pid, name in _NAMES.items():
        own = [item for item in record.live if item.unit == unit and item.pid == pid]
        for earlier, later in pairwise(own):
            if later.value < earlier.value:
                yield Sign(
                    earlier_seq=earlier.moment.seq,
                    later_seq=later.moment.seq,
                    text=f"{name} since clear went down before entry {later.moment.seq} without a clear of this job",
                )


def _distance_lags(record: JobRecord, unit: str, slack_km: int) -> Iterable[Sign]:
    """Distance since clear grew less than the odometer, both read in the same two scans."""
    for teller in sorted({item.unit for item in record.live if item.pid == _ODOMETER}):
        points = [
            (distance, odometer)
            for scan in record.scans
            if (distance := _in_scan(record, scan, unit, _DISTANCE)) is not None
            and (odometer := _in_scan(record, scan, teller, _ODOMETER)) is not None
        ]
        for (from_clear, from_km), (since_clear, to_km) in pairwise(points):
            lag = (to_km.value - from_km.value) - (since_clear.value - from_clear.value)
            if since_clear.value < _DISTANCE_TOP_KM and lag > slack_km:
                place = since_clear.moment.seq
                yield Sign(
                    earlier_seq=from_clear.moment.seq,
                    later_seq=place,
                    text=f"distance since clear lags {lag:.0f} km behind the odometer before entry {place}",
                )


def _in_scan(record: JobRecord, scan: Scan, unit: str, pid: int) -> LiveReading | None:
    end = scan.end.seq if scan.end else record.last_seq
    return next(
        (
            item
            for item in record.live
            if (item.unit, item.pid) == (unit, pid) and scan.begin.seq < item.moment.seq <= end
        ),
        None,
    )


def _monitors_went_back(record: JobRecord, unit: str) -> Iterable[Sign]:
    """A readiness monitor that was complete since the clear is not any more."""
    own = [item for item in record.monitors if item.unit == unit and item.status.pid == 0x01]
    for earlier, later in pairwise(own):
        complete = {monitor.name for monitor in earlier.status.monitors if monitor.complete}
        open_now = {monitor.name for monitor in later.status.monitors if monitor.supported and not monitor.complete}
        lost = sorted(complete & open_now)
        if lost:
            place = later.moment.seq
            yield Sign(
                earlier_seq=earlier.moment.seq,
                later_seq=place,
                text=f"monitor {lost[0]} went incomplete before entry {place} without a clear of this job",
            )

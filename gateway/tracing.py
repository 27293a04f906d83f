"""The frame trace: every frame of the bus beside the exchanges, for a person who wants to look below them.

Frames are no evidence: no rule reads them. Taking one is an append to a list; they are packed and written between
exchanges, so that a process that is killed loses the frames of the exchange under way and at most one blob.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from gateway.links.base import BusFrame
from gateway.visit import Begins, Kept, Over, Visit, VisitEvent
from sessions.journal import Kind
from sessions.record.frames import MOST_IN_BLOB, StoredFrame, pack_frames, split_frames

if TYPE_CHECKING:
    from sessions.store import JobWriter

MOST_WAITING = 65_536
"""Frames that wait in memory at most: a bus that is full (500 kbit/s, about 4000 a second) for 16 s."""

MOST_IN_VISIT = 1_000_000
"""Frames kept of one visit, about 18 MB: those of a bus that is full for four minutes."""


class FrameCollector:
    """Takes frames as they pass and writes them as `frames` entries.

    Args:
        writer: the job's one writer.
        link: the address of the link.
        most_waiting: how many may wait in memory; further ones are counted and not kept.
        most_in_visit: how many are kept altogether; further ones are counted and not kept.

    Attributes:
        written: how many are in the journal.
        dropped: how many were seen and not kept.
    """

    def __init__(self, writer: JobWriter, link: str, *, most_waiting: int, most_in_visit: int) -> None:
        self._writer = writer
        self._link = link
        self._most_waiting = most_waiting
        self._most_in_visit = most_in_visit
        self._waiting: list[BusFrame] = []
        self._room = min(most_waiting, most_in_visit)
        self._dropped_now = 0
        self._scan: int | None = None
        # Frames and the journal are timed by two names of the monotonic clock, which need not begin together.
        self._offset_ns = time.monotonic_ns() - time.perf_counter_ns()
        self.written = 0
        self.dropped = 0

    @property
    def waiting(self) -> int:
        """How many frames are in memory only."""
        return len(self._waiting)

    def take(self, frame: BusFrame) -> None:
        """One frame passed: what a link's trace is set to."""
        if self._room:
            self._room -= 1
            self._waiting.append(frame)
        else:
            self._dropped_now += 1

    def __call__(self, event: VisitEvent) -> None:
        """Between two exchanges write what fills a blob, and what is left once nothing is under way."""
        match event:
            case Begins(scan=scan):
                self._scan = scan
            case Kept() if len(self._waiting) >= MOST_IN_BLOB:
                self._write(len(self._waiting) // MOST_IN_BLOB * MOST_IN_BLOB)
            case Over():
                self.write_rest()

    def write_rest(self) -> None:
        """Write all that waits, as nothing is under way."""
        if self._waiting or self._dropped_now:
            self._write(len(self._waiting))

    def _write(self, count: int) -> None:
        frames = [self._stored(frame) for frame in self._waiting[:count]]
        for blob in split_frames(frames) if frames else ((),):
            self._writer.append(Kind.FRAMES, self._payload(blob), raw=pack_frames(blob))
            # Only what is in the journal leaves the memory: a write that failed can be tried again.
            del self._waiting[: len(blob)]
            self.written += len(blob)
            self.dropped += self._dropped_now
            self._dropped_now = 0
        self._room = min(self._most_waiting, self._most_in_visit - self.written) - len(self._waiting)

    def _payload(self, frames: Sequence[StoredFrame]) -> dict[str, Any]:
        payload: dict[str, Any] = {"link": self._link, "count": len(frames)}
        if frames:
            payload |= {"first_us": frames[0].at_us, "last_us": frames[-1].at_us}
        if self._scan is not None:
            payload["scan"] = self._scan
        if self._dropped_now:
            payload["dropped"] = self._dropped_now
        return payload

    def _stored(self, frame: BusFrame) -> StoredFrame:
        return StoredFrame(
            at_us=(frame.at_ns + self._offset_ns) // 1000,
            sent=frame.sent,
            number=frame.number,
            is_29_bit=frame.is_29_bit,
            data=frame.data,
            is_fd=frame.is_fd,
            bitrate_switch=frame.bitrate_switch,
            is_remote=frame.is_remote,
            is_error=frame.is_error,
        )


@contextmanager
def tracing(visit: Visit, *, on: bool) -> Iterator[FrameCollector | None]:
    """Keep the frames of a visit while it is under way.

    Args:
        visit: where frames pass and what they are written to.
        on: False to keep none.

    Yields:
        What takes them, or None if none are kept: it is not wanted, or this link has no frames.
    """
    collector = FrameCollector(visit.writer, visit.link.address, most_waiting=MOST_WAITING, most_in_visit=MOST_IN_VISIT)
    if not on or not visit.link.set_trace(collector.take):
        yield None
        return
    visit.onlookers.append(collector)
    try:
        yield collector
    finally:
        visit.link.set_trace(None)
        visit.onlookers.remove(collector)
        collector.write_rest()

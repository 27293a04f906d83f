"""Bus frames of a record as files that other tools read, by python-can's writers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sessions.record.frames import FrameBlock, StoredFrame

if TYPE_CHECKING:
    import can

NOT_IN_FILE: Mapping[str, tuple[str, ...]] = {
    ".log": ("what an error frame was about: each is written as a bus error",),
    ".blf": (),
    ".asc": (
        "what an error frame was about",
        "the zone of the time of day: the file begins at this machine's local time",
    ),
}
"""The endings of files, and what each format cannot hold; measured with python-can's writers and readers."""

_MICROSECONDS = 1_000_000
_TENTH_US = _MICROSECONDS // 10


@dataclass(slots=True)
class Written:
    """What went into a file.

    Args:
        frames: how many.
        first_us, last_us: times of the first and the last one, microseconds since 1970 UTC.
        links: the links they were seen on; the first is channel ``can0`` of the file, the next ``can1``.
        dropped: how many passed and were never kept.
        removed: how many were kept once and have been removed from the record.
    """

    frames: int = 0
    first_us: int = 0
    last_us: int = 0
    links: list[str] = field(default_factory=list)
    dropped: int = 0
    removed: int = 0


def write_trace(blocks: Iterable[FrameBlock], out: Path) -> Written:
    """Write frames as a file that python-can's writers know.

    Args:
        blocks: the frames, in the order of the journal.
        out: the file; its ending says which form.

    Raises:
        OSError: it cannot be written whole.
    """
    import can

    written = Written()
    with can.Logger(out) as writer:
        for block in blocks:
            if isinstance(writer, can.ASCWriter) and block.frames and not written.frames:
                # Its times count from a begin whose milliseconds are written without leading zeros, so that 41 ms
                # read as 410: begin at a tenth of a second. Measured with python-can 4.6.1.
                begin_us = (block.tie_us + block.frames[0].at_us) // _TENTH_US * _TENTH_US
                writer.log_event("Start of measurement", begin_us / _MICROSECONDS)
            written.dropped += block.dropped
            written.removed += block.removed
            if block.frames and block.link not in written.links:
                written.links.append(block.link)
            for frame in block.frames:
                at_us = block.tie_us + frame.at_us
                writer.on_message_received(_message(frame, at_us, f"can{written.links.index(block.link)}"))
                written.first_us = written.first_us or at_us
                written.last_us = at_us
                written.frames += 1
    return written


def _message(frame: StoredFrame, at_us: int, channel: str) -> can.Message:
    import can

    return can.Message(
        timestamp=at_us / _MICROSECONDS,
        arbitration_id=frame.number,
        is_extended_id=frame.is_29_bit,
        is_remote_frame=frame.is_remote,
        is_error_frame=frame.is_error,
        channel=channel,
        data=frame.data,
        is_fd=frame.is_fd,
        bitrate_switch=frame.bitrate_switch,
        is_rx=not frame.sent,
    )

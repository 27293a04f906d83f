"""Bus frames as a journal keeps them: blobs of our own form, packed and read here, and never read for a verdict.

A blob begins with a version (1 byte), a reserved byte of 0, the number of frames (2) and the time of the first frame
in monotonic microseconds of the process that wrote it (8). Each frame follows as the microseconds since that time (4),
its flags (1), its identifier (4), the number of its data bytes (1) and these bytes. Numbers are big-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from decoders.errors import DecodeError, RecordError
from sessions.journal import Entry, Kind

VERSION = 1
MOST_IN_BLOB = 256
MOST_DATA = 64
"""Data bytes of the longest frame. Source: ISO 11898-1, CAN FD."""

_HEAD = struct.Struct(">BBHQ")
_FRAME = struct.Struct(">IBIB")
_LONGEST_US = 2**32 - 1
_SENT, _29_BIT, _FD, _RATE_SWITCH, _REMOTE, _ERROR = (1 << bit for bit in range(6))
_FLAGS = _SENT | _29_BIT | _FD | _RATE_SWITCH | _REMOTE | _ERROR
_MICROSECONDS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFrame:
    """One CAN frame of a record.

    Args:
        at_us: monotonic microseconds, the clock of the entry's `mono_us`.
        sent: True for one that this program sent.
        number: its identifier; 0 for an error frame.
        is_29_bit: True for an extended-format frame.
        data: its data bytes.
        is_fd: True for a CAN FD frame.
        bitrate_switch: True for an FD frame whose data went at the higher rate.
        is_remote: True for a remote frame.
        is_error: True for an error frame, which the interface reported.
    """

    at_us: int
    sent: bool
    number: int
    is_29_bit: bool
    data: bytes
    is_fd: bool = False
    bitrate_switch: bool = False
    is_remote: bool = False
    is_error: bool = False


def split_frames(frames: Sequence[StoredFrame]) -> Iterator[Sequence[StoredFrame]]:
    """Frames in their order, cut into what one blob can hold: by number, and by the time since its first frame."""
    begin = 0
    for place, frame in enumerate(frames):
        if place - begin == MOST_IN_BLOB or not 0 <= frame.at_us - frames[begin].at_us <= _LONGEST_US:
            yield frames[begin:place]
            begin = place
    if begin < len(frames):
        yield frames[begin:]


def pack_frames(frames: Sequence[StoredFrame]) -> bytes:
    """Frames as one blob.

    Args:
        frames: at most `MOST_IN_BLOB`, none earlier than the first; see `split_frames`.

    Raises:
        ValueError: too many, or a time, identifier or length that has no place in the form.
    """
    if len(frames) > MOST_IN_BLOB:
        raise ValueError(f"{len(frames)} frames do not go into one blob")
    base_us = frames[0].at_us if frames else 0
    parts = []
    try:
        parts.append(_HEAD.pack(VERSION, 0, len(frames), base_us))
        for frame in frames:
            if len(frame.data) > MOST_DATA:
                raise ValueError(f"a frame has {len(frame.data)} data bytes")
            parts.append(_FRAME.pack(frame.at_us - base_us, _flags(frame), frame.number, len(frame.data)))
            parts.append(frame.data)
    except struct.error as error:
        raise ValueError(f"a frame has no place in a blob: {error}") from error
    return b"".join(parts)


def _flags(frame: StoredFrame) -> int:
    return (
        (_SENT if frame.sent else 0)
        | (_29_BIT if frame.is_29_bit else 0)
        | (_FD if frame.is_fd else 0)
        | (_RATE_SWITCH if frame.bitrate_switch else 0)
        | (_REMOTE if frame.is_remote else 0)
        | (_ERROR if frame.is_error else 0)
    )


def unpack_frames(blob: bytes) -> tuple[StoredFrame, ...]:
    """The frames of a blob.

    Raises:
        DecodeError: it is cut, has bytes left over, or says what this version does not know.
    """
    if len(blob) < _HEAD.size:
        raise DecodeError("head", len(blob), blob, f"a blob begins with {_HEAD.size} bytes")
    version, reserved, count, base_us = _HEAD.unpack_from(blob)
    if version != VERSION or reserved:
        raise DecodeError("version", 0, blob, f"{version} is not known here")
    frames = []
    place = _HEAD.size
    for _ in range(count):
        if place + _FRAME.size > len(blob):
            raise DecodeError("frame", place, blob, "the blob ends before its last frame")
        after_us, flags, number, length = _FRAME.unpack_from(blob, place)
        end = place + _FRAME.size + length
        if flags & ~_FLAGS or length > MOST_DATA:
            raise DecodeError("frame", place, blob, "flags or length are none that a frame can have")
        if end > len(blob):
            raise DecodeError("data", place, blob, "the blob ends before its last frame")
        frames.append(
            StoredFrame(
                at_us=base_us + after_us,
                sent=bool(flags & _SENT),
                number=number,
                is_29_bit=bool(flags & _29_BIT),
                data=blob[place + _FRAME.size : end],
                is_fd=bool(flags & _FD),
                bitrate_switch=bool(flags & _RATE_SWITCH),
                is_remote=bool(flags & _REMOTE),
                is_error=bool(flags & _ERROR),
            )
        )
        place = end
    if place != len(blob):
        raise DecodeError("end", place, blob, f"{len(blob) - place} bytes are left over")
    return tuple(frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameBlock:
    """The frames of one entry.

    Args:
        link: the address of the link they were seen on.
        tie_us: what turns `at_us` into microseconds since 1970 UTC. It is the same for all entries of a process, so
            times are exact to one another, and within a millisecond of the machine's clock, which is how exactly an
            entry keeps its time of day.
        frames: in the order in which they passed.
        dropped: how many more passed before the next entry and were not kept, because there was no room.
        removed: how many were kept once and have been removed from the record.
    """

    link: str
    tie_us: int
    frames: tuple[StoredFrame, ...]
    dropped: int = 0
    removed: int = 0


def read_frames(entries: Iterable[Entry], scan: int | None = None) -> Iterator[FrameBlock]:
    """The frames of a journal, one block for each entry.

    Args:
        entries: the whole journal: the first entry of a process ties its clock to the time of day.
        scan: only those of this scan, or None for all.

    Raises:
        RecordError: a blob does not read.
    """
    ties: dict[str, int] = {}
    for entry in entries:
        tie_us = ties.setdefault(entry.run, epoch_us(entry.at) - entry.mono_us)
        if entry.kind is not Kind.FRAMES or scan not in (None, entry.payload.get("scan")):
            continue
        try:
            frames = () if entry.raw is None else unpack_frames(entry.raw)
        except DecodeError as error:
            raise RecordError(
                f"The frames of entry {entry.seq} do not read: {error.message}",
                next_step="see mendproof job show JOB: it says whether the record is whole",
            ) from error
        yield FrameBlock(
            link=entry.payload["link"],
            tie_us=tie_us,
            frames=frames,
            dropped=entry.payload.get("dropped", 0),
            removed=entry.payload.get("count", 0) if entry.raw is None else 0,
        )


def epoch_us(at: str) -> int:
    """Microseconds since 1970 UTC of an entry's `at`."""
    since = datetime.fromisoformat(at) - datetime.fromisoformat("1970-01-01T00:00:00Z")
    return (since.days * 86_400 + since.seconds) * _MICROSECONDS + since.microseconds

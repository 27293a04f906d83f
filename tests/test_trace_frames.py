"""Frames as a journal keeps them: a form of our own, and what is done where a blob is not what it should be."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journal_builder import mended

from decoders.errors import DecodeError, RecordError
from sessions.journal import Entry, Kind
from sessions.record import read_record
from sessions.record.frames import StoredFrame, epoch_us, pack_frames, read_frames, split_frames, unpack_frames
from sessions.verdict import judge

FRAME = StoredFrame(at_us=1_000_000, sent=True, number=0x7DF, is_29_bit=False, data=bytes.fromhex("0201005555555555"))
# The page on the record: version, 0, two frames, first time; then time after it, flags, identifier, length, data.
BLOB = bytes.fromhex(
    "01 00 0002 00000000000F4240  00000000 01 000007DF 08 0201005555555555  00000102 02 18DAF110 01 7F"
)
AT = "2031-04-05T06:07:08.123Z"

FRAMES = st.builds(
    StoredFrame,
    at_us=st.integers(0, 2**40),
    sent=st.booleans(),
    number=st.integers(0, 0x1FFFFFFF),
    is_29_bit=st.booleans(),
    data=st.binary(max_size=64),
    is_fd=st.booleans(),
    bitrate_switch=st.booleans(),
    is_remote=st.booleans(),
    is_error=st.booleans(),
)


def entry(payload: dict[str, Any], raw: bytes | None, *, kind: Kind = Kind.FRAMES, **changes: Any) -> Entry:
    fixed: dict[str, Any] = {"run": "r1", "mono_us": 5_000_000, "at": AT, "seq": 2}
    hashes = {"prev": bytes(32), "hash": bytes(32)}
    return Entry(job_uid="j", kind=kind, actor="t", payload=payload, raw=raw, **hashes, **{**fixed, **changes})


def test_a_blob_is_laid_out_as_the_page_on_the_record_says() -> None:
    answer = StoredFrame(at_us=1_000_258, sent=False, number=0x18DAF110, is_29_bit=True, data=b"\x7f")
    assert BLOB == pack_frames([FRAME, answer])
    assert (FRAME, answer) == unpack_frames(BLOB)


@given(st.lists(FRAMES, max_size=600))
def test_what_is_packed_is_read_again(frames: list[StoredFrame]) -> None:
    blobs = [pack_frames(part) for part in split_frames(frames)]
    assert frames == [frame for blob in blobs for frame in unpack_frames(blob)]


@given(st.lists(st.integers(0, 2**33), max_size=700))
def test_frames_are_cut_by_number_and_by_the_time_they_span(times: list[int]) -> None:
    frames = [replace(FRAME, at_us=at_us) for at_us in times]
    parts = list(split_frames(frames))
    assert frames == list(itertools.chain.from_iterable(parts))
    assert all(0 < len(part) <= 256 for part in parts)
    assert all(0 <= frame.at_us - part[0].at_us < 2**32 for part in parts for frame in part)


def test_many_frames_take_no_more_blobs_than_they_must() -> None:
    frames = [replace(FRAME, at_us=at_us) for at_us in range(513)]
    assert [256, 256, 1] == [len(part) for part in split_frames(frames)]


@pytest.mark.parametrize(
    "frames",
    [
        [FRAME] * 257,
        [replace(FRAME, data=bytes(65))],
        [FRAME, replace(FRAME, at_us=FRAME.at_us - 1)],
        [FRAME, replace(FRAME, at_us=FRAME.at_us + 2**32)],
        [replace(FRAME, number=2**32)],
        [replace(FRAME, at_us=-1)],
    ],
    ids=["too many", "too long", "earlier", "much later", "identifier", "before the clock"],
)
def test_what_has_no_place_in_a_blob_is_refused(frames: Sequence[StoredFrame]) -> None:
    with pytest.raises(ValueError, match=r"frame"):
        pack_frames(frames)


@pytest.mark.parametrize("length", range(len(BLOB)))
def test_a_blob_that_is_cut_never_reads(length: int) -> None:
    with pytest.raises(DecodeError):
        unpack_frames(BLOB[:length])


@pytest.mark.parametrize(
    ("place", "byte"),
    [(0, 2), (0, 0), (1, 1), (3, 1), (3, 3), (16, 0x40), (16, 0x81), (21, 65), (21, 7)],
    ids=["newer", "version 0", "reserved", "count low", "count high", "flag 6", "flag 7", "length 65", "length 7"],
)
def test_a_blob_with_a_wrong_byte_never_reads(place: int, byte: int) -> None:
    with pytest.raises(DecodeError):
        unpack_frames(BLOB[:place] + bytes([byte]) + BLOB[place + 1 :])


@given(st.binary(max_size=80))
def test_any_bytes_read_whole_or_not_at_all(blob: bytes) -> None:
    try:
        frames = unpack_frames(blob)
    except DecodeError:
        return
    assert blob == pack_frames(frames) or not frames  # an empty blob may name any time


def test_the_first_entry_of_a_process_ties_its_clock_to_the_time_of_day() -> None:
    first = entry({}, None, kind=Kind.RUN, seq=1)
    later = entry({"link": "can:a", "count": 1}, pack_frames([FRAME]), mono_us=9_000_000, at="2031-04-05T06:07:12.9Z")
    other = entry({"link": "can:b", "count": 1}, pack_frames([FRAME]), run="r2", mono_us=1_500_000)
    blocks = list(read_frames([first, later, other]))
    # 1 s on a clock that showed 5 s (1.5 s) at the time of day of the first entry
    wanted = [epoch_us("2031-04-05T06:07:04.123Z"), epoch_us("2031-04-05T06:07:07.623Z")]
    assert wanted == [block.tie_us + frame.at_us for block in blocks for frame in block.frames]
    assert ["can:a", "can:b"] == [block.link for block in blocks]


def test_the_time_of_day_is_counted_to_the_microsecond() -> None:
    assert 86_400_000_001 == epoch_us("1970-01-02T00:00:00.000001Z")


def test_frames_of_one_scan_what_was_dropped_and_what_is_gone() -> None:
    blob = pack_frames([FRAME])
    entries = [
        entry({"link": "can:a", "count": 1, "scan": 1}, blob),
        entry({"link": "can:a", "count": 1, "scan": 2, "dropped": 7}, blob),
        entry({"link": "can:a", "count": 200, "scan": 2}, None),
        entry({"link": "can:a", "count": 1}, blob),
        entry({"link": "can:a", "scan": 2}, blob, kind=Kind.ATTACHMENT),
    ]
    shown = [(len(block.frames), block.dropped, block.removed) for block in read_frames(entries, 2)]
    assert [(1, 7, 0), (0, 0, 200)] == shown
    assert 3 == sum(len(block.frames) for block in read_frames(entries))


def test_a_blob_that_does_not_read_names_its_entry() -> None:
    with pytest.raises(RecordError, match="The frames of entry 2 do not read: data at byte") as raised:
        list(read_frames([entry({"link": "can:a", "count": 2}, BLOB[:-1])]))
    assert raised.value.next_step


def test_no_verdict_reads_frames() -> None:
    """The same story with frames after every entry: faults, grade, reasons and plan are the same but for places."""
    story = mended()
    told = story.judged()
    with_frames = []
    for item in story.entries():
        with_frames += [item, replace(item, kind=Kind.FRAMES, payload={"link": "can:a", "count": 1}, raw=BLOB)]
    again = judge(read_record(with_frames))
    assert (told.faults, told.grade, told.reasons, told.plan) == (again.faults, again.grade, again.reasons, again.plan)
    assert "proven" in {fault.verdict.value for fault in told.faults}

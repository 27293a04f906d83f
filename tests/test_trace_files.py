"""`mendproof trace`: what python-can reads from the file is what the record holds, but for what the line names."""

from __future__ import annotations

import errno
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import can
import pytest
from cli_help import QUICK, Cli, one_line

import gateway.links.can.files
from gateway.links.can.files import write_trace
from sessions.journal import Kind
from sessions.record.frames import FrameBlock, StoredFrame, epoch_us, pack_frames
from sessions.store import Store
from simulators.door import RunningBench

LINK, OTHER_LINK = "can:slcan:socket://127.0.0.1:1", "can:socketcan:can7"
STEP_US = 137
FORMATS = ("log", "blf", "asc")


def stored(number: int, data: str = "", *, wide: bool = False, sent: bool = False, **kind: bool) -> StoredFrame:
    return StoredFrame(at_us=0, sent=sent, number=number, is_29_bit=wide, data=bytes.fromhex(data), **kind)


FRAMES = (
    stored(0x7DF, "02 01 00 55 55 55 55 55", sent=True),
    stored(0x7E8, "06 41 00 98 18 00 13 AA"),
    stored(0x18DA10F1, "03 22 F1 90", wide=True, sent=True),
    stored(0x18DAF110, "", wide=True),
    stored(0x123, "01", wide=True),
    stored(0x123, "01"),
    stored(0x7E0, "00" * 63 + "7F", sent=True, is_fd=True, bitrate_switch=True),
    stored(0x7E8, "AB" * 12, is_fd=True),
    stored(0x18DAF110, "CD" * 8, wide=True, is_fd=True),
    stored(0x321, is_remote=True),
    stored(0x321, is_remote=True, sent=True),
    stored(0, "00 0C 00 00 00 00 00 00", is_error=True),
    stored(0x7FF, "FF" * 8),
)


@dataclass(frozen=True)
class Shown:
    """One frame as a file gives it back."""

    number: int
    wide: bool
    data: bytes
    sent: bool
    flags: tuple[bool, ...]


def shown(frame: StoredFrame, form: str) -> Shown:
    """What a format is to give back of a frame."""
    flags = (frame.is_fd, frame.bitrate_switch, frame.is_remote, frame.is_error)
    data = b"" if frame.is_error and form != "blf" else frame.data
    return Shown(frame.number, frame.is_29_bit and not frame.is_error, data, frame.sent, flags)


def read(message: can.Message) -> Shown:
    error = message.is_error_frame
    return Shown(
        number=message.arbitration_id,
        wide=message.is_extended_id and not error,
        data=bytes(message.data),
        sent=not message.is_rx,
        flags=(message.is_fd, message.bitrate_switch, message.is_remote_frame, error),
    )


def messages(path: Path) -> list[can.Message]:
    exact: dict[str, Any] = {"relative_timestamp": False} if path.suffix == ".asc" else {}
    with can.LogReader(path, **exact) as reader:
        return list(reader)


def put(cli: Cli, frames: Iterable[StoredFrame], link: str = LINK, **payload: Any) -> Sequence[StoredFrame]:
    """Write frames into the job's journal, as a process of its own, a few microseconds apart."""
    with Store.open(cli.store_file, create=False) as store, store.writer(1, actor="tester") as writer:
        entry = writer.append(Kind.LINK, {"link": link})
        timed = [
            replace(frame, at_us=at_us)
            for at_us, frame in zip(range(entry.mono_us, 2**62, STEP_US), frames, strict=False)
        ]
        writer.append(Kind.FRAMES, {"link": link, "count": len(timed), **payload}, raw=pack_frames(timed))
    return timed


@pytest.fixture
def job(cli: Cli) -> Cli:
    cli.done("job", "open")
    return cli


@pytest.mark.parametrize("form", FORMATS)
def test_a_file_gives_back_every_frame(job: Cli, form: str) -> None:
    put(job, FRAMES)
    out = job.folder / f"trace.{form}"
    job.done("trace", "1", "--out", str(out))
    assert [shown(frame, form) for frame in FRAMES] == [read(message) for message in messages(out)]


# Milliseconds of every length: a begin that is written as ".41" is read as 410 ms.
@pytest.mark.parametrize("begin", ["00.000000", "00.000999", "00.041123", "07.004321", "59.987654"])
@pytest.mark.parametrize("form", FORMATS)
def test_times_are_exact_to_the_microsecond(tmp_path: Path, form: str, begin: str) -> None:
    first_us = epoch_us(f"2031-04-05T06:07:{begin}Z")
    frames = tuple(replace(frame, at_us=place * STEP_US) for place, frame in enumerate(FRAMES))
    out = tmp_path / f"trace.{form}"
    written = write_trace([FrameBlock(link=LINK, tie_us=first_us, frames=frames)], out)
    wanted_us = [first_us + frame.at_us for frame in frames]
    assert wanted_us == [round(message.timestamp * 1e6) for message in messages(out)]
    assert (len(frames), wanted_us[0], wanted_us[-1]) == (written.frames, written.first_us, written.last_us)


def test_a_scan_of_the_car_comes_out_as_the_car_saw_it(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open", "--profile", cli.profile_file())
    cli.done("scan", "1", "--as", "before", "--link", bench.links[0], *QUICK)
    seen = [(frame.arbitration_id, frame.data) for frame in bench.frames if frame.direction == "rx"]
    cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK, "--no-trace")
    out = cli.folder / "trace.blf"
    form = cli.done("trace", "1", "--out", str(out), "--scan", "1", "--json").form
    found = messages(out)
    assert seen == [(message.arbitration_id, bytes(message.data)) for message in found if not message.is_rx]
    assert {"job": 1, "out": str(out), "links": [bench.links[0]], "dropped": 0, "removed": 0} == {
        key: form[key] for key in ("job", "out", "links", "dropped", "removed")
    }
    assert (form["frames"], []) == (len(found), form["not_in_file"])
    assert form["first"] < form["last"]
    line = cli.fails(2, "trace", "1", "--out", str(cli.folder / "more.log"), "--scan", "2")
    assert "Scan 2 of job 1 holds no frames" in line


def test_each_link_is_a_channel_and_the_lines_say_which(job: Cli) -> None:
    put(job, FRAMES[:2])
    put(job, FRAMES[2:3], OTHER_LINK, dropped=7)
    out = job.folder / "trace.log"
    text = job.done("trace", "1", "--out", str(out)).out
    assert ["can0", "can0", "can1"] == [message.channel for message in messages(out)]
    assert f"  can0 is {LINK}\n  can1 is {OTHER_LINK}\n" in text
    assert "7 more passed and were not kept" in text
    assert "Not in such a file: what an error frame was about" in text


def test_frames_that_were_removed_are_counted(job: Cli) -> None:
    put(job, FRAMES[:2])
    with Store.open(job.store_file, create=False) as store, store.writer(1, actor="tester") as writer:
        writer.append(Kind.FRAMES, {"link": LINK, "count": 256})
    text = job.done("trace", "1", "--out", str(job.folder / "trace.log")).out
    assert "256 more were kept once and have been removed from the record" in text


def test_a_capital_ending_is_the_same_format(job: Cli) -> None:
    put(job, FRAMES)
    out = job.folder / "TRACE.LOG"
    job.done("trace", "1", "--out", str(out))
    assert out.read_text(encoding="utf-8").startswith("(")
    assert len(FRAMES) == len(out.read_text(encoding="utf-8").splitlines())


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--out", "trace.txt"), "ends in none of .log, .blf, .asc"),
        (("--out", "trace"), "ends in none of .log, .blf, .asc"),
        (("--out", "trace.log"), "Job 1 holds no frames"),
        (("--out", "trace.log", "--scan", "3"), "Job 1 has no scan 3"),
    ],
)
def test_what_cannot_be_written_is_said_and_no_file_is_made(job: Cli, arguments: tuple[str, ...], says: str) -> None:
    name = str(job.folder / arguments[1])
    assert says in job.fails(2, "trace", "1", "--out", name, *arguments[2:])
    assert not Path(name).exists()


def test_a_job_that_is_not_there(job: Cli) -> None:
    assert "There is no job 7" in job.fails(4, "trace", "7", "--out", str(job.folder / "trace.log"))


def test_a_file_that_exists_is_kept(job: Cli) -> None:
    put(job, FRAMES)
    out = job.folder / "trace.log"
    out.write_text("mine", encoding="utf-8")
    assert "is there already" in job.fails(2, "trace", "1", "--out", str(out))
    assert "mine" == out.read_text(encoding="utf-8")
    assert "cannot be written" in job.fails(2, "trace", "1", "--out", str(job.folder / "none" / "trace.log"))


def test_half_a_trace_is_not_left_behind(job: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_blocks: object, out: Path) -> None:
        out.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(gateway.links.can.files, "write_trace", full)
    put(job, FRAMES)
    out = job.folder / "trace.blf"
    assert "cannot be written: No space left on device" in job.fails(2, "trace", "1", "--out", str(out))
    assert not out.exists()


def test_a_blob_that_does_not_read_ends_it(job: Cli) -> None:
    put(job, FRAMES)
    with Store.open(job.store_file, create=False) as store, store.writer(1, actor="tester") as writer:
        writer.append(Kind.FRAMES, {"link": LINK, "count": 1}, raw=b"\x09")
    out = job.folder / "trace.log"
    result = job("trace", "1", "--out", str(out))
    assert 4 == result.code
    assert "do not read" in one_line(result.err)
    assert not out.exists()

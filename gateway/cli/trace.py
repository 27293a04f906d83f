"""The command that writes the bus frames of a job as a file that other tools read."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gateway.cli.frame import Frame, pass_frame, shared_options
from gateway.cli.jobs import JOB

if TYPE_CHECKING:
    from gateway.links.can.files import Written
    from sessions.record import JobRecord

_MICROSECONDS = 1_000_000


@click.command()
@JOB
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help=".log: candump text; .blf or .asc: for measuring tools. A file that exists is kept.",
)
@click.option("--scan", type=click.IntRange(min=1), metavar="N", help="Only the frames of this scan.")
@shared_options
@pass_frame
def trace(frame: Frame, job: int, out: Path, scan: int | None) -> None:
    """Write the frames that a CAN bus carried as a file for other tools."""
    from decoders.errors import UsageError
    from gateway.links.can.files import NOT_IN_FILE, write_trace
    from sessions.record import read_record
    from sessions.record.frames import read_frames

    form = out.suffix.lower()
    if form not in NOT_IN_FILE:
        raise UsageError(f"'{out}' ends in none of {', '.join(NOT_IN_FILE)}", next_step="name the file trace.log")
    with frame.open_store() as store:
        store.job(job)
        entries = store.journal(job)
    _require_scan(read_record(entries), job, scan)
    if not any(block.frames for block in read_frames(entries, scan)):
        where = f"Scan {scan} of job {job}" if scan is not None else f"Job {job}"
        raise UsageError(
            f"{where} holds no frames",
            next_step="scan and clear keep them on a can: link unless told --no-trace, watch with --trace",
        )
    try:
        with out.open("xb"):
            pass
    except FileExistsError as error:
        raise UsageError(f"{out} is there already", next_step="choose another --out") from error
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}", next_step="choose another --out") from error
    try:
        written = write_trace(read_frames(entries, scan), out)
    except BaseException as error:
        out.unlink(missing_ok=True)  # half a trace reads like a whole one
        if isinstance(error, OSError):
            raise UsageError(f"{out} cannot be written: {error.strerror}", next_step="choose another --out") from error
        raise
    _tell(frame, job, out, written)


def _require_scan(record: JobRecord, job: int, scan: int | None) -> None:
    from decoders.errors import UsageError

    known = [str(item.number) for item in record.scans]
    if scan is not None and str(scan) not in known:
        raise UsageError(f"Job {job} has no scan {scan}", next_step=f"scans: {', '.join(known) or 'none'}")


def _tell(frame: Frame, job: int, out: Path, written: Written) -> None:
    from gateway.links.can.files import NOT_IN_FILE

    lost = NOT_IN_FILE[out.suffix.lower()]
    begin, end = (datetime.fromtimestamp(us / _MICROSECONDS, UTC) for us in (written.first_us, written.last_us))
    frame.emit(
        {
            "job": job,
            "out": str(out),
            "frames": written.frames,
            "first": _utc(begin),
            "last": _utc(end),
            "links": written.links,
            "dropped": written.dropped,
            "removed": written.removed,
            "not_in_file": list(lost),
        }
    )
    frame.show(f"{out}: {written.frames} frames from {_utc(begin)} to {_utc(end)}")
    for place, link in enumerate(written.links):
        frame.show(f"  can{place} is {link}")
    if written.dropped:
        frame.show(f"  {written.dropped} more passed and were not kept: there was no room for them", hang=2)
    if written.removed:
        frame.show(f"  {written.removed} more were kept once and have been removed from the record", hang=2)
    for what in lost:
        frame.show(f"  Not in such a file: {what}", hang=4)


def _utc(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"

"""Commands that ask the vehicle: scan, clear, demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gateway.cli.frame import Frame, at_vehicle, pass_frame, shared_options
from gateway.cli.jobs import JOB

if TYPE_CHECKING:
    from gateway.clearing import ClearAnswer
    from gateway.tracing import FrameCollector

LINK = click.option("--link", required=True, metavar="LINK", help="The way to the vehicle, e.g. can:socketcan:can0.")
TRACE = click.option(
    "--trace/--no-trace", default=True, show_default=True, help="Keep every frame of a CAN bus; see mendproof trace."
)
DEMO_FOLDER = Path("mendproof-demo")


@click.command()
@JOB
@click.option(
    "--as",
    "taken_as",
    type=click.Choice(["before", "check", "after"]),
    required=True,
    help="before: untouched; check: to look; after: the work is done.",
)
@click.option("--after-erase", is_flag=True, help="Codes were erased before this scan (say so if you know).")
@click.option(
    "--sweep", is_flag=True, help="Look for units at every diagnostic identifier; the car stands, engine off."
)
@click.option("--stated-parked", is_flag=True, help="For --sweep, you state: drive off, not READY, parked.")
@click.option("--one-at-a-time", is_flag=True, help="Ask one unit after the other.")
@LINK
@TRACE
@shared_options
@pass_frame
def scan(
    frame: Frame,
    job: int,
    taken_as: str,
    after_erase: bool,
    sweep: bool,
    stated_parked: bool,
    one_at_a_time: bool,
    link: str,
    trace: bool,
) -> None:
    """Read every control unit of the car."""
    from decoders.errors import LinkError
    from gateway.advice import to_be_heard
    from gateway.cli.progress import scanning
    from gateway.cli.show import scan_form, show_scan
    from gateway.jobs import keep_verdict, require_before, taken
    from gateway.scanning import take_scan
    from gateway.tracing import tracing

    kind = taken(taken_as)
    if one_at_a_time:
        frame.overrides += ("scan.window=1",)
    with at_vehicle(frame, job, link) as visit:
        require_before(visit.record(), kind)
        with tracing(visit, on=trace) as frames, scanning(frame, visit, job, kind):
            result = take_scan(visit, kind, after_erase=after_erase, sweeps=sweep, stated_parked=stated_parked)
        record = visit.record()
        if kind != "before":
            keep_verdict(visit.writer, visit.store)
        done = next(item for item in record.scans if item.number == result.number)
        frame.emit(scan_form(record, done, job, result.reason))
        show_scan(frame.console, record, done, result.reason)
        show_dropped(frame, frames)
        show_strangers(frame, result.strangers)
        if result.complete and not result.answered:
            raise LinkError(
                f"Scan {result.number}: no unit answered at all",
                next_step=f"{to_be_heard(visit.link.address)}; then scan again",
            )
        if not result.complete and not visit.stop.is_set():
            raise LinkError(
                f"Scan {result.number} is not complete: {result.reason}",
                next_step="mend that and scan again; what was read is kept",
            )


@click.command()
@JOB
@click.option("--unit", "units", multiple=True, metavar="ADDRESS", help="Only this unit; may be repeated.")
@click.option("--stated-parked", is_flag=True, help="You state: drive off, not READY, parked (no unit can tell).")
@LINK
@TRACE
@shared_options
@pass_frame
def clear(frame: Frame, job: int, units: tuple[str, ...], stated_parked: bool, link: str, trace: bool) -> None:
    """Erase fault memories, unit by unit, and read each back at once."""
    from decoders.errors import MendproofError, RefusedError, UsageError
    from decoders.values import normalise_unit
    from gateway.cautions import AFTER_CLEAR, BEFORE_CLEAR
    from gateway.clearing import clear_unit, supply_words, units_to_clear
    from gateway.cli.progress import clearing, tell_event
    from gateway.cli.show import column_name
    from gateway.tracing import tracing

    named = tuple(normalise_unit(unit) for unit in units)
    forms = []
    with at_vehicle(frame, job, link) as visit, tracing(visit, on=trace) as frames:
        record = visit.record()
        chosen = units_to_clear(record, named)
        frame.show(BEFORE_CLEAR, hang=0)
        frame.show(supply_words(record))
        tell_event(frame, "begin", {"job": job, "link": visit.link.address, "units": list(chosen)})
        name_wide = max(len(column_name(record, unit)) for unit in chosen)
        unit_wide = max(map(len, chosen))
        try:
            for place, unit in enumerate(chosen, start=1):
                with clearing(frame, visit, record, unit, f"{place} of {len(chosen)}"):
                    answers = clear_unit(visit, unit, stated_parked=stated_parked)
                for answer in answers:
                    frame.show(f"  {column_name(record, unit):<{name_wide}}  {unit:<{unit_wide}}  {answer.words}")
                    forms.append(_clear_form(answer))
                    tell_event(frame, "clear", {**forms[-1], "unit_name": record.unit_name(unit)})
                if visit.stop.is_set():
                    break
        except MendproofError as error:
            # What was sent before it may still be at work in the units.
            if forms or not isinstance(error, (RefusedError, UsageError)):
                frame.show(AFTER_CLEAR, hang=0)
            raise
        frame.show(AFTER_CLEAR, hang=0)
        show_dropped(frame, frames)
        kept = [form["unit"] for form in forms if form["outcome"] != "answered"]
        if kept:
            frame.show(f"Not cleared: {', '.join(map(str, kept))}. See mendproof verdict {job} for what to do.")
        frame.say(f"Next: mendproof watch {job} --link {link}, or scan {job} --as check")
        frame.emit({"job": job, "clears": forms})


def show_strangers(frame: Frame, strangers: tuple[str, ...]) -> None:
    """Say which identifiers units answered under that nobody knows how to ask: they went unread."""
    if strangers:
        frame.show(
            f"Heard and not read: {', '.join(strangers)}. Whoever answers there is in no profile, and keeps the job "
            "open. Scan with --sweep, which finds it, or open the next job with a profile that names it",
            hang=0,
        )


def show_dropped(frame: Frame, frames: FrameCollector | None) -> None:
    """Say how many frames of the bus passed and were not kept, if any; exchanges are always kept."""
    if frames is not None and frames.dropped:
        frame.show(f"Frame trace: {frames.dropped} frames were not kept, there was no room; every exchange was.")


def _clear_form(answer: ClearAnswer) -> dict[str, str | None]:
    return {
        "unit": answer.unit,
        "request": answer.request.hex().upper(),
        "outcome": answer.outcome.value,
        "refusal": None if answer.refusal is None else f"{answer.refusal:02X}",
    }


@click.command()
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=DEMO_FOLDER,
    show_default=True,
    help="Where the record and the report go; an earlier demo there is replaced.",
)
@shared_options
@pass_frame
def demo(frame: Frame, folder: Path) -> None:
    """Do the whole job on a simulated vehicle and write a report."""
    from decoders.errors import UsageError
    from gateway.cli.demo_show import run_demo

    frame.settings()  # a mistake in them must not cost the earlier demo
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in ("demo.sqlite", "demo.sqlite-wal", "demo.sqlite-shm", "report.html"):
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(f"{folder} cannot be used: {error.strerror}", next_step="choose another --folder") from error
    run_demo(frame, folder)

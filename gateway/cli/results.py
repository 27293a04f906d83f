"""Commands that judge and show: verdict, report, settings, links, profile."""

from __future__ import annotations

import json
from pathlib import Path

import click

from gateway.cli.frame import Frame, pass_frame, shared_options
from gateway.cli.jobs import JOB

NOT_PROVEN = 1


@click.command()
@JOB
@click.option("--strict", is_flag=True, help="Exit with 1 unless the job is proven.")
@shared_options
@pass_frame
def verdict(frame: Frame, job: int, strict: bool) -> None:
    """Say for each fault how strong the proof is, and for the job."""
    from gateway.cli.show import show_verdict
    from gateway.jobs import is_good, judge_job
    from sessions.verdict import verdict_form

    with frame.open_store() as store:
        judged = judge_job(store, job)
    frame.emit(verdict_form(judged, job))
    show_verdict(frame.console, judged, evidence=not frame.quiet)
    if strict and not is_good(judged):
        raise click.exceptions.Exit(NOT_PROVEN)


@click.command()
@JOB
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help=".html: a page to read and print; .json: the form of verdict --json.",
)
@shared_options
@pass_frame
def report(frame: Frame, job: int, out: Path) -> None:
    """Write the report of a job, as a page or for programs."""
    from decoders.errors import UsageError
    from gateway.jobs import judge_job, write_report
    from sessions.verdict import verdict_form

    with frame.open_store() as store:
        if out.suffix == ".html":
            text = write_report(store, job)
        elif out.suffix == ".json":
            text = json.dumps(verdict_form(judge_job(store, job), job), ensure_ascii=False, indent=2) + "\n"
        else:
            raise UsageError(f"'{out}' ends neither in .html nor in .json", next_step="name the file report.html")
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}", next_step="choose another --out") from error
    frame.emit({"job": job, "out": str(out)})
    frame.say(f"Report of job {job}: {out}")


@click.command()
@shared_options
@pass_frame
def settings(frame: Frame) -> None:
    """Show every setting and where it came from."""
    found = frame.settings()
    frame.emit({name: {"value": item.value, "from": item.origin} for name, item in sorted(found.values.items())})
    for name, item in sorted(found.values.items()):
        frame.show(f"{name:<24} {item.value:>6}   {item.origin}")


@click.command()
@shared_options
@pass_frame
def links(frame: Frame) -> None:
    """Show what can be plugged in here."""
    from gateway.links.address import known_interfaces

    found = known_interfaces()
    frame.emit({"links": ["can"], "can_interfaces": list(found)})
    frame.show("can:INTERFACE:CHANNEL[?bitrate=500000&fd=0], with any of these interfaces:")
    frame.show("  " + ", ".join(found))
    frame.show("Others (dongle:, doip:, replay:) are not part of this version.")


@click.group("profile")
@shared_options
def profile_group() -> None:
    """Check vehicle profiles."""


@profile_group.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@shared_options
@pass_frame
def profile_check(frame: Frame, file: Path) -> None:
    """Read a profile and say what is wrong in it, with line and key."""
    from gateway.profiles import load_profile

    profile = load_profile(file).profile
    frame.emit({"profile": profile.name, "units": len(profile.units), "codes": len(profile.codes)})
    frame.show(
        f"{file}: good. {profile.name}: {len(profile.units)} units, {len(profile.codes)} codes, "
        f"{len(profile.identifiers)} identifiers."
    )

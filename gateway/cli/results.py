"""Commands that judge and show: verdict, report, settings, profile."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gateway.cli.frame import Frame, pass_frame, shared_options
from gateway.cli.jobs import JOB

if TYPE_CHECKING:
    from sessions.profile import Profile

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


@click.group("profile")
@shared_options
def profile_group() -> None:
    """Check vehicle profiles, and make them from ODX files."""


@profile_group.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@shared_options
@pass_frame
def profile_check(frame: Frame, file: Path) -> None:
    """Read a profile and say what is wrong in it, with line and key."""
    from gateway.profiles import load_profile

    profile = load_profile(file).profile
    frame.emit({"profile": profile.name, **_contents(profile)})
    frame.show(f"{file}: good. {_summary(profile)}")


@profile_group.command("from-odx")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="PROFILE",
    help="The profile to write; a file that exists is kept.",
)
@click.option(
    "--variant",
    "variants",
    multiple=True,
    metavar="NAME",
    help="Read this variant in place of the base variant it belongs to; may be repeated.",
)
@shared_options
@pass_frame
def profile_from_odx(frame: Frame, file: Path, out: Path, variants: tuple[str, ...]) -> None:
    """Write a profile from an ODX or PDX file, and say what is left out."""
    from decoders.errors import UsageError
    from gateway.profiles import parse_profile
    from gateway.profiles.odx import read_odx

    made = read_odx(file, variants)
    text = made.text(file.name)
    profile = parse_profile(text, name=out.name)
    try:
        with out.open("x", encoding="utf-8") as target:
            target.write(text)
    except FileExistsError as error:
        raise UsageError(f"{out} is there already", next_step="choose another --out") from error
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}", next_step="choose another --out") from error
    left_out = [{"what": item.what, "why": item.why} for item in made.left_out]
    frame.emit({"profile": profile.name, "out": str(out), **_contents(profile), "left_out": left_out})
    frame.show(f"{out}: {_summary(profile)}")
    for line in made.left_out_lines():
        frame.say(f"Left out: {line}", hang=2)


def _contents(profile: Profile) -> dict[str, int]:
    return {
        "units": len(profile.units),
        "codes": len(profile.codes),
        "identifiers": len(profile.identifiers),
        "layouts": len(profile.layouts),
        "messages": len(profile.messages),
    }


def _summary(profile: Profile) -> str:
    counts = (f"{count} {what if count != 1 else what[:-1]}" for what, count in _contents(profile).items())
    return f"{profile.name}: {', '.join(counts)}."

"""Commands on a job's record; none of them but ``job open --link`` asks the vehicle."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gateway.cli.frame import Frame, pass_frame, shared_options, writing

if TYPE_CHECKING:
    from sessions.record import JobRecord
    from sessions.verdict import JobVerdict

JOB = click.argument("job", type=click.IntRange(min=1), metavar="JOB")


@click.group("job")
@shared_options
def job_group() -> None:
    """Open, list, show and close jobs."""


@job_group.command("open")
@click.option("--link", metavar="LINK", help="Read the VIN from the vehicle over this link.")
@click.option("--profile", type=click.Path(path_type=Path), metavar="FILE", help="The vehicle's profile (TOML).")
@click.option("--complaint", "complaints", multiple=True, metavar="TEXT", help="What the owner complains about.")
@click.option("--odometer-km", type=click.IntRange(min=0), metavar="N", help="Odometer in km, as read by you.")
@shared_options
@pass_frame
def job_open(
    frame: Frame, link: str | None, profile: Path | None, complaints: tuple[str, ...], odometer_km: int | None
) -> None:
    """Open a job for one repair on one vehicle."""
    from contextlib import nullcontext

    from gateway.advice import to_be_heard
    from gateway.cli.frame import open_vehicle
    from gateway.jobs import open_job, record_of
    from gateway.profiles import load_profile
    from gateway.visit import require_one_kind_of_address

    settings = frame.settings()
    loaded = load_profile(profile) if profile else None
    if link and loaded is not None:
        require_one_kind_of_address([unit.address for unit in loaded.profile.units], link)
    way = open_vehicle(link, settings.limits) if link else nullcontext()
    with way as guarded, frame.open_store(create=True) as store:
        opened = open_job(
            store,
            actor=frame.who,
            settings=settings,
            profile=loaded,
            complaints=complaints,
            odometer_km=odometer_km,
            link=guarded,
        )
        heard = any(item.exchange.answers for item in record_of(store, opened.job).asked)
    frame.emit({"job": opened.job, "vin": opened.vin, "vin_check": opened.vin_words})
    frame.show(f"Job {opened.job} is open. VIN {opened.vin or 'unknown'}: {opened.vin_words}.")
    if link is not None and not heard:
        frame.show(f"No unit answered: {to_be_heard(link)}.", hang=0)
    frame.say(f"Next: mendproof scan {opened.job} --as before --link LINK")


@job_group.command("list")
@shared_options
@pass_frame
def job_list(frame: Frame) -> None:
    """List the jobs of the record."""
    from gateway.jobs import opening_of

    with frame.open_store() as store:
        rows = [(row, opening_of(store, row.job)) for row in store.jobs()]
    frame.emit(
        {
            "jobs": [
                {
                    "job": row.job,
                    "opened_at": row.opened_at,
                    "closed": row.closed,
                    "entries": row.entries,
                    "vin": opening.vin,
                    "complaints": list(opening.complaints),
                }
                for row, opening in rows
            ]
        }
    )
    for row, opening in rows:
        state = "closed" if row.closed else "open"
        frame.show(f"Job {row.job}  {state}  opened {row.opened_at}  VIN {opening.vin or 'not read'}")
        for complaint in opening.complaints:
            frame.show(f"       {complaint}")
    if not rows:
        frame.say("No jobs yet. Open one: mendproof job open")


@job_group.command("show")
@JOB
@shared_options
@pass_frame
def job_show(frame: Frame, job: int) -> None:
    """Show what a job's record holds."""
    from gateway.jobs import record_of
    from sessions.journal import Kind

    with frame.open_store() as store:
        record = record_of(store, job)
        broken = store.check(job)
        sheet = [entry.payload for entry in store.journal(job) if entry.kind is Kind.SHEET]
    sent, never_sent = _clears(record)
    frame.emit(
        {
            "job": job,
            "job_uid": record.job_uid,
            "opened_at": record.opened.at,
            "closed": record.closed is not None,
            "complaints": list(record.complaints),
            "odometer_km": record.odometer_km,
            "scans": [{"scan": scan.number, "as": scan.taken_as, "complete": scan.complete} for scan in record.scans],
            "repairs": [repair.text for repair in record.repairs],
            "notes": [line["text"] for line in sheet if line["what"] == "note"],
            "clears": sent,
            "clears_never_sent": never_sent,
            "chain_whole": broken is None,
        }
    )
    frame.show(f"Job {job}, opened {record.opened.at}, {'closed' if record.closed else 'open'}")
    for number, complaint in enumerate(record.complaints, start=1):
        frame.show(f"  complaint {number}: {complaint}")
    if record.odometer_km is not None:
        frame.show(f"  odometer {record.odometer_km} km, as entered")
    for scan in record.scans:
        frame.show(f"  scan {scan.number} as {scan.taken_as}: {'complete' if scan.complete else 'not complete'}")
    for line in sheet:
        frame.show(f"  {line['what']}: {line['text']}")
    clears = f"{sent} clear{'s' if sent != 1 else ''}" + (f", {never_sent} more never sent" if never_sent else "")
    frame.show(f"  {clears}, {record.last_seq} entries")
    frame.show("  chain: " + ("whole" if broken is None else f"BROKEN, {broken.reason}"))


def _clears(record: JobRecord) -> tuple[int, int]:
    """How many clears may have reached the vehicle, and how many did not leave."""
    from decoders.values import Outcome

    never_sent = sum(clear.outcome is Outcome.UNSENT for clear in record.clears)
    return len(record.clears) - never_sent, never_sent


@job_group.command("close")
@JOB
@shared_options
@pass_frame
def job_close(frame: Frame, job: int) -> None:
    """Close a job that has an after-scan."""
    from gateway.jobs import close_job

    with frame.open_store() as store, store.writer(job, actor=frame.who) as writer:
        verdict = close_job(store, writer)
    frame.emit({"job": job, "job_verdict": verdict.grade.value, "set_aside_count": verdict.set_aside_count})
    frame.show(f"Job {job} is closed: {verdict.grade.value}, {verdict.set_aside_count} set aside.")


@job_group.command("set-aside")
@JOB
@click.option("--unit", required=True, metavar="ADDRESS", help="The unit, e.g. 760/768.")
@click.option("--code", metavar="CODE", help="The code, e.g. C0035-13; without it the whole unit.")
@click.option("--reason", required=True, metavar="TEXT", help="Why the owner lives with it.")
@shared_options
@pass_frame
def job_set_aside(frame: Frame, job: int, unit: str, code: str | None, reason: str) -> None:
    """Set a fault or unit aside; it is counted, never hidden."""
    from gateway.jobs import judge_job, set_aside

    with writing(frame, job) as (store, writer):
        given_for = set_aside(store, writer, unit, code, reason)
        address, codes = ("", ()) if code is not None else _not_covered(judge_job(store, job))
    frame.emit({"job": job, "unit": unit, "code": code, "given_for": given_for, "not_covered": list(codes)})
    frame.show(f"Set aside: {unit} {code or '(whole unit)'}, given for '{given_for}'. It ends if that gets worse.")
    if codes:
        frame.show("It covers that the unit goes unread, and none of its open faults; to set them aside as well:")
    for text in codes:
        frame.show(f"  mendproof job set-aside {job} --unit {address} --code {text} --reason TEXT")


def _not_covered(verdict: JobVerdict) -> tuple[str, tuple[str, ...]]:
    """The unit that was just set aside as a whole, and its faults that are open all the same."""
    unit = verdict.record.decisions[-1].unit
    still_open = (
        fault
        for fault in verdict.faults
        if fault.key.unit == unit and not fault.set_aside and not fault.verdict.is_good
    )
    return unit, tuple(dict.fromkeys(fault.key.dtc.text for fault in still_open))


@job_group.command("observe")
@JOB
@click.option("--about", required=True, metavar="WHAT", help="'complaint 1', or the name of a lamp.")
@click.option("--state", type=click.Choice(["lit", "gone", "explained"]), required=True, help="What you saw.")
@click.option("--text", default="", metavar="TEXT", help="In your words.")
@shared_options
@pass_frame
def job_observe(frame: Frame, job: int, about: str, state: str, text: str) -> None:
    """Note a lamp or complaint: lit, gone or explained."""
    from gateway.jobs import check_about, note_observation, record_of

    with writing(frame, job) as (store, writer):
        check_about(record_of(store, job), about, state)
        note_observation(writer, about, state, text)
    frame.emit({"job": job, "about": about, "state": state})
    frame.say(f"Noted: {about} is {state}.")


@click.group("repair")
@shared_options
def repair_group() -> None:
    """Write the repair sheet."""


def _note(frame: Frame, job: int, what: str, text: str, at: str | None) -> None:
    from gateway.jobs import note_work

    with writing(frame, job) as (_store, writer):
        note_work(writer, what, text, at)
    frame.emit({"job": job, "what": what, "text": text})
    frame.say(f"Noted as {what}: {text}")


AT = click.option("--at", metavar="TIME", help="When it was done, UTC, e.g. 2026-05-04T09:30:00.000Z.")


@repair_group.command("part")
@JOB
@click.argument("text")
@AT
@shared_options
@pass_frame
def repair_part(frame: Frame, job: int, text: str, at: str | None) -> None:
    """Note a part that was fitted."""
    _note(frame, job, "part", text, _checked_time(at))


@repair_group.command("fluid")
@JOB
@click.argument("text")
@AT
@shared_options
@pass_frame
def repair_fluid(frame: Frame, job: int, text: str, at: str | None) -> None:
    """Note a fluid that was filled or changed."""
    _note(frame, job, "fluid", text, _checked_time(at))


@repair_group.command("note")
@JOB
@click.argument("text")
@shared_options
@pass_frame
def repair_note(frame: Frame, job: int, text: str) -> None:
    """Note anything else; a note is no repair."""
    _note(frame, job, "note", text, None)


def _checked_time(text: str | None) -> str | None:
    """The time in the journal's form.

    Raises:
        UsageError: the text is no time with a zone.
    """
    if text is None:
        return None
    from datetime import UTC, datetime

    from decoders.errors import UsageError

    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError("it has no zone")
        in_utc = moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        wanted = "write it like 2026-05-04T09:30:00Z"
        raise UsageError(f"'{text}' is no time with a zone", next_step=wanted) from error
    if in_utc > datetime.now(UTC):
        raise UsageError(
            f"'{text}' lies in the future", next_step="give the time when the work was done, with its zone"
        )
    return in_utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")

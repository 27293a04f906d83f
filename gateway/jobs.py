"""What is done to a job apart from asking the vehicle: open it, note work, decide, judge, close."""

from __future__ import annotations

import hashlib
import platform
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import get_args

from decoders import check_vin, decode_identifier, decode_info, text_of
from decoders.errors import DecodeError, UsageError
from decoders.values import AnswerKind, Dtc, Exchange, Request, normalise_unit
from gateway.advice import to_be_heard
from gateway.guard import GuardedLink
from gateway.links import Plan
from gateway.profiles import LoadedProfile
from gateway.settings import Settings
from gateway.visit import Visit, note_link, require_one_kind_of_address, require_one_kind_of_evidence
from sessions.journal import Kind
from sessions.profile import NO_PROFILE, Profile
from sessions.record import JobRecord, read_record
from sessions.record.model import TakenAs
from sessions.store import JobWriter, Store
from sessions.verdict import (
    RULES_VERSION,
    FaultVerdict,
    JobGrade,
    JobVerdict,
    RuleSettings,
    Verdict,
    judge,
    verdict_form,
)
from sessions.verdict.loose_ends import MALFUNCTION_LAMP
from sessions.verdict.scans import before_scan

VIN_BY_OBD = b"\x09\x02"
VIN_BY_UDS = b"\x22\xf1\x90"


OPENING_ENTRIES = 80
"""The first entries of a journal hold what a job was opened with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What a job was opened with: enough to tell it from others."""

    vin: str | None
    complaints: tuple[str, ...]


def opening_of(store: Store, job: int) -> Opening:
    """What a job was opened with, without reading its whole journal."""
    record = read_record(store.journal(job, until_seq=OPENING_ENTRIES))
    read = (vin for item in record.asked if item.during == "open" and (vin := vin_of(item.exchange)))
    return Opening(vin=next(read, None), complaints=record.complaints)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A job just opened, and the VIN the vehicle gave, with what is known of its check digit."""

    job: int
    vin: str | None
    vin_words: str


def open_job(
    store: Store,
    *,
    actor: str,
    settings: Settings,
    profile: LoadedProfile | None,
    complaints: Sequence[str],
    odometer_km: int | None,
    link: GuardedLink | None,
) -> Opened:
    """Open a job; with a link, read the VIN from the vehicle and check it.

    Raises:
        UsageError: a complaint has no words.
    """
    if any(not complaint.strip() for complaint in complaints):
        raise UsageError("A complaint without words cannot be settled", next_step="say what the owner complains about")
    row = store.new_job()
    with store.writer(row.job, actor=actor) as writer:
        job: dict[str, object] = {"complaints": list(complaints)}
        if odometer_km is not None:
            job["odometer_km"] = odometer_km
        writer.append(Kind.JOB, job)
        note_run(writer)
        if profile is not None:
            raw = profile.text.encode("utf-8")
            payload = {
                "name": profile.profile.name,
                "sha256": hashlib.sha256(raw).hexdigest(),
                "profile": profile.profile.to_payload(),
            }
            writer.append(Kind.PROFILE, payload, raw)
        known = profile.profile if profile else NO_PROFILE
        rules = RuleSettings.of(known.settings, settings.rules).to_payload()
        writer.append(Kind.SETTINGS, {"rules_version": RULES_VERSION, **rules})
        vin = None
        if link is not None:
            vin = _read_vin(store, writer, link, known, settings)
        words = vin_words(vin) if link is not None else "not read: no link was given"
        if vin is not None:
            writer.append(Kind.OBSERVATION, {"about": "vin", "state": "read", "text": f"{vin}: {words}"})
    return Opened(job=row.job, vin=vin, vin_words=words)


def note_run(writer: JobWriter) -> None:
    """Write which program and which libraries this process runs: part of what a reading rests on."""
    names = ("mendproof", "python-can", "can-isotp")
    payload = {name.replace("-", "_"): version(name) for name in names}
    writer.append(Kind.RUN, {**payload, "python": platform.python_version()})


def _read_vin(store: Store, writer: JobWriter, link: GuardedLink, profile: Profile, settings: Settings) -> str | None:
    note_link(writer, link)
    visit = Visit(store, writer, link, profile, limits=settings.limits)
    plans = {"vin": _plan_vin(link.functional_targets, tuple(unit.address for unit in profile.units))}
    for exchange in visit.ask(plans, during="open"):
        found = vin_of(exchange)
        if found:
            return found
    return None


def _plan_vin(everybody: Sequence[str], units: Sequence[str]) -> Plan:
    """Ask for the VIN until somebody gives it: emissions units first, then each unit of the profile."""
    requests = [Request(target, VIN_BY_OBD) for target in everybody]
    requests += [Request(unit, data) for unit in units for data in (VIN_BY_OBD, VIN_BY_UDS)]
    for request in requests:
        exchange = yield request
        if vin_of(exchange):
            return


def vin_of(exchange: Exchange) -> str | None:
    """The VIN in the first positive answer of an exchange, or None."""
    for answer in exchange.answers:
        if answer.kind is not AnswerKind.POSITIVE:
            continue
        try:
            if exchange.request == VIN_BY_UDS:
                return text_of(decode_identifier(answer.data).data)
            info = decode_info(answer.data)
            return next((text for place, text in enumerate(info.items) if place not in info.unreadable), None)
        except DecodeError:
            continue
    return None


def vin_words(vin: str | None) -> str:
    """What is known of a VIN as read: form and check digit; a region without check digits is not an error."""
    if vin is None:
        return "no unit gave a VIN"
    return check_vin(vin).words


def visit_vehicle(
    store: Store,
    writer: JobWriter,
    link: GuardedLink,
    settings: Settings,
    *,
    stop: threading.Event | None = None,
) -> Visit:
    """Begin a visit to the job's vehicle over a link, and note which link it is.

    Raises:
        UsageError: the job holds answers of a vehicle and the link is a record, or the other way round.
    """
    record = read_record(store.journal(writer.job))
    require_one_kind_of_evidence(record, link)
    require_one_kind_of_address(record.known_units, link.address)
    note_run(writer)
    note_link(writer, link)
    return Visit(store, writer, link, record.profile, limits=settings.limits, stop=stop)


def record_of(store: Store, job: int) -> JobRecord:
    """The record of a job.

    Raises:
        RecordError: there is no such job, or its journal is damaged.
    """
    store.job(job)
    return read_record(store.journal(job))


def judge_job(store: Store, job: int) -> JobVerdict:
    """The verdict of a job, derived afresh from its journal."""
    return judge(record_of(store, job))


def keep_verdict(writer: JobWriter, store: Store) -> JobVerdict:
    """Derive the verdict and keep it in the journal as it was seen now."""
    verdict = judge_job(store, writer.job)
    form = verdict_form(verdict, writer.job)
    kept = {
        "rules_version": RULES_VERSION,
        "job_verdict": form["job_verdict"],
        "set_aside_count": form["set_aside_count"],
        "faults": [
            {key: fault[key] for key in ("unit", "code", "memory", "verdict", "rule")} for fault in form["faults"]
        ],
    }
    if verdict.after is not None:
        kept["scan"] = verdict.after.number
    writer.append(Kind.VERDICT, kept)
    return verdict


def note_work(writer: JobWriter, what: str, text: str, worked_at: str | None = None) -> None:
    """Write a line of the repair sheet: a part, a fluid or a note.

    Raises:
        UsageError: it has no words.
    """
    if not text.strip():
        raise UsageError(f"A {what} without words tells nobody what was done", next_step="say what it was")
    payload = {"what": what, "text": text}
    if worked_at is not None:
        payload["worked_at"] = worked_at
    writer.append(Kind.SHEET, payload)


def note_observation(writer: JobWriter, about: str, state: str, text: str) -> None:
    """Note what a person saw: a complaint or a lamp lit, gone or explained."""
    payload = {"about": about, "state": state}
    if text:
        payload["text"] = text
    writer.append(Kind.OBSERVATION, payload)


def find_fault(verdict: JobVerdict, unit: str, code: str) -> FaultVerdict:
    """The fault a person means.

    Raises:
        UsageError: no reading of the job shows it; the line lists those there are.
    """
    address, dtc = normalise_unit(unit), Dtc.parse(code)
    for fault in verdict.faults:
        if fault.key.unit == address and dtc in (fault.key.dtc, fault.key.dtc.base_only):
            return fault
    known = ", ".join(f"{fault.key.unit} {fault.key.dtc.text}" for fault in verdict.faults) or "none"
    raise UsageError(f"No reading of this job shows {dtc.text} in {address}", next_step=f"faults: {known}")


def require_open(record: JobRecord) -> None:
    """A closed job is a finished record: nothing is added to it.

    Raises:
        UsageError: the job is closed.
    """
    if record.closed is not None:
        raise UsageError("This job is closed", next_step="open a new job for new work: mendproof job open")


def check_about(record: JobRecord, about: str, state: str) -> None:
    """A note that something is gone or explained names a complaint or a lit lamp of the job; a new lamp any name.

    Raises:
        UsageError: the job has no such complaint or lamp.
    """
    complaints = [f"complaint {place}" for place in range(1, len(record.complaints) + 1)]
    lamps = sorted({MALFUNCTION_LAMP, *(item.about for item in record.observations if item.state == "lit")})
    known = [*complaints, *lamps]
    if about not in known and (state != "lit" or about.partition(" ")[0] == "complaint"):
        raise UsageError(f"This job has no '{about}'", next_step=f"it has: {', '.join(known)}")


def set_aside(store: Store, writer: JobWriter, unit: str, code: str | None, reason: str) -> str:
    """Set a fault or a whole unit aside, for the verdict it has now; gives back that verdict's word.

    Before any after-scan it is given for `failing`.

    Raises:
        UsageError: the fault or the unit is not known, or the reason is empty.
    """
    if not reason.strip():
        raise UsageError("A decision to set aside needs a reason", next_step="add --reason TEXT")
    verdict = judge_job(store, writer.job)
    strangers = verdict.record.strangers
    address = unit.upper() if unit.upper() in strangers else _unit_address(unit, strangers)
    payload = {"unit": address, "reason": reason, "given_for": Verdict.UNREAD.value}
    if code is None:
        fitted = {item.address for item in verdict.record.profile.units}
        known = sorted({*verdict.record.units, *fitted, *strangers})
        if address not in known:
            raise UsageError(f"This job knows no unit {address}", next_step=f"units: {', '.join(known) or 'none'}")
    else:
        fault = find_fault(verdict, unit, code)
        given_for = fault.verdict if verdict.after is not None else Verdict.FAILING
        payload |= {
            "code": fault.key.dtc.text,
            "memory": fault.key.memory,
            "given_for": given_for.value,
        }
    writer.append(Kind.DECISION, payload)
    return payload["given_for"]


def _unit_address(text: str, strangers: Sequence[str]) -> str:
    try:
        return normalise_unit(text)
    except UsageError as error:
        heard = f", or name one that was heard and cannot be asked: {', '.join(strangers)}" if strangers else ""
        raise UsageError(error.message, next_step=f"{error.next_step}{heard}") from error


def close_job(store: Store, writer: JobWriter) -> JobVerdict:
    """Close a job: only one judged on a scan taken as `after` can be closed.

    Raises:
        UsageError: it has no such scan, or is closed already.
    """
    record = record_of(store, writer.job)
    if record.closed is not None:
        raise UsageError(f"Job {writer.job} is closed already", next_step="open a new job for new work")
    verdict = judge(record)
    if verdict.after is None or verdict.after.taken_as != "after":
        raise UsageError(
            f"Job {writer.job} has no complete after-scan newer than the last clear",
            next_step="scan first: mendproof scan JOB --as after --link LINK",
        )
    keep_verdict(writer, store)
    writer.append(Kind.CLOSE, {"job_verdict": verdict.grade.value})
    return verdict


def taken(text: str) -> TakenAs:
    """The scan purpose a person named.

    Raises:
        UsageError: it is none of the three.
    """
    for known in get_args(TakenAs):
        if text == known:
            purpose: TakenAs = known
            return purpose
    raise UsageError(f"'{text}' is no purpose of a scan", next_step="use before, check or after")


def require_before(record: JobRecord, taken_as: TakenAs) -> None:
    """An after-scan or check without a before-scan proves nothing: say so before anything is asked.

    Raises:
        UsageError: there is no complete before-scan, or the job is closed.
    """
    require_open(record)
    if taken_as != "before" and before_scan(record) is None:
        raise UsageError(
            f"A scan taken as {taken_as} needs a complete before-scan, and this job has none",
            next_step=why_no_before(record),
        )


def why_no_before(record: JobRecord) -> str:
    """What to do where a complete before-scan is missing, and what is wrong with the one there is."""
    again = "mendproof scan JOB --as before --link LINK"
    taken_before = [scan for scan in record.scans if scan.taken_as == "before"]
    if not taken_before:
        return f"scan first: {again}"
    last = taken_before[-1]
    if not last.complete:
        return f"scan {last.number} was cut short, scan again: {again}"
    return f"scan {last.number} read no unit before the work: {to_be_heard(last.link)}; then {again}"


def write_report(store: Store, job: int) -> str:
    """The HTML report of a job."""
    from sessions.report import render_html

    verdict = judge_job(store, job)
    entries = store.journal(job)
    return render_html(
        verdict,
        job=job,
        made_with=f"mendproof {version('mendproof')}",
        state_at=entries[-1].at,
        last_hash=entries[-1].hash.hex(),
    )


def is_good(verdict: JobVerdict) -> bool:
    """True if the job is proven: what ``verdict --strict`` asks."""
    return verdict.grade is JobGrade.PROVEN

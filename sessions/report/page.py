"""The page itself: everything the template needs, gathered from a verdict, and the template's environment."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined

from decoders import check_vin
from sessions.profile import NO_PROFILE, Profile
from sessions.record import JobRecord, Scan, unit_words
from sessions.report import course, words
from sessions.report.charts import Chart, charts
from sessions.report.faults import AsideNote, FaultCard, fault_cards
from sessions.report.times import Clock, utc_words
from sessions.report.units import NO_AFTER, NO_BEFORE, EmissionsRow, UnitRow, emissions_rows, unit_rows
from sessions.report.words import counted, number_words
from sessions.verdict import RULES_VERSION, JobGrade, JobVerdict, Verdict
from sessions.verdict.code_words import code_words
from sessions.verdict.identity import vins_read


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """A code shown only as history."""

    unit_name: str
    unit: str
    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One thing a person noted."""

    state: str
    text: str
    actor: str
    when: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """A complaint, a lamp or another subject, and everything that was noted about it."""

    subject: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Everything the report shows.

    Args:
        tally: verdict word, tone, and the cards that carry it, from worst to best.
        vin_words: what can be said of the VIN's check digit.
        vin_source: how many units told it, and who told another.
        last_hash: hash of the journal's last entry, hex, or None if not given.
    """

    job: int
    job_uid: str
    vehicle: str
    simulated: bool
    vin: str
    vin_words: str
    vin_source: tuple[str, ...]
    odometer: str
    opened: str
    closed: str
    grade: str
    sentence: str
    set_aside_words: str
    reasons: tuple[str, ...]
    asides: tuple[AsideNote, ...]
    before: str
    after: str
    plan: tuple[str, ...]
    tally: tuple[tuple[str, str, tuple[FaultCard, ...]], ...]
    faults: tuple[FaultCard, ...]
    history: tuple[HistoryRow, ...]
    units: tuple[UnitRow, ...]
    emissions: tuple[EmissionsRow, ...]
    steps: tuple[course.Step, ...]
    repairs: tuple[course.RepairRow, ...]
    clears: tuple[course.ClearRow, ...]
    scans: tuple[course.ScanRow, ...]
    charts: tuple[Chart, ...]
    complaints: tuple[str, ...]
    noted: tuple[Noted, ...]
    entries: str
    last_hash: str | None
    made_with: str
    state_at: str
    rules_version: int


def render_html(verdict: JobVerdict, *, job: int, made_with: str, state_at: str, last_hash: str | None = None) -> str:
    """The report of a job as one HTML file without scripts or external resources.

    Args:
        verdict: the job's verdict; nothing else is read.
        job: the number of the job in its store.
        made_with: name and version of the program.
        state_at: UTC text of the journal's last entry: the state that is shown.
        last_hash: hash of the journal's last entry, hex, where it is to be printed.
    """
    page = _page(verdict, job=job, made_with=made_with, state_at=state_at, last_hash=last_hash)
    return _environment().get_template("page.html.j2").render(page=page, words=words, verdicts=Verdict)


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader(__package__, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _page(verdict: JobVerdict, *, job: int, made_with: str, state_at: str, last_hash: str | None) -> Page:
    record, clock = verdict.record, Clock.of(verdict.record)
    cards, units = fault_cards(verdict), unit_rows(verdict)
    asides = [*(card.set_aside for card in cards), *(row.set_aside for row in units)]
    return Page(
        job=job,
        job_uid=record.job_uid,
        vehicle=_vehicle(record.profile),
        simulated=record.is_simulated,
        vin=verdict.vin or "not read",
        vin_words=_vin_words(verdict.vin),
        vin_source=_vin_source(verdict),
        odometer="not stated" if record.odometer_km is None else f"{number_words(record.odometer_km)} km, as stated",
        opened=clock.whole(record.opened),
        closed=clock.whole(record.closed) if record.closed else "not closed",
        grade=verdict.grade.value,
        sentence=_sentence(verdict),
        set_aside_words=_set_aside_words(verdict),
        reasons=verdict.reasons,
        asides=tuple(note for note in asides if note is not None),
        before=_scan_words(verdict.before, NO_BEFORE),
        after=_scan_words(verdict.after, NO_AFTER),
        plan=verdict.plan,
        tally=tuple(
            (word, found[0].tone, found)
            for word, group in groupby(cards, key=lambda card: card.verdict)
            if (found := tuple(group))
        ),
        faults=cards,
        history=_history(verdict),
        units=units,
        emissions=emissions_rows(verdict),
        steps=course.steps(record),
        repairs=course.repair_rows(record),
        clears=course.clear_rows(record),
        scans=course.scan_rows(record),
        charts=charts(record),
        complaints=record.complaints,
        noted=_noted(record, clock),
        entries=number_words(record.last_seq),
        last_hash=last_hash,
        made_with=made_with,
        state_at=utc_words(state_at),
        rules_version=RULES_VERSION,
    )


def _vehicle(profile: Profile) -> str:
    """Maker and model, else the profile's name."""
    if profile == NO_PROFILE:
        return "Vehicle without a profile"
    return " ".join(filter(None, (profile.maker, profile.model))) or profile.name


def _sentence(verdict: JobVerdict) -> str:
    if verdict.grade is JobGrade.OPEN and not verdict.faults:
        return "there is nothing to prove"
    return words.GRADE_WORDS[verdict.grade]


def _set_aside_words(verdict: JobVerdict) -> str:
    """The number set aside, and of what: a grade is never shown without it."""
    count = verdict.set_aside_count
    if not count:
        return "0 set aside"
    units = sum(pair.set_aside is not None for pair in verdict.units)
    parts = [counted(count - units, "fault")] if count > units else []
    parts += [counted(units, "unit")] if units else []
    return f"{count} set aside ({', '.join(parts)})"


def _scan_words(scan: Scan | None, none: str) -> str:
    return f"scan {scan.number}, taken as {scan.taken_as}" if scan else none


def _vin_words(vin: str | None) -> str:
    return "no unit told it" if vin is None else check_vin(vin).words


def _vin_source(verdict: JobVerdict) -> tuple[str, ...]:
    """How many units told the vehicle's VIN, then each unit that told another one."""
    record = verdict.record
    told = {unit: tuple(dict.fromkeys(vin for _scan, vin in seen)) for unit, seen in vins_read(record).items()}
    same = sum(vins == (verdict.vin,) for vins in told.values())
    others = [
        f"{unit_words(record.unit_name(unit), unit)} told {', '.join(vins)}"
        for unit, vins in told.items()
        if vins != (verdict.vin,)
    ]
    return (*((f"told by {counted(same, 'unit')}",) if same else ()), *others)


def _history(verdict: JobVerdict) -> tuple[HistoryRow, ...]:
    record = verdict.record
    return tuple(
        HistoryRow(unit_name=record.unit_name(unit), unit=unit, code=code, text=code_words(record, unit, code))
        for unit, code in verdict.history
    )


def _noted(record: JobRecord, clock: Clock) -> tuple[Noted, ...]:
    """Every complaint, noted about or not, then every other subject in the order in which it was first noted."""
    complaints = {f"complaint {number}": text for number, text in enumerate(record.complaints, start=1)}
    notes: dict[str, list[Note]] = {about: [] for about in complaints}
    for item in record.observations:
        note = Note(state=item.state, text=item.text, actor=item.actor, when=clock.whole(item.moment))
        notes.setdefault(item.about, []).append(note)
    return tuple(
        Noted(
            subject=f"{about[0].upper()}{about[1:]}: {complaints[about]}" if about in complaints else about,
            notes=tuple(found),
        )
        for about, found in notes.items()
    )

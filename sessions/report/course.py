"""What was done, in the order of the journal: scans, repairs, clears, and what the car was made to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from decoders.values import Dtc, Outcome
from sessions.record import ClearEvent, JobRecord, Moment, Scan, WorldAct
from sessions.report.times import Clock, utc_words
from sessions.report.words import counted, refusal_words
from sessions.verdict.clears import ALL_GROUPS, EMISSIONS_GROUP, OBD_CLEAR

SCAN, REPAIR, CLEAR, CAR = range(4)
"""The lanes of the course."""
_SUPPLY_PID = 0x42


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of the course of the job: a mark in a lane, and words.

    Args:
        lane: which lane its mark stands in.
        mark: name of the mark.
        label: what kind of step it is.
        when: simulated time where there is one, else UTC.
        entries: where it stands in the journal.
    """

    lane: int
    mark: str
    label: str
    text: str
    when: str
    entries: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRow:
    """One scan in words."""

    number: int
    taken_as: str
    state: str
    mark: str
    begin: str
    end: str
    link: str
    supply: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearRow:
    """One request to erase, and what the unit answered."""

    unit_name: str
    unit: str
    request: str
    meaning: str
    answer: str
    mark: str
    when: str
    entry: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRow:
    """One part or fluid, as a person entered it."""

    what: str
    text: str
    worked_at: str
    actor: str
    entered: str
    entry: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Event:
    """One thing that happened; neighbours with the same lane and `joins` become one step.

    Args:
        since_s: the simulated second in which the act before it ended, or None.
    """

    lane: int
    joins: str
    mark: str
    label: str
    text: str
    seq: int
    begin: Moment
    end: Moment
    since_s: int | None


def steps(record: JobRecord) -> tuple[Step, ...]:
    """The course of the job; clears that follow one another, and repeats of one act, are one step."""
    clock = Clock.of(record)
    events = sorted(_events(record), key=lambda event: event.seq)
    return tuple(_step(list(group), clock) for _key, group in groupby(events, key=lambda e: (e.lane, e.joins)))


def _events(record: JobRecord) -> list[_Event]:
    found = [
        _event(SCAN, f"Scan {scan.number}", _scan_words(scan), scan.begin, end=scan.end, mark=scan_mark(scan))
        for scan in record.scans
    ]
    found += [
        _event(REPAIR, "Repair", f"{item.what}: {item.text} ({item.actor})", item.moment, seq=item.seq)
        for item in record.repairs
    ]
    found += [_event(CLEAR, "Clear", _answer(clear)[0], clear.moment, joins="clear") for clear in record.clears]
    since_s = None
    for act in record.world:
        done = act_words(act)
        found.append(_event(CAR, "Car", act.said or done, act.moment, joins=done, since_s=since_s))
        since_s = act.moment.world_s
    return found


def act_words(act: WorldAct) -> str:
    """What was done to a simulated vehicle, with all it was given except how long: ``drive at 62 km/h``."""
    given = (_argument_words(name, value) for name, value in act.arguments.items() if name != "seconds")
    return " ".join((_plain(act.action), *given))


def _argument_words(name: str, value: int | str) -> str:
    if name == "kmh":
        return f"at {value} km/h" if value else "to a stop"
    return _plain(value) if isinstance(value, str) else f"{_plain(name)} {value}"


def _event(
    lane: int,
    label: str,
    text: str,
    begin: Moment,
    *,
    end: Moment | None = None,
    seq: int | None = None,
    joins: str = "",
    mark: str = "",
    since_s: int | None = None,
) -> _Event:
    return _Event(
        lane=lane,
        joins=joins or f"entry {begin.seq}",
        mark=mark or ("scan", "repair", "clear", "car")[lane],
        label=label,
        text=text,
        seq=begin.seq if seq is None else seq,
        begin=begin,
        end=end or begin,
        since_s=since_s,
    )


def _step(events: Sequence[_Event], clock: Clock) -> Step:
    first, last = events[0], events[-1]
    low, high = first.seq, max(last.seq, last.end.seq)
    return Step(
        lane=first.lane,
        mark=first.mark,
        label=first.label,
        text=_joined_text(events),
        when=clock.span(first.begin, last.end),
        entries=f"entry {low}" if low == high else f"entries {low} to {high}",
    )


def _joined_text(events: Sequence[_Event]) -> str:
    last = events[-1]
    if last.lane == CLEAR:
        answers = Counter(event.text for event in events)
        told = ", ".join(f"{count} {answer}" for answer, count in answers.items())
        return f"{counted(len(events), 'request')} to erase: {told}"
    if len(events) == 1:
        return last.text
    begin_s, end_s = events[0].since_s, last.end.world_s
    how_long = f"{end_s - begin_s} s (simulated), " if begin_s is not None and end_s is not None else ""
    return f"{last.joins}, {how_long}{len(events)} steps; the last: {last.text}"


def _plain(action: str) -> str:
    return action.replace("_", " ")


def scan_mark(scan: Scan) -> str:
    """The mark of a scan: what it was taken as, or that it was cut short."""
    return f"scan-{scan.taken_as}" if scan.complete else "scan-cut"


def scan_state(scan: Scan) -> str:
    """Complete or cut short, with what a person said of it."""
    state = "complete" if scan.complete else "cut short"
    return f"{state}, taken after an erase, as stated" if scan.stated_after_erase else state


def _scan_words(scan: Scan) -> str:
    return f"taken as {scan.taken_as}, {scan_state(scan)}, {counted(len(scan.units), 'unit')} asked"


def scan_rows(record: JobRecord) -> tuple[ScanRow, ...]:
    """Every scan of the job."""
    clock = Clock.of(record)
    return tuple(
        ScanRow(
            number=scan.number,
            taken_as=scan.taken_as,
            state=scan_state(scan),
            mark=scan_mark(scan),
            begin=clock.whole(scan.begin),
            end=clock.whole(scan.end) if scan.end else "no end kept",
            link=scan.link,
            supply=_supply_words(record, scan),
        )
        for scan in record.scans
    )


def _supply_words(record: JobRecord, scan: Scan) -> str:
    """The lowest and highest supply voltage that any unit told during a scan."""
    end = scan.end.seq if scan.end else record.last_seq
    volts = [item.value for item in record.live if item.pid == _SUPPLY_PID and scan.begin.seq <= item.moment.seq <= end]
    if not volts:
        return "not read"
    low, high = f"{min(volts):.1f}", f"{max(volts):.1f}"
    return f"{low} V" if low == high else f"{low} to {high} V"


def clear_rows(record: JobRecord) -> tuple[ClearRow, ...]:
    """Every request to erase."""
    clock = Clock.of(record)
    rows = []
    for clear in record.clears:
        answer, mark = _answer(clear)
        rows.append(
            ClearRow(
                unit_name=record.unit_name(clear.unit),
                unit=clear.unit,
                request=clear.request.hex(" ").upper(),
                meaning=_meaning(clear.request),
                answer=answer,
                mark=mark,
                when=clock.whole(clear.moment),
                entry=clear.moment.seq,
            )
        )
    return tuple(rows)


def _answer(clear: ClearEvent) -> tuple[str, str]:
    """What became of a clear, in words, and its mark."""
    if clear.outcome is Outcome.ANSWERED:
        return "answered positively", "answered"
    if clear.outcome is Outcome.REFUSED:
        return f"refused ({refusal_words(clear.refusal)})", "refused"
    if clear.outcome is Outcome.UNSENT:
        return "never sent", "not-asked"
    if clear.outcome is Outcome.DAMAGED and clear.answered is None:
        return "no answer kept: nobody knows whether it was carried out", "damaged"
    return clear.outcome.value, clear.outcome.value


def _meaning(request: bytes) -> str:
    known = {ALL_GROUPS: "all codes", EMISSIONS_GROUP: "emissions codes", OBD_CLEAR: "OBD codes"}
    if request in known:
        return known[request]
    if len(request) == 4 and request[0] == ALL_GROUPS[0]:
        return f"code {Dtc.from_bytes(request[1:]).text}"
    return "meaning not known"


def repair_rows(record: JobRecord) -> tuple[RepairRow, ...]:
    """Every part and fluid."""
    clock = Clock.of(record)
    return tuple(
        RepairRow(
            what=item.what,
            text=item.text,
            worked_at=f"{utc_words(item.worked_at)}, as said" if item.worked_at else "when it was entered",
            actor=item.actor,
            entered=clock.whole(item.moment),
            entry=item.moment.seq,
        )
        for item in record.repairs
    )

"""Journal entries to a record."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from decoders import decode_clear
from decoders.errors import DecodeError, RecordError
from decoders.values import Exchange, Outcome
from sessions.journal import Entry, Kind, exchange_from_payload
from sessions.profile import NO_PROFILE, Profile
from sessions.record.decode import answer_of, decode_asked
from sessions.record.model import (
    Asked,
    ClearEvent,
    Decision,
    JobRecord,
    Moment,
    Observation,
    Repair,
    Scan,
    WorldAct,
)

CLEAR_SERVICES = (b"\x04", b"\x14")
REPAIR_KINDS = ("part", "fluid")
"""What counts as work on the vehicle; a note does not."""


def read_record(entries: Iterable[Entry]) -> JobRecord:
    """Sort a journal into a record.

    Raises:
        RecordError: the journal is empty or does not begin with its job entry.
    """
    reader = _Reader()
    for entry in entries:
        reader.take(entry)
    return reader.finish()


class _Reader:
    """Walks the journal once; each kind of entry has its own small handler."""

    def __init__(self) -> None:
        self.job: Entry | None = None
        self.profile: Profile = NO_PROFILE
        self.settings: dict[str, int] = {}
        self.scans: list[Scan] = []
        self.asked: list[Asked] = []
        self.client: list[Asked] = []
        self.clears: list[ClearEvent] = []
        self.sheet: list[Repair] = []
        self.world: list[WorldAct] = []
        self.observations: list[Observation] = []
        self.decisions: list[Decision] = []
        self.closed: Moment | None = None
        self.world_s: int | None = None
        self.last_seq = 0
        self.handlers: Mapping[Kind, Callable[[Moment, Entry], None]] = {
            Kind.JOB: self._job,
            Kind.PROFILE: self._profile,
            Kind.SETTINGS: self._settings,
            Kind.SCAN_BEGIN: self._scan_begin,
            Kind.EXCHANGE: self._exchange,
            Kind.SCAN_END: self._scan_end,
            Kind.CLEAR: self._clear,
            Kind.SHEET: self._sheet,
            Kind.WORLD: self._world,
            Kind.OBSERVATION: self._observation,
            Kind.DECISION: self._decision,
            Kind.CLOSE: self._close,
        }

    def take(self, entry: Entry) -> None:
        if entry.kind is Kind.WORLD:
            self.world_s = entry.payload["world_s"]
        moment = Moment(seq=entry.seq, run=entry.run, mono_us=entry.mono_us, world_s=self.world_s, at=entry.at)
        self.last_seq = entry.seq
        handler = self.handlers.get(entry.kind)
        if handler is not None:
            handler(moment, entry)

    def _job(self, moment: Moment, entry: Entry) -> None:
        self.job, self.opened = entry, moment

    def _profile(self, _moment: Moment, entry: Entry) -> None:
        self.profile = Profile.from_payload(entry.payload["profile"])

    def _settings(self, _moment: Moment, entry: Entry) -> None:
        self.settings = {key: value for key, value in entry.payload.items() if isinstance(value, int)}

    def _scan_begin(self, moment: Moment, entry: Entry) -> None:
        payload = entry.payload
        self.scans.append(
            Scan(
                number=payload["scan"],
                taken_as=payload["as"],
                begin=moment,
                link=payload["link"],
                stated_after_erase=payload.get("after_erase", False),
            )
        )

    def _exchange(self, moment: Moment, entry: Entry) -> None:
        payload = entry.payload
        asked = Asked(
            moment=moment,
            exchange=exchange_from_payload(payload),
            during=payload["during"],
            scan=payload.get("scan"),
            again=payload.get("again", False),
        )
        if asked.during == "client":
            self.client.append(asked)
            return
        self.asked.append(asked)
        if asked.exchange.request[:1] in CLEAR_SERVICES:
            self._answer_clear(asked)

    def _answer_clear(self, asked: Asked) -> None:
        exchange = asked.exchange
        outcome = clear_outcome(exchange)
        answered = asked.moment if outcome is not Outcome.UNSENT else None
        for index in range(len(self.clears) - 1, -1, -1):
            clear = self.clears[index]
            if (clear.unit, clear.request, clear.answered) == (exchange.target, exchange.request, None):
                self.clears[index] = replace(clear, outcome=outcome, refusal=exchange.refusal, answered=answered)
                return
        # A clear that nobody announced is one all the same.
        self.clears.append(
            ClearEvent(
                moment=asked.moment,
                unit=exchange.target,
                request=exchange.request,
                outcome=outcome,
                refusal=exchange.refusal,
                answered=answered,
            )
        )

    def _scan_end(self, moment: Moment, entry: Entry) -> None:
        number = entry.payload["scan"]
        for index, scan in enumerate(self.scans):
            if scan.number == number:
                complete = entry.payload["complete"]
                self.scans[index] = replace(scan, end=moment, complete=complete)

    def _clear(self, moment: Moment, entry: Entry) -> None:
        # Committed before the request left: until an answer is kept, nobody knows whether it was carried out.
        self.clears.append(
            ClearEvent(
                moment=moment,
                unit=entry.payload["unit"],
                request=bytes.fromhex(entry.payload["request"]),
                outcome=Outcome.DAMAGED,
            )
        )

    def _sheet(self, moment: Moment, entry: Entry) -> None:
        payload = entry.payload
        self.sheet.append(
            Repair(
                moment=moment,
                actor=entry.actor,
                what=payload["what"],
                text=payload["text"],
                seq=moment.seq,
                worked_at=payload.get("worked_at"),
            )
        )

    def _world(self, moment: Moment, entry: Entry) -> None:
        payload = entry.payload
        self.world.append(
            WorldAct(
                moment=moment,
                action=payload["action"],
                said=payload.get("said", ""),
                arguments=dict(payload.get("arguments", {})),
            )
        )

    def _observation(self, moment: Moment, entry: Entry) -> None:
        payload = entry.payload
        self.observations.append(
            Observation(
                moment=moment,
                actor=entry.actor,
                about=payload["about"],
                state=payload["state"],
                text=payload.get("text", ""),
            )
        )

    def _decision(self, moment: Moment, entry: Entry) -> None:
        payload = entry.payload
        self.decisions.append(
            Decision(
                moment=moment,
                unit=payload["unit"],
                code=payload.get("code"),
                memory=payload.get("memory"),
                reason=payload["reason"],
                given_for=payload["given_for"],
                actor=entry.actor,
            )
        )

    def _close(self, moment: Moment, _entry: Entry) -> None:
        self.closed = moment

    def finish(self) -> JobRecord:
        if self.job is None:
            raise RecordError(
                "This journal does not begin with a job entry",
                next_step="check that the file is a whole record",
            )
        payload: Mapping[str, Any] = self.job.payload
        decoded = decode_asked(self.asked)
        scans = tuple(self._settled(scan) for scan in self.scans)
        return JobRecord(
            job_uid=self.job.job_uid,
            opened=self.opened,
            complaints=tuple(payload.get("complaints", ())),
            odometer_km=payload.get("odometer_km"),
            profile=self.profile,
            settings=self.settings,
            scans=scans,
            asked=decoded.asked,
            client=tuple(self.client),
            codes=decoded.codes,
            obd=decoded.obd,
            live=decoded.live,
            monitors=decoded.monitors,
            clears=tuple(self.clears),
            repairs=_place_repairs(self.sheet, scans, self.asked, self.clears),
            world=tuple(self.world),
            observations=tuple(self.observations),
            decisions=tuple(self.decisions),
            closed=self.closed,
            last_seq=self.last_seq,
        )

    def _settled(self, scan: Scan) -> Scan:
        """The scan with its units, complete only if every request was sent and nothing was changed on the way."""
        own = [item for item in self.asked if item.scan == scan.number]
        unsent = any(item.exchange.outcome is Outcome.UNSENT for item in own)
        return replace(
            scan,
            units=tuple(sorted({item.unit for item in own if item.unit is not None})),
            complete=scan.complete and not unsent and not self._changed_while_continued(scan),
        )

    def _changed_while_continued(self, scan: Scan) -> bool:
        """True if a scan that a second process went on with holds a clear, a repair or an act on the vehicle."""
        if scan.end is None or scan.end.run == scan.begin.run:
            return False
        changes = [clear.moment.seq for clear in self.clears] + [act.moment.seq for act in self.world]
        changes += [item.moment.seq for item in self.sheet if item.what in REPAIR_KINDS]
        return any(scan.begin.seq < seq < scan.end.seq for seq in changes)


def clear_outcome(exchange: Exchange) -> Outcome:
    """How a clear ended; an answer that does not decode is none."""
    outcome, data = answer_of(exchange)
    if data is None:
        return outcome
    try:
        decode_clear(data)
    except DecodeError:
        return Outcome.DAMAGED
    return outcome


def _place_repairs(
    sheet: list[Repair], scans: tuple[Scan, ...], asked: list[Asked], clears: list[ClearEvent]
) -> tuple[Repair, ...]:
    """Put each part or fluid where its stated time of work says, never before the before-scan.

    A stated time that is no time with its zone says nothing: the entry then counts from when it was made.
    """
    work = [(repair, _utc_text(repair.worked_at)) for repair in sheet if repair.what in REPAIR_KINDS]
    changes = [clear.moment.seq for clear in clears] + [repair.seq for repair, stated in work if stated is None]
    limit = min(changes, default=float("inf"))
    floor = max(
        (
            scan.end.seq
            for scan in scans
            if scan.taken_as == "before" and scan.complete and scan.end is not None and scan.end.seq <= limit
        ),
        default=0,
    )
    placed = []
    for repair, stated in work:
        if stated is None:
            placed.append(repair)
            continue
        begun = max((item.moment.seq for item in asked if item.moment.at <= stated), default=0)
        placed.append(replace(repair, seq=min(repair.seq, max(begun, floor))))
    return tuple(placed)


def _utc_text(stated: str | None) -> str | None:
    """A stated time as the journal writes times, or None if it is none or has no zone."""
    try:
        time = datetime.fromisoformat(stated or "")
    except ValueError:
        return None
    if time.tzinfo is None:
        return None
    return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

"""Each fault as the report shows it: what it was, what it is now, what speaks for the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from decoders.values import StatusBit
from sessions.record import JobRecord, unit_words
from sessions.report.stored import StoredPart, stored_parts
from sessions.report.times import utc_words
from sessions.report.words import BIT_WORDS, OBD_LIST_WORDS, TONES
from sessions.verdict import FaultVerdict, JobVerdict, SetAside
from sessions.verdict.sights import ObdSight, Sight, obd_sights_of, sights_of

_YES_NO = {True: "yes", False: "no", None: "not told"}
_NOTHING_MISSING = {
    "against": "No evidence is missing: the fault is there.",
    "unknown": "Nothing more is named.",
    "for": "Nothing is missing.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AsideNote:
    """A person's decision to live with a fault or a unit.

    Args:
        subject: what is set aside: unit name, address and, for a fault, its code.
    """

    subject: str
    reason: str
    given_for: str
    actor: str
    when: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BitRow:
    """One line of a fault's status: what is asked, what was told first, what is told now."""

    label: str
    first: str
    now: str

    @property
    def changed(self) -> bool:
        """True if first and now differ."""
        return self.first != self.now


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCard:
    """One fault.

    Args:
        anchor: where links to it lead.
        tone: which way the verdict points.
        memory: where the code stands, in words.
        first: where it was first listed and the byte there.
        now: where it was looked at last and the byte there.
        rows: its status, line by line.
        stored: what the unit stored with it.
        nothing_missing: said where `missing` is empty.
    """

    anchor: str
    verdict: str
    tone: str
    rule: int
    unit_name: str
    unit: str
    code: str
    text: str
    memory: str
    provisional: bool
    first: str
    now: str
    rows: tuple[BitRow, ...]
    stored: tuple[StoredPart, ...]
    evidence: tuple[str, ...]
    missing: tuple[str, ...]
    nothing_missing: str
    set_aside: AsideNote | None


def fault_cards(verdict: JobVerdict) -> tuple[FaultCard, ...]:
    """Every fault in the order of the verdict, worst first."""
    return tuple(_card(verdict, fault, number) for number, fault in enumerate(verdict.faults, start=1))


def aside_note(subject: str, set_aside: SetAside | None) -> AsideNote | None:
    """A decision in words, or None without one."""
    if set_aside is None:
        return None
    return AsideNote(
        subject=subject,
        reason=set_aside.reason,
        given_for=set_aside.given_for.value,
        actor=set_aside.actor,
        when=utc_words(set_aside.at),
    )


def _card(verdict: JobVerdict, fault: FaultVerdict, number: int) -> FaultCard:
    history = _History.of(verdict, fault)
    key = fault.key
    return FaultCard(
        anchor=f"fault-{number}",
        verdict=fault.verdict.value,
        tone=TONES[fault.verdict],
        rule=fault.ruling.rule,
        unit_name=fault.unit_name,
        unit=key.unit,
        code=key.dtc.text,
        text=fault.text,
        memory=_memory_words(key.memory),
        provisional=fault.provisional,
        first=history.first_words(fault.first_seen),
        now=history.now_words(),
        rows=history.rows(),
        stored=stored_parts(verdict.record, key),
        evidence=fault.ruling.evidence,
        missing=fault.ruling.missing,
        nothing_missing=_NOTHING_MISSING[TONES[fault.verdict]],
        set_aside=aside_note(f"{unit_words(fault.unit_name, key.unit)} {key.dtc.text}", fault.set_aside),
    )


def _memory_words(memory: str) -> str:
    words = {"dtc": "Fault memory, service 19", "obd": "OBD services only"}
    return words.get(memory, f"Memory {memory}")


@dataclass(frozen=True, slots=True, kw_only=True)
class _History:
    """The looks at one fault that the report compares.

    Args:
        first: the first look by service 19 that lists it, or None.
        now: the look in the after-scan that shows most, or None if it was not read there.
        first_scan: number of the scan in which any service first listed it, or None.
        after: number of the after-scan, or None.
    """

    first: Sight | None
    now: Sight | None
    by_19: bool
    obd: Sequence[ObdSight]
    first_scan: int | None
    after: int | None

    @classmethod
    def of(cls, verdict: JobVerdict, fault: FaultVerdict) -> _History:
        record: JobRecord = verdict.record
        key = fault.key
        by_19 = key.memory != "obd"
        sights = sights_of(record, key.unit, key.dtc) if by_19 else ()
        obd = obd_sights_of(record, key.unit, key.dtc)
        first = next((sight for sight in sights if sight.lists_it), None)
        after = verdict.after.number if verdict.after else None
        there = [sight for sight in sights if after is not None and sight.scan == after]
        shown = [sight for sight in there if not sight.absent] or there
        listed = [sight.scan for sight in (first, *(item for item in obd if item.listed)) if sight is not None]
        return cls(
            first=first,
            now=shown[-1] if shown else None,
            by_19=by_19,
            obd=obd,
            first_scan=listed[0] if listed else None,
            after=after,
        )

    def first_words(self, first_seen: str) -> str:
        if self.first is not None:
            return _look_words(self.first)
        place = f"scan {self.first_scan}, " if self.first_scan is not None else ""
        return f"{place}{first_seen}" if first_seen else "no status byte read"

    def now_words(self) -> str:
        if self.now is not None:
            return _look_words(self.now)
        if self.after is None:
            return "no after-scan"
        told = [sight for sight in self.obd if sight.scan == self.after]
        if self.by_19 or not told:
            return f"not read in scan {self.after}"
        lists = [f"{sight.service:02X}" for sight in told if sight.listed]
        return f"scan {self.after}, {'service ' + ', '.join(lists) if lists else 'not listed'}"

    def rows(self) -> tuple[BitRow, ...]:
        bits = BIT_WORDS if self.by_19 else ()
        found = [BitRow(label=label, first=_told(self.first, bit), now=_told(self.now, bit)) for bit, label in bits]
        services = {sight.service for sight in self.obd}
        found += [
            BitRow(
                label=label,
                first=self._obd_told(service, self.first_scan),
                now=self._obd_told(service, self.after),
            )
            for service, label in OBD_LIST_WORDS
            if service in services
        ]
        return tuple(found)

    def _obd_told(self, service: int, scan: int | None) -> str:
        told = [s.listed for s in self.obd if s.service == service and scan is not None and s.scan == scan]
        return _YES_NO[told[-1]] if told else "not read"


def _told(sight: Sight | None, bit: StatusBit) -> str:
    return "not read" if sight is None else _YES_NO[sight.bit(bit)]


def _look_words(sight: Sight) -> str:
    where = f"scan {sight.scan}" if sight.scan is not None else f"entry {sight.seq}"
    what = "not listed" if sight.absent else f"status {sight.status.byte:02X}"
    return f"{where}, {what}, mask {sight.status.mask:02X}"

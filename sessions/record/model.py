"""The values a record is made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from decoders import MonitorStatus
from decoders.values import AnswerKind, Dtc, Exchange, Outcome, is_functional, source_of
from sessions.obd_values import OBD_PAGE
from sessions.profile import Profile
from sessions.record.strangers import strangers

TakenAs = Literal["before", "check", "after"]
_TO_THE_REQUEST = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE, AnswerKind.PENDING, AnswerKind.DAMAGED)
During = Literal["scan", "sweep", "readback", "watch", "interlock", "clear", "open", "client"]


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Moment:
    """When something entered the journal.

    Args:
        seq: place in the journal: the order of evidence.
        run: the process that wrote it; `mono_us` compares only within one run.
        mono_us: monotonic microseconds.
        world_s: seconds of a simulated vehicle's clock, or None on a real one.
        at: UTC text by the machine clock.
    """

    seq: int
    run: str = field(compare=False)
    mono_us: int = field(compare=False)
    world_s: int | None = field(compare=False, default=None)
    at: str = field(compare=False, default="")

    def seconds_until(self, later: Moment) -> float | None:
        """Seconds from this moment to a later one, or None where no clock spans both."""
        if self.world_s is not None and later.world_s is not None:
            return float(later.world_s - self.world_s)
        if self.run == later.run and self.world_s is None and later.world_s is None:
            return (later.mono_us - self.mono_us) / 1_000_000
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One exchange with its place in the job.

    Args:
        again: True if it repeats this unit's request before, which came to nothing.
    """

    moment: Moment
    exchange: Exchange
    during: During
    scan: int | None
    again: bool = False

    @property
    def unit(self) -> str | None:
        """The unit that was asked by its own address; None for whom a sweep looked for and did not find."""
        exchange = self.exchange
        nobody = self.during == "sweep" and not answers_itself(exchange)
        return None if nobody or is_functional(exchange.target) else exchange.target


def answers_itself(exchange: Exchange) -> bool:
    """True if the unit that was asked by its own address said something to it, also what is damaged."""
    source = source_of(exchange.target)
    return any(answer.source == source and answer.kind in _TO_THE_REQUEST for answer in exchange.answers)


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeReading:
    """What one unit answered to one request of service 19 for codes or status.

    Args:
        request: the payload asked; two readings compare only if it is the same.
        outcome: how it ended; `entries` and `mask` mean something only if answered.
        mask: the status availability mask that holds for the entries, or None if none was read.
        entries: status byte by code, as sent.
        whole: True for a list that names every code matching the request; False for single-code answers.
        session_ok: True if the unit was in its default session around this reading, so far as it tells.
        data: the whole answer, or None without one.
    """

    moment: Moment
    unit: str
    request: bytes
    during: During
    scan: int | None
    outcome: Outcome
    refusal: int | None = None
    mask: int | None = None
    entries: dict[Dtc, int] = field(default_factory=dict)
    whole: bool = False
    session_ok: bool = True
    data: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ObdReading:
    """What one unit answered to service 03, 07 or 0A; `codes` means something only if answered."""

    moment: Moment
    unit: str
    service: int
    during: During
    scan: int | None
    outcome: Outcome
    refusal: int | None = None
    codes: frozenset[Dtc] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveReading:
    """One live value from one unit, in its unit of measure.

    Args:
        pid: which value, 00..FF.
        value: in the PID's unit.
        by_identifier: True if it was asked by service 22, as identifier F4xx.
    """

    moment: Moment
    unit: str
    pid: int
    value: float
    by_identifier: bool = False

    @property
    def number(self) -> int:
        """How to ask for it again: see `sessions.obd_values`."""
        return OBD_PAGE | self.pid if self.by_identifier else self.pid


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorReading:
    """One answer to 01 01 or 22 F401 (since clear), 01 41 or 22 F441 (this cycle)."""

    moment: Moment
    unit: str
    status: MonitorStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One interrogation of the whole car.

    Args:
        number: counted from 1 within the job.
        taken_as: what it is for.
        begin: its first entry.
        end: its last entry, or None if it was cut short.
        complete: True if its plan ran to the end with every request sent.
        stated_after_erase: True if a person said codes had been erased before it.
    """

    number: int
    taken_as: TakenAs
    begin: Moment
    link: str
    end: Moment | None = None
    complete: bool = False
    stated_after_erase: bool = False
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearEvent:
    """One request to erase, and what the unit answered.

    Args:
        moment: the entry committed before the request was sent.
        unit: the unit asked.
        request: the payload.
        outcome: how it ended; unsent if nothing shows that it left.
        answered: when the final answer was kept, or None.
    """

    moment: Moment
    unit: str
    request: bytes
    outcome: Outcome
    refusal: int | None = None
    answered: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """A part or fluid entry.

    Args:
        actor: who entered it.
        seq: where it counts in the order of evidence.
        worked_at: a stated time of work, or None.
    """

    moment: Moment
    actor: str
    what: str
    text: str
    seq: int
    worked_at: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldAct:
    """What was done to a simulated vehicle; never itself a condition.

    Args:
        action: what was done, such as ``drive``.
        said: what the vehicle's world said of it.
        arguments: what the action was given, such as a speed; empty if nothing was kept.
    """

    moment: Moment
    action: str
    said: str
    arguments: dict[str, int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What a person noted: a complaint or lamp gone or explained; `actor` is who noted it."""

    moment: Moment
    actor: str
    about: str
    state: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """A person's decision to set a fault or a unit aside, with the reason."""

    moment: Moment
    unit: str
    code: str | None
    memory: str | None
    reason: str
    given_for: str
    actor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """Everything a journal says, sorted by kind, each in journal order.

    Args:
        asked: every exchange of the program's own flows.
        client: what a person's script asked beside them: kept and shown, and nothing that a verdict may rest on.
    """

    job_uid: str
    opened: Moment
    complaints: tuple[str, ...] = ()
    odometer_km: int | None = None
    profile: Profile
    settings: dict[str, int] = field(default_factory=dict)
    scans: tuple[Scan, ...] = ()
    asked: tuple[Asked, ...] = ()
    client: tuple[Asked, ...] = ()
    codes: tuple[CodeReading, ...] = ()
    obd: tuple[ObdReading, ...] = ()
    live: tuple[LiveReading, ...] = ()
    monitors: tuple[MonitorReading, ...] = ()
    clears: tuple[ClearEvent, ...] = ()
    repairs: tuple[Repair, ...] = ()
    world: tuple[WorldAct, ...] = ()
    observations: tuple[Observation, ...] = ()
    decisions: tuple[Decision, ...] = ()
    closed: Moment | None = None
    last_seq: int = 0

    @property
    def units(self) -> tuple[str, ...]:
        """Every unit asked by its own address in this job."""
        return tuple(sorted({item.unit for item in self.asked if item.unit is not None}))

    @property
    def known_units(self) -> tuple[str, ...]:
        """Every unit asked by its own address in this job, and those of its profile."""
        return tuple(sorted({*self.units, *(unit.address for unit in self.profile.units)}))

    @property
    def strangers(self) -> tuple[str, ...]:
        """Sources that answered a call to everybody and belong to no unit of the job or its profile."""
        return strangers((item.exchange for item in self.asked), self.known_units)

    @property
    def is_simulated(self) -> bool:
        """True if a simulated vehicle was moved in this job."""
        return bool(self.world)

    def unit_name(self, unit: str) -> str:
        """The profile's name for a unit, or its address where the profile has none."""
        named = self.profile.unit(unit)
        return named.name if named else f"Unit {unit}"


def unit_words(name: str, unit: str, written: str = "{name} {unit}") -> str:
    """A unit's name, then its address; the address once where no better name is known.

    Args:
        name: as `JobRecord.unit_name` gives it.
        unit: its address.
        written: how the two stand together.
    """
    return name if unit in name else written.format(name=name, unit=unit)

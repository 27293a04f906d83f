"""Journals of invented jobs as short stories: a vehicle is scanned, repaired, cleared, driven, scanned again."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any, Self

from decoders.values import Answer, AnswerKind, Dtc, Exchange, Outcome, is_functional, source_of
from sessions.journal import FIRST_PREV, Entry, Kind, canonical, exchange_to_payload, seal
from sessions.profile import Profile, ProfileCode, ProfileUnit
from sessions.record import JobRecord, read_record
from sessions.verdict import FaultVerdict, JobVerdict, judge

UNIT = "760/768"
CODE = "C0035-13"
START = datetime.datetime(2031, 3, 4, 9, 0, tzinfo=datetime.UTC)
ENTRY_US = 1000
VIN = "ZZ9HVR2L4TM004417"

# Service 01 identifiers, their length and scaling: SAE J1979-DA / ISO 15031-5, Annex B.
_LIVE = {
    "rpm": (0x0C, 2, lambda value: value * 4),
    "kmh": (0x0D, 1, lambda value: value),
    "load": (0x04, 1, lambda value: round(value * 255 / 100)),
    "coolant": (0x05, 1, lambda value: value + 40),
    "ambient": (0x46, 1, lambda value: value + 40),
    "run_time": (0x1F, 2, lambda value: value),
    "warm_ups": (0x30, 1, lambda value: value),
    "distance": (0x31, 2, lambda value: value),
    "minutes": (0x4E, 2, lambda value: value),
    "odometer": (0xA6, 4, lambda value: value * 10),
}


def profile(system: str = "chassis", **changes: Any) -> Profile:
    """A vehicle of one unit; `changes` go into its profile."""
    unit = ProfileUnit(address=UNIT, name="Brake control", system=system)  # type: ignore[arg-type]
    return Profile(**{"name": "Halvorne Meridel", "units": (unit,), **changes})


def code_of(*, text: str = CODE, unit: str = UNIT, **changes: Any) -> ProfileCode:
    """One code of a profile."""
    return ProfileCode(unit=unit, code=text, text="front left wheel speed sensor", **changes)


class Story:
    """Writes a journal entry by entry; every method gives the story back.

    Args:
        known: the profile, or None for none.
        complaints: what the owner said.
        settings: figures of the rules.
    """

    def __init__(
        self, known: Profile | None = None, complaints: tuple[str, ...] = (), settings: Mapping[str, int] | None = None
    ) -> None:
        self.parts: list[dict[str, Any]] = []
        self.mono_us = 0
        self.world_s = 0
        self.run = "run-1"
        self.link = "sim:story"
        self.scan_number = 0
        self.open_scan: int | None = None
        self.during = "watch"
        self.note(Kind.JOB, {"complaints": list(complaints)} if complaints else {})
        if known is not None:
            self.note(Kind.PROFILE, {"name": known.name, "profile": known.to_payload()})
        if settings is not None:
            self.note(Kind.SETTINGS, {"rules_version": 1, **settings})

    # What the journal holds.

    def entries(self) -> list[Entry]:
        """The journal with its chain."""
        prev, found = FIRST_PREV, []
        for part in self.parts:
            sealed = seal(prev=prev, payload_bytes=canonical(part["payload"]), **self._fixed(part))
            prev = sealed.hash
            found.append(sealed.opened())
        return found

    def record(self) -> JobRecord:
        """What the journal says. The chain is no part of it, so it is left out here."""
        return read_record(
            Entry(prev=b"", hash=b"", payload=part["payload"], **self._fixed(part)) for part in self.parts
        )

    @staticmethod
    def _fixed(part: Mapping[str, Any]) -> dict[str, Any]:
        return {"job_uid": "3b0f2c1e", "actor": "r.ambrel", "raw": None} | {
            key: part[key] for key in ("seq", "kind", "at", "run", "mono_us")
        }

    def judged(self) -> JobVerdict:
        """The verdict of the job."""
        return judge(self.record())

    def fault(self, code: str = CODE, unit: str = UNIT) -> FaultVerdict:
        """The verdict of one fault."""
        found = [item for item in self.judged().faults if (item.key.unit, item.key.dtc.text) == (unit, code)]
        assert len(found) == 1, f"{code} is shown {len(found)} times"
        return found[0]

    def graded(self, code: str = CODE, unit: str = UNIT) -> tuple[str, int]:
        """Verdict and rule of one fault."""
        fault = self.fault(code, unit)
        return fault.verdict.value, fault.ruling.rule

    # Time.

    def note(self, kind: Kind, payload: Mapping[str, Any]) -> Self:
        """One entry of any kind."""
        at = START + datetime.timedelta(microseconds=self.mono_us)
        text = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        self.parts.append(
            {
                "seq": len(self.parts) + 1,
                "kind": kind,
                "at": text,
                "run": self.run,
                "mono_us": self.mono_us,
                "payload": payload,
            }
        )
        self.mono_us += ENTRY_US
        return self

    def wait(self, seconds: float) -> Self:
        """Machine time goes by."""
        self.mono_us += round(seconds * 1_000_000)
        return self

    def world(self, seconds: int, action: str = "wait") -> Self:
        """A simulated vehicle's time goes by."""
        self.world_s += seconds
        return self.note(Kind.WORLD, {"action": action, "world_s": self.world_s, "said": ""})

    def process(self, run: str) -> Self:
        """Another process goes on."""
        self.run = run
        return self

    # Scans.

    def scan(self, taken_as: str, *, after_erase: bool = False) -> Self:
        """A scan begins; the one before it ends."""
        self.end()
        self.scan_number += 1
        self.open_scan = self.scan_number
        payload = {"scan": self.scan_number, "as": taken_as, "link": self.link}
        return self.note(Kind.SCAN_BEGIN, payload | ({"after_erase": True} if after_erase else {}))

    def end(self, *, complete: bool = True) -> Self:
        """The scan under way ends."""
        if self.open_scan is not None:
            self.note(Kind.SCAN_END, {"scan": self.open_scan, "complete": complete})
        self.open_scan = None
        self.during = "watch"
        return self

    def readback(self) -> Self:
        """What follows is read at once after a clear."""
        self.during = "readback"
        return self

    def watch(self) -> Self:
        """What follows is read while watching."""
        self.during = "watch"
        return self

    # Exchanges.

    def kept(self, exchange: Exchange, during: str | None = None) -> Self:
        """One exchange."""
        payload = exchange_to_payload(exchange)
        if self.open_scan is not None:
            payload |= {"scan": self.open_scan}
        return self.note(Kind.EXCHANGE, payload | {"during": during or ("scan" if self.open_scan else self.during)})

    def _asked(self, unit: str, request: str, outcome: Outcome | None, reply: str = "", **more: Any) -> Exchange:
        kinds = {Outcome.REFUSED: AnswerKind.NEGATIVE, Outcome.DAMAGED: AnswerKind.DAMAGED}
        kind = kinds.get(outcome, AnswerKind.POSITIVE) if outcome else AnswerKind.POSITIVE
        source = more.pop("source", source_of(unit))
        told = Answer(source=source, data=bytes.fromhex(reply), first_us=900, last_us=950, kind=kind)
        return Exchange(
            link=self.link,
            target=unit,
            request=bytes.fromhex(request),
            answers=(told,) if reply else (),
            outcome=outcome,
            **more,
        )

    def answer(self, unit: str, request: str, reply: str, source: str = "") -> Self:
        """A positive answer; of `source` to a functional request."""
        if is_functional(unit):
            return self.kept(self._asked(unit, request, None, reply, source=source))
        return self.kept(self._asked(unit, request, Outcome.ANSWERED, reply))

    def silent(self, unit: str, *requests: str) -> Self:
        """No answer to each of the requests."""
        for request in requests:
            self.kept(self._asked(unit, request, Outcome.SILENT))
        return self

    def refused(self, unit: str, request: str, code: int) -> Self:
        """A refusal."""
        reply = f"7F{request[:2]}{code:02X}"
        return self.kept(self._asked(unit, request, Outcome.REFUSED, reply, refusal=code))

    def damaged(self, unit: str, request: str, data: str = "") -> Self:
        """An answer that did not arrive whole."""
        return self.kept(self._asked(unit, request, Outcome.DAMAGED, data))

    def unsent(self, unit: str, *requests: str) -> Self:
        """Requests that never left."""
        for request in requests:
            self.kept(self._asked(unit, request, Outcome.UNSENT, trouble="link down"))
        return self

    def clear(self, unit: str, request: str, reply: str | None = "54", refusal: int | None = None) -> Self:
        """A clear and what came back: a positive reply, a refusal, or (None) nothing."""
        self.end()
        self.note(Kind.CLEAR, {"unit": unit, "request": request, "standstill": "read"})
        if refusal is not None:
            exchange = self._asked(unit, request, Outcome.REFUSED, f"7F{request[:2]}{refusal:02X}", refusal=refusal)
        elif reply is None:
            exchange = self._asked(unit, request, Outcome.SILENT)
        else:
            exchange = self._asked(unit, request, Outcome.ANSWERED, reply)
        return self.kept(exchange, during="clear")

    # What units tell.

    def live(self, unit: str = UNIT, **values: float) -> Self:
        """Live values, one request each: rpm, kmh, load, coolant, ambient, run_time, and counters since clear."""
        for name, value in values.items():
            pid, length, raw = _LIVE[name]
            data = int(raw(value)).to_bytes(length, "big").hex().upper()
            self.answer(unit, f"01{pid:02X}", f"41{pid:02X}{data}")
        return self

    def monitors(self, unit: str = UNIT, *, mil: bool = False, incomplete: int = 0x00) -> Self:
        """01 01 of a spark engine with catalyst, evaporative system, sensor and heater: SAE J1979, PID 01."""
        return self.answer(unit, "0101", f"4101{0x80 if mil else 0:02X}0765{incomplete:02X}")

    def codes(self, unit: str = UNIT, mask: int = 0xFF, **listed: int) -> Self:
        """19 02 FF with exactly these codes, named like ``C0035_13=0x2F``."""
        return self.answer(unit, "1902FF", f"5902{mask:02X}{entries(listed)}")

    def supported(self, unit: str = UNIT, mask: int = 0xFF, **listed: int) -> Self:
        """19 0A with exactly these codes."""
        return self.answer(unit, "190A", f"590A{mask:02X}{entries(listed)}")

    def session(self, unit: str = UNIT, session: int = 1) -> Self:
        """22 F186."""
        return self.answer(unit, "22F186", f"62F186{session:02X}")

    def snapshot(self, code: str, status: int, unit: str = UNIT, number: int = 1, **values: float) -> Self:
        """19 04 FF with one record; without values, with none."""
        head = Dtc.parse(code).raw.hex().upper()
        return self.answer(unit, f"1904{head}FF", f"5904{head}{status:02X}{snapshot_record(number, **values)}")

    def no_obd(self, unit: str = UNIT) -> Self:
        """A unit that has none of the OBD services, nor permanent codes."""
        self.refused(unit, "1915", 0x12)
        for request in ("03", "07", "0A"):
            self.refused(unit, request, 0x11)
        return self

    # What people do.

    def part(self, text: str = "sensor replaced", what: str = "part", worked_at: str | None = None) -> Self:
        """A line of the repair sheet."""
        self.end()
        return self.note(
            Kind.SHEET, {"what": what, "text": text} | ({"worked_at": worked_at} if worked_at is not None else {})
        )

    def observe(self, about: str, state: str) -> Self:
        """What a person saw."""
        self.end()
        return self.note(Kind.OBSERVATION, {"about": about, "state": state})

    def decide(
        self, unit: str = UNIT, code: str | None = CODE, given_for: str = "failing", memory: str = "dtc"
    ) -> Self:
        """A fault or a unit is set aside."""
        self.end()
        payload = {"unit": unit, "reason": "the owner lives with it", "given_for": given_for}
        return self.note(Kind.DECISION, payload | ({"code": code, "memory": memory} if code else {}))


def entries(listed: Mapping[str, int]) -> str:
    """Codes and status bytes as a list sends them: ISO 14229-1, DTCAndStatusRecord."""
    return "".join(
        f"{Dtc.parse(name.replace('_', '-')).raw.hex().upper()}{status:02X}" for name, status in listed.items()
    )


def snapshot_record(number: int, **values: float) -> str:
    """One snapshot record with identifiers F4xx: ISO 14229-1, SAE J1979-2."""
    if not values:
        return ""
    told = f"{number:02X}{len(values):02X}"
    for name, value in values.items():
        pid, length, raw = _LIVE[name]
        told += f"F4{pid:02X}{int(raw(value)).to_bytes(length, 'big').hex().upper()}"
    return told


# The plain story: a wheel speed sensor's wire broke at 60 km/h; it was mended, the code cleared, the car driven.

AT_SPEED = {"kmh": 60, "rpm": 2000, "ambient": 14}
AT_REST = {"kmh": 0, "rpm": 0, "ambient": 14}


def before(story: Story, status: int = 0x2F, **conditions: float) -> Story:
    """The before-scan: one fault, stored at 60 km/h."""
    story.scan("before").live(**AT_REST).session().codes(C0035_13=status)
    story.supported(C0035_13=status).no_obd()
    return story.snapshot(CODE, status, **(conditions or AT_SPEED)).end()


def cleared(story: Story, status: int = 0x50) -> Story:
    """The clear, accepted and read back at once."""
    story.clear(UNIT, "14FFFFFF").readback().codes(C0035_13=status)
    return story.supported(C0035_13=status).watch()


def rounds(story: Story, *statuses: int, gap_s: float = 4, **conditions: float) -> Story:
    """Rounds of watching: conditions, then the status."""
    for status in statuses:
        story.wait(gap_s).live(**(conditions or AT_SPEED)).session().supported(C0035_13=status)
    return story


def after(story: Story, status: int = 0x00, taken_as: str = "after") -> Story:
    """The after-scan."""
    story.wait(60).scan(taken_as).live(**AT_REST).session()
    story.codes(**({"C0035_13": status} if status else {}))
    return story.supported(C0035_13=status).no_obd().end()


def mended(known: Profile | None = None, **more: Any) -> Story:
    """The whole plain story: it ends `proven`."""
    story = before(Story(known or profile(), **more)).part()
    return after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))

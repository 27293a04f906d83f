"""Verdicts of an invented job, put together by hand, for the tests of the report."""

from __future__ import annotations

import re
from dataclasses import replace

from decoders import decode_monitor_status
from decoders.values import Answer, AnswerKind, Dtc, Exchange, Outcome
from sessions.profile import Profile, ProfileCode, ProfileUnit
from sessions.record import (
    Asked,
    ClearEvent,
    CodeReading,
    JobRecord,
    LiveReading,
    Moment,
    ObdReading,
    Observation,
    Repair,
    Scan,
    WorldAct,
)
from sessions.record.model import During, MonitorReading, TakenAs
from sessions.verdict import (
    FaultVerdict,
    JobGrade,
    JobVerdict,
    Ruling,
    SetAside,
    UnitLook,
    UnitPair,
    Verdict,
)
from sessions.verdict.sights import FaultKey

VIN = "ZZ9HVR2L4TM004417"
JOB_UID = "3b0f2c1e-5d84-4a0e-9a63-7c1f0e5b9d21"
LAST_HASH = "9f2c" * 16
ACTOR = "r.ambrel"
REASON = "The owner knows the weak lid damper and does not want it replaced now."

ENGINE, GEARBOX, BRAKES, STEERING = "7E0/7E8", "7E1/7E9", "760/768", "730/738"
BODY, CLUSTER, CLIMATE, PARKING = "740/748", "720/728", "18DA60F1/18DAF160", "750/758"
SEAT, RADAR = "7A0/7A8", "7B0/7B8"
_NAMES = {
    ENGINE: "Engine control",
    GEARBOX: "Gearbox control",
    BRAKES: "Brake control",
    STEERING: "Power steering",
    BODY: "Body control",
    CLUSTER: "Instrument cluster",
    CLIMATE: "Climate control",
    PARKING: "Parking assist",
    SEAT: "Seat control",
}
"""The radar is left out: no profile knows it."""

_BEFORE, _CHECK, _AFTER = (10, 60), (90, 130), (400, 460)


def moment(seq: int, world_s: int | None = None) -> Moment:
    """A place in the journal: one second of machine time an entry."""
    hours, rest = divmod(seq, 3600)
    at = f"2031-03-04T{9 + hours:02d}:{rest // 60:02d}:{rest % 60:02d}.120Z"
    return Moment(seq=seq, run="run-1", mono_us=seq * 1_000_000, world_s=world_s, at=at)


# Verdict, rule, unit, code, first status byte, byte now (-- for not read), text; then + evidence, - missing.
_FAULTS = """
failing 4 7E1/7E9 P0741-00 2F 2F Lock-up clutch does not close
+ its test is failing, scan 3: status 2F (mask FF)
+ clear 14 FF FF FF (entry 72): refused
returned 5 7E0/7E8 P0353-13 2F 2E Ignition coil C: circuit open
+ clear 14 FF FF FF accepted by the unit (entry 71)
+ it came back, scan 3: status 2E (mask FF)
new 2 730/738 C1B20-62 2F 2F text not known
+ no scan before the work listed it, not even as history
uncleared 6 750/758 B1C22-12 28 28 Inner left parking sensor: short to battery
+ scan 3: status 28 (mask AF)
+ clear 14 FF FF FF was answered (entry 77), but the unit still lists the old entry
- a clear that the unit carries out
unread 1 18DA60F1/18DAF160 B1D05-15 2F -- Sun sensor: short to battery or open
+ scan 3, 19 02: silent
- an after-scan that reads this unit
untested 11 7E0/7E8 P0420-00 AF 50 Catalyst efficiency below its limit
+ clear 14 FF FF FF accepted by the unit (entry 71)
- its test has not completed since the clear
- a completed test seen under: engine speed 2100 1/min, load 35 %, engine warm (snapshot 01)
lapsed 7 740/748 B1B3A-77 2F 20 Lid damper: commanded position not reached
+ it is no longer stored and nobody cleared it: this proves nothing
- a clear, and a test passed under the fault's conditions
held 10 720/728 U0415-81 2C 00 Invalid serial data received from brake control
+ 3 cycles under its conditions without a failure
proven 8 760/768 C0035-13 AF 00 Front left wheel speed sensor: circuit open
+ clear 14 40 35 13 accepted by the unit (entry 73)
+ test completed since the clear and not failed, scan 3: status 00 (mask FF)
+ test seen passed under: road speed 62 km/h, engine running (snapshot 01; held 240 s, entry 352)
+ no lamp requested, no permanent copy
"""


def _aside(reason: str) -> SetAside:
    return SetAside(reason=reason, given_for=Verdict.FAILING, actor=ACTOR, at=moment(64).at)


def _fault(block: str) -> tuple[FaultVerdict, str, str]:
    """One fault, its first status byte and its byte now."""
    head, *lines = block.splitlines()
    verdict, rule, unit, code, first, now, *text = head.split(" ", 6)
    told = {sign: tuple(line[2:] for line in lines if line[0] == sign) for sign in "+-"}
    fault = FaultVerdict(
        key=FaultKey(unit=unit, dtc=Dtc.parse(code), memory="dtc"),
        unit_name=_NAMES[unit],
        text="".join(text),
        ruling=Ruling(verdict=Verdict(verdict), rule=int(rule), evidence=told["+"], missing=told["-"]),
        set_aside=_aside(REASON) if unit == BODY else None,
        first_seen=f"status {first}, entry 10",
        provisional=False,
    )
    return fault, first, now


_ROWS = tuple(_fault(block) for block in re.split(r"\n(?=[a-z])", _FAULTS.strip()))
FAULTS = tuple(fault for fault, _first, _now in _ROWS)
"""One fault of each verdict, from worst to best."""


def _mask(unit: str) -> int:
    return 0xAF if unit == PARKING else 0xFF


def _readings() -> tuple[CodeReading, ...]:
    found = []
    for index, (fault, first, now) in enumerate(_ROWS):
        is_new = fault.verdict is Verdict.NEW
        places = [(_AFTER[0] + index, 3, first) if is_new else (_BEFORE[0] + index, 1, first)]
        places += [(_AFTER[0] + 20 + index, 3, now)] if now != "--" else []
        found += [
            CodeReading(
                moment=moment(seq, 31_000 if number == 1 else 33_000),
                unit=fault.key.unit,
                request=bytes.fromhex("190A" if byte == "00" else "1902FF"),
                during="scan",
                scan=number,
                outcome=Outcome.ANSWERED,
                mask=_mask(fault.key.unit),
                entries={fault.key.dtc: int(byte, 16)},
                whole=True,
            )
            for seq, number, byte in places
        ]
    return tuple(found)


def obd_reading(seq: int, scan: int, service: int, *codes: str, unit: str = ENGINE) -> ObdReading:
    """What one unit lists by service 03, 07 or 0A."""
    return ObdReading(
        moment=moment(seq),
        unit=unit,
        service=service,
        during="scan",
        scan=scan,
        outcome=Outcome.ANSWERED,
        codes=frozenset(map(Dtc.parse, codes)),
    )


def asked(seq: int, during: During, target: str, request: str, answer: str, world_s: int | None = None) -> Asked:
    """One exchange with a positive answer."""
    source, data = target.rpartition("/")[2], bytes.fromhex(answer)
    told = (Answer(source=source, data=data, first_us=4000, last_us=5000, kind=AnswerKind.POSITIVE),)
    sent = bytes.fromhex(request)
    exchange = Exchange(link="sim:sample", target=target, request=sent, answers=told, outcome=Outcome.ANSWERED)
    return Asked(moment=moment(seq, world_s), exchange=exchange, during=during, scan=1 if during == "scan" else None)


def _drive() -> tuple[tuple[LiveReading, ...], tuple[Asked, ...]]:
    """A cold start, half a minute at idle, a drive at 62 km/h, and a stop; read every 5 s."""
    live, exchanges = [], []
    for step in range(54):
        world_s = 31_750 + 5 * step + (130 if step >= 6 else 0)
        seq = 140 + 4 * step
        speed = 0 if step < 12 else min(62, 9 * (step - 11)) if step < 48 else max(0, 62 - 14 * (step - 47))
        rpm = 0 if step < 6 else max(800, speed * (44 if speed < 48 else 33))
        told = {0x0D: speed, 0x0C: rpm, 0x05: 14 + step, 0x42: 12.3 if step < 6 else 14.1}
        for offset, (pid, value) in enumerate(told.items()):
            place = moment(seq + offset, world_s)
            live.append(LiveReading(moment=place, unit=ENGINE, pid=pid, value=float(value)))
            exchanges.append(asked(seq + offset, "watch", ENGINE, f"01{pid:02X}", f"41{pid:02X}00", world_s))
    return tuple(live), tuple(exchanges)


def _told() -> tuple[Asked, ...]:
    """Lamp and monitors of the engine unit; software and serial number of the brake unit: before, after.

    Source: SAE J1979-DA, 01 01: bit 7 of A the lamp, B and D what is not complete, C what is supported.
    """
    rows = (
        (ENGINE, "0101", "410181070505", "410100070504"),
        (BRAKES, "22F189", "62F18930312E3034", "62F18930312E3034"),
        (BRAKES, "22F18C", "62F18C3430303137", "62F18C3430393932"),
    )
    return tuple(
        replace(asked(seq + nth, "scan", unit, request, answer), scan=scan)
        for nth, (unit, request, *answers) in enumerate(rows)
        for seq, scan, answer in zip((43, 443), (1, 3), answers, strict=True)
    )


def _scans() -> tuple[Scan, ...]:
    units = tuple(sorted((*_NAMES, RADAR)))
    spans: tuple[tuple[TakenAs, tuple[int, int]], ...] = (("before", _BEFORE), ("check", _CHECK), ("after", _AFTER))
    scans = [
        Scan(
            number=number,
            taken_as=taken_as,
            begin=moment(begin, 31_000 + 5 * begin),
            end=moment(end, 31_000 + 5 * begin),
            link="sim:sample",
            complete=True,
            units=units,
        )
        for number, (taken_as, (begin, end)) in enumerate(spans, start=1)
    ]
    cut = Scan(number=4, taken_as="check", begin=moment(470, 33_350), link="sim:sample", units=units[:3])
    return (*scans, cut)


def _clear(seq: int, unit: str, request: str, outcome: Outcome, refusal: int | None = None) -> ClearEvent:
    told = outcome in (Outcome.ANSWERED, Outcome.REFUSED)
    place, data = moment(seq, 31_350), bytes.fromhex(request)
    answered = place if told else None
    return ClearEvent(moment=place, unit=unit, request=data, outcome=outcome, refusal=refusal, answered=answered)


def _clears() -> tuple[ClearEvent, ...]:
    return (
        _clear(70, ENGINE, "04", Outcome.ANSWERED),
        _clear(71, ENGINE, "14FFFFFF", Outcome.ANSWERED),
        _clear(72, GEARBOX, "14FFFFFF", Outcome.REFUSED, 0x22),
        _clear(73, BRAKES, "14403513", Outcome.ANSWERED),
        _clear(74, CLUSTER, "14FFFF33", Outcome.SILENT),
        _clear(75, CLIMATE, "14FFFFFF", Outcome.UNSENT),
        _clear(76, STEERING, "14", Outcome.DAMAGED),
        _clear(77, PARKING, "14FFFFFF", Outcome.ANSWERED),
    )


def profile() -> Profile:
    """The profile of an invented vehicle; it does not know the radar, nor one code of the steering."""
    return Profile(
        name="Halvorne Meridel",
        maker="Halvorne",
        model="Meridel",
        units=tuple(ProfileUnit(address=unit, name=name, system="body") for unit, name in _NAMES.items()),
        codes=(
            *(ProfileCode(unit=f.key.unit, code=f.key.dtc.text, text=f.text) for f in FAULTS if f.text),
            ProfileCode(unit=BODY, code="B1B10-13", text="Left courtesy lamp: circuit open"),
        ),
    )


def record() -> JobRecord:
    """The whole record of the sample job, on a simulated vehicle."""
    live, watched = _drive()
    vins = tuple(
        asked(11 + nth, "scan", unit, "22F190", "62F190" + VIN.encode().hex(), 31_000)
        for nth, unit in enumerate((ENGINE, BRAKES, BODY))
    )
    other = asked(15, "scan", CLIMATE, "22F190", "62F190" + ("1" * 17).encode().hex(), 31_000)
    volts = {12: 12.3, 59: 12.1}
    supply = (LiveReading(moment=moment(seq), unit=ENGINE, pid=0x42, value=value) for seq, value in volts.items())
    return JobRecord(
        job_uid=JOB_UID,
        opened=moment(1),
        complaints=("Brake and engine lamps are lit.", "The steering feels heavy now and then."),
        odometer_km=84_161,
        profile=profile(),
        scans=_scans(),
        asked=(*vins, other, *_told(), *watched),
        codes=_readings(),
        obd=(
            obd_reading(40, 1, 0x03, "P0420", "P0353"),
            obd_reading(41, 1, 0x07, "P0353"),
            obd_reading(42, 1, 0x0A, "P0420"),
            obd_reading(440, 3, 0x03, "P0353"),
            obd_reading(441, 3, 0x07),
        ),
        live=(*supply, *live),
        monitors=tuple(
            MonitorReading(moment=item.moment, unit=ENGINE, status=decode_monitor_status(item.exchange.answers[0].data))
            for item in _told()
            if item.exchange.request == b"\x01\x01"
        ),
        clears=_clears(),
        repairs=(
            repair(66, "part", "Front left wheel speed sensor replaced"),
            repair(67, "fluid", "Fluid renewed", worked_at=moment(65).at),
        ),
        world=_world(),
        observations=(
            noted(62, 31_000, "brake lamp", "lit", "with the key on"),
            noted(465, 33_000, "brake lamp", "gone", ""),
            noted(466, 33_000, "complaint 2", "gone", "even on the drive"),
        ),
        last_seq=472,
    )


def repair(seq: int, what: str, text: str, worked_at: str | None = None) -> Repair:
    """A part or fluid."""
    return Repair(moment=moment(seq, 31_330), actor=ACTOR, what=what, text=text, seq=seq, worked_at=worked_at)


def noted(seq: int, world_s: int, about: str, state: str, text: str) -> Observation:
    """What a person noted."""
    return Observation(moment=moment(seq, world_s), actor=ACTOR, about=about, state=state, text=text)


def _world() -> tuple[WorldAct, ...]:
    acts = [
        (65, 31_300, "repair", "front left speed sensor: put right"),
        (135, 31_675, "key_off", "key off"),
        (136, 31_749, "key_on", "key on, engine off"),
        (137, 31_750, "start_engine", ""),
        *((139 + 4 * step, 31_750 + 5 * step, "drive", "drove 5 s, now at 62 km/h") for step in range(54)),
    ]
    given: dict[str, dict[str, int | str]] = {"drive": {"kmh": 62, "seconds": 5}}
    return tuple(
        WorldAct(moment=moment(seq, at), action=action, said=said, arguments=given.get(action, {}))
        for seq, at, action, said in acts
    )


# Address, before, after: what each unit lists (code:status), or none, or how else it fared.
_LOOKS = """
720/728 U0415-81:2C none
730/738 none C1B20-62:2F
740/748 B1B3A-77:2F none
750/758 B1C22-12:28 B1C22-12:28
760/768 C0035-13:AF none
7A0/7A8 none damaged
7B0/7B8 unsent refused
7E0/7E8 P0353-13:2F,P0420-00:AF,P0442: P0353-13:2E
7E1/7E9 P0741-00:2F P0741-00:2F
18DA60F1/18DAF160 B1D05-15:2F silent
"""


def _look(unit: str, told: str) -> UnitLook:
    if told in set(Outcome):
        return UnitLook(unit=unit, outcome=Outcome(told), refusal=0x22 if told == "refused" else None)
    pairs = [item.split(":") for item in told.split(",") if ":" in item]
    faults = tuple((code, "dtc" if status else "obd", status) for code, status in pairs)
    return UnitLook(unit=unit, outcome=Outcome.ANSWERED, mask=_mask(unit), faults=faults)


def units() -> tuple[UnitPair, ...]:
    """Ten units: between them, before and after, every way a unit can fare."""
    rows = [line.split() for line in _LOOKS.strip().splitlines()]
    return tuple(
        UnitPair(
            unit=unit,
            name=_NAMES.get(unit, f"Unit {unit}"),
            before=_look(unit, before),
            after=_look(unit, after),
            set_aside=_aside("Fitted later by the owner, not part of this car.") if unit == RADAR else None,
        )
        for unit, before, after in rows
    )


def open_verdict() -> JobVerdict:
    """An open job that holds a fault of every verdict."""
    whole = record()
    return JobVerdict(
        record=whole,
        vin=VIN,
        grade=JobGrade.OPEN,
        reasons=(
            "6 faults not proven",
            f"Climate control ({CLIMATE}) did not answer 19 02 FF in scan 3",
            "complaint 1 is not noted as gone or explained",
        ),
        before=whole.scans[0],
        after=whole.scans[2],
        faults=FAULTS,
        history=((BODY, "B1B10-13"), (RADAR, "C1D41-1C")),
        units=units(),
        plan=(
            "Gearbox control P0741-00: find and repair the cause, then clear this unit again.",
            "Parking assist B1C22-12: clear this unit again; it still lists the old entry.",
            "Run with engine speed 2100 1/min, load 35 %, engine warm for at least 10 s while reading, "
            "from a fresh key-on: Engine control P0420-00.",
            "Then scan again (scan --as after).",
        ),
    )

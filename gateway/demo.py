"""The whole job on a simulated vehicle: scan, decide, repair, clear, check, drive, scan again, judge.

The demonstration does what a technician would do, with the same functions that the commands call. It never asks
the simulated vehicle for the truth: it sees only what the units show.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gateway.bench_port import RunningBench
from gateway.cautions import AFTER_CLEAR, BEFORE_CLEAR
from gateway.clearing import ClearAnswer, clear_unit, supply_words, units_to_clear
from gateway.jobs import keep_verdict, note_observation, note_work, set_aside
from gateway.scanning import take_scan
from gateway.visit import Visit
from gateway.watching import Watch, watch_of, watch_round
from sessions.journal import Kind
from sessions.record.model import TakenAs
from sessions.verdict import JobVerdict, Verdict, worth_watching

SCENARIO = "warning-lamps"
COMPLAINT = "Brake and engine lamps are lit, the steering feels heavy now and then."
STATUS_KEY = (
    "Status: a byte in hex by ISO 14229-1, the sum of 01 failing now, 02 failed in this cycle, 04 pending, "
    "08 confirmed, 10 not tested since the clear, 20 failed since the clear, 40 not tested in this cycle, 80 lamp."
)
STEP_S = 5
KEY_OFF_S = 65
SETTLE_S = 15
IDLE_S = 60
DRIVE_S = 660
DRIVE_KMH = 62
STRUT = ("740/748", "B1B3A-77")
LAMPS = ("brake system lamp", "steering lamp", "engine lamp", "maintenance lamp")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """How the demonstration tells a person what happens; each may do nothing.

    Args:
        heading: a new step begins: its number and its title.
        line: one plain line.
        scanned: a scan ended: its number and the verdict so far.
        cleared: a unit answered a clear: its name and the answer.
        judged: the job is over: its verdict.
        progress: what goes on, with the seconds passed so far and in all.
    """

    heading: Callable[[int, str], None]
    line: Callable[[str], None]
    scanned: Callable[[int, JobVerdict], None]
    cleared: Callable[[str, ClearAnswer], None]
    judged: Callable[[JobVerdict], None]
    progress: Callable[[str, int, int], None]


class Demo:
    """Runs the story on one running vehicle.

    Args:
        visit: the open visit to the vehicle.
        bench: the vehicle's world.
        tell: how to tell it.
    """

    def __init__(self, visit: Visit, bench: RunningBench, tell: Tell) -> None:
        self.visit = visit
        self.bench = bench
        self.tell = tell
        self.step = 0

    def run(self) -> JobVerdict:
        """Do the whole job and give back its verdict.

        Raises:
            LinkError: it was stopped by hand, or the way to the vehicle broke.
        """
        self._before()
        self._decide()
        self._repair()
        self._clear()
        self._check()
        self._clear_again()
        self._drive()
        return self._after()

    def _heading(self, title: str) -> None:
        self.visit.go_on()
        self.step += 1
        self.tell.heading(self.step, title)

    def _act(self, action: str, **arguments: int | str) -> None:
        result = self.bench.act(action, **arguments)
        payload: dict[str, object] = {"action": action, "world_s": result.world_s, "said": result.said}
        if arguments:
            payload["arguments"] = dict(arguments)
        self.visit.writer.append(Kind.WORLD, payload)

    def _scan(self, taken_as: TakenAs) -> JobVerdict:
        result = take_scan(self.visit, taken_as)
        verdict = keep_verdict(self.visit.writer, self.visit.store)
        self.tell.scanned(result.number, verdict)
        return verdict

    def _before(self) -> None:
        self._heading("Scan every unit before anything is touched")
        self._act("wait", seconds=1)
        self._scan("before")
        self.tell.line(STATUS_KEY)
        for lamp in LAMPS:
            note_observation(self.visit.writer, lamp, "lit", "seen with the key on")

    def _decide(self) -> None:
        self._heading("Set aside what the owner lives with")
        unit, code = STRUT
        reason = "The owner knows the weak tailgate strut and does not want it replaced now."
        set_aside(self.visit.store, self.visit.writer, unit, code, reason)
        name = self.visit.record().unit_name(unit)
        self.tell.line(f"{name} {unit}  {code}: set aside. {reason}")

    def _repair(self) -> None:
        self._heading("Repair: the one hardware fault that others complain about")
        self._act("repair", component="front_left_speed_sensor")
        text = "Front left wheel speed sensor replaced, connector cleaned"
        note_work(self.visit.writer, "part", text)
        self.tell.line(f"Part: {text}")

    def _clear(self) -> None:
        self._heading("Clear, unit by unit; read each back at once")
        self.tell.line(BEFORE_CLEAR)
        record = self.visit.record()
        self.tell.line(supply_words(record))
        for unit in units_to_clear(record, ()):
            for answer in clear_unit(self.visit, unit, stated_parked=False):
                self.tell.cleared(record.unit_name(unit), answer)
        self.tell.line(AFTER_CLEAR)

    def _check(self) -> None:
        self._heading("Check-scan: erased is not repaired")
        self._scan("check")

    def _clear_again(self) -> None:
        self._heading("Clear again the unit that kept its entries; wait with the key on")
        verdict = keep_verdict(self.visit.writer, self.visit.store)
        stubborn = sorted({f.key.unit for f in verdict.faults if f.verdict is Verdict.UNCLEARED})
        for unit in stubborn:
            for answer in clear_unit(self.visit, unit, stated_parked=False):
                self.tell.cleared(verdict.record.unit_name(unit), answer)
        self._watched("key on, engine off", "wait", SETTLE_S)

    def _drive(self) -> None:
        self._heading("Key cycle and test drive, in simulated time")
        self._act("key_off")
        self._watched("key off", "wait", KEY_OFF_S)
        self._act("key_on")
        self._watched("key on, engine off", "wait", SETTLE_S)
        self._act("start_engine")
        self._watched("idle", "wait", IDLE_S)
        self._watched(f"drive at {DRIVE_KMH} km/h", "drive", DRIVE_S, kmh=DRIVE_KMH)
        self._watched("slow down and stop", "drive", 20, kmh=0)
        self._act("stop_engine")

    def _watched(self, doing: str, action: str, seconds: int, **arguments: int | str) -> None:
        """Let world time pass in short steps and read between them."""
        watch = self._watch()
        for done in range(STEP_S, seconds + 1, STEP_S):
            self.visit.go_on()
            self._act(action, seconds=STEP_S, **arguments)
            watch_round(self.visit, watch)
            self.tell.progress(doing, done, seconds)

    def _watch(self) -> Watch:
        record = self.visit.record()
        return watch_of(record, worth_watching(record))

    def _after(self) -> JobVerdict:
        self._heading("Scan every unit again, and judge")
        self._scan("after")
        gone = ("brake system lamp", "steering lamp")
        writer = self.visit.writer
        for lamp in gone:
            note_observation(writer, lamp, "gone", "off after the drive")
        note_observation(writer, "maintenance lamp", "explained", "the service is due, nobody did it")
        note_observation(writer, "complaint 1", "gone", "steering felt even on the test drive")
        verdict = keep_verdict(writer, self.visit.store)
        self.tell.judged(verdict)
        return verdict

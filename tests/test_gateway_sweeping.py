"""An address sweep finds who is there, asks nothing else, and only on a standing car."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from recorded_unit import Call, ScriptedUnit
from workshop import settings, visiting

from decoders.errors import LinkError, RefusedError
from decoders.values import Answer, AnswerKind, Exchange, Outcome, UnitAddress
from gateway.bench_port import find_bench
from gateway.links.base import BusFrame
from gateway.scanning import take_scan
from gateway.sweeping import swept_units
from gateway.visit import Asks, Visit, VisitEvent
from sessions.record import Asked, Moment
from sessions.record.strangers import strangers
from sessions.store import Store
from sessions.verdict.loose_ends import units_that_count
from simulators.can_side import Frame
from simulators.door import RunningBench

QUICK = {"scan.functional_ms": 5, "scan.p2_ms": 20}
"""Whoever answers here does so before the waiting begins, so that no machine is too slow for it."""


class AnswersFirst:
    """Lets a link go on after a request only when everyone on the bench who answers it has begun to."""

    def __init__(self, bench: RunningBench, visit: Visit) -> None:
        self._side = bench.side
        self._lock = bench.desk.lock
        self._units = [UnitAddress.parse(text) for text in bench.desk.units if "/" in text]
        self._sent = self._taken = 0
        self._owed: set[int] = set()
        self._last: Frame | None = None
        bench.side.attach(self._hear)
        visit.link.set_trace(self._tell)

    def _hear(self, frame: Frame) -> None:
        if frame.direction == "tx":
            self._owed.discard(frame.arbitration_id)
        else:
            everyone = frame.arbitration_id in (0x7DF, 0x18DB33F1)
            if frame.data[0] >> 4 == 0:
                asked = (unit for unit in self._units if everyone or unit.request.number == frame.arbitration_id)
                self._owed |= {unit.response.number for unit in asked}
            self._taken += 1
        self._last = frame

    def _tell(self, frame: BusFrame) -> None:
        self._sent += frame.sent
        until_s = time.monotonic() + 10
        while frame.sent and frame.data[0] >> 4 == 0 and not self._have_begun() and time.monotonic() < until_s:
            time.sleep(0.0002)

    def _have_begun(self) -> bool:
        with self._lock:
            if self._sent != self._taken or self._last is not self._side.frames[-1]:
                return False
            busy = {UnitAddress.parse(port.text).response.number for port in self._side._ports if port.busy}
        return not busy & self._owed


def answered(target: str, *sources: str, kind: AnswerKind = AnswerKind.POSITIVE) -> Exchange:
    answers = tuple(Answer(source=source, data=b"\x7e\x00", first_us=1, last_us=1, kind=kind) for source in sources)
    return Exchange(link="can:virtual:x", target=target, request=b"\x3e\x00", answers=answers)


def test_a_unit_is_found_by_its_own_answer_alone() -> None:
    seen = [
        answered("functional:7A0", "7B3"),
        replace(answered("7A0/7B3", "7B3"), outcome=Outcome.ANSWERED),
        answered("functional:7A1", "7B4"),
        replace(answered("7A1/7B4"), outcome=Outcome.SILENT),
        replace(answered("7A2/7B5", "7B5", kind=AnswerKind.NEGATIVE), outcome=Outcome.REFUSED, refusal=0x11),
        replace(answered("7A4/7B6", "7B6", kind=AnswerKind.DAMAGED), outcome=Outcome.DAMAGED),
        replace(answered("7A5/7B7", "7B7", kind=AnswerKind.LATE), outcome=Outcome.SILENT),
        replace(answered("7A6/7B8"), outcome=Outcome.DAMAGED, trouble="interrupted before an answer"),
    ]
    assert ("7A0/7B3", "7A2/7B5", "7A4/7B6") == swept_units(seen)
    moment = Moment(seq=1, run="r", mono_us=0, at="2031-04-05T06:07:08.000Z")
    in_record = [Asked(moment=moment, exchange=one, during="sweep", scan=1).unit for one in seen]
    assert [None, "7A0/7B3", None, None, "7A2/7B5", "7A4/7B6", None, None] == in_record


def test_whoever_answered_a_sweep_and_then_no_more_is_told(tmp_path: Path, channel: str) -> None:
    """It answers under its own identifier, then it is gone: somebody is there whom nobody can ask."""
    with (
        ScriptedUnit(channel, 0x7A1, 0x7B3, lambda _: []) as gone,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, f"can:virtual:{channel}", None, settings(QUICK)) as visit,
    ):
        told: list[BusFrame] = []

        def answer_once(frame: BusFrame) -> None:
            if frame.sent and frame.number == 0x7A0 and not told:
                told.append(frame)
                gone.send(b"\x02\x7e\x00")

        visit.link.set_trace(answer_once)
        result = take_scan(visit, "before", sweeps=True, stated_parked=True)
        record = visit.record()
    under = {item.exchange.target for item in record.asked if item.exchange.answers}
    assert {"functional:7A0"} == under
    assert "7A0/7B3" in {item.exchange.target for item in record.asked}
    assert ("7B3",) == result.strangers
    assert () == record.units


def test_a_sweep_stopped_by_hand_leaves_no_unit_that_was_never_there(tmp_path: Path) -> None:
    with (
        find_bench().start("warning-lamps") as bench,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], None, settings(QUICK)) as visit,
    ):
        AnswersFirst(bench, visit)

        def stop_in_the_wide_part(event: VisitEvent) -> None:
            if isinstance(event, Asks) and event.request.target.startswith("18DA90"):
                visit.stop.set()

        visit.onlookers.append(stop_in_the_wide_part)
        result = take_scan(visit, "before", sweeps=True)
        record = visit.record()
        there = {unit for unit in bench.desk.units if bench.desk.hears(unit)}
        interrupted = [item.exchange for item in record.asked if "interrupted" in (item.exchange.trouble or "")]
        sent = {one.target.partition("/")[0] for one in interrupted if one.outcome is Outcome.DAMAGED}
        until_s = time.monotonic() + 10
        while not sent <= (seen := on_the_bus(bench)) and time.monotonic() < until_s:
            time.sleep(0.01)
    assert not result.complete
    assert interrupted
    unsent = {one.target.partition("/")[0] for one in interrupted if one.outcome is Outcome.UNSENT}
    assert len(interrupted) == len(sent) + len(unsent)
    assert sent <= seen
    assert not unsent & seen
    assert set(record.units) <= there
    assert set(units_that_count(record)) <= there


def on_the_bus(bench: RunningBench) -> set[str]:
    """The 29-bit identifiers under which somebody was asked."""
    return {f"{frame.arbitration_id:08X}" for frame in list(bench.frames) if frame.direction == "rx"}


@pytest.mark.parametrize("asked_as", [0x7A0, 0x7E7], ids=["within", "last"])
def test_a_slow_unit_is_heard_and_not_found_under_an_identifier_that_is_not_its_own(
    tmp_path: Path, channel: str, asked_as: int
) -> None:
    """Its answer comes while another identifier is asked, or after the last: nobody can tell from it whose it is."""
    past = threading.Event()
    with (
        ScriptedUnit(channel, asked_as, 0x7B3, lambda _: [Call(lambda: past.wait(20)), b"\x7e\x00"]) as slow,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, f"can:virtual:{channel}", None, settings(QUICK)) as visit,
    ):

        def note_that_others_are_asked(event: VisitEvent) -> None:
            if isinstance(event, Asks) and slow.requests and not event.request.target.endswith(f"{asked_as:03X}"):
                past.set()

        visit.onlookers.append(note_that_others_are_asked)
        result = take_scan(visit, "before", sweeps=True, stated_parked=True)
        record = visit.record()
    assert b"\x3e\x00" in slow.requests
    told = [item.exchange for item in record.asked]
    under = {one.target for one in told if "7B3" in {answer.source for answer in one.answers}}
    assert under
    assert not under & {f"functional:{asked_as:03X}", f"{asked_as:03X}/7B3"}
    assert ("7B3",) == record.strangers == result.strangers
    assert () == swept_units(told)


def test_a_source_of_no_known_unit_is_a_stranger() -> None:
    # 7E9 and 18DAF110 belong to 7E1 and 18DA10F1 by ISO 15765-4; a DoIP address is its own.
    seen = [answered("functional:7DF", "768", "7E9", "733"), answered("functional:18DB33F1", "18DAF110")]
    assert ("733",) == strangers(seen, ["760/768"])


def test_a_sweep_finds_the_units_that_nobody_named_and_reads_them(tmp_path: Path) -> None:
    with (
        find_bench().start("warning-lamps") as bench,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], None, settings(QUICK)) as visit,
    ):
        AnswersFirst(bench, visit)
        plain = take_scan(visit, "before")
        asked_before = len(bench.frames)
        swept = take_scan(visit, "check", sweeps=True)
        frames = list(bench.frames)[asked_before:]
        record = visit.record()
        there = {unit for unit in bench.desk.units if bench.desk.hears(unit)}
    assert plain.complete
    assert swept.complete
    first, second = (set(scan.units) for scan in record.scans)
    assert second | first == set(record.units)
    narrow = {unit for unit in there if len(unit) == len("7E0/7E8")}
    assert narrow - first
    assert there == second  # of those that were looked for in vain none is a unit
    assert set(plain.strangers) <= {unit.partition("/")[2] for unit in narrow}
    assert () == swept.strangers
    swept_ids = {
        frame.arbitration_id for frame in frames if frame.direction == "rx" and frame.data[:3] == b"\x02\x3e\x00"
    }
    # Nobody sends under an identifier under which units answer. Source: ISO 15765-4.
    assert set() == swept_ids & set(range(0x7E8, 0x7F0))


def test_a_car_whose_engine_runs_is_not_swept(tmp_path: Path) -> None:
    with (
        find_bench().start("warning-lamps") as bench,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], None, settings(QUICK)) as visit,
    ):
        AnswersFirst(bench, visit)
        bench.act("start_engine")
        with pytest.raises(RefusedError, match="Not swept: engine speed is"):
            take_scan(visit, "before", sweeps=True)
        record = visit.record()
    (scan,) = record.scans
    assert not scan.complete
    assert scan.end is not None


@pytest.mark.parametrize("door", ["dongle", "doip"])
def test_a_link_that_leads_to_no_bus_says_so_at_once(tmp_path: Path, door: str) -> None:
    with (
        find_bench().start("warning-lamps") as bench,
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, bench.open_door(door), None, settings({"scan.functional_ms": 40})) as visit,
    ):
        with pytest.raises(LinkError, match="Not swept: this link") as caught:
            take_scan(visit, "before", sweeps=True)
        record = visit.record()
    assert "without --sweep" in caught.value.next_step
    swept = [item.exchange for item in record.asked if item.exchange.target.startswith("functional:7") and item.scan]
    assert 1 >= sum(exchange.outcome is Outcome.UNSENT for exchange in swept)
    assert [False] == [scan.complete for scan in record.scans]

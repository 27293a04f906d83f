"""What each story is for: a job on the car, judged by what its units show, beside what is really so."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from workshop import settings, visiting

from gateway.clearing import clear_unit, units_to_clear
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import take_scan
from gateway.visit import Visit
from gateway.watching import watch_of, watch_round
from sessions.journal import Kind
from sessions.store import Store
from sessions.verdict import judge
from simulators.door import Bench, RunningBench


class Job:
    """A visit to a scenario's car, and what is done there."""

    def __init__(self, bench: RunningBench, visit: Visit) -> None:
        self.bench, self.visit = bench, visit

    def act(self, action: str, **arguments: int | str) -> None:
        result = self.bench.act(action, **arguments)
        self.visit.writer.append(Kind.WORLD, {"action": action, "world_s": result.world_s, "said": result.said})

    def mend(self, action: str, component: str) -> None:
        self.act(action, component=component)
        self.visit.writer.append(Kind.SHEET, {"what": "part", "text": component})

    def clear(self) -> None:
        for unit in units_to_clear(self.visit.record(), ()):
            clear_unit(self.visit, unit, stated_parked=False)

    def watched(self, action: str, seconds: int, units: tuple[str, ...], **arguments: int) -> None:
        watch = watch_of(self.visit.record(), units)
        for _ in range(0, seconds, 5):
            self.act(action, seconds=5, **arguments)
            watch_round(self.visit, watch)

    def drive(self, kmh: int, seconds: int, units: tuple[str, ...]) -> None:
        self.act("start_engine")
        self.watched("drive", seconds, units, kmh=kmh)
        self.act("drive", kmh=0, seconds=30)
        self.act("stop_engine")

    def scan(self, taken_as: str) -> dict[tuple[str, str], str]:
        """Take a scan; say the verdict of each fault."""
        take_scan(self.visit, taken_as)  # type: ignore[arg-type]
        return {(f.key.unit, f.key.dtc.text): f.verdict.value for f in judge(self.visit.record()).faults}


@contextmanager
def job(scenario: str, folder: Path) -> Iterator[Job]:
    text = Bench().profile_text(scenario)
    loaded = LoadedProfile(profile=parse_profile(text, name=scenario), text=text)
    with (
        Bench().start(scenario) as bench,
        Store.open(folder / "record.sqlite", create=True) as store,
        visiting(store, bench.links[0], loaded, settings()) as visit,
    ):
        made = Job(bench, visit)
        take_scan(visit, "before")
        yield made


def test_repaired_well_is_proven_within_seconds(tmp_path: Path) -> None:
    fault, unit = ("742/74A", "B1A21-15"), "742/74A"
    with job("repaired-well", tmp_path) as car:
        car.mend("repair", "left_headlamp_wire")
        car.clear()
        car.watched("wait", 20, (unit,))
        assert {fault: "proven"} == car.scan("after")
        assert car.bench.truth("left_headlamp_wire")


def test_only_cleared_looks_well_until_it_is_driven(tmp_path: Path) -> None:
    fault = ("7E0/7E8", "P0171-00")
    with job("only-cleared", tmp_path) as car:
        car.clear()
        assert {fault: "untested"} == car.scan("check")
        car.drive(60, 560, ("7E0/7E8",))
        assert {fault: "returned"} == car.scan("after")
        assert not car.bench.truth("intake_hose")


def test_what_lets_go_on_the_road_alone_passes_in_the_workshop_and_comes_back(tmp_path: Path) -> None:
    brake = ("763/76B", "C0045-13")
    with job("comes-back-on-the-road", tmp_path) as car:
        car.clear()
        car.watched("wait", 30, (brake[0],))
        assert 0x00 == car.bench.car.units[brake[0]].status(brake[1])  # its test has run since the clear, and passed
        assert "untested" == car.scan("check")[brake]
        car.drive(70, 300, (brake[0],))
        assert "returned" == car.scan("after")[brake]
        assert not car.bench.truth("rear_left_sensor_plug")


def test_a_wrong_part_leaves_the_fault_and_those_that_follow_it(tmp_path: Path) -> None:
    sensor = ("732/73A", "C1B10-13")
    with job("wrong-part-replaced", tmp_path) as car:
        car.mend("fit", "steering_angle_sensor")
        car.clear()
        car.act("wait", seconds=15)
        found = car.scan("after")
        assert ("returned", "returned") == (found[sensor], found["764/76C", "U0420-81"])
        assert (True, False) == (car.bench.truth("steering_angle_sensor"), car.bench.truth("steering_column_harness"))
        # The origin, at last.
        car.mend("repair", "steering_column_harness")
        car.clear()
        car.act("wait", seconds=15)
        assert "returned" not in car.scan("after").values()


def test_a_unit_that_died_in_the_repair_proves_nothing_and_is_missed(tmp_path: Path) -> None:
    restraints = "771/779"
    with job("unit-lost", tmp_path) as car:
        car.mend("repair", "driver_tensioner_plug")
        car.act("wait", seconds=10)
        found = car.scan("after")
        assert ("unread", "new") == (found[restraints, "B1E11-1B"], found["721/729", "U0151-00"])
        assert (True, False) == (car.bench.truth("driver_tensioner_plug"), car.bench.truth(restraints))
        # Another unit in its place answers, with what it remembers of its old car.
        car.act("key_off")
        car.act("swap_unit", unit=restraints, donor="from_a_breaker")
        car.act("key_on")
        car.act("wait", seconds=10)
        assert (restraints, "B1E01-1A") in car.scan("after")


def test_emissions_over_uds_are_scanned_cleared_and_stay_open_for_their_permanent_copy(tmp_path: Path) -> None:
    fault = ("7E0/7E8", "P0353-13")
    with job("obd-on-uds", tmp_path) as car:
        car.mend("repair", "coil_c_plug")
        car.clear()
        car.act("start_engine")
        car.watched("idle", 30, ("7E0/7E8",))
        car.act("stop_engine")
        assert {fault: "untested"} == car.scan("after")


def test_warning_lamps_ends_with_one_origin_and_two_that_followed(tmp_path: Path) -> None:
    origin, follows = ("760/768", "C0035-13"), [("730/738", "U0415-81"), ("7E1/7E9", "U0415-00")]
    with job("warning-lamps", tmp_path) as car:
        car.mend("repair", "front_left_speed_sensor")
        car.clear()
        car.act("wait", seconds=10)
        found = car.scan("check")
        assert "returned" not in {found[origin], *(found[one] for one in follows)}

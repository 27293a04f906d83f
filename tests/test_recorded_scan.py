"""A scan of a real car's engine unit, as far as a recording of it goes, through the ordinary path (capture C1)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from recorded_unit import RecordedUnit
from workshop import settings, visiting

from decoders import check_vin
from decoders.values import Outcome, is_functional
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import ScanResult, take_scan
from sessions.record import JobRecord, Scan
from sessions.store import Store
from sessions.verdict import JobGrade, emissions_looks, judge, unit_looks

UNIT = "7E0/7E8"
DRIVE = Path("can", "obd_s01_7E0_7E8_drive_32min.log")
PROFILE = """\
[profile]
name = "One unit"

[[unit]]
address = "7E0/7E8"
name = "Engine"
system = "powertrain"
"""
SHORT = {"scan.p2_ms": 80, "scan.functional_ms": 80, "scan.n_cr_ms": 300}


class Scanned:
    """The job after its scan, and what the recorded unit was asked and could answer."""

    def __init__(self, record: JobRecord, result: ScanResult, unit: RecordedUnit) -> None:
        self.record = record
        self.result = result
        self.recorded = set(unit.recorded)

    @property
    def scan(self) -> Scan:
        (scan,) = self.record.scans
        return scan

    def outcome(self, request: str) -> Outcome | None:
        data = bytes.fromhex(request)
        (found,) = {
            item.exchange.outcome
            for item in self.record.asked
            if (item.exchange.target, item.exchange.request, item.scan) == (UNIT, data, 1)
        }
        return found


@pytest.fixture(scope="module")
def scanned(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scanned]:
    channel = "recorded-scan"
    store_file = tmp_path_factory.mktemp("recorded") / "record.sqlite"
    loaded = LoadedProfile(profile=parse_profile(PROFILE, name="one unit"), text=PROFILE)
    with (
        RecordedUnit(recordings / DRIVE, 0x7E0, 0x7E8, channel) as unit,
        Store.open(store_file, create=True) as store,
        visiting(store, f"can:virtual:{channel}", loaded, settings(SHORT)) as visit,
    ):
        result = take_scan(visit, "before")
        yield Scanned(visit.record(), result, unit)


def test_the_scan_is_complete_although_much_stayed_silent(scanned: Scanned) -> None:
    assert (True, "") == (scanned.result.complete, scanned.result.reason)


def test_the_vin_is_read_and_its_check_digit_is_right(scanned: Scanned) -> None:
    # Capture C1: 09 02, the VIN replaced by one of no maker.
    assert "ZZ9ZZ9ZZ6NZ000023" == judge(scanned.record).vin
    assert check_vin("ZZ9ZZ9ZZ6NZ000023").check_digit_ok
    (noted,) = [item for item in scanned.record.observations if item.about == "vin"]
    assert "ZZ9ZZ9ZZ6NZ000023: check digit right" == noted.text


def test_no_fault_is_stored_and_what_went_unread_stands_beside_it(scanned: Scanned) -> None:
    (look,) = unit_looks(scanned.record, scanned.scan)
    # Capture C1: 03 = no codes; 07 was never recorded.
    assert (UNIT, Outcome.ANSWERED, ()) == (look.unit, look.outcome, look.faults)
    assert "lists none (07 silent)" == look.words


def test_the_fuel_monitor_is_not_complete(scanned: Scanned) -> None:
    # Capture C1: 01 01 = 00 27 E1 00.
    (look,) = emissions_looks(scanned.record, scanned.scan)
    assert (UNIT, False, ("fuel system",)) == (look.unit, look.lamp_on, look.incomplete)
    assert look.permanent is None  # 0A was never recorded, which is not "none"


def test_every_request_that_was_never_recorded_is_silent_and_no_other(scanned: Scanned) -> None:
    asked = {
        item.exchange.request: item.exchange.outcome
        for item in scanned.record.asked
        if not is_functional(item.exchange.target)
    }
    silent = {request for request, outcome in asked.items() if outcome is Outcome.SILENT}
    assert set(asked) - scanned.recorded == silent
    assert {Outcome.ANSWERED, Outcome.SILENT} == set(asked.values())


@pytest.mark.parametrize("request_", ["07", "0A", "1902FF", "190A", "1915", "22F186"])
def test_services_the_recording_lacks_are_silent_never_empty(scanned: Scanned, request_: str) -> None:
    assert Outcome.SILENT is scanned.outcome(request_)


def test_nothing_listed_proves_nothing(scanned: Scanned) -> None:
    verdict = judge(scanned.record)
    assert ((), JobGrade.OPEN) == (verdict.faults, verdict.grade)

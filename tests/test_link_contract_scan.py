"""A whole scan gives the same by every link: every unit, every code, every status."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from link_contract_help import KINDS, Contact, LinkKind, contact, params
from workshop import settings, visiting

from gateway.bench_port import find_bench
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import ScanResult, take_scan
from sessions.record import JobRecord
from sessions.store import Store
from sessions.verdict import judge

# Three units: a dongle asks one thing after the other.
SCENARIO = "only-cleared"
FIGURES = {"scan.p2_ms": 2000, "scan.functional_ms": 100}
QUICK_FIGURES = {"scan.p2_ms": 32, "scan.functional_ms": 32}


@dataclass(frozen=True, slots=True)
class Scanned:
    """What a scan came to, with the units as the CAN bus writes them."""

    result: ScanResult
    record: JobRecord
    names: Mapping[str, str]

    @property
    def codes(self) -> frozenset[tuple[str, str, str, str | None, tuple[tuple[str, int], ...]]]:
        """Every reading of codes by service 19."""
        return frozenset(
            (
                self.names[reading.unit],
                reading.request.hex(),
                reading.outcome.value,
                None if reading.refusal is None else f"{reading.refusal:02X}",
                tuple(sorted((code.text, status) for code, status in reading.entries.items())),
            )
            for reading in self.record.codes
        )

    @property
    def obd(self) -> frozenset[tuple[str, int, str, tuple[str, ...]]]:
        """Every reading of codes by services 03, 07 and 0A."""
        return frozenset(
            (
                self.names[reading.unit],
                reading.service,
                reading.outcome.value,
                tuple(sorted(code.text for code in reading.codes)),
            )
            for reading in self.record.obd
        )

    @property
    def told(self) -> tuple[object, ...]:
        """All that is the same by every link."""
        ended = (self.result.complete, self.result.reason, self.result.answered)
        return ended, self.faults, self.codes, self.obd

    @property
    def faults(self) -> frozenset[tuple[str, str, str]]:
        """What a verdict is given for."""
        faults = judge(self.record).faults
        return frozenset((self.names[fault.key.unit], fault.key.dtc.text, fault.key.memory) for fault in faults)


def profile_of(way: Contact) -> LoadedProfile:
    """The car's profile, its units written as the link writes them."""
    text = find_bench().profile_text(SCENARIO)
    for unit in way.bench.desk.units:
        text = text.replace(f'"{unit}"', f'"{way.target(unit)}"')
    return LoadedProfile(profile=parse_profile(text, name=SCENARIO), text=text)


def scan_over(way: Contact, address: str, store_file: Path) -> Scanned:
    """A job with one scan over the link at this address."""
    in_force = settings(QUICK_FIGURES if way.kind.faults == "dongle" else FIGURES)
    names = {way.target(unit): unit for unit in way.bench.desk.units}
    with (
        Store.open(store_file, create=True) as store,
        visiting(store, address, profile_of(way), in_force) as visit,
    ):
        return Scanned(take_scan(visit, "before"), visit.record(), names)


@contextmanager
def scanned(kind: LinkKind, folder: Path) -> Iterator[Scanned]:
    with contact(kind, folder, scenario=SCENARIO, opened=False) as way:
        if kind.wire:
            yield scan_over(way, way.address, folder / "own.sqlite")
        else:
            scan_over(way, way.bench.links[0], folder / "first.sqlite")
            way.bench.close()
            yield scan_over(way, f"replay:{folder / 'first.sqlite'}#1", folder / "again.sqlite")


@pytest.fixture(scope="module")
def by_the_bus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scanned]:
    """The scan that all others are compared with."""
    with scanned(KINDS[0], tmp_path_factory.mktemp("bus")) as found:
        yield found


@pytest.mark.parametrize("kind", params(but=lambda kind: kind is KINDS[0]))
def test_a_whole_scan_gives_the_same_by_every_link(kind: LinkKind, by_the_bus: Scanned, tmp_path: Path) -> None:
    with scanned(kind, tmp_path) as found:
        told = found.told
    assert (True, "", True) == told[0]
    assert by_the_bus.told == told


def test_the_bus_shows_what_the_units_remember(by_the_bus: Scanned) -> None:
    assert 3 == len({unit for unit, *_ in by_the_bus.codes})
    assert by_the_bus.faults

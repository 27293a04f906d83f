"""A whole scan over a recorded job: what it reads is what the first one read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from cli_help import QUICK, Cli, clears_on_the_bus, running_bench, scanned_store
from workshop import profile, settings, visiting

from gateway.cli.show import scan_form
from gateway.scanning import take_scan
from sessions.record import JobRecord, read_record
from sessions.store import Store
from sessions.verdict import judge, verdict_form
from simulators.door import RunningBench


def record_of(path: Path) -> JobRecord:
    with Store.open(path, create=False) as store:
        return read_record(store.journal(1))


def scanned_again(path: Path, link: str, scans: Sequence[str]) -> JobRecord:
    """A new job in a store of its own, whose vehicle is the record."""
    with Store.open(path, create=True) as store, visiting(store, link, profile(), settings()) as visit:
        for taken_as in scans:
            assert take_scan(visit, taken_as).complete  # type: ignore[arg-type]
    return record_of(path)


def readings(record: JobRecord) -> dict[str, list[object]]:
    """Everything that was read, by whom it was asked, without when and over which link."""
    codes = sorted(
        (c.unit, c.request, c.scan, c.outcome, c.refusal, c.mask, sorted(c.entries.items()), c.whole, c.session_ok)
        for c in record.codes
    )
    return {
        "codes": [repr(item) for item in codes],
        "obd": sorted(repr((o.unit, o.service, o.scan, o.outcome, o.refusal, sorted(o.codes))) for o in record.obd),
        "live": sorted(repr((item.unit, item.number, item.value)) for item in record.live),
        "monitors": sorted(repr((item.unit, item.status)) for item in record.monitors),
        "asked": sorted(repr((replace(item.exchange, link=""), item.scan)) for item in record.asked),
    }


def test_a_scan_of_a_replay_gives_the_readings_and_verdicts_of_the_first_one(tmp_path: Path) -> None:
    first = record_of(scanned_store())
    again = scanned_again(tmp_path / "again.sqlite", f"replay:{scanned_store()}#1", ["before"])
    assert readings(first) == readings(again)
    assert verdict_form(judge(first), 1) == verdict_form(judge(again), 1)
    assert {f"replay:{scanned_store()}#1"} == {item.exchange.link for item in again.asked}


@pytest.fixture
def twice_scanned(cli: Cli) -> Iterator[Cli]:
    """A job whose car was scanned, cleared and scanned again by commands."""
    with running_bench() as bench:
        link = bench.links[0]
        cli.done("job", "open", "--link", link, "--profile", cli.profile_file())
        cli.done("scan", "1", "--as", "before", "--link", link, "--json")
        cli.done("clear", "1", "--unit", "760/768", "--link", link, "--quiet")
        assert clears_on_the_bus(bench)
        cli.done("scan", "1", "--as", "after", "--link", link)
        yield cli


def test_the_scans_of_a_job_replayed_one_by_one_print_the_same(twice_scanned: Cli, tmp_path: Path) -> None:
    cli, other = twice_scanned, str(tmp_path / "other.sqlite")
    replay = f"replay:{cli.store_file}#1"
    cli.done("job", "open", "--profile", cli.profile_file(), "--store", other)
    forms = []
    for taken_as, scan in (("before", 1), ("after", 2)):
        link = f"{replay}?scan={scan}"
        form = cli.done("scan", "1", "--as", taken_as, "--link", link, "--store", other, "--json").form
        assert (link, True) == (form["link"], form["complete"])
        forms.append(form["units"])
    assert forms[0] != forms[1]
    record = cli.record()
    assert [scan_form(record, scan, 1)["units"] for scan in record.scans] == forms


def test_a_command_over_a_missing_record_fails_with_one_line(cli: Cli) -> None:
    cli.use_scanned_job()
    line = cli.fails(3, "scan", "1", "--as", "before", "--link", f"replay:{cli.folder / 'gone'}#1")
    assert "there is no record at" in line


def test_a_record_is_not_mixed_with_a_vehicle_in_one_job(twice_scanned: Cli) -> None:
    """A pass that a record once told would be taken for one of the car that stands here."""
    scans = len(twice_scanned.record().scans)
    result = twice_scanned("scan", "1", "--as", "after", "--link", f"replay:{twice_scanned.store_file}#1")
    assert 2 == result.code
    assert "This job holds answers of a vehicle" in " ".join(result.err.split())
    assert scans == len(twice_scanned.record().scans)


def test_nothing_is_cleared_over_a_record(twice_scanned: Cli, tmp_path: Path) -> None:
    """No entry says afterwards that a clear was begun."""
    cli, other = twice_scanned, str(tmp_path / "other.sqlite")
    replay = f"replay:{cli.store_file}#1?scan=1"
    cli.done("job", "open", "--profile", cli.profile_file(), "--store", other)
    cli.done("scan", "1", "--as", "before", "--link", replay, "--store", other)
    result = cli("clear", "1", "--link", replay, "--store", other)
    assert 2 == result.code
    assert "is a record, which is only read -> give the link of a vehicle" in " ".join(result.err.split())
    assert () == record_of(Path(other)).clears


def test_a_job_has_one_kind_of_unit_addresses(cli: Cli, bench: RunningBench) -> None:
    """A unit that the link can never reach would keep each later scan incomplete."""
    doip = bench.open_door("doip")
    cli.use_scanned_job()
    wrong = cli.fails(2, "scan", "1", "--as", "check", "--link", doip)
    assert "This job knows a unit as " in wrong
    assert "reaches units by their DoIP addresses -> open a job of its own for this link" in wrong
    mixed = cli.fails(2, "job", "open", "--link", doip, "--profile", cli.profile_file())
    assert "reaches units by their DoIP addresses" in mixed
    cli.done("job", "open", "--link", doip)
    cli.done("scan", "2", "--as", "before", "--link", doip, *QUICK)
    back = cli.fails(2, "scan", "2", "--as", "check", "--link", bench.links[0])
    assert "This job knows a unit as doip:" in back
    assert "reaches units by their CAN identifiers" in back
    assert (1, 1) == (len(cli.record(1).scans), len(cli.record(2).scans))

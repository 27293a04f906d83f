"""A job by commands: opened, scanned, noted, judged, reported, closed; and what each prints for programs."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import click
import pytest
from cli_help import QUICK, Cli

import gateway.cli.console
import gateway.cli.frame
from gateway.cli.console import Terminal
from gateway.cli.main import cli as group
from gateway.cli.main import run
from gateway.cli.show import show_verdict
from sessions.verdict import judge
from simulators.door import RunningBench

VIN = "ZZ9MDL4HXTR018364"
STRUT = ("--unit", "740/748", "--code", "B1B3A-77")


def test_opening_a_job_reads_and_checks_the_vin(cli: Cli, bench: RunningBench) -> None:
    complaint = ("--complaint", "a lamp is lit", "--complaint", "it pulls", "--odometer-km", "84178")
    result = cli.done("job", "open", "--link", bench.links[0], "--profile", cli.profile_file(), *complaint)
    assert f"Job 1 is open. VIN {VIN}: check digit right." in result.out
    assert "Next: mendproof scan 1 --as before --link LINK" in result.out
    record = cli.record()
    assert (("a lamp is lit", "it pulls"), 84178) == (record.complaints, record.odometer_km)
    assert "Halvorne Meridel" == record.profile.name


def test_a_job_without_a_link_says_that_no_vin_was_read(cli: Cli) -> None:
    assert "VIN unknown: not read: no link was given." in cli.done("job", "open").out


def test_a_vehicle_that_gives_no_vin(cli: Cli) -> None:
    result = cli.done("job", "open", "--link", "can:virtual:nobody", *QUICK, "--json")
    assert {"job": 1, "vin": None, "vin_check": "no unit gave a VIN"} == result.form


def test_a_scan_as_json_has_the_documented_form(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open", "--profile", cli.profile_file())
    form = cli.done("scan", "1", "--as", "before", "--link", bench.links[0], "--json").form
    units = form.pop("units")
    expected = {"job": 1, "scan": 1, "as": "before", "complete": True, "reason": None, "link": bench.links[0]}
    assert expected | {"heard_not_read": []} == form
    assert 11 == len(units)
    brake = {
        "unit": "760/768",
        "unit_name": "Brake control",
        "outcome": "answered",
        "refusal": None,
        "mask": "FF",
        "faults": [{"code": "C0035-13", "memory": "dtc", "status": "AF"}],
    }
    assert brake in units


def test_a_scan_for_people_names_unit_address_and_what_it_lists(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    out = cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK).out
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert "Scan 2, taken as check: complete" == lines[0]
    assert "Restraints 770/778 lists none" in lines
    assert "Brake control 760/768 lists 1 fault" in lines
    assert "C0035-13 status AF Front left wheel speed sensor: circuit open" in lines
    assert "Supply voltage: lowest 12.3 V, highest 12.3 V" in lines
    assert [] == [line for line in out.splitlines() if len(line) > gateway.cli.console.PIPED_WIDTH]
    quiet = cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK, "--quiet").out
    assert out.replace("Scan 2", "Scan 3") == quiet


def test_a_scan_said_to_follow_an_erase_says_so_in_the_record(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open", "--profile", cli.profile_file())
    cli.done("scan", "1", "--as", "before", "--after-erase", "--link", bench.links[0], *QUICK)
    assert [True] == [scan.stated_after_erase for scan in cli.record().scans]


def test_jobs_are_listed_and_shown(cli: Cli) -> None:
    cli.use_scanned_job()
    cli.done("job", "open", "--complaint", "it pulls", "--odometer-km", "12")
    cli.done("repair", "part", "2", "a sensor")
    out = cli.done("job", "list").out
    assert ["Job 1", "Job 2"] == [line.partition("  ")[0] for line in out.splitlines() if line.startswith("Job")]
    assert ["VIN ZZ9MDL4HXTR018364", "VIN not read"] == [
        line[-len(wanted) :]
        for line, wanted in zip(
            [line for line in out.splitlines() if line.startswith("Job")],
            ("VIN ZZ9MDL4HXTR018364", "VIN not read"),
            strict=True,
        )
    ]
    assert "       it pulls" in out.splitlines()
    assert "scan 1 as before: complete" in cli.done("job", "show", "1", "--quiet").out
    shown = cli.done("job", "show", "2").out
    for text in ("complaint 1: it pulls", "odometer 12 km, as entered", "part: a sensor", "0 clears", "chain: whole"):
        assert text in shown
    assert [1, 2] == [row["job"] for row in cli.done("job", "list", "--json").form["jobs"]]
    form = cli.done("job", "show", "2", "--json").form
    assert (["it pulls"], 12, ["a sensor"], True) == (
        form["complaints"],
        form["odometer_km"],
        form["repairs"],
        form["chain_whole"],
    )


def test_a_record_without_jobs_says_how_to_open_one(cli: Cli) -> None:
    cli.done("job", "open")
    cli.store_file.with_name("other.sqlite").touch()
    from sessions.store import Store

    with Store.open(cli.folder / "empty.sqlite", create=True):
        pass
    out = cli.done("job", "list", "--store", str(cli.folder / "empty.sqlite")).out
    assert "No jobs yet. Open one: mendproof job open\n" == out


def test_repairs_are_written_with_the_time_of_work(cli: Cli) -> None:
    cli.done("job", "open")
    out = cli.done("repair", "part", "1", "a sensor", "--at", "2026-05-04T11:30:00+02:00").out
    assert "Noted as part: a sensor\n" == out
    cli.done("repair", "fluid", "1", "brake fluid")
    cli.done("repair", "note", "1", "looked at it", "--by", "somebody")
    repairs = [(repair.what, repair.worked_at) for repair in cli.record().repairs]
    assert [("part", "2026-05-04T09:30:00.000Z"), ("fluid", None)] == repairs  # a note is no repair


@pytest.mark.parametrize("time", ["yesterday", "2026-05-04T11:30:00", "0001-01-01T00:00:00+10:00"])
def test_a_time_without_a_zone_is_not_guessed(cli: Cli, time: str) -> None:
    cli.done("job", "open")
    assert "is no time with a zone" in cli.fails(2, "repair", "part", "1", "a sensor", "--at", time)


def test_a_repair_without_words_is_refused(cli: Cli) -> None:
    cli.done("job", "open")
    assert "A part without words tells nobody what was done" in cli.fails(2, "repair", "part", "1", " ")


def test_what_a_person_saw_is_noted(cli: Cli) -> None:
    cli.done("job", "open", "--complaint", "it pulls")
    assert "Noted: complaint 1 is gone.\n" == (
        cli.done("job", "observe", "1", "--about", "complaint 1", "--state", "gone", "--text", "drove it").out
    )
    line = cli.fails(2, "job", "observe", "1", "--about", "complaint 2", "--state", "gone")
    assert "This job has no 'complaint 2' -> it has: complaint 1, malfunction lamp" in line
    noted = [(item.about, item.state, item.text) for item in cli.record().observations]
    assert [("complaint 1", "gone", "drove it")] == noted


def test_only_what_the_job_has_can_be_gone(cli: Cli) -> None:
    """A lamp noted as lit has a name from then on; a slip of that name must not settle it unseen."""
    cli.done("job", "open")
    cli.done("job", "observe", "1", "--about", "brake system lamp", "--state", "lit")
    line = cli.fails(2, "job", "observe", "1", "--about", "brake lamp", "--state", "gone")
    assert "This job has no 'brake lamp' -> it has: brake system lamp, malfunction lamp" in line


def test_what_cannot_be_meant_is_refused(cli: Cli) -> None:
    assert "A complaint without words" in cli.fails(2, "job", "open", "--complaint", " ")
    cli.done("job", "open")
    assert "lies in the future" in cli.fails(2, "repair", "part", "1", "sensor", "--at", "2199-01-01T00:00:00Z")


def test_whoever_answers_and_cannot_be_asked_is_told_and_keeps_the_job_open(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open")
    scan = ("scan", "1", "--as", "before", "--link", bench.links[0], *QUICK)
    heard = cli.done(*scan, "--json").form["heard_not_read"]
    assert {"768", "748"} <= set(heard)
    assert f"Heard and not read: {', '.join(heard)}. " in " ".join(cli.done(*scan).out.split())
    before = cli.done("verdict", "1", "--json").form
    assert {"unit": "768", "before": "not asked", "after": "not asked"} in before["units"]
    open_for = "whoever answers under {} was not read: the identifier to ask it by is not known"
    assert open_for.format(", ".join(heard)) in " ".join(cli.done("verdict", "1").out.split())
    out = cli.done("job", "set-aside", "1", "--unit", "768", "--reason", "a trailer of the owner").out
    assert "Set aside: 768 (whole unit), given for 'unread'. It ends if that gets worse.\n" == out
    assert 1 == cli.done("verdict", "1", "--json").form["set_aside_count"]
    others = ", ".join(source for source in heard if source != "768")
    assert open_for.format(others) in " ".join(cli.done("verdict", "1").out.split())


def test_a_fault_is_set_aside_with_its_reason(cli: Cli) -> None:
    cli.use_scanned_job()
    out = cli.done("job", "set-aside", "1", *STRUT, "--reason", "lives with it").out
    assert "Set aside: 740/748 B1B3A-77, given for 'failing'. It ends if that gets worse.\n" == out
    form = cli.done("verdict", "1", "--json").form
    reasons = {fault["code"]: fault["set_aside"] for fault in form["faults"]}
    assert ("lives with it", None, 1) == (reasons["B1B3A-77"], reasons["C0035-13"], form["set_aside_count"])


def test_a_whole_unit_is_set_aside(cli: Cli) -> None:
    cli.use_scanned_job()
    out = cli.done("job", "set-aside", "1", "--unit", "770/778", "--reason", "not fitted any more").out
    assert "770/778 (whole unit)" in out
    assert 1 == cli.done("verdict", "1", "--json").form["set_aside_count"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--unit", "740/748", "--code", "B1B3A-77", "--reason", " "), "needs a reason"),
        (("--unit", "740/748", "--code", "P0420-00", "--reason", "x"), "No reading of this job shows P0420-00 in 740"),
        (("--unit", "740/748", "--code", "X", "--reason", "x"), "'X'"),
        (("--unit", "700/708", "--reason", "x"), "This job knows no unit 700/708"),
        (("--unit", "740", "--reason", "x"), "'740' is not a unit address"),
    ],
)
def test_setting_aside_what_nobody_read_is_refused(cli: Cli, options: tuple[str, ...], says: str) -> None:
    cli.use_scanned_job()
    assert says in cli.fails(2, "job", "set-aside", "1", *options)
    assert () == cli.record().decisions


def test_the_verdict_for_people_and_its_strict_exit_code(cli: Cli) -> None:
    cli.use_scanned_job()
    result = cli("verdict", "1", "--strict")
    assert (1, "") == (result.code, result.err)
    assert "Job: open, 0 set aside (no after-scan)" in result.out
    assert "What to do next" in result.out
    assert "missing:" in result.out
    assert "missing:" not in cli.done("verdict", "1", "--quiet").out


def test_history_is_named_apart_and_an_empty_plan_is_left_out(cli: Cli) -> None:
    cli.use_scanned_job()
    judged = replace(judge(cli.record()), history=(("7E0/7E8", "P0420-00"),), plan=())
    printed = io.StringIO()
    show_verdict(Terminal(file=printed, soft_wrap=True), judged)
    assert "History only, no fault: 7E0/7E8 P0420-00\n" in printed.getvalue()
    assert "What to do next" not in printed.getvalue()


def test_the_report_is_written_as_a_page_and_for_programs(cli: Cli) -> None:
    cli.use_scanned_job()
    page, data = cli.folder / "r.html", cli.folder / "r.json"
    assert f"Report of job 1: {page}\n" == cli.done("report", "1", "--out", str(page)).out
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert {"job": 1, "out": str(data)} == cli.done("report", "1", "--out", str(data), "--json").form
    assert json.loads(data.read_text()) == cli.done("verdict", "1", "--json").form


def test_a_job_closes_only_on_an_after_scan_and_then_takes_nothing_more(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    link = ("--link", bench.links[0], *QUICK)
    assert "no complete after-scan newer than the last clear" in cli.fails(2, "job", "close", "1")
    cli.done("scan", "1", "--as", "after", *link)
    assert "Job 1 is closed: open, 0 set aside.\n" == cli.done("job", "close", "1").out
    assert "Job 1 is closed already" in cli.fails(2, "job", "close", "1")
    entries, frames = cli.record().last_seq, len(bench.frames)
    for command in (
        ("scan", "1", "--as", "before", *link),
        ("clear", "1", *link),
        ("repair", "part", "1", "a sensor"),
        ("job", "observe", "1", "--about", "engine lamp", "--state", "gone"),
        ("job", "set-aside", "1", *STRUT, "--reason", "x"),
    ):
        assert "This job is closed -> open a new job for new work" in cli.fails(2, *command)
    assert "closed" in cli.done("job", "show", "1").out.splitlines()[0]
    cli.done("verdict", "1")
    assert (entries, frames) == (cli.record().last_seq, len(bench.frames))


def test_settings_show_where_each_figure_comes_from(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENDPROOF_SCAN_WINDOW", "3")
    form = cli.done("settings", "--set", "rules.hold_s=12", "--json").form
    assert {"value": 3, "from": "environment MENDPROOF_SCAN_WINDOW"} == form["scan.window"]
    assert {"value": 12, "from": "option --set"} == form["rules.hold_s"]
    assert {"value": 100, "from": "default"} == form["scan.p2_ms"]
    lines = [line.split() for line in cli.done("settings", "--quiet").out.splitlines()]
    assert ["scan.p2_ms", "100", "default"] in lines


def test_links_say_what_can_be_plugged_in(cli: Cli) -> None:
    out = cli.done("links").out
    assert "can:INTERFACE:CHANNEL[?bitrate=500000&fd=0]" in out
    assert {"socketcan", "slcan", "virtual"} <= set(cli.done("links", "--json").form["can_interfaces"])


def test_a_good_profile_is_called_good(cli: Cli) -> None:
    path = cli.profile_file()
    assert f"{path}: good. Halvorne Meridel: 11 units, " in cli.done("profile", "check", path).out
    assert 11 == cli.done("profile", "check", path, "--json").form["units"]


# --- options and help ---


def test_global_options_are_understood_before_and_after_the_name(cli: Cli) -> None:
    cli.done("job", "open")
    other = ("--store", str(cli.store_file))
    wanted = cli.done("job", "list", "--json").out
    for command in (
        ("--json", "job", "list"),
        ("job", "--json", "list"),
        (*other, "job", "list", "--json"),
        ("--json", "job", "list", *other),
        ("job", *other, "list", "--json"),
    ):
        assert wanted == cli.done(*command).out


def commands(command: click.Command, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    """Every command and group, with the words by which it is called."""
    found = [(path, command)]
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            found += commands(below, (*path, name))
    return found


ALL = commands(group)


@pytest.mark.parametrize(("path", "command"), ALL, ids=[" ".join(path) or "mendproof" for path, _ in ALL])
def test_every_command_and_option_has_help(cli: Cli, path: tuple[str, ...], command: click.Command) -> None:
    out = cli.done(*path, "--help").out
    assert out.startswith(f"Usage: {' '.join(('mendproof', *path))} ")
    assert (command.help or "").strip()
    options = [parameter for parameter in command.params if isinstance(parameter, click.Option)]
    assert [] == [option.name for option in options if not option.help]
    assert "-h, --help" in out or "--help" in out


def test_a_command_line_without_a_command_prints_the_help(cli: Cli) -> None:
    result = cli()
    assert (2, "") == (result.code, result.err)
    assert "Start with: mendproof demo" in result.out


def test_the_version_is_told(cli: Cli) -> None:
    from importlib.metadata import version

    assert f"mendproof, version {version('mendproof')}\n" == cli.done("--version").out


# --- who acts, and where ---


def test_the_actor_is_the_user_or_whom_they_name(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise KeyError("no such user")

    monkeypatch.setattr(gateway.cli.frame.getpass, "getuser", nobody)
    cli.done("job", "open", "--by", "the checker")
    cli.done("job", "open")
    from sessions.store import Store

    with Store.open(cli.store_file, create=False) as store:
        assert ["the checker", "unknown"] == [store.journal(job)[0].actor for job in (1, 2)]


def test_without_any_option_the_record_lies_in_the_users_data_folder(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MENDPROOF_STORE")
    cli.done("job", "open")
    assert (cli.folder / "xdg_data_home" / "mendproof" / "mendproof.sqlite").exists()


def test_a_number_keeps_its_unit_on_its_line() -> None:
    text = "    shown:   " + "word " * 16 + "held 15 s, entry 636"
    lines = gateway.cli.console.folded(Terminal(file=io.StringIO()), text, 13).splitlines()
    assert ["    shown:   " + "word " * 15 + "word held", " " * 13 + "15 s, entry 636"] == lines


def test_a_terminal_sees_lines_that_fit_it(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    cli.use_scanned_job()
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "70")
    out = cli.done("verdict", "1").out
    assert "\x1b[" in out
    import re

    plain = re.sub(r"\x1b\[[0-9;]*m", "", out)
    assert [] == [line for line in plain.splitlines() if len(line) > 70]


def test_the_module_runs_like_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    import runpy

    monkeypatch.setattr("sys.argv", ["mendproof", "--version"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_module("gateway", run_name="__main__")
    assert 0 == ended.value.code
    assert 0 == run(["--version"])

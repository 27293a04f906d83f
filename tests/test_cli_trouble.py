"""Bad input and trouble: one line that says what to do, the right exit code, nothing lost, no traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_help import QUICK, Cli, one_line

import gateway.jobs
from decoders.errors import LinkError
from gateway.cli.main import COMMANDS
from sessions.store import Store
from simulators.door import RunningBench

NOWHERE = ("--link", "can:virtual:nobody")
ON_A_JOB = [
    ("job", "show", "1"),
    ("job", "close", "1"),
    ("job", "set-aside", "1", "--unit", "760/768", "--reason", "lives with it"),
    ("job", "observe", "1", "--about", "engine lamp", "--state", "lit"),
    ("repair", "part", "1", "a sensor"),
    ("repair", "fluid", "1", "brake fluid"),
    ("repair", "note", "1", "looked"),
    ("verdict", "1"),
    ("report", "1", "--out", "never.html"),
    ("scan", "1", "--as", "before", *NOWHERE),
    ("clear", "1", *NOWHERE),
]


@pytest.mark.parametrize("command", [("job", "list"), *ON_A_JOB], ids=" ".join)
def test_a_missing_store_is_named_and_not_made(cli: Cli, command: tuple[str, ...]) -> None:
    line = cli.fails(4, *command)
    expected = f"There is no record at {cli.store_file} -> open a job first: mendproof job open"
    assert f"mendproof: {expected}" == line
    assert not cli.store_file.exists()


@pytest.mark.parametrize("command", ON_A_JOB, ids=" ".join)
def test_a_job_that_does_not_exist_is_named(cli: Cli, command: tuple[str, ...]) -> None:
    cli.done("job", "open")
    line = cli.fails(4, *("9" if word == "1" else word for word in command))
    expected = f"There is no job 9 in {cli.store_file} -> see which jobs there are: mendproof job list"
    assert f"mendproof: {expected}" == line


@pytest.mark.parametrize(
    ("link", "code", "says"),
    [
        ("nonsense", 2, "'nonsense' is no link address"),
        ("can:virtual", 2, "'can:virtual' lacks the channel"),
        ("can:virtual:x?speed=1", 2, "unknown option 'speed'"),
        ("sim:warning-lamps", 2, "is a new car each time and ends with the command"),
        ("can:carrier:0", 3, "there is no CAN interface 'carrier'"),
        ("can:socketcan:nocan0", 3, "cannot open can:socketcan:nocan0"),
        ("dongle:/dev/nodongle0", 3, "there is no port /dev/nodongle0"),
        ("doip:127.0.0.1:1", 3, "cannot connect to 127.0.0.1:1"),
        ("replay:x", 2, "cannot read replay:x"),
        ("replay:x#y", 2, "names no job behind the #"),
        ("dongle:socket://127.0.0.1", 2, "lacks the host or the number of the port -> write socket://HOST:PORT"),
    ],
)
def test_a_wrong_link_address_changes_nothing(cli: Cli, link: str, code: int, says: str) -> None:
    cli.done("job", "open")
    entries = cli.record().last_seq
    for command in (("scan", "1", "--as", "before"), ("clear", "1")):
        assert says in cli.fails(code, *command, "--link", link)
    assert entries == cli.record().last_seq


@pytest.mark.parametrize("link", ["nonsense", "can:carrier:0"])
def test_a_job_is_not_opened_over_a_link_that_does_not_open(cli: Cli, link: str) -> None:
    cli.fails(2 if link == "nonsense" else 3, "job", "open", "--link", link)
    assert not cli.store_file.exists()


@pytest.mark.parametrize("taken_as", ["check", "after"])
def test_a_later_scan_needs_a_before_scan(cli: Cli, bench: RunningBench, taken_as: str) -> None:
    cli.done("job", "open")
    line = cli.fails(2, "scan", "1", "--as", taken_as, "--link", bench.links[0])
    assert f"A scan taken as {taken_as} needs a complete before-scan, and this job has none" in line
    assert "scan JOB --as before" in line
    assert ((), ()) == (bench.frames, cli.record().scans)


USAGE = [
    (("nothing",), "No such command 'nothing'"),
    (("--nothing",), "No such option"),
    (("job", "nothing"), "No such command 'nothing'"),
    (("verdict", "1", "--nothing"), "No such option"),
    (("verdict",), "Missing argument 'JOB'"),
    (("verdict", "0"), "0 is not in the range"),
    (("verdict", "one"), "'one' is not a valid integer"),
    (("scan", "1", *NOWHERE), "Missing option '--as'"),
    (("scan", "1", "--as", "later", *NOWHERE), "'later' is not one of"),
    (("scan", "1", "--as", "before"), "Missing option '--link'"),
    (("job", "open", "--odometer-km", "-1"), "-1 is not in the range"),
    (("job", "observe", "1", "--about", "lamp", "--state", "off"), "'off' is not one of"),
    (("settings", "--store", "."), "is a directory"),
    (("clear", "1", "--unit", "7E0", *NOWHERE), "'7E0' is not a unit address"),
    (("job", "open", "--profile", "none.toml"), "There is no profile none.toml"),
    (("profile", "check", "none.toml"), "There is no profile none.toml"),
]


@pytest.mark.parametrize(("command", "says"), USAGE, ids=[" ".join(command) for command, _says in USAGE])
def test_what_cannot_be_meant_is_a_usage_error(cli: Cli, command: tuple[str, ...], says: str) -> None:
    assert says in cli.fails(2, *command)


@pytest.mark.parametrize("setting", ["scan.speed=1", "nothing", "scan.window=fast", "scan.window=-1", "scan.window="])
def test_a_setting_that_is_off_stops_every_command_that_needs_it(cli: Cli, setting: str) -> None:
    assert setting.partition("=")[0] in cli.fails(2, "settings", "--set", setting)
    cli.fails(2, "job", "open", "--set", setting)
    assert not cli.store_file.exists()


def test_a_mistake_in_a_profile_is_named_by_file_line_and_key(cli: Cli) -> None:
    path = cli.folder / "car.toml"
    path.write_text('[profile]\nname = "Car"\n\n[[unit]]\naddress = "7E0"\nname = "Engine"\nsystem = "powertrain"\n')
    for command in (("profile", "check", str(path)), ("job", "open", "--profile", str(path))):
        assert "car.toml, line 5, unit.address: '7E0' is not a unit address" in cli.fails(2, *command)
    assert not cli.store_file.exists()


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"no database at all, but longer than a header of SQLite would be" * 3, "is not a Mendproof record")],
)
def test_a_file_that_is_no_record_is_left_as_it_is(cli: Cli, content: bytes, says: str) -> None:
    cli.store_file.write_bytes(content)
    for command in (("job", "list"), ("job", "open")):
        assert says in cli.fails(4, *command)
    assert content == cli.store_file.read_bytes()


def test_a_folder_that_cannot_be_made_is_named(cli: Cli) -> None:
    (cli.folder / "file").write_text("")
    line = cli.fails(4, "job", "open", "--store", str(cli.folder / "file" / "record.sqlite"))
    assert f"The folder {cli.folder / 'file'} cannot be made" in line


@pytest.mark.parametrize(
    ("name", "says"), [("r.pdf", "ends neither in .html nor in .json"), ("no/r.html", "cannot be")]
)
def test_a_report_that_cannot_be_written_says_so(cli: Cli, name: str, says: str) -> None:
    cli.use_scanned_job()
    assert says in cli.fails(2, "report", "1", "--out", str(cli.folder / name))


def test_a_second_writer_is_turned_away_and_sends_nothing(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    entries = cli.record().last_seq
    with Store.open(cli.store_file, create=False) as store, store.writer(1, actor="the first"):
        for command in (("scan", "1", "--as", "check"), ("clear", "1", "--quiet")):
            line = cli.fails(4, *command, "--link", bench.links[0])
            assert "Job 1 is being written by process" in line
        assert "is being written" in cli.fails(4, "repair", "part", "1", "a sensor")
        cli.done("verdict", "1")  # everyone else reads
    assert ((), entries) == (bench.frames, cli.record().last_seq)


def test_nobody_answers_and_no_profile_is_known(cli: Cli) -> None:
    cli.done("job", "open")
    result = cli("scan", "1", "--as", "before", *NOWHERE, *QUICK)
    says = "no unit is known: name a profile, or check that the key is on"
    assert (3, f"Scan 1, taken as before: not complete: {says}\n") == (result.code, result.out)
    assert f"Scan 1 is not complete: {says}" in one_line(result.err)
    assert [False] == [scan.complete for scan in cli.record().scans]


def test_the_adapter_is_lost_in_the_middle_of_a_scan(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    sent = []

    def put(*_arguments: object) -> None:
        sent.append(1)
        if len(sent) > 40:
            raise LinkError("the adapter was unplugged")
        original(*_arguments)  # type: ignore[arg-type]

    from gateway.links.can.bus import CanBus

    original = CanBus.put
    monkeypatch.setattr(CanBus, "put", put)
    result = cli("scan", "1", "--as", "check", "--link", bench.links[0])
    assert 3 == result.code
    assert "never sent: the adapter was unplugged" in one_line(result.err)
    assert [True, False] == [scan.complete for scan in cli.record().scans]
    assert "not asked" in result.out


# --- faults of our own ---


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_arguments: object) -> None:
        raise ZeroDivisionError("two lines\nof text")

    monkeypatch.setattr(gateway.jobs, "judge_job", fail)


@pytest.mark.usefixtures("broken")
def test_a_fault_of_our_own_is_one_line_and_a_log(cli: Cli) -> None:
    cli.use_scanned_job()
    line = cli.fails(70, "verdict", "1")
    assert "a fault of our own (ZeroDivisionError: two lines of text)" in line
    log = Path(line.rpartition("details are in ")[2])
    assert "ZeroDivisionError: two lines\nof text" in log.read_text()
    assert log.is_relative_to(cli.folder)


@pytest.mark.usefixtures("broken")
def test_a_fault_of_our_own_without_a_place_for_the_log(cli: Cli) -> None:
    cli.use_scanned_job()
    (cli.folder / "xdg_state_home").write_text("in the way")
    assert cli.fails(70, "verdict", "1").endswith("-> no log could be written")


# --- the form of a failure for programs ---


@pytest.mark.parametrize(
    ("command", "kind", "code"),
    [
        (("verdict", "0"), "usage", 2),
        (("scan", "1", "--as", "check", "--link", "can:carrier:0"), "link", 3),
        (("verdict", "9"), "record", 4),
        (("clear", "1", "--unit", "7E7/7EF", *NOWHERE), "refused", 5),
    ],
)
def test_a_failure_as_json(cli: Cli, command: tuple[str, ...], kind: str, code: int) -> None:
    cli.use_scanned_job()
    result = cli(*command, "--json")
    error = result.form["error"]
    assert (code, kind, code) == (result.code, error["kind"], error["exit"])
    assert ["exit", "kind", "message", "next"] == sorted(error)
    assert f"mendproof: {error['message']} -> {error['next']}" == one_line(result.err)
    assert [1, 1] == [result.out.count("\n"), len(result.form)]


@pytest.mark.usefixtures("broken")
def test_a_fault_of_our_own_as_json(cli: Cli) -> None:
    cli.use_scanned_job()
    result = cli("--json", "verdict", "1")
    assert ("internal", 70) == (result.form["error"]["kind"], result.form["error"]["exit"])


def test_a_scan_that_is_not_complete_prints_its_own_object_and_no_second_one(cli: Cli) -> None:
    cli.done("job", "open")
    result = cli("scan", "1", "--as", "before", *NOWHERE, *QUICK, "--json")
    assert (3, False, []) == (result.code, result.form["complete"], result.form["units"])


def test_every_command_is_known_by_a_module_that_has_it() -> None:
    from gateway.cli.main import cli as group

    with group.make_context("mendproof", ["settings"], obj=None) as context:
        assert sorted(COMMANDS) == group.list_commands(context)
        assert all(group.get_command(context, name) is not None for name in COMMANDS)
        assert group.get_command(context, "nothing") is None

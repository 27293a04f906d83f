"""What commands say where a unit has no name, nobody answers, an answer is damaged, or a decision covers little."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from cli_help import QUICK, Cli, one_line
from recorded_unit import Raw, ScriptedUnit, Step

from decoders.values import Exchange, Outcome
from gateway.advice import to_be_heard
from gateway.links.address import FORMS
from gateway.visit import Visit
from simulators.door import RunningBench

ENGINE = "7E0/7E8"


def lines(out: str) -> list[str]:
    """The lines of an output, each with single spaces."""
    return [" ".join(line.split()) for line in out.splitlines()]


def link(channel: str) -> tuple[str, ...]:
    return ("--link", f"can:virtual:{channel}", *QUICK)


@pytest.fixture
def unit(channel: str) -> Iterator[ScriptedUnit]:
    """A unit at 7E0/7E8 that no profile names: it lists one code, accepts a clear and offers no live value."""
    answers = {"0100": "410000000000", "1902FF": "5902FF4035132F", "14FFFFFF": "54"}

    def script(payload: bytes) -> Iterable[Step]:
        known = answers.get(payload.hex().upper())
        yield bytes.fromhex(known) if known else bytes([0x7F, payload[0], 0x11])

    with ScriptedUnit(channel, 0x7E0, 0x7E8, script, functional_id=0x7DF) as running:
        yield running


# --- a unit without a name ---


@pytest.mark.usefixtures("unit")
def test_a_unit_without_a_name_is_told_by_its_address_once(cli: Cli, channel: str) -> None:
    cli.done("job", "open")
    scanned = cli.done("scan", "1", "--as", "before", *link(channel)).out
    assert "Unit 7E0/7E8 lists 1 fault" in lines(scanned)
    cleared = cli.done("clear", "1", *link(channel), "--stated-parked").out
    assert "  Unit  7E0/7E8  says cleared; still lists C0035-13" in cleared.splitlines()
    judged = cli.done("verdict", "1").out
    [fault] = [line for line in judged.splitlines() if "C0035-13" in line and line.startswith("[")]
    assert "  Unit 7E0/7E8  C0035-13" in fault
    assert f"Unit {ENGINE}" == cli.done("verdict", "1", "--json").form["faults"][0]["unit_name"]


# --- nobody answers ---


@pytest.fixture
def one_unit(cli: Cli) -> str:
    path = cli.folder / "one.toml"
    path.write_text('[profile]\nname = "One"\n\n[[unit]]\naddress = "760/768"\nname = "Brakes"\nsystem = "chassis"\n')
    return str(path)


def test_a_scan_that_nobody_answered_says_so_in_its_first_line(cli: Cli, one_unit: str) -> None:
    cli.done("job", "open", "--profile", one_unit)
    result = cli("scan", "1", "--as", "before", *link("nobody"))
    assert 3 == result.code
    assert "Scan 1, taken as before: complete, no unit answered" == result.out.splitlines()[0]
    wanted = "no unit answered at all -> check that the key is on, that the connector sits, and the bit rate; then scan"
    assert wanted in one_line(result.err)


@pytest.mark.parametrize("kind", ["dongle", "doip", "replay", "other"])
def test_a_bit_rate_is_no_advice_for_a_link_without_one(kind: str) -> None:
    assert "bit rate" in to_be_heard("can:socketcan:can0")
    assert "bit rate" not in to_be_heard(f"{kind}:x")
    assert to_be_heard(f"{kind}:x").startswith("check that ")
    assert kind in (*FORMS, "other")


def test_opening_a_job_over_a_link_on_which_nobody_answers_says_what_to_check(cli: Cli, bench: RunningBench) -> None:
    out = cli.done("job", "open", *link("nobody")).out
    wanted = "No unit answered: check that the key is on, that the connector sits, and the bit rate."
    assert wanted in lines(out)
    assert "No unit answered" in cli.done("job", "open", *link("nobody"), "--quiet").out
    assert "No unit answered" not in cli.done("job", "open", "--link", bench.links[0], *QUICK).out
    assert "No unit answered" not in cli.done("job", "open").out


# --- a damaged answer ---


def test_a_damaged_answer_is_told_with_what_was_wrong_with_it(cli: Cli, channel: str, one_unit: str) -> None:
    def script(payload: bytes) -> Iterable[Step]:
        if payload == bytes.fromhex("1902FF"):
            yield Raw(bytes.fromhex("100B5902FF403513"))  # a first frame, and none after it
        else:
            yield bytes([0x7F, payload[0], 0x11])

    cli.done("job", "open", "--profile", one_unit)
    with ScriptedUnit(channel, 0x760, 0x768, script):
        out = cli.done("scan", "1", "--as", "before", *link(channel), "--set", "scan.n_cr_ms=60").out
    damaged = [item.exchange for item in cli.record().asked if item.exchange.outcome is Outcome.DAMAGED]
    trouble = next(exchange.trouble for exchange in damaged if exchange.request == bytes.fromhex("1902FF"))
    assert trouble
    assert f"Brakes 760/768 damaged: {trouble}" in " ".join(out.split())


# --- a scan that was stopped ---


def test_a_scan_that_was_stopped_tells_programs_why(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask = Visit.ask

    def stopping(visit: Visit, *plans: object, **more: object) -> tuple[Exchange, ...]:
        visit.stop.set()
        return ask(visit, *plans, **more)  # type: ignore[arg-type]

    cli.use_scanned_job()
    monkeypatch.setattr(Visit, "ask", stopping)
    result = cli("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK, "--json")
    assert (False, "cut short: stopped by hand") == (result.form["complete"], result.form["reason"])


# --- decisions ---


def test_setting_a_unit_aside_names_its_faults_that_stay_open(cli: Cli) -> None:
    cli.use_scanned_job()
    cli.done("job", "set-aside", "1", "--unit", "740/748", "--code", "B1B3A-77", "--reason", "lives with it")
    result = cli.done("job", "set-aside", "1", "--unit", "740/748", "--reason", "x")
    assert "none of its open faults" not in result.out
    shown = cli.done("job", "set-aside", "1", "--unit", "760/768", "--reason", "x").out.splitlines()
    assert [
        "Set aside: 760/768 (whole unit), given for 'unread'. It ends if that gets worse.",
        "It covers that the unit goes unread, and none of its open faults; to set them aside as well:",
        "  mendproof job set-aside 1 --unit 760/768 --code C0035-13 --reason TEXT",
    ] == shown
    assert ["C0035-13"] == cli.done("job", "set-aside", "1", "--unit", "760/768", "--reason", "x", "--json").form[
        "not_covered"
    ]
    cli.done(*shown[-1].replace("TEXT", "why").split()[1:])
    form = cli.done("verdict", "1", "--json").form
    assert {"why"} == {fault["set_aside"] for fault in form["faults"] if fault["unit"] == "760/768"}


def test_a_slip_in_a_unit_names_those_that_were_heard_and_cannot_be_asked(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open")
    cli.done("scan", "1", "--as", "before", "--link", bench.links[0], *QUICK)
    heard = cli.record().strangers
    line = cli.fails(2, "job", "set-aside", "1", "--unit", "999", "--reason", "x")
    assert "'999' is not a unit address -> " in line
    assert line.endswith(f", or name one that was heard and cannot be asked: {', '.join(heard)}")


# --- the rest ---


@pytest.mark.parametrize("minutes", ["0.4", "0", "-1", "soon", "", "1_0"])
def test_minutes_are_whole(cli: Cli, minutes: str) -> None:
    line = cli.fails(2, "watch", "1", "--link", "can:virtual:nobody", "--minutes", minutes)
    wanted = f"--minutes takes whole minutes, 1 or more, not '{minutes}' -> write for example --minutes 5"
    assert f"mendproof: {wanted}" == line


def test_a_job_is_shown_with_its_notes_and_its_clears(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    cli.done("repair", "note", "1", "looked at the plug")
    cli.done("repair", "part", "1", "a sensor")
    cli.done("clear", "1", "--link", bench.links[0], "--unit", "760/768", *QUICK)
    shown = cli.done("job", "show", "1").out.splitlines()
    assert shown.index("  note: looked at the plug") + 1 == shown.index("  part: a sensor")
    assert any(line.startswith("  1 clear, ") for line in shown)
    form = cli.done("job", "show", "1", "--json").form
    assert (["a sensor"], ["looked at the plug"], 1, 0) == (
        form["repairs"],
        form["notes"],
        form["clears"],
        form["clears_never_sent"],
    )


def test_a_clear_that_never_left_is_counted_apart(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    from decoders.errors import LinkError
    from gateway.links.can.bus import CanBus

    put = CanBus.put

    def broken(bus: CanBus, can_id: object, data: bytes) -> None:
        if data[1:2] == b"\x14":
            raise LinkError("the adapter was unplugged")
        put(bus, can_id, data)  # type: ignore[arg-type]

    cli.use_scanned_job()
    with monkeypatch.context() as patch:
        patch.setattr(CanBus, "put", broken)
        assert 3 == cli("clear", "1", "--link", bench.links[0], "--unit", "760/768", *QUICK).code
    cli.done("clear", "1", "--link", bench.links[0], "--unit", "760/768", "--unit", "750/758", *QUICK)
    assert "  2 clears, 1 more never sent, " in cli.done("job", "show", "1").out
    form = cli.done("job", "show", "1", "--json").form
    assert (2, 1) == (form["clears"], form["clears_never_sent"])


def test_the_page_of_commands_explains_what_is_missing_beside_ready() -> None:
    page = (Path(__file__).parent.parent / "docs" / "commands.md").read_text(encoding="utf-8")
    assert '`missing` says why not, or, beside `"ready": true`' in " ".join(page.split())

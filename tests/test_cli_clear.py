"""Clearing: one unit at a time, only on a standing car, read back at once; and nothing is sent when it refuses."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable

import pytest
from cli_help import QUICK, Cli, clears_on_the_bus, one_line
from recorded_unit import ScriptedUnit, Step
from workshop import profile

import gateway.clearing
import gateway.standstill
from decoders.errors import LinkError, MendproofError, RefusedError
from decoders.values import Exchange, Outcome
from gateway.cautions import AFTER_CLEAR, BEFORE_CLEAR
from gateway.clearing import ClearAnswer
from gateway.standstill import require_sent
from sessions.journal import Kind
from sessions.store import Store
from simulators.door import RunningBench

BRAKE = ("--unit", "760/768")


def refused(cli: Cli, bench: RunningBench, *options: str) -> str:
    """A clear that must be refused: exit code 5, and no clear in the journal or on the bus."""
    result = cli("clear", "1", "--link", bench.links[0], *QUICK, *options, "--quiet")
    assert 5 == result.code
    assert "" == result.out.partition("Supply voltage")[2].partition("\n")[2]
    assert ((), []) == (cli.record().clears, clears_on_the_bus(bench))
    return one_line(result.err)


def test_every_unit_that_lists_a_code_is_cleared_and_read_back(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    read_at = [item.moment.at for item in cli.record().live if item.pid == 0x42][-1]
    out = cli.done("clear", "1", "--link", bench.links[0]).out
    unfolded = " ".join(out.split())
    assert unfolded.startswith(BEFORE_CLEAR)
    assert f"Supply voltage 12.3 V as last read, {read_at}, in scan 1." in out.splitlines()
    lines = [line for line in out.splitlines() if "  says cleared" in line]
    assert "Brake control 760/768 says cleared" in [" ".join(line.split()) for line in lines]
    assert (8, 1) == (len(lines), len({line.index("says") for line in lines}))
    assert AFTER_CLEAR in unfolded
    record = cli.record()
    listed = {code.unit for code in record.codes if code.scan == 1 and code.entries}
    assert {clear.unit for clear in record.clears} <= listed
    assert 8 == len(record.clears) == len(clears_on_the_bus(bench))
    read_back = {item.exchange.target for item in record.asked if item.during == "readback"}
    assert {clear.unit for clear in record.clears} == read_back


def test_only_the_named_unit_is_cleared(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    form = cli.done("clear", "1", "--link", bench.links[0], *BRAKE, *BRAKE, "--json").form
    clear = {"unit": "760/768", "request": "14FFFFFF", "outcome": "answered", "refusal": None}
    assert {"job": 1, "clears": [clear]} == form
    assert 1 == len(clears_on_the_bus(bench))


def test_without_a_before_scan_nothing_is_cleared(cli: Cli, bench: RunningBench) -> None:
    cli.done("job", "open")
    assert "this job has no complete before-scan" in refused(cli, bench)
    assert () == bench.frames


def test_a_unit_that_was_not_read_is_not_cleared(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    line = refused(cli, bench, "--unit", "7E7/7EF")
    assert "cleared: Unit 7E7/7EF was not read in scan 1" in line
    assert () == bench.frames


@pytest.mark.parametrize("stated", [(), ("--stated-parked",)], ids=["not stated", "stated"])
def test_nothing_is_cleared_while_the_engine_runs(cli: Cli, bench: RunningBench, stated: tuple[str, ...]) -> None:
    cli.use_scanned_job()
    bench.act("start_engine")
    assert "Not cleared: engine speed is 800 rpm" in refused(cli, bench, *stated)


def test_nothing_is_cleared_while_the_car_moves(cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    cli.use_scanned_job()
    bench.act("start_engine")
    bench.act("drive", kmh=20, seconds=30)
    # A car that rolls with its engine off: only the road speed is left to tell.
    monkeypatch.setattr(bench.world, "engine_on", False)
    assert "Not cleared: road speed is 20 km/h" in refused(cli, bench)


def test_values_that_were_read_too_long_ago_do_not_count(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    monkeypatch.setattr(gateway.clearing, "FRESH_S", 0.0)
    assert "engine and road speed were read 0." in refused(cli, bench)


def test_when_no_unit_tells_just_now_the_technician_must_state_it(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    bench.act("key_off")
    assert "no unit tells the engine speed just now" in refused(cli, bench)
    bench.act("key_on")


def test_a_job_in_which_nothing_is_listed_has_nothing_to_clear(cli: Cli, channel: str) -> None:
    with scripted(channel, codes="", clear="54"):
        scanned_over(cli, channel)
        assert "lists a code, so there is nothing to clear" in cli.fails(2, "clear", "1", *link(channel))


# --- a car whose only unit tells no speed ---

PROFILE = """\
[profile]
name = "One unit"

[[unit]]
address = "760/768"
name = "Brakes"
system = "chassis"
"""


def link(channel: str) -> tuple[str, ...]:
    return ("--link", f"can:virtual:{channel}", *QUICK)


def scripted(channel: str, *, codes: str, clear: str, answers: dict[str, list[str]] | None = None) -> ScriptedUnit:
    """A unit at 760/768 that lists codes by service 19 and answers a clear as told; all else it refuses (11)."""
    fixed = {"1902FF": [f"5902FF{codes}"], "14FFFFFF": [clear], **(answers or {})}

    def script(payload: bytes) -> Iterable[Step]:
        turns = fixed.get(payload.hex().upper())
        if turns is None:
            yield bytes([0x7F, payload[0], 0x11])
        elif turns[0]:
            yield bytes.fromhex(turns.pop(0) if len(turns) > 1 else turns[0])
        elif len(turns) > 1:
            turns.pop(0)

    return ScriptedUnit(channel, 0x760, 0x768, script)


def scanned_over(cli: Cli, channel: str) -> None:
    path = cli.folder / "one.toml"
    path.write_text(PROFILE)
    cli.done("job", "open", "--profile", str(path))
    cli.done("scan", "1", "--as", "before", *link(channel))


def test_without_a_teller_a_clear_is_refused_until_parking_is_stated(cli: Cli, channel: str) -> None:
    with scripted(channel, codes="4035132F", clear="54") as unit:
        scanned_over(cli, channel)
        result = cli("clear", "1", *link(channel), "--quiet")
        assert 5 == result.code
        assert "no unit tells the engine speed just now" in one_line(result.err)
        assert "say so with --stated-parked" in result.err
        assert b"\x14\xff\xff\xff" not in unit.requests
        out = cli.done("clear", "1", *link(channel), "--stated-parked").out
    assert "Supply voltage not read." in out
    assert "  Brakes  760/768  says cleared; still lists C0035-13" in out.splitlines()
    (entry,) = entries_of(cli, Kind.CLEAR)
    assert "stated, not read: drive off, not READY, parked" == entry["standstill"]


def entries_of(cli: Cli, kind: Kind) -> list[dict[str, object]]:
    with Store.open(cli.store_file, create=False) as store:
        return [dict(entry.payload) for entry in store.journal(1) if entry.kind is kind]


@pytest.mark.parametrize(
    ("clear", "words", "outcome", "refusal"),
    [
        ("7F1422", "refused (22, conditions not correct)", "refused", "22"),
        ("", "silent", "silent", None),
    ],
)
def test_what_a_unit_answers_to_a_clear_is_told_as_it_is(
    cli: Cli, channel: str, clear: str, words: str, outcome: str, refusal: str | None
) -> None:
    with scripted(channel, codes="4035132F", clear=clear):
        scanned_over(cli, channel)
        out = cli.done("clear", "1", *link(channel), "--stated-parked").out
        form = cli.done("clear", "1", *link(channel), "--stated-parked", "--json").form
    assert f"  Brakes  760/768  {words}" in out.splitlines()
    assert (outcome, refusal) == (form["clears"][0]["outcome"], form["clears"][0]["refusal"])


def test_speeds_are_read_anew_for_each_request_to_a_unit(cli: Cli, channel: str) -> None:
    # By service 19 it lists C0035, by service 03 another code: two clears. Its speeds it tells in the scan
    # (at the begin and at the end) and once more, then never again.
    speeds = {"010C": ["410C0000"] * 3 + [""], "010D": ["410D00"] * 3 + [""]}
    functional = {"0100": ["410000180001"], "0120": ["412000000000"]}
    answers = {"03": ["43010420"], "07": ["4700"], "04": ["44"], **speeds, **functional}
    profile = PROFILE.replace("760/768", "7E0/7E8")
    unit = scripted(channel, codes="4035132F", clear="54", answers=answers)
    unit._request_id, unit._response_id, unit._functional_id = 0x7E0, 0x7E8, 0x7DF
    with unit:
        path = cli.folder / "one.toml"
        path.write_text(profile)
        cli.done("job", "open", "--profile", str(path))
        cli.done("scan", "1", "--as", "before", *link(channel))
        result = cli("clear", "1", *link(channel))
    assert 5 == result.code
    assert "no unit tells the engine speed just now" in one_line(result.err)
    assert ["14FFFFFF"] == [clear.request.hex().upper() for clear in cli.record().clears]
    assert b"\x04" not in unit.requests


# --- stopped, and broken ---


def stops_at_the_read_back(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = gateway.clearing.plan_read_back

    monkeypatch.setattr(gateway.clearing, "plan_read_back", stopping_plan(plan))


def test_ctrl_c_ends_after_the_unit_that_is_being_cleared(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    stops_at_the_read_back(monkeypatch)
    result = cli("clear", "1", "--link", bench.links[0], *QUICK, "--json")
    assert "stopped; what was read is kept" in one_line(result.err)
    assert (130, 1) == (result.code, len(result.form["clears"]))
    record = cli.record()
    assert [Outcome.ANSWERED] == [clear.outcome for clear in record.clears]
    # The climate unit has no list of what it supports; both were asked all the same.
    read_back = [item.exchange.outcome for item in record.asked if item.during == "readback"]
    assert [Outcome.ANSWERED, Outcome.REFUSED] == read_back


def test_ctrl_c_while_speeds_are_read_clears_nothing(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    monkeypatch.setattr(gateway.standstill, "plan_live", stopping_plan(gateway.standstill.plan_live))
    result = cli("clear", "1", "--link", bench.links[0], *QUICK, "--quiet")
    assert (130, ()) == (result.code, cli.record().clears)
    assert [] == clears_on_the_bus(bench)


def stopping_plan(plan: Callable[..., object]) -> Callable[..., object]:
    def stopping(*arguments: object, **named: object) -> object:
        signal.raise_signal(signal.SIGINT)
        return plan(*arguments, **named)

    return stopping


def test_ctrl_c_right_after_speeds_were_read_clears_nothing(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    read = gateway.clearing.read_standstill

    def then_stopped(*arguments: object, **named: object) -> object:
        found = read(*arguments, **named)  # type: ignore[arg-type]
        signal.raise_signal(signal.SIGINT)
        return found

    monkeypatch.setattr(gateway.clearing, "read_standstill", then_stopped)
    assert 130 == cli("clear", "1", "--link", bench.links[0], *QUICK, "--quiet").code
    assert ((), []) == (cli.record().clears, clears_on_the_bus(bench))


def test_a_clear_that_could_not_be_sent_is_a_broken_link_and_no_evidence(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    from gateway.links.can.bus import CanBus

    cli.use_scanned_job()
    put = CanBus.put

    def broken(bus: CanBus, can_id: object, data: bytes) -> None:
        if data[1] == 0x14:
            raise LinkError("the adapter was unplugged")
        put(bus, can_id, data)  # type: ignore[arg-type]

    monkeypatch.setattr(CanBus, "put", broken)
    result = cli("clear", "1", "--link", bench.links[0], *QUICK, *BRAKE, "--quiet")
    assert 3 == result.code
    assert "Not cleared: the adapter was unplugged" in one_line(result.err)
    assert [] == clears_on_the_bus(bench)
    (clear,) = cli.record().clears
    assert Outcome.ANSWERED is not clear.outcome


def test_an_answer_that_says_nothing_whole_is_called_damaged() -> None:
    answer = ClearAnswer(unit="760/768", request=b"\x14\xff\xff\xff", outcome=Outcome.DAMAGED, refusal=None)
    assert "damaged" == answer.words


def test_what_the_guard_keeps_back_is_named_as_such() -> None:
    kept = Exchange(
        link="can:virtual:x",
        target="18DB33F1/18DAF133",
        request=b"\x14\xff\xff\xff",
        outcome=Outcome.UNSENT,
        trouble="guard: 18DB33F1 reaches every unit",
    )
    with pytest.raises(RefusedError, match="Not cleared: guard: 18DB33F1 reaches every unit"):
        require_sent([kept], not_done="Not cleared")


def test_a_car_with_electric_drive_is_cleared_only_when_parking_is_stated(cli: Cli, bench: RunningBench) -> None:
    """READY, it reads 0 rpm and 0 km/h and may drive away: the speeds alone do not tell."""
    path = cli.folder / "electric.toml"
    path.write_text(profile().text.replace("electric_drive = false", "electric_drive = true"))
    cli.done("job", "open", "--profile", str(path))
    cli.done("scan", "1", "--as", "before", "--link", bench.links[0], *QUICK)
    assert "do not tell whether it is READY" in refused(cli, bench, *BRAKE)
    cli.done("clear", "1", "--link", bench.links[0], *QUICK, *BRAKE, "--stated-parked")
    with Store.open(cli.store_file, create=False) as store:
        words = [entry.payload["standstill"] for entry in store.journal(1) if entry.kind is Kind.CLEAR]
    assert ["read: engine 0 rpm, road 0 km/h; stated, not read: drive off, not READY, parked"] == words


@pytest.mark.parametrize(
    ("back", "words"),
    [
        (None, "says cleared; the read-back failed"),
        ((), "says cleared"),
        (("C0035-13",), "says cleared; still lists C0035-13"),
    ],
)
def test_a_positive_answer_is_told_with_what_the_read_back_showed(back: tuple[str, ...] | None, words: str) -> None:
    answer = ClearAnswer(
        unit="760/768", request=b"\x14\xff\xff\xff", outcome=Outcome.ANSWERED, refusal=None, still_lists=back
    )
    assert words == answer.words


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        # After the clear its list comes damaged: a count of bytes that makes no whole code.
        ({"1902FF": ["5902FF4035132F", "5902FF4035"]}, "says cleared; the read-back failed"),
        ({"1902FF": ["5902FF4035132F", "5902FF"]}, "says cleared"),
    ],
)
def test_the_read_back_is_told_at_once(cli: Cli, channel: str, answers: dict[str, list[str]], words: str) -> None:
    with scripted(channel, codes="4035132F", clear="54", answers=answers):
        scanned_over(cli, channel)
        out = cli.done("clear", "1", *link(channel), "--stated-parked").out
    assert f"  Brakes  760/768  {words}" in out.splitlines()


@pytest.mark.parametrize(
    ("error", "cleared_first", "told"),
    [
        (LinkError("the way is broken", next_step="x"), False, True),
        (RefusedError("the engine runs", next_step="x"), False, False),
        (RefusedError("the engine runs", next_step="x"), True, True),
    ],
)
def test_the_key_stays_on_also_where_a_clear_comes_to_a_bad_end(
    cli: Cli,
    bench: RunningBench,
    monkeypatch: pytest.MonkeyPatch,
    error: MendproofError,
    *,
    cleared_first: bool,
    told: bool,
) -> None:
    """What was sent may still be at work in a unit; what was never sent is not."""

    def clear_unit(_visit: object, unit: str, *, stated_parked: bool) -> tuple[ClearAnswer, ...]:
        if cleared_first and unit == "750/758":
            return (ClearAnswer(unit=unit, request=b"\x14", outcome=Outcome.ANSWERED, refusal=None, still_lists=()),)
        raise error

    cli.use_scanned_job()
    monkeypatch.setattr("gateway.clearing.clear_unit", clear_unit)
    result = cli("clear", "1", "--link", bench.links[0], "--unit", "750/758", *BRAKE)
    assert result.code == error.exit_code
    assert told is (AFTER_CLEAR in " ".join(result.out.split()))


def test_a_unit_that_refused_the_clear_is_named_at_the_end(cli: Cli, channel: str) -> None:
    with scripted(channel, codes="4035132F", clear="7F1422"):
        scanned_over(cli, channel)
        out = cli.done("clear", "1", *link(channel), "--stated-parked").out
    assert "Not cleared: 760/768. See mendproof verdict 1 for what to do." in out.splitlines()


def test_a_car_that_says_nothing_at_all_is_told_as_such(cli: Cli, channel: str) -> None:
    path = cli.folder / "one.toml"
    path.write_text(PROFILE)
    cli.done("job", "open", "--profile", str(path))
    result = cli("scan", "1", "--as", "before", *link(channel), "--quiet")
    assert 3 == result.code
    assert "no unit answered at all -> check that the key is on" in one_line(result.err)
    line = cli("clear", "1", *link(channel), "--stated-parked").err
    assert "scan 1 read no unit before the work: check that the key is on, that the connector sits" in line

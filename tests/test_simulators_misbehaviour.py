"""Units that misbehave: every kind, at the desk."""

from __future__ import annotations

from dataclasses import replace

import pytest
from misbehaviour_help import BRAKE, CLEAR, CLIMATE, ENGINE, GEARS, LIST, ask, codes

import simulators.desk
from simulators.desk import Desk
from simulators.errors import BenchError
from simulators.frame_faults import FRAME_FAULTS
from simulators.misbehaviour import COMMON, KINDS
from simulators.response_times import ResponseTimes
from simulators.scenarios import SCENARIOS


@pytest.fixture
def desk() -> Desk:
    return Desk(SCENARIOS["warning-lamps"].new_car(1))


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Machine time in milliseconds, moved by hand."""
    now = [1_000_000]
    monkeypatch.setattr(simulators.desk, "_now_ms", lambda: now[0])
    return now


# The table.


def test_the_table_of_kinds_is_fit_to_be_printed() -> None:
    for name, kind in KINDS.items():
        assert name.replace("_", "").islower()
        assert kind.says[0].isupper()
        assert kind.says.endswith(".")
        assert "\n" not in kind.says
        for argument in (*kind.takes.values(), *COMMON.values()):
            assert argument.about
            assert argument.default is not None
    assert set(FRAME_FAULTS) < set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_switched_on_and_off_again(kind: str, desk: Desk) -> None:
    plain = ask(desk, ENGINE, "22F190") + ask(desk, ENGINE, LIST)
    desk.disturb(ENGINE, kind)
    ask(desk, ENGINE, LIST)
    assert {ENGINE: (kind,)} == desk.disturbances
    assert b"" not in [reply.data for reply in desk.ask(ENGINE, b"\x22\xf1\x90")]
    desk.settle(ENGINE, kind)
    assert {} == desk.disturbances
    assert plain == ask(desk, ENGINE, "22F190") + ask(desk, ENGINE, LIST)


@pytest.mark.parametrize(
    ("unit", "kind", "arguments", "line"),
    [
        ("7E7/7EF", "silent", {}, "no unit '7E7/7EF'; known: 7E0/7E8, 7E1/7E9"),
        (ENGINE, "sulking", {}, "unknown misbehaviour 'sulking'; known: clear_ignored, clear_unanswered"),
        (ENGINE, "silent", {"ms": 3}, r"'silent' takes \[service\], \[requests\], \[seconds\], not ms"),
        (ENGINE, "late", {"ms": -1}, "ms must be a whole number from 1 to 600000, not -1"),
        (ENGINE, "late", {"ms": "soon"}, "ms must be a whole number from 1 to 600000, not 'soon'"),
        (ENGINE, "refuses", {"code": "0xZZ"}, "code must be a whole number from 1 to 255, not '0xZZ'"),
        (ENGINE, "refuses", {"code": "0x100"}, "code must be a whole number from 1 to 255, not 256"),
        (ENGINE, "silent", {"requests": -1}, "requests must be a whole number from 0"),
    ],
)
def test_what_cannot_be_meant_is_one_clear_line(
    unit: str, kind: str, arguments: dict[str, int | str], line: str, desk: Desk
) -> None:
    with pytest.raises(BenchError, match=line):
        desk.disturb(unit, kind, **arguments)
    assert {} == desk.disturbances


def test_settling_what_is_not_there_is_one_clear_line_too(desk: Desk) -> None:
    with pytest.raises(BenchError, match="unknown misbehaviour 'sulking'"):
        desk.settle(ENGINE, "sulking")
    with pytest.raises(BenchError, match="no unit 'nobody'"):
        desk.settle("nobody")
    desk.settle(ENGINE, "silent")
    desk.settle(ENGINE)


def test_a_unit_is_named_by_its_address_or_its_name(desk: Desk) -> None:
    desk.disturb("Brake control", "silent")
    desk.disturb(BRAKE, "late")
    assert {BRAKE: ("silent", "late")} == desk.disturbances
    desk.settle("Brake control")
    assert {} == desk.disturbances


def test_it_ends_after_a_number_of_requests_that_it_is_about(desk: Desk) -> None:
    desk.disturb(BRAKE, "refuses", code=0x21, service="0x19", requests=2)
    heard = [ask(desk, BRAKE, request)[0][:6] for request in ("3E00", LIST, "3E00", LIST, LIST)]
    assert ["7E00", "7F1921", "7E00", "7F1921", "5902FF"[:6]] == heard
    assert {} == desk.disturbances


def test_it_ends_after_a_span_of_machine_time(desk: Desk, clock: list[int]) -> None:
    desk.disturb(BRAKE, "silent", seconds=5)
    desk.act("wait", seconds=3600)  # the world's time does not count
    assert [] == ask(desk, BRAKE, "3E00")
    clock[0] += 4999
    assert [] == ask(desk, BRAKE, "3E00")
    clock[0] += 1
    assert ["7E00"] == ask(desk, BRAKE, "3E00")
    assert {} == desk.disturbances


def test_other_units_take_no_notice_and_kinds_add_up(desk: Desk) -> None:
    desk.disturb(BRAKE, "late", ms=300)
    desk.disturb(BRAKE, "refuses", code=0x22)
    (reply,) = desk.ask(BRAKE, b"\x3e\x00")
    assert (b"\x7f\x3e\x22", 300_000) == (reply.data, reply.after_us)
    assert ["7E00"] == ask(desk, ENGINE, "3E00")


# What units say.


def test_a_silent_unit_does_nothing(desk: Desk) -> None:
    before = ask(desk, BRAKE, LIST)
    desk.disturb(BRAKE, "silent", service=0x14)
    assert ([], before) == (ask(desk, BRAKE, CLEAR), ask(desk, BRAKE, LIST))


@pytest.mark.parametrize("code", [0x10, 0x22, 0x33, 0x34, 0x78])
def test_refusals_of_any_code(code: int, desk: Desk) -> None:
    before = ask(desk, BRAKE, LIST)
    desk.disturb(BRAKE, "refuses", code=code, service=0x14)
    assert ([f"7F14{code:02X}"], before) == (ask(desk, BRAKE, CLEAR), ask(desk, BRAKE, LIST))


def test_a_refusal_that_is_kept_back_when_everyone_is_asked(desk: Desk) -> None:
    """11, 12, 31, 7E, 7F are not sent to a functional request. Source: ISO 14229-1."""
    desk.disturb(BRAKE, "refuses", code=0x11)
    assert ([], ["7F3E11"]) == (ask(desk, BRAKE, "3E00", functional=True), ask(desk, BRAKE, "3E00"))
    desk.disturb(BRAKE, "refuses", code=0x22)
    assert ["7F3E22"] == ask(desk, BRAKE, "3E00", functional=True)


def test_the_answer_of_another_service(desk: Desk) -> None:
    desk.disturb(BRAKE, "other_service")
    assert (["7E00"], ["62F18601"]) == (ask(desk, BRAKE, LIST), ask(desk, BRAKE, "3E00"))


def test_pending_that_has_no_end(desk: Desk) -> None:
    desk.disturb(BRAKE, "endless_pending", every_ms=400, lasting=2)
    replies = desk.ask(BRAKE, b"\x22\xf1\x90")
    assert {b"\x7f\x22\x78"} == {reply.data for reply in replies}
    assert [0, 400_000, 800_000, 1_200_000, 1_600_000] == [reply.after_us for reply in replies]


def test_a_unit_that_lists_confirmed_codes_only(desk: Desk) -> None:
    everything = codes(ask(desk, ENGINE, LIST))
    desk.disturb(ENGINE, "lists_confirmed_only")
    confirmed = {code: status for code, status in everything.items() if status & 0x08}
    assert 1 <= len(confirmed) < len(everything)
    assert confirmed == codes(ask(desk, ENGINE, LIST))
    assert {} == codes(ask(desk, ENGINE, "190200"))
    assert [f"5901FF01{len(confirmed):04X}"] == ask(desk, ENGINE, "1901FF")
    assert ["47010353"] == ask(desk, ENGINE, "07")
    assert 6 + 8 * len(everything) == len(ask(desk, ENGINE, "190A")[0])


def test_a_unit_that_echoes_status_00_for_any_code(desk: Desk) -> None:
    desk.disturb(BRAKE, "echoes_zero")
    assert ["590412345600"] == ask(desk, BRAKE, "1904123456FF")
    assert ["590612345600"] == ask(desk, BRAKE, "1906123456FF")
    assert ["590440351300"] == ask(desk, BRAKE, "1904403513FF")  # it has this one, with AF
    assert ["7F1913"] == ask(desk, BRAKE, "1904")
    assert {"403513": 0xAF} == {code: status for code, status in codes(ask(desk, BRAKE, LIST)).items() if status & 1}


def test_a_unit_without_service_19_has_nothing_to_echo() -> None:
    car = SCENARIOS["obd-on-uds"].new_car(1)
    unit = next(iter(car.units))
    car.units[unit].spec = replace(car.units[unit].spec, services=frozenset({0x22}))
    desk = Desk(car)
    desk.disturb(unit, "echoes_zero")
    assert ["7F1911"] == ask(desk, unit, "1904123456FF")


def test_a_list_of_permanent_codes_that_is_filled_with_00(desk: Desk) -> None:
    assert ["4A010353"] == ask(desk, ENGINE, "0A")
    desk.disturb(ENGINE, "permanent_zeros", entries=3)
    assert ["4A03035300000000"] == ask(desk, ENGINE, "0A")
    desk.disturb(GEARS, "permanent_zeros")
    assert ["7F0A11"] == ask(desk, GEARS, "0A")  # it keeps none


# What units remember.


def test_a_clear_that_is_accepted_and_not_carried_out(desk: Desk) -> None:
    before = ask(desk, BRAKE, LIST) + ask(desk, BRAKE, "1904403513FF") + ask(desk, BRAKE, "1906403513FF")
    desk.disturb(BRAKE, "clear_ignored", requests=1)
    assert ["54"] == ask(desk, BRAKE, CLEAR)
    assert before == ask(desk, BRAKE, LIST) + ask(desk, BRAKE, "1904403513FF") + ask(desk, BRAKE, "1906403513FF")
    assert ["54"] == ask(desk, BRAKE, CLEAR)
    assert 0 == codes(ask(desk, BRAKE, LIST)).get("403513", 0) & 0x2F


def test_a_clear_by_service_04_is_a_clear_too(desk: Desk) -> None:
    desk.disturb(ENGINE, "clear_ignored")
    assert (["44"], ["43010353"]) == (ask(desk, ENGINE, "04"), ask(desk, ENGINE, "03"))
    desk.settle(ENGINE)
    assert (["44"], ["4300"]) == (ask(desk, ENGINE, "04"), ask(desk, ENGINE, "03"))


def test_a_clear_that_is_carried_out_and_not_answered(desk: Desk) -> None:
    desk.disturb(ENGINE, "clear_unanswered")
    assert ([], ["4300"]) == (ask(desk, ENGINE, "04"), ask(desk, ENGINE, "03"))
    assert ["7F1431"] == ask(desk, ENGINE, "14123456")


def test_a_unit_that_keeps_its_codes_after_a_positive_clear(desk: Desk) -> None:
    """What stays: pending, confirmed, the snapshot and the counter. What goes: every test result, bits 0, 1, 5, 7."""
    record = ask(desk, BRAKE, "1904403513FF")[0][12:]
    desk.disturb(BRAKE, "keeps_after_clear")
    assert ["7F1431"] == ask(desk, BRAKE, "14123456")
    assert 0xAF == codes(ask(desk, BRAKE, LIST))["403513"]
    assert ["54"] == ask(desk, BRAKE, CLEAR)
    assert 0x0C | 0x50 == codes(ask(desk, BRAKE, LIST))["403513"]
    assert record == ask(desk, BRAKE, "1904403513FF")[0][12:]
    desk.settle(BRAKE)
    assert ["54"] == ask(desk, BRAKE, CLEAR)
    assert "403513" not in {code for code, status in codes(ask(desk, BRAKE, LIST)).items() if status & 0x0F}


def test_codes_that_are_back_in_the_next_cycle(desk: Desk) -> None:
    """The part is sound and its test does not run: only the memory brings the code back."""
    assert {"9D0515": 0x28} == codes(ask(desk, CLIMATE, LIST))
    desk.disturb(CLIMATE, "returns_next_cycle")
    assert ["7F1431"] == ask(desk, CLIMATE, "14123456")
    assert ["54"] == ask(desk, CLIMATE, CLEAR)
    assert "9D0515" not in codes(ask(desk, CLIMATE, LIST))
    desk.act("wait", seconds=60)
    assert "9D0515" not in codes(ask(desk, CLIMATE, LIST))
    desk.act("key_off")
    desk.act("key_on")
    assert 0x28 == codes(ask(desk, CLIMATE, LIST))["9D0515"] & 0x2F
    desk.settle(CLIMATE)
    assert ["54"] == ask(desk, CLIMATE, CLEAR)
    desk.act("key_off")
    desk.act("key_on")
    assert "9D0515" not in codes(ask(desk, CLIMATE, LIST))


def test_a_unit_that_writes_its_memory_late(desk: Desk, clock: list[int]) -> None:
    before = ask(desk, BRAKE, LIST)
    desk.disturb(BRAKE, "writes_late", ms=800)
    assert before == ask(desk, BRAKE, LIST)
    assert ["7F1431"] == ask(desk, BRAKE, "14123456")
    assert (["54"], before) == (ask(desk, BRAKE, CLEAR), ask(desk, BRAKE, LIST))
    clock[0] += 500
    assert (["54"], before) == (ask(desk, BRAKE, CLEAR), ask(desk, BRAKE, LIST))  # a second clear changes nothing
    clock[0] += 799
    assert before == ask(desk, BRAKE, LIST)
    clock[0] += 1
    assert not {code for code, status in codes(ask(desk, BRAKE, LIST)).items() if status & 0x0F}


def test_what_one_clear_began_is_ended_and_the_next_clear_is_a_plain_one(desk: Desk, clock: list[int]) -> None:
    desk.disturb(CLIMATE, "returns_next_cycle", requests=1)
    assert (["54"], ["54"]) == (ask(desk, CLIMATE, CLEAR), ask(desk, CLIMATE, CLEAR))
    assert {CLIMATE: ("returns_next_cycle",)} == desk.disturbances
    desk.act("key_off")
    desk.act("key_on")
    assert 0x28 == codes(ask(desk, CLIMATE, LIST))["9D0515"] & 0x2F
    assert {} == desk.disturbances
    before = ask(desk, BRAKE, LIST)
    desk.disturb(BRAKE, "writes_late", ms=800, requests=1)
    assert before == ask(desk, BRAKE, LIST)  # what is read does not count
    assert (["54"], before) == (ask(desk, BRAKE, CLEAR), ask(desk, BRAKE, LIST))
    clock[0] += 700
    assert (["54"], before) == (ask(desk, BRAKE, CLEAR), ask(desk, BRAKE, LIST))
    clock[0] += 100
    assert before != ask(desk, BRAKE, LIST)
    assert {} == desk.disturbances


def test_a_unit_that_misbehaves_may_also_be_slow() -> None:
    slow = ResponseTimes(slow_one_in=1, slow_least_us=90_000, slow_spread_us=1)
    desk = Desk(SCENARIOS["warning-lamps"].new_car(1), times=slow)
    desk.disturb(ENGINE, "lists_confirmed_only")
    pending, answer = desk.ask(ENGINE, bytes.fromhex("1901FF"))
    assert (b"\x7f\x19\x78", 35_000) == (pending.data, pending.after_us)
    assert (b"\x59\x01\xff\x01\x00\x01", 90_000) == (answer.data, answer.after_us)
    assert [b"\x7f\x3b\x11"] == [reply.data for reply in desk.ask(ENGINE, b"\x3b")][1:]


def test_a_donor_has_codes_and_a_vin_of_its_own_until_the_right_unit_is_back(desk: Desk) -> None:
    own = ask(desk, ENGINE, "22F190") + ask(desk, ENGINE, LIST) + ask(desk, ENGINE, "0902")
    desk.disturb(ENGINE, "donor")
    foreign = ask(desk, ENGINE, "22F190") + ask(desk, ENGINE, LIST) + ask(desk, ENGINE, "0902")
    assert all(mine != other for mine, other in zip(own, foreign, strict=True))
    vin = bytes.fromhex(foreign[0][6:])
    assert bytes.fromhex(foreign[2][6:]) == vin
    assert 17 == len(vin)
    listed = {code: status for code, status in codes([foreign[1]]).items() if status & 0x08}
    assert 1 == len(listed)
    desk.act("start_engine")
    desk.act("idle", seconds=60)  # the own unit lies on the shelf meanwhile
    desk.act("stop_engine")
    desk.settle(ENGINE)
    assert own == ask(desk, ENGINE, "22F190") + ask(desk, ENGINE, LIST) + ask(desk, ENGINE, "0902")


def test_a_donor_that_is_switched_on_twice_leaves_the_own_unit_on_the_shelf(desk: Desk) -> None:
    own = ask(desk, ENGINE, "22F190")
    desk.disturb(ENGINE, "donor", requests=1)
    desk.disturb(ENGINE, "donor", requests=1)
    assert (False, own) == (own == ask(desk, ENGINE, "22F190"), ask(desk, ENGINE, "22F190"))


def test_what_is_done_to_the_car_when_a_donor_is_over_befalls_the_own_unit(desk: Desk, clock: list[int]) -> None:
    desk.disturb(ENGINE, "donor", seconds=1)
    clock[0] += 2000
    desk.act("start_engine")
    desk.act("idle", seconds=60)
    moved = ask(desk, ENGINE, "22F190") + ask(desk, ENGINE, LIST)
    other = Desk(SCENARIOS["warning-lamps"].new_car(1))
    other.act("start_engine")
    other.act("idle", seconds=60)
    assert ask(other, ENGINE, "22F190") + ask(other, ENGINE, LIST) == moved
    assert {monitor: unit.fault for monitor, unit in other.units[ENGINE].monitors.items()} == {
        monitor: unit.fault for monitor, unit in desk.units[ENGINE].monitors.items()
    }

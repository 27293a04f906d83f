"""What a dongle is set to for a target, which of it is missing, and which commands may reach a dongle at all."""

from __future__ import annotations

import re

import pytest
from dongle_link_help import BRAKE, ENGINE, EVERYONE, EVERYONE_WIDE, GEARS, WIDE
from hypothesis import given
from hypothesis import strategies as st

from gateway.guard.dongle_commands import DONGLE_COMMANDS, admitted
from gateway.links.dongle.settings import RATES, Setting, Settings, settings_for, unsendable, waits

STEERING, DISTANT = "6F0:12/612:F0", "735/635"
TARGETS = (ENGINE, GEARS, EVERYONE, BRAKE, DISTANT, STEERING, WIDE, EVERYONE_WIDE)
HEADS = ("ATFCSH", "ATFCSD", "ATFCSM", "ATCEA", "ATTP", "ATSH", "ATCP", "ATCF", "ATCM")
RATE = RATES[0]


def set_for(settings: Settings, target: str) -> list[str]:
    """The commands that a target still needs, all of them taken."""
    missing = settings.missing(settings_for(target, RATE))
    for setting in missing:
        settings.begin(setting)
        settings.done(setting)
    return [setting.command for setting in missing]


# --- settings ---


@pytest.mark.parametrize(
    ("target", "commands"),
    [
        # ISO 15765-4: identifiers and who answers to everyone. The commands are common practice.
        (ENGINE, ["ATTP6", "ATSH7E0", "ATCF7E8", "ATCM7FF"]),
        (EVERYONE, ["ATTP6", "ATSH7DF", "ATCF7E8", "ATCM7F8"]),
        (WIDE, ["ATTP7", "ATCP18", "ATSHDA10F1", "ATCF18DAF110", "ATCM1FFFFFFF"]),
        (EVERYONE_WIDE, ["ATTP7", "ATCP18", "ATSHDB33F1", "ATCF18DAF100", "ATCM1FFFFF00"]),
        (BRAKE, ["ATTP6", "ATSH760", "ATCF768", "ATCM7FF"]),  # 8 apart
        (DISTANT, ["ATTP6", "ATSH735", "ATCF635", "ATCM7FF", "ATFCSH735", "ATFCSD300000", "ATFCSM1"]),
        (
            STEERING,
            ["ATTP6", "ATSH6F0", "ATCF612", "ATCM7FF", "ATCEA12", "ATFCSH6F0", "ATFCSD300000", "ATFCSM1"],
        ),
    ],
)
def test_a_restarted_dongle_is_set_for_a_target(target: str, commands: list[str]) -> None:
    assert commands == set_for(Settings(), target)


def test_only_what_changes_is_set() -> None:
    settings = Settings()
    set_for(settings, ENGINE)
    assert [] == set_for(settings, ENGINE)
    assert ["ATSH7E1", "ATCF7E9"] == set_for(settings, GEARS)
    assert ["ATSH7DF", "ATCF7E8", "ATCM7F8"] == set_for(settings, EVERYONE)
    assert ["ATSH735", "ATCF635", "ATCM7FF", "ATFCSH735", "ATFCSD300000", "ATFCSM1"] == set_for(settings, DISTANT)
    assert ["ATSH7E0", "ATCF7E8", "ATFCSM0"] == set_for(settings, ENGINE)
    assert ["ATSH6F0", "ATCF612", "ATCEA12", "ATFCSH6F0", "ATFCSM1"] == set_for(settings, STEERING)
    assert ["ATSH7E0", "ATCF7E8", "ATCEA", "ATFCSM0"] == set_for(settings, ENGINE)


def test_another_protocol_makes_header_and_filter_unknown() -> None:
    settings = Settings()
    for target in (ENGINE, WIDE):
        set_for(settings, target)
    assert ["ATTP6", "ATSH7E0", "ATCF7E8", "ATCM7FF"] == set_for(settings, ENGINE)


def test_what_was_refused_is_set_again_before_the_next_request() -> None:
    settings = Settings()
    set_for(settings, ENGINE)
    settings.begin(Setting("header", "ATSH7E1"))  # not done: the dongle wrote something else than OK
    assert ["ATSH7E0"] == set_for(settings, ENGINE)


def test_after_a_restart_everything_is_set_again_but_what_a_restart_sets() -> None:
    settings = Settings()
    set_for(settings, STEERING)
    settings.forget()
    assert [
        "ATTP6",
        "ATSH6F0",
        "ATCF612",
        "ATCM7FF",
        "ATCEA12",
        "ATFCSH6F0",
        "ATFCSD300000",
        "ATFCSM1",
    ] == set_for(settings, STEERING)


@given(
    st.lists(st.sampled_from([ENGINE, GEARS, EVERYONE, BRAKE, DISTANT, STEERING, WIDE, EVERYONE_WIDE, ""]), max_size=12)
)
def test_whatever_was_asked_before_a_target_ends_up_set_the_same(targets: list[str]) -> None:
    settings, at = Settings(), {"ATCEA": "", "ATFCSM": "0"}
    for target in targets:
        if not target:
            settings.forget()
            continue
        for command in set_for(settings, target):
            name = next(head for head in HEADS if command.startswith(head))
            at[name] = command.removeprefix(name)
        fresh = {s.command for s in settings_for(target, RATE)}
        assert fresh <= {name + value for name, value in at.items()}


@pytest.mark.parametrize(("ms", "command"), [(110, "ATST1C"), (1, "ATST01"), (0, "ATST01"), (5000, "ATSTFF")])
def test_the_wait_is_set_in_steps_of_4_ms(ms: int, command: str) -> None:
    assert ["ATAT0", command] == [setting.command for setting in waits(ms)]


@pytest.mark.parametrize(
    ("target", "data", "reason"),
    [
        (ENGINE, "22F190F187F188F1", "at most 7 bytes"),
        (STEERING, "22F190F187F188", "at most 6 bytes with an address byte"),
        (EVERYONE, "0100000000000000", "at most 7 bytes"),
        (ENGINE, "", "empty"),
        ("7E0/18DAF110", "03", "one width"),
        ("6F0:12/612", "03", "both ways or not at all"),
        ("functional:doip:E400", "03", "functional:7DF"),
        ("functional:123", "03", "functional:7DF"),
        ("doip:1010", "03", "not a unit address"),
        ("7E0", "03", "not a unit address"),
    ],
)
def test_what_a_dongle_cannot_send_is_said(target: str, data: str, reason: str) -> None:
    assert reason in (unsendable(target, bytes.fromhex(data)) or "")


@pytest.mark.parametrize(("target", "data"), [(ENGINE, "010C0D05041F42"), (STEERING, "22F190F1870A"), (EVERYONE, "03")])
def test_what_it_can_send_is_not_refused(target: str, data: str) -> None:
    assert unsendable(target, bytes.fromhex(data)) is None


# --- the list ---


@pytest.mark.parametrize(
    "command",
    ["\x7f\x7f", "ATZ", "ATE0", "ATH1", "ATL0", "AT RV", "ATDPN", "ATTP6", "ATTPA6", "AT SH 7E1 ", "ATCEA", "ATCEA12"],
)
def test_listed_commands_pass_as_they_are(command: str) -> None:
    assert command.encode() + b"\r" == admitted(command.encode() + b"\r", None)


@pytest.mark.parametrize(("storing", "instead"), [("ATSP0", "ATTP0"), ("AT SP 6", "ATTP6"), ("ATSPA6", "ATTPA6")])
def test_a_protocol_is_chosen_without_storing_it(storing: str, instead: str) -> None:
    assert instead.encode() + b"\r" == admitted(storing.encode() + b"\r", None)


@pytest.mark.parametrize(
    "written",
    [
        b"\r",  # it would repeat the last request
        b"",
        b"ATZ",
        b"ATZ\rATZ\r",
        b"ATPP0CSV23\r",  # writes the dongle's memory, by common practice
        b"ATPP0CON\r",
        b"AT@3ABCDEFGHIJKL\r",
        b"ATSD12\r",
        b"ATBRD23\r",
        b"ATM1\r",
        b"ATLP\r",
        b"ATMA\r",
        b"ATSS\r",
        b"ATFCSD320000\r",
        b"STSBR9600\r",
        b"0100\r",
        b"04\r",
        b"14FFFFFF\r",
        b"010C\r\r",
    ],
)
def test_everything_else_is_kept_from_the_dongle(written: bytes) -> None:
    assert admitted(written, "010C") is None


def test_a_request_passes_exactly_as_it_was_allowed() -> None:
    assert b"010C1\r" == admitted(b"010C1\r", "010C1")
    for written in (b"010C\r", b"010C11\r", b"010c1\r", b"01 0C1\r", b"010C1", b"\r"):
        assert admitted(written, "010C1") is None
    assert admitted(b"\r", "") is None


@given(
    st.sampled_from([ENGINE, GEARS, EVERYONE, BRAKE, DISTANT, STEERING, WIDE, EVERYONE_WIDE]), st.sampled_from(RATES)
)
def test_every_command_of_the_link_is_on_the_list(target: str, rate: dict[bool, str]) -> None:
    for setting in (*waits(110), *settings_for(target, rate)):
        assert admitted(setting.command.encode() + b"\r", None) is not None, setting


@given(st.text(alphabet="ATSPMCFHDZ0123456789@V \r\n", max_size=14))
def test_nothing_that_writes_memory_passes_however_it_is_written(text: str) -> None:
    may = admitted(text.encode() + b"\r", None)
    if may is not None:
        # Common practice: PP sets power-up values, SP and SD store, @ stores a text, M1 stores protocols.
        assert not re.match(r"AT(PP|SP|SD|SS|@|M1)", may.decode().replace(" ", "")), may
        assert may.count(b"\r") == 1


def test_the_list_says_what_each_command_does() -> None:
    assert all(command.does for command in DONGLE_COMMANDS)
    assert len({command.form for command in DONGLE_COMMANDS}) == len(DONGLE_COMMANDS)

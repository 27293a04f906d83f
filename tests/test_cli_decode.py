"""The command that explains messages: its table, its JSON object, its input, and what a profile adds."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from cli_help import Cli

PROFILE = """
[profile]
name = "Halvorne Meridel"

[[unit]]
address = "760/768"
name = "Brake control"
extended_sizes = { "01" = 1 }

[[code]]
unit = "760/768"
code = "C0035-13"
text = "Left front wheel speed sensor, open circuit"

[[identifier]]
number = "1105"
name = "Odometer"
length = 3
unit = "km"

[[identifier]]
number = "1106"
name = "Pedal"
length = 2
signed = true
scale_num = 1
scale_den = 10
unit = "mm"
units = ["760/768"]

[[identifier]]
number = "1107"
name = "Label"
length = 9

[[identifier]]
number = "1108"
name = "Variant"
length = 2

[[identifier]]
number = "1109"
name = "Mode"
length = 1

[[layout]]
name = "Mode by bits"
identifier = "1109"
length = 1

[[layout.field]]
name = "Stage"
byte = 0
bytes = 1
"""


@pytest.fixture
def profile(tmp_path: Path) -> str:
    path = tmp_path / "meridel.toml"
    path.write_text(PROFILE, encoding="utf-8")
    return str(path)


def give(monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
    """Put bytes on standard input."""
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))


def meanings(cli: Cli, *arguments: str) -> list[str]:
    [message] = cli.done("decode", "--json", *arguments).form["messages"]
    return [f"{part['bytes']} {part['field']}: {part['meaning']}" for part in message["parts"]]


def test_the_table_shows_where_each_part_stands_and_what_it_says(cli: Cli) -> None:
    # Recorded from a vehicle: an answer with mask 8F and a bit outside it; a fill byte added.
    out = cli.done("decode", "59 02 8F C0 64 88 28 AA").out
    assert (
        """\
answer: read codes, codes by status
ISO 14229-1, ReadDTCInformation (19), reportDTCByStatusMask (02)

byte  bytes     field                    meaning
0     59        service                  answer to 19: read codes
1     02        sub-function             codes by status
2     8F        status mask of the unit  the unit supports: test failed, failed this cycle, pending,
                                         confirmed, warning lamp requested; not supported, so they
                                         say nothing: not tested since clear, failed since clear,
                                         not tested this cycle
3     C0 64 88  code                     U0064-88: generic meaning: vehicle bus E: failure (failure
                                         type: bus off)
6     28        status                   confirmed; sent but not supported: failed since clear
7     AA        padding                  fill bytes, no data
"""
        == out
    )


def test_long_bytes_are_folded_as_well(cli: Cli) -> None:
    # ISO 15031-5, worked example (from memory).
    out = cli.done("decode", "490201", b"1G1JC5444R7252367".hex()).out
    assert (
        """\
2     01           count     1 item
3     31 47 31 4A  VIN       1G1JC5444R7252367 (North America): check digit right
      43 35 34 34
      34 52 37 32
      35 32 33 36
      37
"""
        in out
    )


def test_a_damaged_message_is_explained_and_says_so(cli: Cli) -> None:
    out = cli.done("decode", "5902FF0420").out
    assert "3     04 20  code                     not read, the message is damaged: 2 bytes too many" in out
    assert out.endswith("\n\nDamaged: code at byte 3: 2 bytes too many or too few: 04 20\n")


def test_a_service_that_no_standard_has_is_said_to_be_unknown(cli: Cli) -> None:
    out = cli.done("decode", "A501").out
    assert out.startswith("request: unknown service A5\nNo standard known here has this service.\n")


def test_the_object_has_every_part(cli: Cli) -> None:
    expected = {
        "messages": [
            {
                "bytes": "7F31",
                "direction": "answer",
                "service": "routine control",
                "title": "answer: routine control, refused",
                "standard": "ISO 14229-1, negative response; ISO 14229-1, RoutineControl (31)",
                "parts": [
                    {"offset": 0, "bytes": "7F", "field": "service", "meaning": "negative response"},
                    {"offset": 1, "bytes": "31", "field": "service refused", "meaning": "routine control"},
                ],
                "problem": "negative response code at byte 2: 1 byte is needed, 0 are left",
            }
        ]
    }
    assert expected == cli.done("decode", "7F31", "--json").form


@pytest.mark.parametrize(
    "arguments",
    [("410C1AF8",), ("41", "0C", "1A", "F8"), ("41 0c 1a f8",), ("0x41", "0X0C", "0x1AF8"), ("410C", "1a F8")],
    ids=" ".join,
)
def test_bytes_may_be_written_joined_or_apart(cli: Cli, arguments: tuple[str, ...]) -> None:
    assert ["41", "0C", "1AF8"] == [line.split()[0] for line in meanings(cli, *arguments)]


def test_each_line_of_standard_input_is_a_message(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    give(monkeypatch, b"\xef\xbb\xbf41 0C 1A F8\r\n\n7F1978\n")
    messages = cli.done("decode", "-", "--json").form["messages"]
    assert ["410C1AF8", "7F1978"] == [message["bytes"] for message in messages]


def test_messages_of_standard_input_are_set_apart(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    give(monkeypatch, b"54\n44\n")
    assert (
        """\
answer: clear codes
ISO 14229-1, ClearDiagnosticInformation (14)

byte  bytes  field    meaning
0     54     service  answer to 14: clear codes

answer: OBD clear
SAE J1979 / ISO 15031-5, service 04

byte  bytes  field    meaning
0     44     service  answer to 04: OBD clear
"""
        == cli.done("decode", "-").out
    )


HOW = "write two digits for each byte, e.g. mendproof decode 59 02 FF 04 20 00 2F"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("5Z",), f"'5Z' is not in hex -> {HOW}"),
        (("59", "-"), f"'-' is not in hex -> {HOW}"),
        (("590",), f"'590' has half a byte -> {HOW}"),
        (("59", "2"), f"'2' has half a byte -> {HOW}"),
        (("0x",), f"'0x' has half a byte -> {HOW}"),
        (("",), f"There is no byte to explain -> {HOW}"),
        ((), "Missing argument 'HEX...'. -> see mendproof decode --help"),
        (("54", "--unit", "760/768"), "--unit needs --profile -> name the profile that describes this unit"),
    ],
)
def test_what_is_no_message_is_named(cli: Cli, arguments: tuple[str, ...], says: str) -> None:
    assert f"mendproof: {says}" == cli.fails(2, "decode", *arguments)


def test_a_line_that_is_no_message_is_named_and_nothing_is_printed(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    give(monkeypatch, b"54\nhello\n")
    assert f"mendproof: line 2: 'hello' is not in hex -> {HOW}" == cli.fails(2, "decode", "-")


@pytest.mark.parametrize("data", [b"", b"\n \n"])
def test_empty_standard_input_is_named(cli: Cli, monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
    give(monkeypatch, data)
    expected = "Standard input holds no message -> give one message in each line, in hex"
    assert f"mendproof: {expected}" == cli.fails(2, "decode", "-")


def test_bytes_that_are_no_text_are_named(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    give(monkeypatch, b"\xff\xfe\n")
    assert "is not in hex" in cli.fails(2, "decode", "-")


def test_a_profile_lays_out_what_holds_for_all_units(cli: Cli, profile: str) -> None:
    assert [
        "62 service: answer to 22: read data by identifier",
        "1105 identifier: 1105, Odometer",
        "003824 Odometer: 14372 km",
        "1107 identifier: 1107, Label",
        '414243444546474849 data: text "ABCDEFGHI"',
        "1106 identifier: 1106, no standard identifier: a profile can name it; its length is not known here, what"
        " follows may be more than its data",
        "FFF6 data: layout not known here: a profile can give it",
    ] == meanings(cli, "621105003824", "1107414243444546474849", "1106FFF6", "--profile", profile)


def test_an_identifier_of_which_nothing_is_said_may_be_text(cli: Cli, profile: str) -> None:
    # ASCII: 41 42 is AB, 01 02 is no text
    assert ['4142 data: text "AB"; as a number 16706'] == meanings(cli, "6211084142", "--profile", profile)[2:]
    assert ["0102 Variant: 258"] == meanings(cli, "6211080102", "--profile", profile)[2:]


def test_a_layout_says_that_an_identifier_is_a_number(cli: Cli, profile: str) -> None:
    assert ["41 Stage: 65"] == meanings(cli, "62110941", "--profile", profile)[2:]


def test_a_unit_of_a_profile_adds_what_is_its_own(cli: Cli, profile: str) -> None:
    of_unit = ("--profile", profile, "--unit", "760/768")
    assert ["FFF6 Pedal: -1 mm = -10 / 10"] == meanings(cli, "621106FFF6", *of_unit)[2:]
    assert "403513 code: C0035-13: Left front wheel speed sensor, open circuit" in meanings(
        cli, "5902FF4035132F", *of_unit
    )
    assert ["01 record number: record 01", "05 data of record 01: layout not known here: a profile can give it"] == (
        meanings(cli, "59064035132F0105", *of_unit)[4:]
    )


def test_a_unit_that_the_profile_does_not_have_is_named(cli: Cli, profile: str) -> None:
    line = cli.fails(2, "decode", "54", "--profile", profile, "--unit", "7e0/7e8")
    assert "mendproof: The profile has no unit 7E0/7E8 -> choose one of: 760/768" == line


def test_a_profile_that_is_not_there_is_named(cli: Cli) -> None:
    assert "There is no profile never.toml" in cli.fails(2, "decode", "54", "--profile", "never.toml")


def test_on_a_terminal_the_table_is_as_wide_as_it_is(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "80")
    lines = cli.done("decode", "59027F0A9B1724").out.splitlines()
    assert max(len(line) for line in lines) in range(70, 81)

"""The profile loader: files that are TOML and say what cannot be meant."""

from __future__ import annotations

import pytest
from profile_help import FULL, changed, message_for

# --- files that say what cannot be meant ----------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('maker = "Meridel"', 'makr = "Meridel"', "line 4, profile.makr: unknown key; did you mean 'maker'?"),
        ("fitted = true", "fited = true", "line 15, unit.fited: unknown key; did you mean 'fitted'?"),
        ("fitted = false", "fited = false", "line 23, unit.fited: unknown key; did you mean 'fitted'?"),
        (
            "hold_s = 20",
            "zzz = 1",
            "line 32, code.zzz: unknown key; known are unit, code, text, continuous, about, hold_s",
        ),
        ("[[code]]", "[[cod]]", "line 26, cod: unknown key; did you mean 'code'?"),
        ("# An invented car.", "unts = 1", "line 1, unts: unknown key; did you mean 'unit'?"),
    ],
)
def test_an_unknown_key_is_named_with_the_nearest_known_one(old: str, new: str, expected: str) -> None:
    assert f"meridel.toml, {expected}" == message_for(changed(old, new))


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('name = "Meridel Sant"', "line 2, profile.name: is missing"),
        ('address = "7e0/7e8"', "line 11, unit.address: is missing"),
        ('name = "Brakes"', "line 19, unit.name: is missing"),
        ('code = "u0100-00"', "line 26, code.code: is missing"),
        ('text = "Engine silent"', "line 26, code.text: is missing"),
        ('number = "1105"', "line 34, identifier.number: is missing"),
        ("length = 2", "line 34, identifier.length: is missing"),
    ],
)
def test_a_missing_key_names_the_table_that_lacks_it(line: str, expected: str) -> None:
    assert f"meridel.toml, {expected}" == message_for(changed(line, ""))


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('name = "Meridel Sant"', "name = 5", "line 3, profile.name: must be text in quotes, not 5"),
        ('name = "Meridel Sant"', 'name = " "', "line 3, profile.name: must not be empty"),
        (
            'name = "Meridel Sant"',
            'name = "a\\u001b[31mred"',
            "line 3, profile.name: must not hold control characters",
        ),
        (
            'name = "Meridel Sant"',
            'name = "car\\rmoped"',
            "line 3, profile.name: must not hold control characters",
        ),
        (
            'text = "Engine silent"',
            'text = "Engine \\u202Etnelis"',
            "line 29, code.text: must not hold control characters",
        ),
        (
            'maker = "Meridel"',
            '"\\u001b[2Jmaker" = "a"',
            "line 2, profile. [2Jmaker: unknown key; did you mean 'maker'?",
        ),
        (
            '"powertrain"',
            f'"{"a" * 5000}"',
            f"line 14, unit.system: '{'a' * 59}... is not one of powertrain, chassis, body, network",
        ),
        (
            "occurrence_record = 1\n",
            "occurrence_record = -1\n",
            "line 16, unit.occurrence_record: must be hex text in ",
        ),
        (
            "occurrence_record = 1\n",
            f"occurrence_record = 0x{'F' * 5000}\n",
            "line 16, unit.occurrence_record: a number of 20000 bits may be hex or decimal",
        ),
        (
            "occurrence_record = 1\n",
            f"occurrence_record = -{'9' * 4000}\n",
            'line 16, unit.occurrence_record: must be hex text in quotes from "01" to "EF", not a number of 13288 bits',
        ),
        (
            "length = 2",
            "length = 9",
            "line 37, identifier.length: a number has at most 8 bytes; a longer one has name and length alone",
        ),
        (
            'name = "Meridel Sant"',
            f"name = 0x{'F' * 5000}",
            "line 3, profile.name: must be text in quotes, not a number of 20000 bits",
        ),
        (
            "hold_s = 20",
            f"hold_s = 0x{'F' * 5000}",
            "line 32, code.hold_s: must be from 1 to 86400, not a number of 20000 bits",
        ),
        (
            "electric_drive = true",
            'electric_drive = "yes"',
            "line 6, profile.electric_drive: must be true or false, not 'yes'",
        ),
        (
            "near_engine_rpm = 375",
            "near_engine_rpm = 37.5",
            "line 8, profile.settings: near_engine_rpm must be a whole number, not 37.5",
        ),
        (
            "near_engine_rpm = 375",
            "near_rpm = 375",
            "line 8, profile.settings: near_rpm: unknown key; did you mean 'near_engine_rpm'?",
        ),
        (
            '"7e0/7e8"\n',
            '"7e0"\n',
            "line 12, unit.address: '7e0' is not a unit address",
        ),
        (
            '"7e0/7e8"\n',
            '"7e0/7e"\n',
            "line 12, unit.address: '7e' is not a CAN identifier",
        ),
        (
            '"powertrain"',
            '"powertran"',
            "line 14, unit.system: 'powertran' is not one of powertrain, chassis, body, network;"
            " did you mean 'powertrain'?",
        ),
        ("fitted = true", "fitted = 1", "line 15, unit.fitted: must be true or false, not 1"),
        (
            "occurrence_record = 1\n",
            "occurrence_record = 10\n",
            'line 16, unit.occurrence_record: 10 may be hex or decimal: write it as hex text, e.g. "10"',
        ),
        (
            "occurrence_record = 1\n",
            "occurrence_record = 0\n",
            'line 16, unit.occurrence_record: must be hex text in quotes from "01" to "EF", not \'0\'',
        ),
        (
            "occurrence_record = 1\n",
            "occurrence_record = true\n",
            'line 16, unit.occurrence_record: must be hex text in quotes from "01" to "EF", not true',
        ),
        (
            '{ "02" = 4, "01" = 1 }',
            '{ "FF" = 4 }',
            'line 17, unit.extended_sizes: must be hex text in quotes from "01" to "EF", not \'FF\'',
        ),
        (
            '{ "02" = 4, "01" = 1 }',
            '{ "1" = 4, "01" = 1 }',
            "line 17, unit.extended_sizes: record 01 is there twice",
        ),
        (
            '{ "02" = 4, "01" = 1 }',
            '{ "02" = 0 }',
            "line 17, unit.extended_sizes: must be from 1 to 4095, not 0",
        ),
        (
            '{ "02" = 4, "01" = 1 }',
            "[4]",
            'line 17, unit.extended_sizes: must be like { "01" = 1 }, not a list',
        ),
        ('"u0100-00"', '"X0100"', "line 28, code.code: 'X0100' is not a trouble code"),
        ("hold_s = 20", "hold_s = true", "line 32, code.hold_s: must be a whole number, not true"),
        ("hold_s = 20", "hold_s = 0", "line 32, code.hold_s: must be from 1 to 86400, not 0"),
        (
            '"1105"',
            "1105",
            'line 35, identifier.number: must be hex text in quotes from "0000" to "FFFF", not 1105',
        ),
        (
            '"1105"',
            '"0x1105"',
            'line 35, identifier.number: must be hex text in quotes from "0000" to "FFFF", not \'0x1105\'',
        ),
        ("length = 2", "length = 0", "line 37, identifier.length: must be from 1 to 255, not 0"),
        ("signed = true", "signed = false\n[x]", "line 39, x: unknown key; known are"),
        ("scale_den = 1000", "scale_den = 0", "line 40, identifier.scale_den: must not be 0"),
        (
            "offset = -40",
            f"offset = {2**53}",
            f"line 41, identifier.offset: must be from {1 - 2**53} to {2**53 - 1}, not {2**53}",
        ),
        ('unit = "V"', "unit = {}", "line 42, identifier.unit: must be text in quotes, not a table"),
        (
            '"supply_v"',
            '"volts"',
            "line 43, identifier.quantity: 'volts' is not one of engine_rpm, ",
        ),
        (
            'units = [\n    "7E0/7E8",\n]',
            'units = "7E0/7E8"',
            "line 44, identifier.units: must be a list of unit addresses, not '7E0/7E8'",
        ),
    ],
)
def test_a_value_that_cannot_be_meant_names_file_line_and_key(old: str, new: str, expected: str) -> None:
    message = message_for(changed(old, new))
    assert f"meridel.toml, {expected}" == message[: len(expected) + len("meridel.toml, ")]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "line 1, profile: is missing"),
        ("profile = 5", "line 1, profile: must be a table: [profile]"),
        (
            '[profile]\nname = "a"\nsettings = 5',
            "line 3, profile.settings: must be a table: [profile.settings]",
        ),
        (
            '[profile]\nname = "a"\n[unit]\nname = "b"',
            "line 3, unit: must be written with two brackets: [[unit]]",
        ),
        ('code = [1]\n[profile]\nname = "a"', "line 1, code: must be written with two brackets: [[code]]"),
        ('unit = [{ name = "b" }]\n[profile]\nname = "a"', "line 1, unit.address: is missing"),
    ],
)
def test_a_table_of_the_wrong_form_is_named(text: str, expected: str) -> None:
    assert f"meridel.toml, {expected}" == message_for(text)


# --- tables that contradict each other ------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            '"18DA28F1/18DAF128"',
            '"7E0/7E8"',
            "line 20, unit.address: 'Engine' is already the unit asked at 7E0",
        ),
        (
            '"18DA28F1/18DAF128"',
            '"7e1/7e8"',
            "line 20, unit.address: 'Engine' is already the unit answering as 7E8",
        ),
        (
            '"18da28f1/18daf128"',
            '"7E1/7E9"',
            "line 27, code.unit: no [[unit]] has the address 7E1/7E9",
        ),
        (
            'about = "7E0/7E8"',
            'about = "7E1/7E9"',
            "line 31, code.about: no [[unit]] has the address 7E1/7E9",
        ),
        ('    "7E0/7E8",', '"7e1/7e9"', "line 44, identifier.units: no [[unit]] has the address 7E1/7E9"),
    ],
)
def test_a_unit_that_is_there_twice_or_not_at_all_is_named(old: str, new: str, expected: str) -> None:
    assert f"meridel.toml, {expected}" == message_for(changed(old, new))


def test_a_code_that_is_there_twice_for_a_unit_is_named() -> None:
    again = '[[code]]\nunit = "18DA28F1/18DAF128"\ntext = "again"\ncode = "U0100-00"\n'
    expected = "meridel.toml, line 50, code.code: U0100-00 is there twice for 18DA28F1/18DAF128"
    assert expected == message_for(FULL + again)


@pytest.mark.parametrize(("units", "who"), [('units = ["7E0/7E8"]', "7E0/7E8"), ("", "all units")])
def test_an_identifier_that_is_there_twice_is_named(units: str, who: str) -> None:
    again = f'[[identifier]]\nname = "again"\nlength = 1\nnumber = "1105"\n{units}\n'
    expected = f"1105 is there twice for {who}"
    assert message_for(FULL + again + again).endswith(expected)


@pytest.mark.parametrize("name", ["../car.dbc", "folder/car.dbc", "/car.dbc", "..", "folder\\\\car.dbc"])
def test_broadcast_messages_come_from_a_file_beside_the_profile(name: str) -> None:
    text = changed('maker = "Meridel"', f'broadcast = "{name}"')
    expected = "line 4, profile.broadcast: must be the name of a file in the profile's own folder, without a path"
    assert f"meridel.toml, {expected}" == message_for(text)


def test_a_file_name_that_no_system_has_is_refused() -> None:
    text = changed('maker = "Meridel"', 'broadcast = "a\\u0000b"')
    assert "meridel.toml, line 4, profile.broadcast: must not hold control characters" == message_for(text)

"""The profile loader: what a file means, files that cannot be read, and where things stand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from profile_help import EXPECTED, FULL, changed, message_for

from decoders.errors import UsageError
from gateway.profiles import LoadedProfile, load_profile, parse_profile
from sessions.journal import canonical
from sessions.profile import Profile, ProfileCode, ProfileIdentifier, ProfileUnit

# --- what a file means ----------------------------------------------------------------------------


def test_every_key_is_read_and_normalised() -> None:
    expected = EXPECTED
    assert expected == parse_profile(FULL, name="meridel.toml")


def test_what_is_left_out_has_the_defaults_of_the_profile() -> None:
    text = """
[profile]
name = "Small"
[[unit]]
address = "7E0/7E8"
name = "Engine"
system = "powertrain"
[[code]]
unit = "7E0/7E8"
code = "P0420"
text = "Catalyst"
[[identifier]]
number = "F40C"
name = "engine speed"
length = 2
"""
    expected = Profile(
        name="Small",
        units=(ProfileUnit(address="7E0/7E8", name="Engine", system="powertrain"),),
        codes=(ProfileCode(unit="7E0/7E8", code="P0420", text="Catalyst"),),
        identifiers=(ProfileIdentifier(number=0xF40C, name="engine speed", length=2),),
    )
    assert expected == parse_profile(text, name="small.toml")


def test_a_unit_may_be_of_an_unknown_system() -> None:
    # Nothing is guessed: what such a unit's faults need stays open, and the verdict says so.
    system = [unit.system for unit in parse_profile(changed('system = "powertrain"', ""), name="meridel.toml").units]
    assert [None, "chassis"] == system


def test_a_profile_read_from_a_file_goes_through_a_journal_unchanged() -> None:
    profile = parse_profile(FULL, name="meridel.toml")
    assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))


@pytest.mark.parametrize("head", ["", "\ufeff"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_file_is_kept_with_its_text(tmp_path: Path, head: str, newline: str) -> None:
    text = FULL.replace("\n", newline)
    path = tmp_path / "meridel.toml"
    path.write_bytes((head + text).encode())
    expected = LoadedProfile(profile=EXPECTED, text=text)
    assert expected == load_profile(path)


def test_the_same_identifier_may_differ_between_units() -> None:
    second = '\n[[identifier]]\nnumber = "1105"\nname = "other"\nlength = 1\nunits = ["18DA28F1/18DAF128"]\n'
    shared = '\n[[identifier]]\nnumber = "1105"\nname = "any"\nlength = 1\n'
    profile = parse_profile(FULL + second + shared, name="meridel.toml")
    names = [item.name for item in profile.identifiers]
    assert names == ["battery", "other", "any"]


# --- files that cannot be read --------------------------------------------------------------------


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    with pytest.raises(UsageError) as caught:
        load_profile(path)
    assert f"There is no profile {path}" == caught.value.message
    assert caught.value.next_step


def test_a_folder_is_not_a_profile(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read: Is a directory"):
        load_profile(tmp_path)


def test_a_file_in_another_encoding_names_the_line(tmp_path: Path) -> None:
    path = tmp_path / "old.toml"
    path.write_bytes('[profile]\nname = "Z\u00fcnd"\n'.encode("latin-1"))
    with pytest.raises(UsageError, match=r"^old\.toml, line 2: is not UTF-8 text$"):
        load_profile(path)


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("[profile]\nname 5\n", "meridel.toml, line 2: "),
        ("[profile]\n\nname = [1,\n\n\n", "meridel.toml, line 3: "),
        ("[profile]\nname = 1\nname = 2\n", "meridel.toml, line 3: "),
        (f"[profile]\nname = {'9' * 5000}\n", "meridel.toml: a number has thousands of digits"),
        (f"name = {'[' * 20000}", "meridel.toml: lists are nested too deeply"),
    ],
)
def test_what_is_no_toml_names_its_line(text: str, start: str) -> None:
    # TOML 1.0: key/value pairs need '=', arrays an end, keys may not repeat.
    message = message_for(text)
    assert message.startswith(start)
    assert "column" not in message


# --- lines ----------------------------------------------------------------------------------------


def test_other_spellings_of_the_same_toml_have_their_lines_too() -> None:
    # TOML 1.0: spaces in headers, quoted and dotted keys, sub-tables, texts over several lines.
    text = '''\
[ "profile" ]
name = """
[[unit]]
name = 5
"""
settings.near_engine_rpm = -1
'''
    expected = "meridel.toml, line 6, profile.settings: near_engine_rpm must be from 0 to 9007199254740991, not -1"
    assert expected == message_for(text)


def test_a_text_may_have_several_lines_and_tabs() -> None:
    text = changed('text = "Engine silent"', 'text = """\n\tEngine\nsilent"""')
    assert "\tEngine\nsilent" == parse_profile(text, name="meridel.toml").codes[0].text


def test_an_identifier_of_which_nothing_is_said_may_be_as_long_as_a_text() -> None:
    label = '\n[[identifier]]\nnumber = "F187"\nname = "label"\nlength = 255\n'
    assert 255 == parse_profile(FULL + label, name="meridel.toml").identifiers[-1].length


def test_a_subtable_stands_at_its_own_line() -> None:
    text = changed('extended_sizes = { "02" = 4, "01" = 1 }\n', '\n[unit.extended_sizes]\n01 = 1\n02 = "4"\n')
    expected = "meridel.toml, line 18, unit.extended_sizes: must be a whole number, not '4'"
    assert expected == message_for(text)


@given(st.data())
def test_a_file_changed_anywhere_is_read_or_refused_with_one_kind_of_error(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(FULL)))
    end = data.draw(st.integers(start, min(len(FULL), start + 8)))
    text = FULL[:start] + data.draw(st.text(max_size=6)) + FULL[end:]
    try:
        profile = parse_profile(text, name="meridel.toml")
    except UsageError as error:
        named = error.message.split(",")[0].split(":")[0]
    else:
        named = "meridel.toml"
        assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))
    assert named == "meridel.toml"

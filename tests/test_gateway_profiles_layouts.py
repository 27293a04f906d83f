"""The layouts of a profile: what a file means, and what it cannot mean."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from profile_help import FULL

from decoders.errors import UsageError
from decoders.layout import Bits, Field, Layout, Scale, read_layout, whole_bytes
from gateway.profiles import load_profile, parse_profile
from gateway.profiles.dbc import parse_dbc
from gateway.profiles.layouts import FIELD, LAYOUT
from sessions.journal import canonical
from sessions.profile import Profile, ProfileLayout, ProfileMessage

ROOT = Path(__file__).parent.parent
FIRST_LINE = FULL.count("\n")
# Begins in the line behind the full file; every key of layouts is there once.
LAYOUTS = """\
[[layout]]
name = "Drive"
identifier = "1106"
length = 6
units = ["7E0/7E8"]

[[layout.field]]
name = "Speed"
byte = 0
bytes = 2
little_endian = true
kind = "signed"
scale_num = 1
scale_den = 4
offset = "-0.5"
unit = "rpm"
quantity = "engine_rpm"

[[layout.field]]
name = "Gear"
bit = 16
bits = 3
kind = "signed"

[layout.field.names]
0 = "neutral"
-1 = "reverse"

[[layout.field]]
name = "Mark"
byte = 3
bytes = 3
kind = "text"

[[layout]]
name = "Counters"
record = "10"
length = 2
[[layout.field]]
name = "Seen"
byte = 1
bytes = 1

[[layout]]
name = "Wheels"
message = "2f0"
length = 8
field = [{ name = "Left", bit = 0, bits = 12, quantity = "road_kmh" }]
"""
WHOLE = FULL + LAYOUTS
DBC = 'BO_ 753 LAMPS: 2 Body\n SG_ Brake : 0|1@1+ (1,0) [0|1] "" Engine\n'


def parsed(text: str = WHOLE) -> Profile:
    return parse_profile(text, name="meridel.toml")


# --- what a file means ------------------------------------------------------------------------------


def test_a_layout_of_an_identifier_has_fields_of_every_kind() -> None:
    expected = ProfileLayout(
        subject="identifier",
        number=0x1106,
        layout=Layout(
            name="Drive",
            length=6,
            fields=(
                Field(
                    name="Speed",
                    bits=Bits(start=0, length=16, order="little"),
                    kind="signed",
                    scale=Scale(num=2, add=-4, den=8),
                    unit="rpm",
                ),
                Field(
                    name="Gear",
                    bits=Bits(start=16, length=3),
                    kind="signed",
                    names=((0, "neutral"), (7, "reverse")),
                ),
                whole_bytes("Mark", 3, 3, kind="text"),
            ),
        ),
        quantities=(("Speed", "engine_rpm"),),
        units=("7E0/7E8",),
    )
    assert expected == parsed().layouts[0]


def test_a_layout_of_a_record_and_one_of_a_message_are_told_apart() -> None:
    counters = Layout(name="Counters", length=2, fields=(whole_bytes("Seen", 1, 1),))
    wheels = Layout(name="Wheels", length=8, fields=(Field(name="Left", bits=Bits(start=0, length=12)),))
    assert ProfileLayout(subject="record", number=0x10, layout=counters) == parsed().layouts[1]
    assert (ProfileMessage(can_id="2F0", layout=wheels, quantities=(("Left", "road_kmh"),)),) == parsed().messages


def test_a_layout_reads_what_a_unit_sends() -> None:
    # Worked by hand: 0x0102 / 4 - 0.5 = 64; 111 in three bits is -1.
    reading = read_layout(parsed().layouts[0].layout, bytes.fromhex("0201 E0 414200"))
    expected = [("Speed", 64.0, None), ("Gear", -1, "reverse"), ("Mark", "AB", None)]
    assert expected == [(item.name, item.value, item.label) for item in reading.values]


def test_layouts_give_their_lengths_to_snapshots_and_extended_data() -> None:
    assert {0x1105: 2, 0x1106: 6} == parsed().identifier_lengths("7E0/7E8")
    assert {} == parsed().identifier_lengths("18DA28F1/18DAF128")
    assert {1: 1, 2: 4, 0x10: 2} == parsed().record_sizes("7E0/7E8")
    assert {0x10: 2} == parsed().record_sizes("18DA28F1/18DAF128")


def test_a_profile_with_layouts_goes_through_a_journal_unchanged() -> None:
    profile = parsed()
    assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))


@pytest.mark.parametrize(
    ("written", "expected"),
    [("-40", Scale(add=-40)), ('"0.125"', Scale(num=8, add=1, den=8)), ('"-1/3"', Scale(num=3, add=-1, den=3))],
)
def test_an_offset_is_exact(written: str, expected: Scale) -> None:
    text = WHOLE.replace('scale_num = 1\nscale_den = 4\noffset = "-0.5"', f"offset = {written}")
    assert expected == parsed(text).layouts[0].layout.fields[0].scale


def test_the_same_number_may_have_layouts_of_different_units_and_of_different_subjects() -> None:
    layout = '[[layout]]\nname = "{}"\n{}\nlength = 1\nfield = []\n'
    text = FULL + "".join(
        (
            layout.format("a", 'identifier = "0010"'),
            layout.format("b", 'record = "10"'),
            layout.format("c", 'identifier = "0010"\nunits = ["7E0/7E8"]'),
        )
    )
    profile = parsed(text)
    assert ["c", "a"] == [
        profile.layouts_for(unit, "identifier")[0x10].layout.name for unit in ("7E0/7E8", "18DA28F1/18DAF128")
    ]
    assert "b" == profile.layouts_for("7E0/7E8", "record")[0x10].layout.name


# --- the file of broadcast messages -----------------------------------------------------------------


@pytest.fixture
def with_dbc(tmp_path: Path) -> Path:
    (tmp_path / "car.dbc").write_text(DBC, encoding="utf-8")
    path = tmp_path / "meridel.toml"
    path.write_text(WHOLE.replace("[profile]\n", '[profile]\nbroadcast = "car.dbc"\n'), encoding="utf-8")
    return path


def test_messages_of_the_file_beside_the_profile_follow_its_own(with_dbc: Path) -> None:
    profile = load_profile(with_dbc).profile
    assert "car.dbc" == profile.broadcast
    assert (*parsed().messages, *parse_dbc(DBC, name="car.dbc")) == profile.messages


def test_the_text_alone_names_the_file_but_has_none_of_its_messages(with_dbc: Path) -> None:
    profile = parse_profile(with_dbc.read_text(encoding="utf-8"), name="meridel.toml")
    assert ("car.dbc", parsed().messages) == (profile.broadcast, profile.messages)


@pytest.mark.parametrize(
    ("dbc", "expected"),
    [
        (None, "car.dbc cannot be read: No such file or directory"),
        (
            DBC.replace("0|1@1", "16|1@1"),
            "car.dbc, line 2: signal Brake does not lie within the 2 bytes of its message",
        ),
        (DBC.replace("753", "752"), "message 2F0 has a [[layout]] here and is in that file too"),
    ],
)
def test_what_is_wrong_with_that_file_names_both_places(with_dbc: Path, dbc: str | None, expected: str) -> None:
    path = with_dbc.parent / "car.dbc"
    if dbc is None:
        path.unlink()
    else:
        path.write_text(dbc, encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        load_profile(with_dbc)
    assert f"meridel.toml, line 3, profile.broadcast: {expected}" == caught.value.message


# --- what cannot be meant ---------------------------------------------------------------------------

INLINE = 'field = [{ name = "Left", bit = 0, bits = 12, quantity = "road_kmh" }]'


@pytest.mark.parametrize(
    ("old", "new", "line", "expected"),
    [
        ('identifier = "1106"\n', "", 2, "layout.name: needs one of identifier, record and message"),
        ('record = "10"', 'record = "10"\nmessage = "2F1"', 38, "layout.message: needs one of identifier, record and"),
        ('"1106"', '"11066"', 3, 'layout.identifier: must be hex text in quotes from "0000" to "FFFF", not \'11066\''),
        ('"2f0"', '"2f0:12"', 46, "layout.message: a message has no address byte: '2F0:12'"),
        ('"2f0"', '"12f0"', 46, "layout.message: '12f0' is not a CAN identifier"),
        ("bits = 12", "bits = 65", 48, "layout.field.bits: a number has at most 64 bits: write kind ="),
        ("length = 6", "length = 0", 4, "layout.length: must be from 1 to 4095, not 0"),
        ("length = 6\n", "", 1, "layout.length: is missing"),
        ('["7E0/7E8"]', '["7E1/7E9"]', 5, "layout.units: no [[unit]] has the address 7E1/7E9"),
        ("length = 8", 'length = 8\nunits = ["7E0/7E8"]', 48, "layout.units: a message is known by its CAN identifier"),
        (
            'record = "10"',
            'identifier = "1106"\nunits = ["7E0/7E8"]',
            36,
            "layout.name: identifier 1106 is there twice",
        ),
        ('record = "10"', 'message = "2F0"', 45, "layout.name: message 2F0 is there twice for all units"),
        ('record = "10"', 'record = "02"', 38, "layout.length: record 02 has 4 bytes by the extended_sizes of 7E0/7E8"),
        ('"1106"', '"1105"', 4, "layout.length: 1105 has 2 bytes by its [[identifier]]"),
        (INLINE, "", 44, "layout.field: is missing"),
        (INLINE, "field = 5", 48, "layout.field: must be written with two brackets"),
        (INLINE, "feild = []", 48, "layout.feild: unknown key; did you mean 'field'?"),
        (INLINE, INLINE.replace("Left", ""), 48, "layout.field.name: must not be empty"),
        (INLINE, INLINE.replace("bit =", "but ="), 48, "layout.field.but: unknown key; did you mean 'bit'?"),
        ("byte = 1\n", "", 41, "layout.field.bytes: needs byte and bytes, or bit and bits, and no other"),
        ("byte = 1\nbytes = 1\n", "", 40, "layout.field.name: needs byte and bytes, or bit and bits"),
        ("byte = 1\nbytes = 1\n", "bit = 0\nbytes = 1\n", 41, "layout.field.bit: needs byte and bytes, or bit"),
        ("byte = 1\nbytes = 1", "byte = 1\nbytes = 2", 42, "layout.field.bytes: the field ends behind the 2 bytes of"),
        ("bit = 16\nbits = 3", "bit = 46\nbits = 3", 22, "layout.field.bits: the field ends behind the 6 bytes of"),
        ('name = "Mark"', 'name = "Gear"', 30, "layout.field.name: 'Gear' is there twice in this layout"),
        ("bits = 3", 'bits = 3\nquantity = "engine_rpm"', 23, "layout.field.quantity: engine_rpm is there twice"),
        (
            'kind = "text"',
            'kind = "txt"',
            33,
            "layout.field.kind: 'txt' is not one of unsigned, signed, float, text, b",
        ),
        ('kind = "text"', 'kind = "float"', 32, "layout.field.bytes: a float has 16, 32 or 64 bits"),
        ("byte = 3\nbytes = 3", "bit = 25\nbits = 8", 32, "layout.field.bits: a field of kind text is whole bytes"),
        ('kind = "text"', 'kind = "text"\nunit = "V"', 34, "layout.field.unit: means nothing for a field of kind text"),
        (
            'kind = "signed"\nscale',
            'kind = "bytes"\nscale',
            11,
            "layout.field.little_endian: means nothing for a field",
        ),
        (
            '"-0.5"',
            '"half"',
            15,
            'layout.field.offset: must be a whole number, or text like "-0.5" or "1/3", not \'half',
        ),
        ('"-0.5"', "-0.5", 15, 'layout.field.offset: must be a whole number, or text like "-0.5" or "1/3", not -0.5'),
        ('"-0.5"', '"1/0"', 15, "layout.field.offset: must be a whole number, or text like"),
        ("-1 =", "-5 =", 25, "layout.field.names: -5 is no raw number of 3 bits (signed)"),
        ("-1 =", "00 =", 25, "layout.field.names: 0 is there twice"),
        ("-1 =", "one =", 25, 'layout.field.names: must be like { "0" = "closed" }, not a table'),
        ('"neutral"', '""', 25, "layout.field.names: must not be empty"),
    ],
)
def test_what_cannot_be_meant_names_line_and_key(old: str, new: str, line: int, expected: str) -> None:
    assert 1 == LAYOUTS.count(old)
    with pytest.raises(UsageError) as caught:
        parsed(FULL + LAYOUTS.replace(old, new))
    start = f"meridel.toml, line {FIRST_LINE + line}, {expected}"
    assert (start, True) == (caught.value.message[: len(start)], bool(caught.value.next_step))


@given(st.data())
def test_layouts_changed_anywhere_are_read_or_refused_with_one_kind_of_error(data: st.DataObject) -> None:
    start = data.draw(st.integers(len(FULL), len(WHOLE)))
    end = data.draw(st.integers(start, min(len(WHOLE), start + 8)))
    text = WHOLE[:start] + data.draw(st.text(max_size=6)) + WHOLE[end:]
    try:
        profile = parsed(text)
    except UsageError as error:
        named = error.message.split(",")[0].split(":")[0]
    else:
        named = "meridel.toml"
        assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))
        known = [block.layout for block in profile.layouts] + [block.layout for block in profile.messages]
        for layout in known:
            read_layout(layout, bytes(layout.length))
    assert "meridel.toml" == named


def test_the_page_of_profiles_has_exactly_the_keys_of_layouts() -> None:
    text = (ROOT / "docs" / "profile.md").read_text(encoding="utf-8")
    found = [
        set(re.findall(r"`([^`]+)`", " ".join(re.findall(r"^\|([^|]*)\|", part, re.MULTILINE))))
        for part in text.partition("## `[[layout]]`")[2].split("## `[[layout.field]]`")
    ]
    assert [set(LAYOUT), set(FIELD)] == found

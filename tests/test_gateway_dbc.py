"""DBC files: the messages they describe, and files that cannot be meant."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from dbc_help import CAR, fields_of, messages, read
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import UsageError
from decoders.layout import Bits, Field, Scale, When, read_layout
from gateway.profiles.dbc import parse_dbc, read_dbc
from sessions.journal import canonical
from sessions.profile import Profile

# --- what a file means ------------------------------------------------------------------------------


def test_a_message_has_its_identifier_length_sender_and_cycle_time() -> None:
    expected = [
        ("2F0", 8, "Body", 100),
        ("18FEF1FE", 8, "Engine", None),
        ("2F1", 8, "", None),
        ("2F2", 8, "Body", None),
    ]
    assert expected == [
        (item.can_id, item.layout.length, item.sender, item.cycle_ms) for item in parse_dbc(CAR, name="car.dbc")
    ]


def test_a_signal_has_its_place_sign_scale_unit_and_names() -> None:
    expected = (
        Field(name="DoorFront", bits=Bits(start=0, length=2, order="little"), names=((0, "closed"), (1, "open"))),
        Field(
            name="Outside",
            bits=Bits(start=8, length=8),
            kind="signed",
            scale=Scale(num=4, add=-322, den=8),
            unit="°C",
        ),
        Field(name="Odometer", bits=Bits(start=16, length=24), scale=Scale(num=1, den=10), unit="km"),
        Field(name="Torque", bits=Bits(start=40, length=16), kind="signed", unit="Nm", names=((0xFFFF, "not known"),)),
    )
    assert expected == messages()["DOORS"].layout.fields


def test_a_factor_is_the_decimal_that_is_written() -> None:
    # 0.392156862745098 as written; the nearest double is another number.
    assert Scale(num=196078431372549, den=500000000000000) == fields_of("DEEP")["Load"].scale


def test_a_float_with_a_name_has_it_at_exactly_that_number() -> None:
    # IEEE 754: 2.0 is 40000000 in binary32, here low byte first.
    found = [read("SPEEDS", f"{number} 00000000")["Speed"] for number in ("00000040", "00002040")]
    assert [(7.2, "walking"), (9.0, None)] == [(item.value, item.label) for item in found]


def test_a_name_of_a_number_that_no_float_of_this_size_can_be_names_nothing() -> None:
    # IEEE 754: binary32 ends below 3.5E38, and 16777217 lies between two of its numbers.
    text = CAR.replace('Speed 2 "walking"', f'Speed 2 "walking" {10**39} "far" 16777217 "near"')
    assert ((0x40000000, "walking"),) == messages(text)["SPEEDS"].layout.fields[0].names


def test_a_multiplexed_signal_is_carried_by_its_multiplexers_number() -> None:
    page = Bits(start=0, length=4, order="little")
    assert (When(bits=page, values=(1,)),) == fields_of("PAGES")["Second"].when
    assert {"Page", "Always", "First"} == set(read("PAGES", "50 0400 0000000000"))
    assert {"Page", "Always"} == set(read("PAGES", "52 0400 0000000000"))


def test_a_multiplexer_within_a_multiplexer_needs_both_numbers() -> None:
    service, number = Bits(start=0, length=8), Bits(start=8, length=8)
    expected = (When(bits=service, values=(65,)), When(bits=number, values=(4, 5, 68)))
    assert expected == fields_of("DEEP")["Load"].when
    assert {"Service", "Number", "Rpm"} == set(read("DEEP", "41 0C 0FA0 00000000"))
    assert {"Service", "Code"} == set(read("DEEP", "43 0C 0FA0 00000000"))
    assert {"Service"} == set(read("DEEP", "44 0C 0FA0 00000000"))


def test_texts_and_comments_in_a_file_are_not_taken_for_signals() -> None:
    assert {"DOORS", "SPEEDS", "PAGES", "DEEP"} == set(messages())


def test_a_message_longer_than_a_frame_is_read() -> None:
    # SAE J1939-21: up to 1785 bytes by several frames.
    [item] = parse_dbc('BO_ 2566844926 LONG: 1785 A\n SG_ Last : 14272|8@1+ (1,0) [0|0] "" B\n', name="car.dbc")
    assert 7 == read_layout(item.layout, bytes(1784) + b"\x07").values[0].value


def test_overlapping_signals_are_each_read_from_their_bits() -> None:
    # The same bits as one number and as two: common in files of makers; cantools refuses them unless asked not to.
    text = 'BO_ 1 M: 1 A\n SG_ All : 0|8@1+ (1,0) [0|0] "" B\n SG_ Low : 0|4@1+ (1,0) [0|0] "" B\n'
    [item] = parse_dbc(text, name="car.dbc")
    assert [0xAB, 0x0B] == [value.value for value in read_layout(item.layout, b"\xab").values]


def test_every_message_goes_through_a_journal_unchanged() -> None:
    profile = Profile(name="Car", broadcast="car.dbc", messages=parse_dbc(CAR, name="car.dbc"))
    assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_a_file_may_be_in_any_encoding_that_tools_write(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "car.dbc"
    path.write_bytes(CAR.encode(encoding))
    assert parse_dbc(CAR, name="car.dbc") == read_dbc(path)


# --- files that cannot be meant ---------------------------------------------------------------------


def mistake(text: str) -> str:
    with pytest.raises(UsageError) as caught:
        parse_dbc(text, name="car.dbc")
    assert caught.value.next_step
    return caught.value.message


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "DoorFront : 0|2@1",
            "DoorFront : 63|2@1",
            "line 7: signal DoorFront does not lie within the 8 bytes of its message",
        ),
        (
            "Torque : 47|16@0",
            "Torque : 63|16@0",
            "line 10: signal Torque does not lie within the 8 bytes of its message",
        ),
        (
            "DoorFront : 0|2@1",
            "DoorFront : 0|0@1",
            "line 7: signal DoorFront does not lie within the 8 bytes of its message",
        ),
        ("SG_ Torque", "SG_ Outside", "line 10: signal Outside is there twice in its message"),
        ("BO_ 752 DOORS", "BO_ 2048 DOORS", "line 6: message DOORS: 2048 is no CAN identifier"),
        ("BO_ 2566844926 S", "BO_ 2684354560 S", "line 12: message SPEEDS: 2684354560 is no CAN identifier"),
        ("BO_ 753 PAGES", "BO_ 752 PAGES", "line 16: message 2F0 is already in line 6"),
        ("PAGES: 8", "PAGES: 1786", "line 16: message PAGES: no message has 1786 bytes"),
        ("(0.5,-40.25)", "(1e-400,0)", "line 8: signal Outside: 1e-400 is beyond what a scale can be"),
        ("(0.5,-40.25)", "(1,1e999999999)", "line 8: signal Outside: 1e999999999 is beyond what a scale can be"),
        (
            "SIG_VALTYPE_ 2566844926 Speed : 1",
            "SIG_VALTYPE_ 752 Odometer : 1",
            "line 9: signal Odometer of message DOORS: no floating-point number has 24 bits",
        ),
        (
            "Page M :",
            "Page :",
            "line 19: signal First of message PAGES: nothing says which multiplexer decides on it and by which numbers",
        ),
        (
            "SG_MUL_VAL_ 754 Load Number 4-5, 68-68;\n",
            "",
            "line 25: signal Load of message DEEP: nothing says which multiplexer decides on it and by which numbers",
        ),
        (
            "SG_MUL_VAL_ 754 Rpm Number 12-12;",
            "SG_MUL_VAL_ 754 Rpm Nobody 12-12;",
            "line 26: signal Rpm of message DEEP: nothing says which multiplexer decides on it and by which numbers",
        ),
        (
            "SG_MUL_VAL_ 754 Number Service 65-65;",
            "SG_MUL_VAL_ 754 Number Number 65-65;",
            "line 24: signal Number of message DEEP: decides on itself",
        ),
        (
            "Number 4-5, 68-68",
            "Number 4-5000000",
            "line 41: Load: more than 1000000 multiplexer numbers in the file",
        ),
        ("Number 4-5, 68-68", "Number 9-3", "line 41: Load: the range 9-3 ends before it begins"),
        ("Number 4-5, 68-68", f"Number 4-{'5' * 5000}", "line 41: a number of more than 40 digits"),
    ],
)
def test_what_cannot_be_meant_names_line_and_signal(old: str, new: str, expected: str) -> None:
    assert old in CAR
    assert f"car.dbc, {expected}" == mistake(CAR.replace(old, new, 1))


def test_a_signal_without_a_message_is_an_error() -> None:
    assert "car.dbc, line 2: signal X belongs to no message" == mistake('// none\nSG_ X : 0|8@1+ (1,0) [0|0] "" B\n')


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("", "car.dbc, line 1: is no DBC file"),
        ("[profile]\n", "car.dbc, line 1: is no DBC file"),
        ("BO_ 1 M: 8 A\n SG_ X : 0|8@1+ (1,0) [0|0] B\n", "car.dbc, line 2: is no DBC file"),
        ('BO_ 1 M: 8 A\nVAL_ 1 X 0 "a" ;\n', "car.dbc: is no DBC file that can be read (unused VAL_"),
        ('BO_ 1 M: 8 A\n SG_ X mM : 0|8@1+ (1,0) [0|0] "" B\n', "car.dbc"),
        ('BO_ 1 M: 8 A\n SG_ X : 0|8@2+ (1,0) [0|0] "" B\n', "car.dbc: its messages are written in a form"),
    ],
)
def test_what_is_no_dbc_is_an_error_with_its_place(text: str, start: str) -> None:
    message = mistake(text)
    assert message.startswith(start), message


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("hello private line\n", "car.dbc, line 1: is no DBC file that can be read (column 1: 'hello')"),
        (
            'BO_ 1 M: 8 A\n SG_ X : 0|8@1+ (1,0) [0|0] private "more of it"\n',
            "car.dbc, line 2: is no DBC file that can be read (column 29: 'private')",
        ),
        (f"{'a' * 5000} b\n", f"car.dbc, line 1: is no DBC file that can be read (column 1: '{'a' * 60}')"),
        ("x\x1b[2J\n", "car.dbc, line 1: is no DBC file that can be read (column 2: '')"),
    ],
)
def test_an_error_shows_of_the_file_what_was_not_expected_and_no_more(text: str, expected: str) -> None:
    assert expected == mistake(text)


def test_control_characters_of_a_file_reach_no_profile() -> None:
    text = CAR.replace('"km/h"', '"\x1b[31mkm/h"').replace('"closed"', '"\x1b[2Jclosed"')
    assert "[31mkm/h" == messages(text)["SPEEDS"].layout.fields[0].unit
    assert (0, "[2Jclosed") == messages(text)["DOORS"].layout.fields[0].names[0]


def test_a_file_that_cannot_be_opened_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"^none\.dbc cannot be read: No such file or directory$"):
        read_dbc(tmp_path / "none.dbc")


@given(st.data())
@settings(deadline=None)
def test_a_file_changed_anywhere_is_read_or_refused_with_one_kind_of_error(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(CAR)))
    end = data.draw(st.integers(start, min(len(CAR), start + 8)))
    text = CAR[:start] + data.draw(st.text(max_size=6)) + CAR[end:]
    try:
        read_by_us = parse_dbc(text, name="car.dbc")
    except UsageError as error:
        named = error.message[:7]
    else:
        named = "car.dbc"
        for item in read_by_us:
            read_layout(item.layout, bytes(item.layout.length))
    assert "car.dbc" == named


def test_a_file_too_large_to_be_one_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "car.dbc"
    path.write_bytes(b" " * (16 * 2**20 + 1))
    with pytest.raises(UsageError, match=r"^car\.dbc is larger than 16 MB"):
        read_dbc(path)

"""What the report says of the bytes of one stored value: what profile and standards tell, and nothing more.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

from typing import Any

import pytest
from journal_builder import Story, before, profile
from stored_help import REST, UNKNOWN, extended, items, laid_out, one, parts, rows, said, snapshots, with_records

from decoders.layout import Bits, Field, Layout, Scale, When, whole_bytes
from sessions.profile import Profile, ProfileIdentifier, ProfileLayout


def test_an_obd_value_in_a_snapshot_has_its_name_its_unit_and_its_bytes() -> None:
    # Source: SAE J1979-DA, PIDs 0D (km/h), 0C (1/4 rpm), 46 (offset 40 C); SAE J1979-2, identifiers F4xx.
    (answer, _extended) = parts(before(Story(profile())))[0].answers
    assert answer.records[0].title == "Record 01"
    assert rows(answer) == [
        ("F40D", "road speed", "60 km/h", "3C"),
        ("F40C", "engine speed", "2000 rpm", "1F 40"),
        ("F446", "outside temperature", "14 °C", "36"),
    ]


@pytest.mark.parametrize(
    ("did", "data", "wanted"),
    [
        # Source: SAE J1979-DA, PID 01: A bit 7 lamp and count, B continuous, C supported, D not complete.
        (
            "F401",
            "8207E1E0",
            "malfunction lamp: on | stored codes: 2 | complete: misfire, fuel system, components, catalyst | "
            "not complete: oxygen sensor, oxygen sensor heater, EGR or VVT",
        ),
        # Source: SAE J1979-DA, PID 41: as 01, byte A reserved.
        ("F441", "00000100", "complete: catalyst | not complete: none"),
        # Source: SAE J1979, support bitmaps: the highest bit is the first PID.
        ("F400", "80000001", "01 20"),
        ("F400", "00000000", "none"),
        # Source: SAE J1979-DA, PID 02: the code that made the unit store the frame.
        ("F402", "0420", "P0420 (1\u202f056)"),
        # Source: SAE J1979-DA, PID 14: voltage in 1/200 V, trim in 100/128 % from -100.
        ("F414", "5A80", "oxygen sensor 1, voltage: 0.45 V | oxygen sensor 1, short-term trim: 0 %"),
    ],
)
def test_obd_values_of_other_forms_are_told_part_by_part(did: str, data: str, wanted: str) -> None:
    assert one(data, did) == wanted


def test_an_obd_value_whose_bytes_have_no_certain_meaning_says_so() -> None:
    # Source: decoders.PIDS, where 94 has a length and no fields.
    assert rows(snapshots("0101F494" + "00" * 12)) == [
        ("F494", "NOx warning and inducement", UNKNOWN, " ".join(["00"] * 12))
    ]


def test_an_identifier_of_the_profile_is_scaled_by_it() -> None:
    # Source: worked by hand: FFF6 signed is -10; -10 * 3 / 4 + 100 = 92.5.
    torque = ProfileIdentifier(
        number=0x1107, name="Torque", length=2, signed=True, scale_num=3, scale_den=4, offset=100, unit="N m"
    )
    odometer = ProfileIdentifier(number=0x1105, name="Odometer", length=3, unit="km")
    found = snapshots("01021107FFF611050148C1", profile(identifiers=(torque, odometer)))
    assert rows(found) == [
        ("1107", "Torque", "92.5 N m", "FF F6"),
        ("1105", "Odometer", "84\u202f161 km", "01 48 C1"),
    ]


def test_an_identifier_too_long_for_a_number_is_shown_as_bytes() -> None:
    known = profile(identifiers=(ProfileIdentifier(number=0x1108, name="Trace", length=9),))
    assert rows(snapshots("01011108010203040506070809", known)) == [
        ("1108", "Trace", UNKNOWN, "01 02 03 04 05 06 07 08 09")
    ]


def test_each_field_of_a_layout_stands_on_its_own_line() -> None:
    # Source: worked by hand: 1770 is 6000, / 100 is 60; bits 16 and 17 of 40 are 01.
    door = Field(name="door", bits=Bits(start=16, length=2), names=((1, "open"),))
    speed = whole_bytes("road speed", 0, 2, scale=Scale(den=100), unit="km/h")
    spare = whole_bytes("spare", 1, 1, when=(When(bits=Bits(start=16, length=2), values=(3,)),))
    (item,) = items(snapshots("01011106177040", laid_out(3, speed, door, spare)))
    assert (item.number, item.name, item.raw) == ("1106", "wheel state", "17 70 40")
    assert item.lines == (("road speed", "60 km/h"), ("door", "open (1)"), ("spare", "not there"))


def test_the_name_of_a_single_field_is_shown_where_it_is_not_that_of_the_layout() -> None:
    assert one("07", "1106", laid_out(1, whole_bytes("ageing", 0, 1))) == "ageing: 7"
    assert one("07", "1106", laid_out(1, whole_bytes("wheel state", 0, 1))) == "7"


@pytest.mark.parametrize(
    ("kind", "data", "wanted"),
    [("text", "41422020", "AB"), ("text", "20202020", "blank"), ("text", "01020304", "no text"),
     ("bytes", "0102FF04", "0102FF04"), ("float", "3F800000", "1")],
)  # fmt: skip
def test_fields_that_are_no_integers(kind: Any, data: str, wanted: str) -> None:
    # Source: ASCII; IEEE 754, 3F800000 is 1.0.
    assert one(data, "1106", laid_out(4, whole_bytes("wheel state", 0, 4, kind=kind))) == wanted


def test_a_number_of_many_bytes_is_not_written_out() -> None:
    # Source: the Python documentation, "Integer string conversion length limitation": 4300 digits.
    known = laid_out(2000, whole_bytes("wheel state", 0, 2000))
    (item,) = items(snapshots("01011106" + "FF" * 2000, known))
    assert (said(item), len(item.raw)) == ("number of 16000 bits", 5999)


def test_a_layout_that_cannot_be_applied_says_why_and_shows_the_bytes() -> None:
    known = laid_out(200, whole_bytes("wheel state", 0, 200, scale=Scale(den=3)))
    (item,) = items(snapshots("01011106" + "FF" * 200, known))
    wanted = "cannot be read by its layout (wheel state: the number is too large for its scale)"
    assert (said(item), item.raw) == (wanted, " ".join(["FF"] * 200))


# What nobody described


@pytest.mark.parametrize(
    ("did", "number", "name"),
    [
        ("1106", "", "identifier 1106"),
        # Source: ISO 14229-1, Annex C: F190 is the VIN; its length in a snapshot is nobody's to guess.
        ("F190", "F190", "VIN"),
        # Source: SAE J1979-2, identifiers F4xx and F6xx.
        ("F4FE", "F4FE", "OBD value"),
        ("F601", "F601", "OBD monitor test"),
    ],
)
def test_from_an_identifier_of_unknown_length_on_all_bytes_stand_together(did: str, number: str, name: str) -> None:
    found = snapshots(f"0103F40D3C{did}AABB0201F40D00")
    assert found.words == "at least 1 record"
    assert rows(found) == [
        ("F40D", "road speed", "60 km/h", "3C"),
        (number, name, REST, "AA BB 02 01 F4 0D 00"),
    ]


def test_an_identifier_of_unknown_length_at_the_front_is_named() -> None:
    assert rows(snapshots("01021106AABB")) == [("", "identifier 1106", REST, "AA BB")]


def test_a_record_that_does_not_count_its_identifiers_is_shown_as_bytes() -> None:
    # Source: ISO 14229-1, DTCSnapshotRecordNumberOfIdentifiers 00: the number is not given (from memory).
    found = snapshots("0100F40D3C")
    assert (found.words, rows(found)) == (
        "at least 1 record",
        [("", "number of identifiers not told", REST, "F4 0D 3C")],
    )


def test_a_record_with_no_identifier_behind_it_says_so() -> None:
    found = snapshots("0201F40D3C0100")
    assert found.words == "2 records"
    assert [(record.title, said(record.items[0])) for record in found.records] == [
        ("Record 02", "60 km/h"),
        ("Record 01", "none"),
    ]


def test_extended_data_is_named_as_far_as_the_profile_goes() -> None:
    counters = Layout(name="counters", length=2, fields=(whole_bytes("ageing", 0, 1), whole_bytes("passed", 1, 1)))
    known = with_records(
        0x01, (0x01, 1), (0x10, 2), layouts=(ProfileLayout(subject="record", number=0x20, layout=counters),)
    )
    found = extended("0103" + "10AABB" + "200507" + "300102", known)
    assert found.words == "at least 4 records"
    assert rows(found) == [
        ("01", "occurrence counter", "3", "03"),
        ("", "record 10", UNKNOWN, "AA BB"),
        ("20", "counters", "ageing: 5 | passed: 7", "05 07"),
        ("", "record 30", REST, "01 02"),
    ]


def test_a_layout_goes_before_the_plain_occurrence_counter() -> None:
    layout = Layout(name="counter", length=1, fields=(whole_bytes("times", 0, 1),))
    known = with_records(0x01, layouts=(ProfileLayout(subject="record", number=0x01, layout=layout),))
    assert rows(extended("0103", known)) == [("01", "counter", "times: 3", "03")]


def test_an_occurrence_counter_whose_size_nobody_told_is_not_read() -> None:
    assert rows(extended("0103", with_records(0x01))) == [("", "record 01", REST, "03")]


def test_a_record_of_a_unit_that_no_profile_knows_is_shown_as_bytes() -> None:
    assert rows(extended("0103", Profile(name="no profile"))) == [("", "record 01", REST, "03")]

"""What the layouts of a profile tell a verdict: conditions of a stored record, and the occurrence counter's place."""

from __future__ import annotations

from dataclasses import replace

import pytest
from journal_builder import AT_REST, UNIT, Story, after, cleared, profile, rounds
from verdict_help import missing, seen, words

from decoders.layout import Bits, Layout, Scale, When, whole_bytes
from sessions.profile import Profile, ProfileIdentifier, ProfileLayout, ProfileUnit, Quantity


def divided(*quantities: tuple[str, Quantity], units: tuple[str, ...] = ()) -> ProfileLayout:
    """An invented identifier: a road speed in 0.01 km/h, an engine speed as a float, three letters."""
    layout = Layout(
        name="Drive",
        length=9,
        fields=(
            whole_bytes("road", 0, 2, scale=Scale(den=100), unit="km/h"),
            whole_bytes("engine", 2, 4, kind="float", unit="rpm"),
            whole_bytes("mark", 6, 3, kind="text"),
        ),
    )
    return ProfileLayout(subject="identifier", number=0x1106, layout=layout, quantities=quantities, units=units)


BOTH = divided(("road", "road_kmh"), ("engine", "engine_rpm"))


def stored(known: Profile, record: str) -> Story:
    """A before-scan whose one stored record holds these bytes, and the clear after the repair."""
    story = Story(known).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F).supported(C0035_13=0x2F)
    story.no_obd().answer(UNIT, "1904403513FF", f"59044035132F{record}").end().part()
    return cleared(story)


NOT_KNOWN = "the layout of its data is not known: add it to the profile"
# 5000 in 0.01 km/h; 2000.0 is 44FA0000 in IEEE 754 binary32.
RECORD = "0101" + "1106" + "1388" + "44FA0000" + "414243"


def test_fields_of_a_layout_are_the_conditions_of_a_stored_record() -> None:
    assert ["50 ± 10 km/h, engine running"] == words(stored(profile(layouts=(BOTH,)), RECORD))


def test_a_test_seen_under_them_counts() -> None:
    story = after(rounds(stored(profile(layouts=(BOTH,)), RECORD), 0x50, 0x50, 0x50, 0x00, kmh=52, rpm=2100))
    assert ([True], ("proven", 8)) == (seen(story), story.graded())


def test_a_layout_gives_the_length_that_the_next_identifier_needs() -> None:
    record = RECORD.replace("0101", "0102", 1) + "F40D32"
    assert ["50 ± 10 km/h, engine running"] == words(stored(profile(layouts=(BOTH,)), record))
    assert NOT_KNOWN in missing(after(stored(profile(), record)))


def test_a_layout_wins_over_the_identifier_as_a_whole() -> None:
    whole = ProfileIdentifier(number=0x1106, name="Drive", length=9, quantity="road_kmh")
    known = profile(layouts=(BOTH,), identifiers=(whole,))
    assert ["50 ± 10 km/h, engine running"] == words(stored(known, RECORD))


def test_a_layout_of_another_unit_says_nothing() -> None:
    known = profile(layouts=(divided(("road", "road_kmh"), units=("730/738",)),))
    assert NOT_KNOWN in missing(after(stored(known, RECORD)))


@pytest.mark.parametrize("engine", ["7FC00000", "7F800000"])
def test_a_declared_quantity_that_is_no_number_leaves_its_record_unread(engine: str) -> None:
    # IEEE 754: not-a-number and infinity.
    record = RECORD.replace("44FA0000", engine)
    story = after(stored(profile(layouts=(BOTH,)), record))
    assert "engine speed is not told in it" in missing(story)


def test_a_quantity_that_no_rule_compares_is_no_condition() -> None:
    known = profile(layouts=(divided(("road", "odometer_km")),))
    story = after(stored(known, RECORD))
    assert "it holds neither road speed nor engine state to compare" in missing(story)


def test_a_unit_of_unknown_system_has_no_conditions() -> None:
    unit = ProfileUnit(address=UNIT, name="Brake control")
    story = stored(profile(units=(unit,), layouts=(BOTH,)), RECORD)
    story = after(rounds(story, 0x50, 0x50, 0x50, 0x00, kmh=52, rpm=2100))
    assert "the profile does not say which system this unit belongs to" in missing(story)
    assert "untested" == story.graded()[0]


COUNTER = ProfileUnit(address=UNIT, name="Brake control", system="chassis", occurrence_record=2)


def record(number: int, length: int) -> ProfileLayout:
    layout = Layout(name="Record", length=length, fields=(whole_bytes("x", 0, length),))
    return ProfileLayout(subject="record", number=number, layout=layout)


@pytest.mark.parametrize(
    ("layouts", "was", "now", "verdict"),
    [
        ((record(1, 1), record(2, 1)), "01050203", "01060203", "uncleared"),  # three occurrences, and still three
        ((record(1, 1), record(2, 1)), "01050203", "01060202", "returned"),
        ((record(1, 2), record(2, 2)), "010500020003", "010600020004", "uncleared"),
        ((record(1, 1), record(2, 2)), "01050203", "01060203", "returned"),  # cut within the counter
        ((record(2, 1),), "01050203", "01060203", "returned"),  # a record of unknown size hides it
    ],
)
def test_layouts_of_records_tell_where_the_occurrence_counter_is(
    layouts: tuple[ProfileLayout, ...], was: str, now: str, verdict: str
) -> None:
    story = Story(profile(units=(COUNTER,), layouts=layouts)).scan("before").session().codes(C0035_13=0x2F)
    story.answer(UNIT, "1906403513FF", f"59064035132F{was}").no_obd().end().clear(UNIT, "14FFFFFF")
    story.scan("check").session().codes(C0035_13=0x28).answer(UNIT, "1906403513FF", f"590640351328{now}")
    assert verdict == story.no_obd().end().graded()[0]


def test_a_name_in_place_of_a_measured_value_leaves_its_record_unread() -> None:
    road = whole_bytes("road", 0, 2, scale=Scale(den=100), unit="km/h", names=((0, "not available"),))
    layout = Layout(name="Drive", length=9, fields=(road, *BOTH.layout.fields[1:]))
    known = profile(layouts=(replace(BOTH, layout=layout),))
    assert "road speed is not told in it" in missing(after(stored(known, RECORD.replace("1388", "0000"))))


def test_a_field_that_its_record_does_not_carry_leaves_it_unread() -> None:
    only = When(bits=Bits(start=48, length=8), values=(1,))
    road = whole_bytes("road", 0, 2, scale=Scale(den=100), unit="km/h", when=(only,))
    layout = Layout(name="Drive", length=9, fields=(road, *BOTH.layout.fields[1:]))
    known = profile(layouts=(replace(BOTH, layout=layout),))
    assert "road speed is not told in it" in missing(after(stored(known, RECORD)))


def test_one_quantity_told_twice_and_differently_leaves_its_record_unread() -> None:
    # 50 km/h by the layout, 60 km/h by the identifier of the standard.
    record = RECORD.replace("0101", "0102", 1) + "F40D3C"
    assert "road speed is told twice in it, and differently" in missing(after(stored(profile(layouts=(BOTH,)), record)))


def test_a_standard_identifier_keeps_its_meaning_where_the_profile_gives_it_no_quantity() -> None:
    layout = Layout(name="Speed", length=1, fields=(whole_bytes("speed", 0, 1, unit="km/h"),))
    plain = ProfileLayout(subject="identifier", number=0xF40D, layout=layout, quantities=())
    named = ProfileIdentifier(number=0xF40D, name="Speed", length=1)
    for known in (profile(layouts=(plain,)), profile(identifiers=(named,))):
        assert ["60 ± 10 km/h"] == words(stored(known, "0101F40D3C"))

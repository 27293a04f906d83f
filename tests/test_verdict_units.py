"""Units in a job: read before their first clear, answering afterwards what they ever answered, and of one vehicle.

Source of what is expected: the job and the notes on units in the verdict rules.
"""

from __future__ import annotations

import pytest
from journal_builder import (
    AT_REST,
    AT_SPEED,
    CODE,
    UNIT,
    VIN,
    Story,
    before,
    cleared,
    code_of,
    profile,
    rounds,
)

from decoders.errors import RecordError
from sessions.profile import ProfileUnit
from sessions.verdict import UnitLook, unit_look
from sessions.verdict.identity import vehicle_vin, vins_read

ENGINE = "7E0/7E8"


OTHER_VIN = "1M8GDM9AXKP042788"  # a published worked example (49 CFR 565.15)


def reasons(story: Story) -> tuple[str, ...]:
    return story.judged().reasons


def beside(tell_before, tell_after, known=None) -> Story:
    """The plain story, and what another unit tells in both scans."""
    story = Story(known or profile()).scan("before")
    tell_before(story)
    story.live(**AT_REST).session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story.snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    rounds(cleared(story), 0x50, 0x50, 0x50, 0x00).wait(60).scan("after")
    tell_after(story)
    return story.session().codes().supported(C0035_13=0).no_obd().end()


def lists(story: Story) -> None:
    story.codes(ENGINE).supported(ENGINE).answer(ENGINE, "03", "4300")


LABEL = "Unit 7E0/7E8 (7E0/7E8)"


def nothing(_story: Story) -> None:
    """The unit is not asked."""


def lost(requests: str) -> tuple[str, ...]:
    return (f"{LABEL} did not answer {requests} whole in scan 2",)


# Units.


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (lists, ()),
        (
            lambda s: s.silent(ENGINE, "1902FF", "190A", "03"),
            lost("03, 19 02 FF, 19 0A"),
        ),
        (
            lambda s: lists(s.answer(ENGINE, "1901FF", "5901FF010004")),
            lost("19 02 FF"),
        ),
        (
            lambda s: s.codes(ENGINE).supported(ENGINE).answer(ENGINE, "03", "430104"),
            lost("03"),
        ),
        (
            lambda s: s.codes(ENGINE).supported(ENGINE).refused(ENGINE, "03", 0x22),
            lost("03"),
        ),
    ],
)
def test_each_unit_answers_in_the_after_scan_what_it_ever_answered(told, expected: tuple[str, ...]) -> None:
    assert expected == reasons(beside(lists, told))


def test_a_unit_that_answers_anything_in_a_scan_must_be_read() -> None:
    def names_itself(story: Story) -> None:
        story.answer(ENGINE, "22F187", "62F18741").refused(ENGINE, "1902FF", 0x22)

    assert (f"{LABEL} was not read before its first clear",) == reasons(beside(names_itself, names_itself))


def test_a_unit_that_refuses_everything_or_stays_silent_is_no_unit_of_the_car() -> None:
    assert () == reasons(beside(lambda s: s.silent(ENGINE, "1902FF"), lambda s: s.refused(ENGINE, "1902FF", 0x11)))


def test_a_unit_heard_functionally_must_be_read() -> None:
    def heard(story: Story) -> None:
        story.answer("functional:7DF", "0100", "4100FFFFFFFF", source="7E8")
        story.answer("functional:7DF", "0100", "4100FFFFFFFF", source="123")

    assert (f"{LABEL} was not read before its first clear",) == reasons(beside(heard, heard))


def test_a_unit_that_came_late_must_have_been_read_before_its_first_clear() -> None:
    story = beside(nothing, lists)
    assert () == reasons(story), "nobody cleared it"
    cleared_unread = before(Story(profile())).clear(ENGINE, "14FFFFFF").part()
    rounds(cleared(cleared_unread), 0x50, 0x50, 0x50, 0x00).wait(60).scan("after").codes(ENGINE).session().codes()
    story = cleared_unread.supported(C0035_13=0).no_obd().end()
    assert (f"{LABEL} was not read before its first clear",) == reasons(story)


def test_a_unit_that_a_network_code_names_must_be_read() -> None:
    known = profile(codes=(code_of(about=ENGINE), code_of(text="C0040-13", about="7E1/7E9")))
    story = beside(nothing, lambda s: s.refused(ENGINE, "1902FF", 0x11), known)
    assert (f"{LABEL} was not read before its first clear",) == reasons(story)
    assert [UNIT, ENGINE] == [pair.unit for pair in story.judged().units]


def test_a_unit_not_fitted_for_certain_need_not_answer() -> None:
    unit = ProfileUnit(address=ENGINE, name="Engine control", system="powertrain", fitted=False)
    known = profile(units=(*profile().units, unit))
    assert () == reasons(beside(lambda s: s.silent(ENGINE, "1902FF"), lambda s: s.silent(ENGINE, "1902FF"), known))


def look(tell) -> UnitLook:
    story = Story(profile()).scan("before")
    tell(story)
    record = story.end().record()
    return unit_look(record, record.scans[0], UNIT)


# How a unit fared in a scan.


@pytest.mark.parametrize(
    ("tell", "words", "outcome"),
    [
        (lambda s: s.codes(C0035_13=0x2F, C0040_13=0x50), "lists 1 fault", "answered"),
        (lambda s: s.codes(C0035_13=0x2F, C0040_13=0x28), "lists 2 faults", "answered"),
        (lambda s: s.codes(C0035_13=0x50), "lists none", "answered"),
        (lambda s: s.codes().supported(C0035_13=0x2F), "lists 1 fault", "answered"),
        (lambda s: s.codes(mask=0x50, C0035_13=0x2F), "lists none", "answered"),
        (lambda s: s.refused(UNIT, "1902FF", 0x22), "refused (22)", "refused"),
        (lambda s: s.silent(UNIT, "1902FF"), "silent", "silent"),
        (lambda s: s.damaged(UNIT, "1902FF"), "damaged", "damaged"),
        (lambda s: s.unsent(UNIT, "1902FF"), "not asked", "unsent"),
        (lambda s: s, "not asked", "not asked"),
        (lambda s: s.refused(UNIT, "1902FF", 0x11).answer(UNIT, "03", "43010420"), "lists 1 fault", "answered"),
        (lambda s: s.silent(UNIT, "1902FF").answer(UNIT, "03", "4300"), "lists none", "answered"),
        (lambda s: s.silent(UNIT, "1902FF").silent(UNIT, "03"), "silent", "silent"),
        (lambda s: s.codes().answer(UNIT, "03", "43010420"), "lists 1 fault", "answered"),
        (lambda s: s.codes(C0035_13=0x2F).answer(UNIT, "03", "43014035"), "lists 1 fault", "answered"),
    ],
)
def test_the_words_for_a_unit_in_a_scan(tell, words: str, outcome: str) -> None:
    found = look(tell)
    assert (words, outcome) == (found.words, found.outcome_text)


def test_another_memory_that_went_unread_is_named_beside_it() -> None:
    story = Story(profile()).scan("before").codes().answer(UNIT, "07", "4700").end()
    record = story.scan("after").codes().silent(UNIT, "07").silent(UNIT, "0A").end().record()
    assert "lists none (07 silent)" == unit_look(record, record.scans[1], UNIT).words


def vin(text: str) -> str:
    return text.encode().hex().upper()


def told(story: Story, unit: str, text: str, serial: str | None = None) -> Story:
    story.answer(unit, "22F190", f"62F190{vin(text)}")
    return story if serial is None else story.answer(unit, "22F18C", f"62F18C{serial}")


# Which vehicle.


def test_the_vin_that_most_units_give() -> None:
    story = told(told(Story().scan("before"), UNIT, VIN), "7E1/7E9", OTHER_VIN)
    story.answer(ENGINE, "0902", f"490201{vin(VIN)}").silent(ENGINE, "22F190").answer(ENGINE, "22F190", "62F190FFFF")
    record = (
        story.answer(ENGINE, "0902", "4902").answer("functional:7DF", "0902", "490200", source="7E8").end().record()
    )
    assert VIN == vehicle_vin(record)
    assert {UNIT: ((1, VIN),), ENGINE: ((1, VIN),), "7E1/7E9": ((1, OTHER_VIN),)} == vins_read(record)
    assert vehicle_vin(Story().record()) is None


def test_units_that_carry_another_vin_than_others_are_no_other_vehicle() -> None:
    story = Story()
    for _ in range(2):
        told(told(story.scan("check"), UNIT, VIN), UNIT, VIN).answer(UNIT, "0902", f"490201{vin(OTHER_VIN)}").end()
    assert VIN == story.judged().vin


def test_the_same_unit_with_another_vin_is_another_vehicle() -> None:
    story = told(told(Story(profile()).scan("before"), UNIT, VIN, "41").scan("after"), UNIT, OTHER_VIN, "41").end()
    with pytest.raises(
        RecordError, match=f"Brake control .760/768. gave VIN {VIN} first and {OTHER_VIN} later"
    ) as error:
        story.judged()
    assert "check which vehicle is connected" in error.value.next_step


def test_another_unit_may_carry_another_vin() -> None:
    story = told(told(Story(profile()).scan("before"), UNIT, VIN, "41").scan("after"), UNIT, OTHER_VIN, "42").end()
    assert VIN == story.judged().vin


def test_units_that_all_changed_with_their_vin_are_another_vehicle() -> None:
    def both(story: Story, text: str, serial: str) -> Story:
        return told(told(story, UNIT, text, serial), ENGINE, text, serial)

    story = both(both(Story(profile()).scan("before"), VIN, "41").scan("after"), OTHER_VIN, "42").end()
    with pytest.raises(RecordError, match="No verdict"):
        story.judged()

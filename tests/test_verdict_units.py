"""Units in a scan: how each fared, whether its memory was read, and which vehicle they belong to.

Source of what is expected: the words for a unit in a scan and the notes on units in the verdict rules.
"""

from __future__ import annotations

import pytest
from journal_builder import (
    UNIT,
    VIN,
    Story,
    profile,
)

from decoders.errors import RecordError
from sessions.verdict import UnitLook, unit_look
from sessions.verdict.identity import vehicle_vin, vins_read
from sessions.verdict.units import memory_read

ENGINE = "7E0/7E8"


OTHER_VIN = "1M8GDM9AXKP042788"  # a published worked example (49 CFR 565.15)


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
        (lambda s: s.codes(mask=0x50, C0035_13=0x2F), "lists none (its mask shows no fault bit)", "answered"),
        (lambda s: s.codes(mask=0x00), "lists none (its mask shows no fault bit)", "answered"),
        (lambda s: s.refused(UNIT, "1902FF", 0x22), "refused (22)", "refused"),
        (lambda s: s.silent(UNIT, "1902FF"), "silent", "silent"),
        (lambda s: s.damaged(UNIT, "1902FF"), "damaged", "damaged"),
        (lambda s: s.unsent(UNIT, "1902FF"), "not asked", "unsent"),
        (lambda s: s, "not asked", "not asked"),
        (lambda s: s.refused(UNIT, "1902FF", 0x11).answer(UNIT, "03", "43010420"), "lists 1 fault", "answered"),
        (lambda s: s.silent(UNIT, "1902FF").answer(UNIT, "03", "4300"), "lists none", "answered"),
        # ISO 14229-1: a unit that answers 22 would refuse 19 if it had none; its silence is an answer that got lost.
        (lambda s: s.session().silent(UNIT, "1902FF").answer(UNIT, "03", "4300"), "silent", "silent"),
        (
            lambda s: s.refused(UNIT, "22F186", 0x31).silent(UNIT, "1902FF").answer(UNIT, "03", "4300"),
            "silent",
            "silent",
        ),
        (lambda s: s.silent(UNIT, "22F186", "1902FF").answer(UNIT, "03", "4300"), "lists none", "answered"),
        (lambda s: s.session("7E1/7E9").silent(UNIT, "1902FF").answer(UNIT, "03", "4300"), "lists none", "answered"),
        # One refusal with 11 tells of the whole service, whatever the other requests of it met.
        (
            lambda s: s.session().silent(UNIT, "1902FF").refused(UNIT, "190A", 0x11).answer(UNIT, "03", "4300"),
            "lists none",
            "answered",
        ),
        # ISO 14229-1, Annex A: 12 and 7F are refusals of a unit that has the service.
        (lambda s: s.refused(UNIT, "1902FF", 0x12).answer(UNIT, "03", "4300"), "refused (12)", "refused"),
        (lambda s: s.refused(UNIT, "1902FF", 0x7F).answer(UNIT, "03", "4300"), "refused (7F)", "refused"),
        (lambda s: s.damaged(UNIT, "1902FF").answer(UNIT, "03", "4300"), "damaged", "damaged"),
        # Whether it has service 19 was never asked.
        (lambda s: s.answer(UNIT, "03", "4300"), "not asked", "not asked"),
        (lambda s: s.unsent(UNIT, "1902FF").answer(UNIT, "03", "4300"), "not asked", "unsent"),
        (lambda s: s.refused(UNIT, "1902FF", 0x11).answer(UNIT, "0A", "4A00"), "not asked", "not asked"),
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


def test_a_unit_that_once_answered_service_19_never_speaks_obd_only() -> None:
    story = Story(profile()).scan("before").codes(C0035_13=0x2F).answer(UNIT, "03", "43014035").end()
    record = story.scan("after").silent(UNIT, "1902FF").answer(UNIT, "03", "4300").end().record()
    assert ("lists 1 fault", "silent") == tuple(unit_look(record, scan, UNIT).words for scan in record.scans)


@pytest.mark.parametrize(
    ("tell", "expected"),
    [
        (lambda s: s.silent(UNIT, "1915"), "lists none (19 15 silent)"),
        (lambda s: s.refused(UNIT, "1915", 0x22), "lists none (19 15 refused)"),
        (lambda s: s.damaged(UNIT, "1915"), "lists none (19 15 damaged)"),
        (lambda s: s.answer(UNIT, "1915", "5915FF"), "lists none"),
        (lambda s: s, "lists none"),
    ],
)
def test_a_permanent_list_that_went_unread_is_named(tell, expected: str) -> None:
    story = Story(profile()).scan("before").codes().answer(UNIT, "1915", "5915FF").end()
    record = tell(story.scan("after").codes()).end().record()
    assert expected == unit_look(record, record.scans[1], UNIT).words


def test_a_permanent_list_that_was_never_answered_is_no_memory() -> None:
    assert "lists none" == look(lambda s: s.codes().silent(UNIT, "1915")).words


@pytest.mark.parametrize(
    ("tell", "expected"),
    [
        (lambda s: s.codes().answer(UNIT, "0A", "4A010353"), "lists none (0A lists P0353)"),
        (lambda s: s.codes().answer(UNIT, "0A", "4A0203530420"), "lists none (0A lists P0353, P0420)"),
        (lambda s: s.codes().answer(UNIT, "1915", "5915FF4035132F"), "lists none (19 15 lists C0035-13)"),
        (
            lambda s: s.refused(UNIT, "1902FF", 0x11).answer(UNIT, "03", "4300").answer(UNIT, "0A", "4A010353"),
            "lists none (0A lists P0353)",
        ),
    ],
)
def test_permanent_copies_are_shown_beside_and_are_no_fault_of_their_own(tell, expected: str) -> None:
    # SAE J1979, service 0A; ISO 14229-1, 19 15.
    found = look(tell)
    assert (expected, ()) == (found.words, found.faults)


# Was its memory read whole.


@pytest.mark.parametrize(
    ("tell", "expected"),
    [
        (lambda s: s.codes(), True),
        (lambda s: s.codes(mask=0x01), True),
        (lambda s: s.codes(mask=0x50), False),
        (lambda s: s.codes(mask=0x00), False),
        (lambda s: s.answer(UNIT, "1901FF", "5901FF010001").codes(), False),
        (lambda s: s.supported(C0035_13=0x2F).answer(UNIT, "1915", "5915FF"), False),
        (lambda s: s.refused(UNIT, "1902FF", 0x11).answer(UNIT, "03", "4300").answer(UNIT, "07", "4700"), True),
        (lambda s: s.refused(UNIT, "1902FF", 0x11).answer(UNIT, "03", "4300").silent(UNIT, "07"), False),
        (lambda s: s.refused(UNIT, "1902FF", 0x7F).answer(UNIT, "03", "4300").answer(UNIT, "07", "4700"), False),
        (lambda s: s.silent(UNIT, "1902FF"), False),
    ],
)
def test_a_memory_is_read_by_a_whole_list_that_can_show_a_fault(tell, expected: bool) -> None:
    # ISO 14229-1: a bit that the availability mask lacks is never reported by 19 02.
    record = tell(Story(profile()).scan("before")).end().record()
    assert expected is memory_read(record, record.scans[0], UNIT)


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

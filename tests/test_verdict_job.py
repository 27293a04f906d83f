"""The verdict of a whole job: every reason that keeps it open, what is set aside, units, identity, plan and form.

Source of what is expected: section 5 (job, set aside, another unit, another VIN) and section 8 (form) of the design.
"""

from __future__ import annotations

import json

import pytest
from journal_builder import (
    AT_REST,
    AT_SPEED,
    CODE,
    UNIT,
    VIN,
    Story,
    after,
    before,
    cleared,
    code_of,
    mended,
    profile,
    rounds,
)

from decoders.errors import RecordError
from decoders.values import Outcome
from sessions.profile import ProfileUnit
from sessions.verdict import JobGrade, UnitLook, Verdict, emissions_looks, unit_look, verdict_form, worth_watching
from sessions.verdict.identity import vehicle_vin, vins_read
from sessions.verdict.job import _grade
from sessions.verdict.scans import after_scan, before_scan, taken_after_erase
from sessions.verdict.watched import watched_faults

ENGINE = "7E0/7E8"
OTHER_VIN = "1M8GDM9AXKP042788"  # a published worked example (49 CFR 565.15)


def reasons(story: Story) -> tuple[str, ...]:
    return story.judged().reasons


def started(**more) -> Story:
    return before(Story(profile(), **more)).part()


def finish(story: Story) -> Story:
    """The clear, the drive and the after-scan."""
    return after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))


def test_a_job_is_proven_when_nothing_keeps_it_open() -> None:
    verdict = mended().judged()
    assert (JobGrade.PROVEN, (), (), 0) == (verdict.grade, verdict.reasons, verdict.plan, verdict.set_aside_count)
    assert (1, 2) == (verdict.before.number if verdict.before else 0, verdict.after.number if verdict.after else 0)


def test_the_same_journal_always_gives_the_same_verdict() -> None:
    story = mended()
    assert story.judged() == story.judged()


# Scans.


def test_without_a_before_scan_there_is_nothing_to_prove() -> None:
    verdict = Story(profile()).scan("after").session().codes(C0035_13=0x2F).end().judged()
    assert "nothing to prove: no complete before-scan that read a unit" == verdict.reasons[0]
    assert "Scan the car before anything is repaired or cleared (scan --as before)." == verdict.plan[0]
    assert JobGrade.OPEN is verdict.grade


def test_the_before_scan_is_the_newest_complete_one_that_read_a_unit_before_any_change() -> None:
    story = before(Story(profile())).scan("before").session().codes(C0035_13=0x2F).end()
    story.scan("before").silent(UNIT, "1902FF").end()
    story.scan("before").session().codes().end(complete=False)
    story.part().scan("before").session().codes().end()
    found = before_scan(story.record())
    assert found is not None
    assert 2 == found.number


def test_a_scan_that_obd_alone_answered_read_a_unit() -> None:
    found = before_scan(Story().scan("before").answer(ENGINE, "03", "4300").end().record())
    assert found is not None


def test_a_before_scan_that_listed_no_fault_leaves_nothing_to_prove() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x20).no_obd().end()
    assert "nothing to prove: the before-scan listed no fault" in reasons(finish(story.part()))


@pytest.mark.parametrize(
    ("counters", "expected"),
    [
        ({"warm_ups": 0, "distance": 0, "minutes": 0}, True),
        ({"warm_ups": 0, "distance": 0, "minutes": 1}, False),
        ({"warm_ups": 0, "distance": 0}, False),
        ({}, False),
    ],
)
def test_a_before_scan_whose_counters_all_read_0_was_taken_after_an_erase(counters, expected: bool) -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).live(**counters).end()
    record = story.live(warm_ups=0, distance=0, minutes=0).record()
    assert expected is taken_after_erase(record, record.scans[0])
    assert expected is ("the before-scan was taken after an erase" in reasons(story))


def test_a_person_may_say_that_it_was_taken_after_an_erase() -> None:
    story = Story(profile()).scan("before", after_erase=True).session().codes(C0035_13=0x2F).end()
    assert "the before-scan was taken after an erase" in reasons(story)


def test_counters_of_a_scan_under_way_count_to_its_end() -> None:
    record = Story(profile()).scan("before").live(warm_ups=0, distance=0, minutes=0).record()
    assert taken_after_erase(record, record.scans[0])


def test_only_a_scan_taken_as_after_closes_a_job() -> None:
    story = after(rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00), taken_as="check")
    verdict = story.judged()
    assert ("scan 2 was taken as a check: only an after-scan closes a job",) == verdict.reasons
    assert ("proven", True) == (verdict.faults[0].verdict.value, verdict.faults[0].provisional)
    assert ("Then scan again (scan --as after).",) == verdict.plan


def test_a_second_scan_taken_as_before_after_the_work_is_read_but_does_not_close_it() -> None:
    story = after(rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00), taken_as="before")
    assert ("scan 2 was taken as a before: only an after-scan closes a job",) == reasons(story)


def test_without_a_before_scan_one_that_came_too_late_is_no_after_scan() -> None:
    assert after_scan(Story().scan("before").silent(UNIT, "1902FF").end().record()) is None


def test_of_two_before_scans_the_older_is_no_after_scan() -> None:
    assert after_scan(before(before(Story(profile()))).record()) is None


def test_without_an_after_scan_the_job_is_open() -> None:
    verdict = cleared(started()).judged()
    assert "no complete after-scan newer than the last clear" in verdict.reasons
    assert "Scan the car after the work (scan --as after)." == verdict.plan[-1]


# Faults.


def test_each_fault_counts_and_at_least_one_must_be_proven() -> None:
    assert ("1 fault not proven", "no fault is proven") == reasons(after(cleared(started()), 0x50))
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F, C0040_13=0x2F).no_obd().end()
    assert "2 faults not proven" in reasons(story.part())


def test_a_fault_seen_only_while_watching_counts() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00).supported(C0035_13=0, C0040_13=0x2F)
    story = after(story.supported(C0035_13=0, C0040_13=0x2C))
    assert "1 fault not proven" in reasons(story)
    assert "untested" == story.graded("C0040-13")[0]


def test_history_is_shown_apart_unless_it_was_read_after_a_clear() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F, C0040_13=0x20).no_obd().end()
    assert ((UNIT, "C0040-13"),) == story.judged().history
    story.clear(UNIT, "14FFFFFF").codes(C0040_13=0x50).codes(C0040_13=0x20)
    assert () == story.judged().history
    story.clear(UNIT, "14FFFFFF").codes(C0040_13=0x50)
    assert () == story.judged().history, "it was read after a clear, whatever came later"


def test_a_code_known_by_a_byte_without_a_mask_counts_against_the_job() -> None:
    story = Story(profile()).snapshot("C0040-13", 0x2C).scan("before").session().codes(C0035_13=0x2F).no_obd().end()
    assert ["C0035-13", "C0040-13"] == sorted(fault.key.dtc.text for fault in story.judged().faults)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (((0x00, None),), []),  # an unknown code may be echoed with 00
        (((0x50, None), (0x00, None)), [0x50, 0x00]),
        (((0x50, None), (0x00, "clear")), [0x50]),  # shown before the clear only
        (((0x00, "0A"),), [0x00]),
        (((0x2C, None),), [0x2C]),
    ],
)
def test_a_clean_byte_of_a_single_code_answer_counts_only_if_the_unit_knows_the_code(told, expected) -> None:
    from decoders.values import Dtc
    from sessions.verdict.sights import sights_of

    story = Story(profile()).scan("check").codes()
    for status, first in told:
        if first == "clear":
            story.clear(UNIT, "14FFFFFF").scan("check").codes()
        if first == "0A":
            story.supported(C0035_13=0x50)
        story.snapshot(CODE, status)
    found = [item for item in sights_of(story.record(), UNIT, Dtc.parse(CODE)) if item.single]
    assert expected == [item.status.byte for item in found]


def test_a_clean_byte_whose_mask_was_not_read_says_nothing() -> None:
    from decoders.values import Dtc
    from sessions.verdict.sights import sights_of

    story = Story(profile()).supported(C0035_13=0x50).scan("check").snapshot(CODE, 0x00).end()
    assert [0x50] == [item.status.byte for item in sights_of(story.record(), UNIT, Dtc.parse(CODE))]


def test_obd_and_service_19_speak_of_one_fault_and_obd_against_each_failure_type() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F, C0035_14=0x2F)
    story.answer(UNIT, "03", "43014035").answer(UNIT, "07", "47014035").end().part()
    story.clear(UNIT, "14FFFFFF").scan("after").session().codes(C0035_13=0x50, C0035_14=0x50)
    verdict = story.answer(UNIT, "03", "4300").answer(UNIT, "07", "47014035").end().judged()
    assert [("C0035-13", "returned"), ("C0035-14", "returned")] == [
        (fault.key.dtc.text, fault.verdict.value) for fault in verdict.faults
    ]


def test_a_grade_is_held_where_a_fault_is_held_in_place_of_proven() -> None:
    from dataclasses import replace

    proven = mended().fault()
    held = replace(proven, ruling=replace(proven.ruling, verdict=Verdict.HELD))
    aside = mended().decide(given_for="held").fault().set_aside
    assert JobGrade.HELD is _grade((held,), ())
    assert JobGrade.HELD is _grade((proven, held), ())
    assert JobGrade.HELD is _grade((replace(held, set_aside=aside),), ())
    assert JobGrade.PROVEN is _grade((proven, replace(held, set_aside=aside)), ())
    assert JobGrade.OPEN is _grade((proven,), ("a reason",))


# Set aside.


def with_second(status: int) -> Story:
    """A second code beside the mended one, with a last status."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F, C0040_13=0x2F)
    story.supported(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    rounds(cleared(story), 0x50, 0x50, 0x50, 0x00).wait(60).scan("after").session()
    return story.codes(C0040_13=status).supported(C0035_13=0).no_obd().end()


def test_a_fault_set_aside_no_longer_keeps_the_job_open() -> None:
    verdict = with_second(0x50).decide(code="C0040-13", given_for="untested").judged()
    assert (JobGrade.PROVEN, 1) == (verdict.grade, verdict.set_aside_count)
    fault = next(fault for fault in verdict.faults if fault.set_aside)
    assert ("untested", "the owner lives with it", "untested", "r.ambrel") == (
        fault.verdict.value,
        fault.set_aside.reason if fault.set_aside else "",
        fault.set_aside.given_for.value if fault.set_aside else "",
        fault.set_aside.actor if fault.set_aside else "",
    )
    assert () == verdict.plan


def test_it_ends_when_the_verdict_gets_worse() -> None:
    assert 0 == with_second(0x2F).decide(code="C0040-13", given_for="untested").judged().set_aside_count
    assert 1 == with_second(0x2F).decide(code="C0040-13", given_for="failing").judged().set_aside_count


def test_the_newest_decision_counts_and_only_for_its_fault() -> None:
    story = with_second(0x2F).decide(code="C0040-13", given_for="failing")
    assert 0 == story.decide(code="C0040-13", given_for="proven").judged().set_aside_count
    assert 0 == with_second(0x2F).decide(code="C0040-13", memory="obd").judged().set_aside_count
    assert 0 == with_second(0x2F).decide(code="C0040-14").judged().set_aside_count


def test_a_job_with_nothing_but_set_aside_faults_is_not_proven() -> None:
    assert ("no fault is proven",) == reasons(after(cleared(started()), 0x50).decide(given_for="untested"))


def test_a_unit_may_be_set_aside() -> None:
    known = profile(units=(*profile().units, ProfileUnit(address=ENGINE, name="Engine control", system="powertrain")))
    story = after(rounds(cleared(before(Story(known)).part()), 0x50, 0x50, 0x50, 0x00))
    assert ("Engine control (7E0/7E8) was not read before its first clear",) == reasons(story)
    assert "or set the unit aside" in story.judged().plan[0]
    verdict = story.decide(ENGINE, None, given_for="unread").judged()
    assert (JobGrade.PROVEN, 1) == (verdict.grade, verdict.set_aside_count)


# Units.


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


# How a unit fared in a scan.


def look(tell) -> UnitLook:
    story = Story(profile()).scan("before")
    tell(story)
    record = story.end().record()
    return unit_look(record, record.scans[0], UNIT)


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


# Complaints and lamps.


def complained(*notes: tuple[str, str]) -> tuple[str, ...]:
    story = mended(complaints=("the lamp is lit",))
    for about, state in notes:
        story.observe(about, state)
    return reasons(story)


OPEN = "complaint 1 is not noted as gone or explained"


def test_each_complaint_must_be_noted_as_gone_or_explained() -> None:
    assert (OPEN,) == complained()
    assert () == complained(("complaint 1", "gone"))
    assert () == complained(("complaint 1", "explained"))
    assert "Note whether complaint 1 is gone or explained (job observe)." in mended(complaints=("x",)).judged().plan


def test_each_lit_lamp_must_be_noted_and_the_newest_note_counts() -> None:
    lamp = "brake lamp is not noted as gone or explained"
    assert (OPEN, lamp) == complained(("brake lamp", "lit"))
    assert (OPEN,) == complained(("brake lamp", "lit"), ("brake lamp", "gone"))
    assert (OPEN, lamp) == complained(("brake lamp", "gone"), ("brake lamp", "lit"))


def test_gone_counts_only_after_the_work_explained_at_any_time() -> None:
    for state, expected in (("gone", (OPEN,)), ("explained", ())):
        assert expected == reasons(finish(started(complaints=("x",)).observe("complaint 1", state)))


def test_a_malfunction_lamp_that_a_unit_commands_on_is_lit() -> None:
    story = mended().scan("after").session().codes().supported(C0035_13=0).no_obd().monitors(mil=True).end()
    assert ("malfunction lamp is not noted as gone or explained",) == reasons(story)
    assert () == reasons(story.observe("malfunction lamp", "explained"))


def test_what_the_emissions_services_say_in_a_scan() -> None:
    # SAE J1979, PID 01: byte D bit 0 set is "catalyst not complete"; service 0A lists one code.
    story = Story().scan("before").monitors(ENGINE, mil=True, incomplete=0x01).answer(ENGINE, "0A", "4A010420")
    record = story.live(ENGINE, rpm=0).answer(ENGINE, "0141", "4100000000").monitors(UNIT).record()
    first, second = emissions_looks(record, record.scans[0])
    assert (UNIT, None, "malfunction lamp off; monitors all complete; permanent codes not told") == (
        first.unit,
        first.permanent,
        first.words,
    )
    assert (ENGINE, ("catalyst",), ("P0420",)) == (second.unit, second.incomplete, second.permanent)
    assert "malfunction lamp on; monitors not complete: catalyst; permanent codes: P0420" == second.words
    assert 6 == len(second.complete)


def test_monitors_outside_a_scan_and_of_this_cycle_are_not_in_its_look() -> None:
    story = Story().monitors(ENGINE).scan("before").answer(ENGINE, "0141", "414100000000").end().monitors(ENGINE)
    record = story.record()
    assert () == emissions_looks(record, record.scans[0])
    none = Story().scan("before").monitors(ENGINE).answer(ENGINE, "0A", "4A00").end().record()
    assert "permanent codes: none" in emissions_looks(none, none.scans[0])[0].words


# Which vehicle.


def vin(text: str) -> str:
    return text.encode().hex().upper()


def told(story: Story, unit: str, text: str, serial: str | None = None) -> Story:
    story.answer(unit, "22F190", f"62F190{vin(text)}")
    return story if serial is None else story.answer(unit, "22F18C", f"62F18C{serial}")


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


# What is worth watching.


def test_units_with_a_cleared_standing_fault_are_worth_watching() -> None:
    assert (UNIT,) == worth_watching(cleared(started()).record())
    assert () == worth_watching(started().record()), "not cleared"
    assert () == worth_watching(rounds(cleared(started()), 0x2F).record()), "it came back"
    assert () == worth_watching(cleared(before(Story(profile()), 0x2C).part()).record()), "it was not standing"
    history = Story(profile()).scan("before").session().codes(C0040_13=0x20).no_obd().end()
    assert () == worth_watching(history.record())


def watched_words(story: Story) -> list[tuple[str, bool]]:
    return [(item.words, item.done) for item in watched_faults(story.record())]


def test_how_far_a_watched_fault_has_come() -> None:
    assert [("0 of 1 conditions met; next: engine 2000 rpm, 60 km/h, outside 14 °C", False)] == watched_words(
        cleared(started())
    )
    assert [("passed under all its conditions", True)] == watched_words(rounds(cleared(started()), 0x50, 0x50, 0x50, 0))
    assert [("came back", True)] == watched_words(rounds(cleared(started()), 0x2F))
    unknown = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd()
    unknown.refused(UNIT, "1904403513FF", 0x31).end().part()
    assert [("its conditions are not known", False)] == watched_words(cleared(unknown))
    unread = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd().end().part()
    assert [("0 of 1 conditions met; next: they were never asked for", False)] == watched_words(cleared(unread))


# Standing.


def standing(story: Story) -> str:
    return " | ".join(text for text in story.fault().ruling.missing if "passed test is no proof" in text)


def test_a_fault_not_failing_when_first_listed_is_not_standing() -> None:
    assert "its test was not failing where the job first listed it (status 2C)" in standing(
        finish(before(Story(profile()), 0x2C).part())
    )


@pytest.mark.parametrize("status", [0x2C, 0x28, 0x68])
def test_a_test_seen_passed_before_the_repair_is_not_standing(status: int) -> None:
    story = finish(rounds(before(Story(profile())), status).part())
    assert "its test had passed before the repair (entry" in standing(story)


def test_a_test_not_run_before_the_repair_leaves_it_standing() -> None:
    story = before(Story(profile())).clear(UNIT, "14FFFFFF").supported(C0035_13=0x50).supported(C0035_13=0x2F).part()
    assert "it came back" not in standing(finish(story))


def test_an_old_edition_that_leaves_bit_6_alone_shows_no_pass_by_its_clear() -> None:
    # Reading one byte: standards sheet 1.1, 10 is unclear, no proof of a test that ran.
    story = before(Story(profile())).clear(UNIT, "14FFFFFF").supported(C0035_13=0x10).supported(C0035_13=0x2F).part()
    assert "its test had passed" not in standing(finish(story))


def test_a_code_that_went_away_by_itself_before_the_repair_is_not_standing() -> None:
    gone = before(Story(profile())).codes().codes(C0035_13=0x2F).part()
    assert "its test had passed before the repair" in standing(finish(gone))
    by_clear = before(Story(profile())).clear(UNIT, "14FFFFFF").codes().codes(C0035_13=0x2F).part()
    assert "" == standing(finish(by_clear))


def test_without_run_bits_testfailed_that_went_out_by_itself_tells_a_pass() -> None:
    story = before(Story(profile())).supported(mask=0xAF, C0035_13=0x2C).supported(C0035_13=0x2F).part()
    assert "its test had passed before the repair" in standing(finish(story))


def test_a_fault_that_came_back_after_a_clear_later_than_the_repair_is_not_standing() -> None:
    story = rounds(cleared(started()), 0x2F)
    assert "it came back after clear 14 FF FF FF accepted by the unit" in standing(finish(story))
    assert "" == standing(finish(story.part("the right part")))
    by_obd = cleared(started()).answer(UNIT, "07", "47014035")
    assert "it came back after" in standing(finish(by_obd))


def test_a_lamp_alone_is_no_return() -> None:
    assert "" == standing(finish(rounds(cleared(started()), 0xD0)))


def test_an_obd_list_before_any_status_byte_must_be_of_pending_codes() -> None:
    def listed(*services: str) -> str:
        story = Story(profile()).scan("before").silent(UNIT, "1902FF")
        for service in ("03", "07"):
            story.answer(UNIT, service, f"4{service[1]}014035" if service in services else f"4{service[1]}00")
        story.end().scan("check").session().codes(C0035_13=0x2F).end().part()
        return standing(after(cleared(story), 0x50))

    assert "service 07 did not list it where the job first listed it" in listed("03")
    assert "" == listed("03", "07")
    assert "" == listed("07")


# The plan.


def test_the_plan_says_what_to_do_next() -> None:
    assert "find and repair the cause, then clear this unit again." in after(started(), 0x2F).judged().plan[0]
    assert "clear this unit again; it still lists the old entry." in after(started(), 0x2C).judged().plan[0]
    silent = cleared(started()).scan("after").silent(UNIT, "1902FF").end()
    assert "make the unit answer (supply, connection), then scan again" in silent.judged().plan[0]
    untested = after(cleared(started()), 0x50).judged().plan
    assert (
        "Run with engine 2000 rpm, 60 km/h, outside 14 °C for at least 10 s while reading, from a fresh key-on: "
        "Brake control C0035-13.",
        "Then scan again (scan --as after).",
    ) == untested


def test_a_fault_that_comes_and_goes_is_watched() -> None:
    story = finish(before(Story(profile()), 0x2C).part())
    assert "Keep watching over several drives; one passed test does not prove it" in story.judged().plan[0]


def test_a_new_clear_comes_first_and_once_for_a_unit() -> None:
    story = with_second(0x50).part("another part")
    plan = story.judged().plan
    assert "Brake control: clear this unit; what was read before does not count for the repair." == plan[0]
    assert 1 == sum("clear this unit;" in step for step in plan)


def test_an_erasure_nobody_vouches_for_asks_for_a_clear() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd().end()
    story.scan("after").session().codes().no_obd().end()
    assert "Brake control: clear this unit;" in story.judged().plan[0]


# The form.


def test_the_form_of_a_verdict() -> None:
    # Keys and their order: section 8 of the design, verdict --json.
    story = told(with_second(0x50).scan("after"), UNIT, VIN).session().codes(C0040_13=0x50).supported(C0035_13=0)
    form = verdict_form(story.no_obd().silent(ENGINE, "1902FF").end().decide(code="C0040-13").judged(), 7)
    assert ["job", "vin", "job_verdict", "scan", "set_aside_count", "faults", "units", "plan"] == list(form)
    assert (7, VIN, "proven", 3, 1, []) == (
        form["job"],
        form["vin"],
        form["job_verdict"],
        form["scan"],
        form["set_aside_count"],
        form["plan"],
    )
    first, second = form["faults"]
    assert ["unit", "unit_name", "code", "memory", "verdict", "set_aside", "rule", "evidence", "missing"] == list(first)
    assert (UNIT, "Brake control", "C0040-13", "dtc", "untested", "the owner lives with it", 11) == tuple(
        first.values()
    )[:7]
    assert ("proven", None, 8, []) == (second["verdict"], second["set_aside"], second["rule"], second["missing"])
    assert [
        {"unit": UNIT, "before": "answered", "after": "answered"},
        {"unit": ENGINE, "before": "not asked", "after": "silent"},
    ] == form["units"]
    assert form == json.loads(json.dumps(form))


def test_the_form_of_a_job_without_scans() -> None:
    form = verdict_form(Story(profile()).silent(ENGINE, "03").judged(), 1)
    assert (None, None, "open", []) == (form["vin"], form["scan"], form["job_verdict"], form["faults"])
    assert {"unit": ENGINE, "before": "not asked", "after": "not asked"} in form["units"]


def test_outcomes_are_five_words() -> None:
    assert ["answered", "refused", "silent", "damaged", "unsent"] == [outcome.value for outcome in Outcome]

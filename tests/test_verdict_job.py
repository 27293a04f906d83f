"""The verdict of a whole job: every reason that keeps it open, and what is set aside.

Source of what is expected: the job in the verdict rules.
"""

from __future__ import annotations

import pytest
from job_stories import ENGINE, finish, started, with_second
from journal_builder import (
    CODE,
    UNIT,
    Story,
    after,
    before,
    cleared,
    mended,
    profile,
    rounds,
)
from verdict_help import reasons

from sessions.profile import ProfileUnit
from sessions.verdict import JobGrade, Verdict
from sessions.verdict.job import _grade
from sessions.verdict.scans import after_scan, before_scan, taken_after_erase


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
    assert (
        "Engine control (7E0/7E8) was not read before its first clear",
        "Engine control (7E0/7E8) was not read in scan 2: not asked",
    ) == reasons(story)
    verdict = story.decide(ENGINE, None, given_for="unread").judged()
    assert (JobGrade.PROVEN, 1) == (verdict.grade, verdict.set_aside_count)

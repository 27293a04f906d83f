"""The proof plan: what to do next, in the order it should be done, and never a loop that cannot help.

Source of what is expected: the proof plan of the verdict rules, as the project documents it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from job_stories import ENGINE, NEAR, beside, driven, finish, obd_story, started, with_second
from journal_builder import (
    AT_REST,
    AT_SPEED,
    CODE,
    UNIT,
    Story,
    after,
    before,
    cleared,
    code_of,
    mended,
    profile,
    rounds,
)

LABEL = "Brake control C0035-13"
AFTER = "Then scan again (scan --as after)."
WATCH = "Begin to watch (mendproof watch JOB --link LINK): key off for at least 60 s, then key on."
DRIVE = f"While it reads: {NEAR} for at least 10 s. For {LABEL}."
NOT_TESTED = (
    "missing: a look after the clear that showed the test as not completed: without it, completed means nothing"
)
Tell = Callable[[Story], Story]


def plan(story: Story) -> tuple[str, ...]:
    return story.judged().plan


def never(why: str, label: str = LABEL) -> str:
    return (
        f"{label}: this version cannot prove it ({why}). Watch it over several drives, "
        "or set it aside with a reason (job set-aside)."
    )


# Cause, clear, scan.


def test_a_fault_that_is_there_is_to_be_mended_and_cleared() -> None:
    step = f"{LABEL}: it is there now. Mend its cause, or do the service it asks for, then clear this unit"
    assert (f"{step}.", AFTER) == plan(after(started(), 0x2F)), "it was never cleared"
    assert (f"{step} again.", AFTER) == plan(after(driven(cleared(started())), 0x2F))


def test_an_old_entry_is_to_be_cleared() -> None:
    assert ("Brake control: clear this unit; it still lists the old entry.", AFTER) == plan(after(started(), 0x2C))


def test_a_unit_that_did_not_answer_is_to_be_made_to() -> None:
    assert (
        f"{LABEL}: make the unit answer (supply, connection), then scan again (scan --as after).",
        "Make these answer and scan again, or set them aside with a reason (job set-aside): Brake control (760/768).",
        AFTER,
    ) == plan(cleared(started()).scan("after").silent(UNIT, "1902FF").end())


def test_without_an_after_scan_one_is_to_be_taken() -> None:
    assert ("Scan the car after the work (scan --as after).",) == plan(cleared(started()))


def test_without_a_before_scan_one_is_to_be_taken_first() -> None:
    story = Story(profile()).scan("after").session().codes(C0035_13=0x2F).end()
    assert "Scan the car before anything is repaired or cleared (scan --as before)." == plan(story)[0]


def test_a_new_clear_comes_first_and_once_for_a_unit() -> None:
    steps = plan(with_second(0x50).part("another part"))
    assert "Brake control: clear this unit; what was read before does not count for the repair." == steps[0]
    assert 1 == sum("clear this unit" in step for step in steps)


def test_an_erasure_nobody_vouches_for_asks_for_a_clear() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd().end()
    story.scan("after").session().codes().no_obd().end()
    assert ("Brake control: clear this unit; what was read before does not count for the repair.", AFTER) == plan(story)


def test_mending_comes_before_clearing_before_driving_before_the_scan() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session()
    listed = {"C0035_13": 0x2F, "C0040_13": 0x2F}
    story.codes(**listed).supported(**listed).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").readback().supported(C0035_13=0x50, C0040_13=0x50).watch()
    story.scan("after").session().codes(C0035_13=0x50, C0040_13=0x2F).supported(C0035_13=0x50, C0040_13=0x2F)
    steps = plan(story.no_obd().monitors(mil=True).end())
    mended_first, *others = steps
    assert mended_first.startswith("Brake control C0040-13: it is there now.")
    lamp = 'Note whether it is gone or explained: mendproof job observe JOB --about "malfunction lamp" --state gone'
    assert [WATCH, DRIVE, AFTER, lamp] == others


# Driving.


def test_an_untested_fault_is_to_be_driven_under_its_conditions() -> None:
    assert (WATCH, DRIVE, AFTER) == plan(after(cleared(started()), 0x50))


def test_how_long_and_the_key_follow_the_settings() -> None:
    story = before(Story(profile(), settings={"key_off_s": 90, "hold_s": 20})).part()
    watch, drive, _after = plan(after(cleared(story), 0x50))
    assert "key off for at least 90 s, then key on." in watch
    assert f"{NEAR} for at least 20 s." in drive


def test_faults_with_the_same_conditions_share_a_step() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session()
    listed = {"C0035_13": 0x2F, "C0040_13": 0x2F}
    story.codes(**listed).supported(**listed).no_obd()
    story.snapshot(CODE, 0x2F, **AT_SPEED).snapshot("C0040-13", 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").readback().supported(C0035_13=0x50, C0040_13=0x50)
    story.scan("after").session().codes(C0035_13=0x50, C0040_13=0x50).supported(C0035_13=0x50, C0040_13=0x50)
    both = f"While it reads: {NEAR} for at least 10 s. For {LABEL}, Brake control C0040-13."
    assert (WATCH, both, AFTER) == plan(story.no_obd().end())


def on_mask(mask: int, *statuses: int, gap_s: float = 4) -> Story:
    """The plain story on a unit that keeps only some status bits."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(mask=mask, C0035_13=0x2F)
    story.supported(mask=mask, C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").readback().supported(mask=mask, C0035_13=0x50).watch()
    for status in statuses:
        story.wait(4).live(**AT_SPEED).session().supported(mask=mask, C0035_13=status)
    story.wait(gap_s).scan("after").session().codes(mask=mask).supported(mask=mask, C0035_13=statuses[-1])
    return story.no_obd().end()


def test_a_test_that_must_run_in_another_cycle_is_driven_under_conditions_already_met() -> None:
    # Mask EF: without bit 4 the test must complete in a cycle begun since the clear.
    story = on_mask(0xEF, 0x40, 0x40, 0x40, 0x00)
    assert ("its test has not completed in a cycle begun since the clear",) == story.fault().ruling.missing
    assert (WATCH, DRIVE, AFTER) == plan(story)


# A clear that helps, and one that does not.


def test_completed_without_a_read_back_asks_for_a_clear_and_the_drive_afresh() -> None:
    story = after(rounds(started().clear(UNIT, "14FFFFFF"), 0x40, 0x40, 0x40, 0x00))
    assert 1 == len(story.fault().ruling.missing), "its conditions were met"
    assert (f"Brake control: clear this unit again; {NOT_TESTED}.", WATCH, DRIVE, AFTER) == plan(story)


def test_completed_at_once_after_a_clear_is_not_cleared_again() -> None:
    steps = plan(after(rounds(cleared(started(), 0x40), 0x40, 0x40, 0x40, 0x00)))
    assert (never(NOT_TESTED.removeprefix("missing: ")), AFTER) == steps


def test_a_unit_that_keeps_no_failure_is_cleared_and_watched_from_then_on() -> None:
    # Mask DF: bit 5 is not kept, bits 0 to 3 are.
    steps = plan(on_mask(0xDF, 0x50, 0x50, 0x50, 0x00, gap_s=61))
    assert "clear this unit again; missing: the unit does not keep whether its test failed" in steps[0]
    assert (WATCH, DRIVE, AFTER) == steps[1:]


def test_a_unit_on_which_no_look_can_see_an_earlier_failure_is_not_cleared_again() -> None:
    # Mask DB: neither bit 5 nor bit 2 is kept.
    steps = plan(on_mask(0xDB, 0x50, 0x50, 0x50, 0x00))
    assert "this version cannot prove it (the unit does not keep whether its test failed" in steps[0]
    assert (AFTER,) == steps[1:]


# What no drive can do.


def test_a_fault_that_comes_and_goes_is_watched_or_set_aside() -> None:
    why = "one passed test is no proof: its test was not failing where the job first listed it (status 2C)"
    assert (never(why), AFTER) == plan(finish(before(Story(profile()), 0x2C).part()))


def test_a_fault_whose_conditions_nobody_knows_is_watched_or_set_aside() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd().end()
    assert (never("stored records cannot be compared: they were never asked for"), AFTER) == plan(finish(story.part()))


def test_a_fault_known_from_obd_services_alone_is_watched_or_set_aside() -> None:
    story = obd_story(("03", "4300"), ("07", "4700"), ("0A", "4A00"))
    why = "only OBD services list it: they do not tell whether this fault's test has run"
    assert never(why, f"Unit {ENGINE} P0420") == plan(story)[0]


def permanent_story(lasting: str) -> Story:
    """The plain story on a unit that answers 19 15."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F).supported(C0035_13=0x2F)
    story.answer(UNIT, "1915", "5915FF4035132F")
    for request in ("03", "07", "0A"):
        story.refused(UNIT, request, 0x11)
    driven(cleared(story.snapshot(CODE, 0x2F, **AT_SPEED).end().part())).wait(60).scan("after").live(**AT_REST)
    story.session().codes().supported(C0035_13=0).answer(UNIT, "1915", f"5915FF{lasting}")
    for request in ("03", "07", "0A"):
        story.refused(UNIT, request, 0x11)
    return story.end()


def test_a_permanent_copy_goes_only_by_driving_on() -> None:
    step = (
        f"{LABEL}: go on driving, in several key cycles, until this has gone: "
        "a permanent copy is still listed: only the unit itself can take it back."
    )
    assert (step, AFTER) == plan(permanent_story("40351300"))
    assert () == plan(permanent_story(""))


def test_a_lamp_that_is_still_requested_goes_only_by_driving_on() -> None:
    step = f"{LABEL}: go on driving, in several key cycles, until this has gone: a lamp is still requested for it."
    assert (step, AFTER) == plan(after(driven(cleared(started())), 0x80))


def test_the_unit_that_a_network_code_names_is_to_be_made_to_answer() -> None:
    known = profile(codes=(code_of(about=ENGINE),))
    steps = plan(beside(lambda s: s.silent(ENGINE, "22F186"), lambda s: s.silent(ENGINE, "22F186"), known))
    assert f"{LABEL}: the unit this code names (7E0/7E8) does not answer; make it answer." in steps


def siblings(status: int = 0x2F) -> Story:
    """Two failure types of one code; the second is still there."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F, C0035_14=0x2F)
    story.supported(C0035_13=0x2F, C0035_14=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").readback().supported(C0035_13=0x50, C0035_14=0x50).watch()
    for own in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).session().supported(C0035_13=own, C0035_14=0x50)
    story.wait(60).scan("after").session().codes(C0035_14=status).supported(C0035_13=0, C0035_14=status)
    return story.no_obd().end()


def test_another_failure_type_is_to_be_mended_first_also_if_it_is_set_aside() -> None:
    step = f"{LABEL}: C0035-14 of the same code is not cured; mend that first."
    there, *others = plan(siblings())
    assert there.startswith("Brake control C0035-14: it is there now.")
    assert [step, AFTER] == others
    assert (step, AFTER) == plan(siblings().decide(code="C0035-14", given_for="returned"))


# Units, complaints and lamps.


def test_units_that_went_unread_share_one_step_before_the_scan() -> None:
    def damaged(story: Story) -> None:
        story.damaged(ENGINE, "1902FF").damaged("7E1/7E9", "1902FF")

    assert (
        "Make these answer and scan again, or set them aside with a reason (job set-aside): "
        "Unit 7E0/7E8 (7E0/7E8), Unit 7E1/7E9 (7E1/7E9).",
    ) == plan(beside(damaged, damaged))


@pytest.mark.parametrize(("taken_as", "scans"), [("after", ()), ("check", (AFTER,))])
def test_a_complaint_is_noted_after_the_scan(taken_as: str, scans: tuple[str, ...]) -> None:
    story = after(driven(cleared(started(complaints=("x",)))), taken_as=taken_as)
    note = 'Note whether it is gone or explained: mendproof job observe JOB --about "complaint 1" --state gone'
    assert (*scans, note) == plan(story)


def test_a_proven_job_has_nothing_left_to_do() -> None:
    assert () == plan(mended())

"""Seen under X: the completing pair, the cycle from a key-on, the continuous test.

Source of what is expected: the term *seen under* of the verdict rules; bits 4 and 6 by ISO 14229-1, Annex D.
"""

from __future__ import annotations

import pytest
from job_stories import NEAR
from journal_builder import (
    AT_REST,
    AT_SPEED,
    CODE,
    UNIT,
    Story,
    after,
    cleared,
    code_of,
    mended,
    profile,
    rounds,
)
from verdict_help import NEAR_MISS, seen, words
from verdict_help import started_under as started

from sessions.profile import Profile

# The completing pair.


def test_not_completed_then_completed_with_the_conditions_all_the_way() -> None:
    assert [True] == seen(mended())


def test_one_reading_out_of_range_in_between_spoils_it() -> None:
    story = rounds(cleared(started()), 0x50, 0x50)
    story.wait(2).live(kmh=49).wait(2).live(**AT_SPEED).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_the_conditions_must_hold_where_it_was_not_completed_yet() -> None:
    story = rounds(rounds(cleared(started()), 0x50, **NEAR_MISS), 0x00)
    assert [False] == seen(after(story))


def test_the_conditions_must_hold_where_it_is_completed() -> None:
    story = rounds(rounds(cleared(started()), 0x50, 0x50, 0x50, 0x50), 0x00, **NEAR_MISS)
    assert [False] == seen(after(story))


@pytest.mark.parametrize(("gap_s", "expected"), [(4.9, True), (5.1, False)])
def test_readings_more_than_5_s_apart_do_not_join(gap_s: float, expected: bool) -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00, gap_s=gap_s)
    assert [expected] == seen(after(story))


def test_a_status_read_long_after_its_conditions_does_not_join() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50)
    story.wait(4).live(**AT_SPEED).wait(6).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_conditions_read_long_before_the_first_status_do_not_join() -> None:
    story = cleared(started()).live(**AT_SPEED).wait(6).session().supported(C0035_13=0x50)
    assert [False] == seen(after(rounds(story, 0x00)))


def test_a_quantity_that_was_never_read_leaves_it_open() -> None:
    story = cleared(started())
    for status in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(kmh=60, rpm=2000).session().supported(C0035_13=status)
    assert [False] == seen(after(story))


def test_a_quantity_that_nobody_ever_told_leaves_it_open() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story = cleared(story.snapshot(CODE, 0x2F, **AT_SPEED).end().part())
    for status in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(kmh=60, rpm=2000).session().supported(C0035_13=status)
    assert [False] == seen(story.scan("after").session().codes().end())


def test_another_process_has_another_clock() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50).process("run-2")
    assert [False] == seen(after(rounds(story, 0x00)))


def test_on_a_simulated_vehicle_world_time_counts() -> None:
    story = cleared(started())
    for status in (0x50, 0x50, 0x50, 0x00):
        story.world(5, "drive").wait(100).live(**AT_SPEED).session().supported(C0035_13=status)
    assert [True] == seen(after(story))
    coarse = cleared(started())
    for status in (0x50, 0x00):
        coarse.world(6, "drive").live(**AT_SPEED).session().supported(C0035_13=status)
    assert [False] == seen(after(coarse))


def test_a_world_entry_is_itself_no_condition() -> None:
    story = cleared(started()).world(5, "drive at 60 km/h").session().supported(C0035_13=0x50)
    story.world(5, "drive at 60 km/h").session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_a_new_cycle_in_between_parts_the_two() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50)
    story.wait(2).live(**AT_SPEED, run_time=900).wait(2).live(run_time=3)
    assert [False] == seen(after(rounds(story, 0x00, gap_s=0.5)))


def test_the_same_bit_must_have_gone_out() -> None:
    # Editions before 2013 leave bit 6 alone when they clear: 10 is "completed this cycle" from long before.
    story = rounds(cleared(started(), 0x10), 0x10, 0x10, 0x10, 0x10)
    assert [False] == seen(after(rounds(story, 0x00, **NEAR_MISS)))
    assert [True] == seen(after(rounds(cleared(started(), 0x10), 0x10, 0x10, 0x10, 0x00)))


def test_a_failed_test_is_not_seen_passed() -> None:
    assert [False] == seen(after(rounds(cleared(started()), 0x50, 0x2F), 0x2F))


def test_a_mask_without_bit_0_shows_no_pass() -> None:
    story = cleared(started())
    for status in (0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).session().supported(mask=0xFE, C0035_13=status)
    assert [False] == seen(story.wait(60).scan("after").session().codes().no_obd().end())


def test_readings_in_another_session_are_not_seen() -> None:
    story = cleared(started())
    for status in (0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).session(session=3).supported(C0035_13=status)
    assert [False] == seen(after(story))
    half = cleared(started()).wait(4).live(**AT_SPEED).session(session=3).supported(C0035_13=0x50)
    assert [False] == seen(after(half.wait(4).live(**AT_SPEED).session().supported(C0035_13=0x00)))


def test_what_was_seen_before_the_repair_does_not_count() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00).part("another part")
    assert [False] == seen(after(story))


def test_absence_from_a_list_of_stored_entries_is_no_completed_test() -> None:
    story = started().clear(UNIT, "14FFFFFF").readback().codes().supported(C0035_13=0x50).watch()
    story = rounds(story, 0x50, 0x50, 0x50).wait(4).live(**AT_SPEED).session().codes()
    assert [False] == seen(after(rounds(story, 0x50, 0x00, **NEAR_MISS)))


def test_absence_counts_where_the_list_named_this_code_for_its_test_alone() -> None:
    story = started().clear(UNIT, "14FFFFFF")
    for listed in ({"C0035_13": 0x50},) * 3 + ({},):
        story.wait(4).live(**AT_SPEED).session().codes(**listed)
    assert [True] == seen(story.wait(60).scan("after").session().codes().no_obd().end())


def test_absence_says_nothing_of_a_bit_that_the_mask_lacks() -> None:
    story = started().clear(UNIT, "14FFFFFF")
    for mask, listed in ((0xFF, {"C0035_13": 0x50}), (0xFF, {"C0035_13": 0x50}), (0xAF, {})):
        story.wait(4).live(**AT_SPEED).session().codes(mask=mask, **listed)
    assert [False] == seen(story.wait(60).scan("after").session().codes().no_obd().end())


def key_cycle(story: Story, *, seconds: int = 64, first: int = 0x40, off: dict | None = None, **conditions) -> Story:
    """Key off, asked every 4 s, key on; then conditions and one look."""
    for _ in range(0, seconds + 1, 4):
        story.wait(4).silent(UNIT, "22F186")
        if off:
            story.live("7E0/7E8", **off)
    conditions = conditions or {**AT_REST, "run_time": 0}
    return story.wait(4).live(**conditions).session().supported(C0035_13=first)


def shown(known: Profile | None = None, **conditions: float) -> Story:
    """Cleared, completed elsewhere; the unit has shown once that a key-on begins its cycle."""
    story = rounds(cleared(started(known, **(conditions or AT_REST))), 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    return key_cycle(story)


# From a key-on.


def test_from_a_key_on_that_was_seen_everything_lay_within_the_conditions() -> None:
    story = key_cycle(shown(), first=0x00)
    for _ in range(3):
        story.wait(4).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [True] == seen(after(story))
    assert ("proven", 8) == after(story).graded()


def test_completed_in_an_earlier_cycle_only_is_not_seen() -> None:
    story = key_cycle(shown(), first=0x40)
    assert [False] == seen(after(story, 0x40))


def test_a_key_on_must_have_begun_the_units_cycle_once_in_this_job() -> None:
    story = rounds(cleared(started(None, **AT_REST)), 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    assert [False] == seen(after(key_cycle(story, first=0x00)))


def test_a_cycle_seen_to_begin_only_after_the_engine_ran_may_have_begun_with_the_engine() -> None:
    story = rounds(cleared(started(None, **AT_REST)), 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    story = key_cycle(story, first=0x40, kmh=0, rpm=800, ambient=14, run_time=2)
    assert [False] == seen(after(key_cycle(story, first=0x00)))


def test_bit_6_that_came_on_with_a_clear_shows_no_cycle() -> None:
    story = rounds(cleared(started(None, **AT_REST)), 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    for _ in range(17):
        story.wait(4).silent(UNIT, "22F186")
    story.wait(4).live(**AT_REST, run_time=0).session().clear(UNIT, "14FFFFFF").supported(C0035_13=0x50)
    story = rounds(story, 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    assert [False] == seen(after(key_cycle(story, first=0x00)))


def test_bit_6_that_came_on_with_lost_memory_shows_no_cycle() -> None:
    story = rounds(cleared(started(None, **AT_REST)), 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    story = key_cycle(story, first=0x50)
    story = rounds(story, 0x00, kmh=20, rpm=1200, ambient=14)
    assert [False] == seen(after(key_cycle(story, first=0x00)))


@pytest.mark.parametrize(("seconds", "expected"), [(60, True), (56, False)])
def test_the_silence_must_last_60_s(seconds: int, expected: bool) -> None:
    assert [expected] == seen(after(key_cycle(shown(), seconds=seconds, first=0x00)))


def test_silent_requests_too_far_apart_are_no_silence() -> None:
    story = shown().wait(4).silent(UNIT, "22F186").wait(70).silent(UNIT, "22F186")
    story.wait(4).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_an_answer_long_after_the_silence_is_no_key_on() -> None:
    story = shown()
    for _ in range(17):
        story.wait(4).silent(UNIT, "22F186")
    story.wait(9).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_silence_over_two_processes_has_no_length() -> None:
    story = shown().wait(4).silent(UNIT, "22F186").process("run-2")
    for _ in range(12):
        story.wait(4).silent(UNIT, "22F186")
    story.wait(4).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_silence_on_a_request_never_answered_is_no_silence_and_unsent_is_none() -> None:
    story = shown()
    for _ in range(17):
        story.wait(4).silent(UNIT, "22F1AA").unsent(UNIT, "22F186")
    story.wait(4).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [True] == seen(after(story)), "it is still the same key cycle"


def test_a_refusal_ends_a_silence() -> None:
    story = shown()
    for step in range(17):
        story.wait(4)
        if step == 8:
            story.refused(UNIT, "22F186", 0x22)
        else:
            story.silent(UNIT, "22F186")
    story.wait(4).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


@pytest.mark.parametrize("off", [{"rpm": 800}, {"kmh": 5}])
def test_a_car_that_ran_meanwhile_had_its_key_on(off: dict[str, float]) -> None:
    assert [False] == seen(after(key_cycle(shown(), first=0x00, off=off)))
    assert [True] == seen(after(key_cycle(shown(), first=0x00, off={"rpm": 0, "kmh": 0})))


def test_a_run_time_longer_than_the_silence_tells_that_the_engine_ran_through() -> None:
    known = profile()
    story = rounds(cleared(started(known, kmh=0, rpm=800, ambient=14)), 0x50, 0x00, kmh=20, rpm=1200, ambient=14)
    story = key_cycle(story)
    idle = {"kmh": 0, "rpm": 800, "ambient": 14}
    assert [False] == seen(after(key_cycle(story, first=0x00, **idle, run_time=600)))
    assert [True] == seen(after(key_cycle(story, first=0x00, **idle, run_time=4)))


def test_a_reading_out_of_range_since_the_key_on_spoils_it() -> None:
    story = key_cycle(shown(), first=0x40).live(ambient=40)
    story.wait(2).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_after_the_engine_ran_a_stored_standstill_is_not_shown() -> None:
    story = key_cycle(shown(), first=0x40, kmh=0, rpm=800, ambient=14, run_time=1)
    story.wait(2).live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story))


def test_an_engine_still_since_the_key_on_stands_for_readings_in_between() -> None:
    # Run time 0 and a still engine at the look: nobody needs to have read all the while.
    story = key_cycle(shown(), first=0x40).wait(30)
    story.live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [True] == seen(after(story))
    electric = key_cycle(shown(profile(electric_drive=True)), first=0x40).wait(30)
    electric.live(**AT_REST, run_time=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(electric))


def test_without_run_time_near_the_look_every_reading_since_the_key_on_must_join() -> None:
    story = key_cycle(shown(), first=0x40, **AT_REST).wait(4)
    story.live(**AT_REST).session().supported(C0035_13=0x00)
    assert [True] == seen(after(story))
    late = key_cycle(shown(), first=0x40, **AT_REST).wait(9)
    late.live(**AT_REST).session().supported(C0035_13=0x00)
    assert [False] == seen(after(late))


def test_a_drive_from_a_key_on_with_the_engine_started_at_once() -> None:
    idle = {"kmh": 0, "rpm": 800, "ambient": 14}
    story = key_cycle(shown(None, **idle), first=0x00, **idle, run_time=2)
    assert [True] == seen(after(story))


def test_a_quantity_first_read_long_after_the_key_on_leaves_it_open() -> None:
    story = key_cycle(shown(), first=0x40, rpm=0, kmh=0).wait(6)
    assert [False] == seen(after(story.live(**AT_REST).session().supported(C0035_13=0x00)))
    never = shown()
    for _ in range(17):
        never.wait(4).silent(UNIT, "22F186")
    never.wait(4).live(rpm=0, kmh=0).session().supported(C0035_13=0x00)
    assert [False] == seen(after(never))


def test_a_stop_of_the_engine_in_the_same_key_cycle_begins_no_cycle_of_ours() -> None:
    idle = {"kmh": 0, "rpm": 800, "ambient": 14}
    story = key_cycle(shown(None, **idle), first=0x40, **idle, run_time=2)
    story.wait(4).live(**idle, run_time=1).session().supported(C0035_13=0x00)
    assert [False] == seen(after(story)), "run time went down: the engine was started anew"


def test_the_clear_must_be_older_than_the_key_on() -> None:
    story = key_cycle(shown(), first=0x40)
    story = rounds(cleared(story), 0x00, **AT_REST)
    assert [False] == seen(after(rounds(cleared(story, 0x00), 0x00, **AT_REST)))


def continuous(**conditions: float) -> Story:
    return started(profile(codes=(code_of(continuous=True),)), **conditions)


# Continuous tests.


def test_a_continuous_test_is_seen_under_whatever_holds_at_the_reading() -> None:
    story = rounds(rounds(cleared(continuous()), 0x50, 0x00, 0x00, 0x00, **AT_REST), 0x00, 0x00, 0x00, 0x00)
    assert [NEAR, "standing, engine off, outside 14 ± 10 °C"] == words(after(story))
    assert [True, True] == seen(after(story))
    assert ("proven", 8) == after(story).graded()


def test_a_continuous_test_not_completed_in_this_cycle_is_not_seen() -> None:
    assert [False, False] == seen(after(rounds(cleared(continuous()), 0x40, 0x40, 0x40), 0x40))


def test_without_bit_6_a_continuous_test_completed_since_the_clear_is_seen() -> None:
    story = cleared(continuous())
    for status in (0x10, 0x00, 0x00):
        story.wait(4).live(**AT_SPEED).session().supported(mask=0xBF, C0035_13=status)
    assert [True] == seen(after(story))[:1]
    open_still = cleared(continuous()).wait(4).live(**AT_SPEED).session().supported(mask=0xBF, C0035_13=0x10)
    assert [False] == seen(after(open_still, 0x50))[:1]

"""Seen under X, and its conditions: each stored record and each X of a failing result, met one by one.

Source of what is expected: the terms *seen under* and *its conditions* of the design; tolerances of the powertrain
by 13 CCR 1968.2, similar conditions; the others are our own figures.
"""

from __future__ import annotations

import pytest
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
    snapshot_record,
)

from sessions.profile import Profile, ProfileIdentifier

NEAR_MISS = {"kmh": 49, "rpm": 2000, "ambient": 14}


def started(known: Profile | None = None, **conditions: float) -> Story:
    return before(Story(known or profile()), **conditions).part()


def seen(story: Story) -> list[bool]:
    """For each set of conditions in turn, whether a completed test was seen under it."""
    return [result.seen_at is not None for result in sets(story)]


def sets(story: Story):
    from sessions.verdict.facts import context_of, facts_of
    from sessions.verdict.sights import fault_keys

    record = story.record()
    key = next(key for key in fault_keys(record) if key.dtc.text == CODE)
    return facts_of(context_of(record), key).sets


def words(story: Story) -> list[str]:
    return [result.words for result in sets(story)]


def missing(story: Story) -> str:
    return " | ".join(story.fault().ruling.missing)


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


# From a key-on.


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


# Continuous tests.


def continuous(**conditions: float) -> Story:
    return started(profile(codes=(code_of(continuous=True),)), **conditions)


def test_a_continuous_test_is_seen_under_whatever_holds_at_the_reading() -> None:
    story = rounds(rounds(cleared(continuous()), 0x50, 0x00, 0x00, 0x00, **AT_REST), 0x00, 0x00, 0x00, 0x00)
    assert ["engine 2000 rpm, 60 km/h, outside 14 °C", "engine off, standing, outside 14 °C"] == words(after(story))
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


# What the sets are.


def test_each_stored_record_is_one_set_and_all_are_needed() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F).supported(C0035_13=0x2F)
    records = snapshot_record(1, **AT_SPEED) + snapshot_record(2, kmh=100, rpm=3000, ambient=14)
    story.no_obd().answer(UNIT, "1904403513FF", f"59044035132F{records}").end().part()
    half = after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))
    assert [True, False] == seen(half)
    assert "engine 3000 rpm, 100 km/h, outside 14 °C (stored record 02)" in missing(half)
    fast = {"kmh": 100, "rpm": 3000, "ambient": 14}
    for _ in range(18):
        story.wait(4).silent(UNIT, "22F186")
    story = rounds(story.wait(4).session(), 0x40, 0x40, 0x40, 0x00, **fast)
    assert ("proven", 8) == after(story).graded(), "in one cycle or in several"


def test_a_record_that_changed_between_two_scans_makes_two_sets() -> None:
    story = before(Story(profile()))
    story.scan("check").codes(C0035_13=0x2F).snapshot(CODE, 0x2F, kmh=30, rpm=1500, ambient=14).end().part()
    assert 2 == len(sets(cleared(story)))


def test_a_record_read_after_the_repair_and_before_the_clear_counts() -> None:
    story = started().scan("check").codes(C0035_13=0x2C).snapshot(CODE, 0x2C, kmh=30, rpm=1500, ambient=14).end()
    assert 2 == len(sets(cleared(story)))


def test_without_any_set_never() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story.refused(UNIT, "1904403513FF", 0x31).end().part()
    story = after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))
    assert () == sets(story)
    assert "the conditions under which it occurred are not known: no stored record, no failing test seen" == missing(
        story
    )


def unreadable(*told) -> Story:
    """A before-scan whose records fare as told, one after the other."""
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    for tell in told:
        tell(story)
    return cleared(story.end().part())


RECORDS = "1904403513FF"


@pytest.mark.parametrize(
    ("told", "problem"),
    [
        ((lambda s: s.silent(UNIT, RECORDS),), "stored records cannot be compared: they could not be read (silent)"),
        ((lambda s: s.refused(UNIT, RECORDS, 0x22),), "they could not be read (refused)"),
        ((lambda s: s.damaged(UNIT, RECORDS),), "they could not be read (damaged)"),
        ((), "stored records cannot be compared: they were never asked for"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101"),), "it does not decode"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101DD0100"),), "the layout of its data is not known"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101F44230D4"),), "it holds neither road speed nor engine"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101F44636"),), "it holds neither road speed nor engine"),
        (
            (lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED), lambda s: s.damaged(UNIT, RECORDS)),
            "they could not be read (damaged)",
        ),
    ],
)
def test_a_record_that_cannot_be_read_is_never_met(told, problem: str) -> None:
    story = after(rounds(unreadable(*told), 0x50, 0x50, 0x50, 0x00))
    assert problem in missing(story)
    assert "untested" == story.graded()[0]


@pytest.mark.parametrize(
    "told",
    [
        (lambda s: s.silent(UNIT, RECORDS), lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED)),
        (lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED), lambda s: s.silent(UNIT, RECORDS)),
        (lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED), lambda s: s.refused(UNIT, RECORDS, 0x31)),
    ],
)
def test_records_read_whole_once_are_known(told) -> None:
    assert ("proven", 8) == after(rounds(unreadable(*told), 0x50, 0x50, 0x50, 0x00)).graded()


def test_a_unit_without_a_known_system_has_no_conditions() -> None:
    story = before(Story()).part()
    story = after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))
    assert "the profile does not say which system this unit belongs to" in missing(story)


def test_identifiers_of_the_profile_are_scaled_and_win() -> None:
    # 60 km/h as 600 in tenths, 14 degrees as -26 + 40 (signed), a DID of no known quantity beside them.
    identifiers = (
        ProfileIdentifier(number=0xDD01, name="speed", length=2, scale_num=1, scale_den=10, quantity="road_kmh"),
        ProfileIdentifier(number=0xDD02, name="outside", length=1, signed=True, offset=40, quantity="ambient_c"),
        ProfileIdentifier(number=0xF40C, name="counter", length=1, quantity="other"),
        ProfileIdentifier(number=0xDD03, name="other unit", length=1, units=("7E0/7E8",)),
    )
    story = Story(profile(identifiers=identifiers)).scan("before").session().codes(C0035_13=0x2F).no_obd()
    story.answer(UNIT, RECORDS, "59044035132F0103DD010258DD02E6F40C07").end().part()
    assert ["60 km/h, outside 14 °C"] == words(cleared(story))


def test_standard_identifiers_of_other_quantities_are_left_aside() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd()
    story.answer(UNIT, RECORDS, "59044035132F0103F40D3CF44230D4F4010007E500").end().part()
    assert ["60 km/h"] == words(cleared(story))


# X of a failing result.


def failing_seen(known: Profile, *looks, gap_s: float = 4) -> Story:
    """Looks before the repair on a unit that stores no records; then repaired and cleared."""
    story = Story(known).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story.refused(UNIT, RECORDS, 0x31).end()
    for status, conditions in looks:
        story.wait(gap_s).live(**conditions).session().supported(C0035_13=status)
    return cleared(story.part())


def test_a_failing_result_counts_where_it_was_seen_to_complete() -> None:
    def story() -> Story:
        return failing_seen(profile(), (0x6D, AT_SPEED), (0x2F, AT_SPEED))

    assert ["engine 2000 rpm, 60 km/h, outside 14 °C"] == words(story())
    assert "a failing result was seen" == sets(story())[0].conditions.origin
    assert ("untested", 11) == after(rounds(story(), 0x50, 0x50, 0x50, 0x00, **AT_REST)).graded()
    assert ("proven", 8) == after(rounds(story(), 0x50, 0x50, 0x50, 0x00)).graded()


def test_a_test_that_failed_some_time_before_was_not_seen_under_what_holds_now() -> None:
    assert () == sets(failing_seen(profile(), (0x2F, AT_SPEED), (0x2F, AT_SPEED)))
    assert () == sets(failing_seen(profile(), (0x6C, AT_REST), (0x2F, AT_SPEED)))
    assert () == sets(failing_seen(profile(), (0x6C, AT_SPEED), (0x2F, AT_SPEED), gap_s=9))


def test_not_failing_in_this_cycle_is_no_failing_result() -> None:
    assert () == sets(failing_seen(profile(), (0x6D, AT_SPEED), (0x2D, AT_SPEED)))


def test_a_failing_continuous_test_counts_under_what_holds() -> None:
    known = profile(codes=(code_of(continuous=True),))
    story = failing_seen(known, (0x2F, AT_SPEED), (0x2F, AT_SPEED), (0x2F, AT_REST))
    assert ["engine 2000 rpm, 60 km/h, outside 14 °C", "engine off, standing, outside 14 °C"] == words(story)


def test_a_failing_result_under_unknown_conditions_is_no_set() -> None:
    known = profile(codes=(code_of(continuous=True),))
    assert () == sets(failing_seen(known, (0x2F, {"ambient": 14})))
    assert () == sets(failing_seen(known, (0x2F, {})))


def test_a_failing_result_between_two_repairs_counts() -> None:
    known = profile(codes=(code_of(continuous=True),))
    story = failing_seen(known, (0x2F, AT_REST)).part("another part")
    story = rounds(story, 0x2F)
    assert 2 == len(sets(cleared(story)))


# How near is near.


def met_at(system: str, stored: dict[str, float], now: dict[str, float]) -> bool:
    """Stored under some conditions, tested under others."""
    story = before(Story(profile(system)), **stored).part()
    return [True] == seen(after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00, **now)))


HOT = {"rpm": 2000, "load": 40, "coolant": 90}


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, True),
        ({"rpm": 2375}, True),
        ({"rpm": 2376}, False),
        ({"rpm": 1625}, True),
        ({"rpm": 1624}, False),
        ({"load": 48}, True),
        ({"load": 49}, False),
        ({"load": 32}, True),
        ({"load": 31}, False),
        ({"coolant": 70}, True),
        ({"coolant": 69}, False),
        ({"coolant": 130}, True),
        ({"kmh": 200}, True),  # road speed does not count in the powertrain
    ],
)
def test_similar_conditions_of_the_powertrain(change: dict[str, float], expected: bool) -> None:
    # 13 CCR 1968.2: engine speed within 375 rpm, load within 20 percent, same warm-up state.
    assert expected is met_at("powertrain", HOT, HOT | change)


def test_a_cold_engine_is_another_state_than_a_warm_one() -> None:
    cold = HOT | {"coolant": 20}
    assert met_at("powertrain", cold, cold | {"coolant": 69})
    assert not met_at("powertrain", cold, cold | {"coolant": 70})


def test_an_engine_that_stood_must_stand() -> None:
    still = {"rpm": 0, "load": 0, "coolant": 20}
    assert met_at("powertrain", still, still | {"load": 2})
    assert not met_at("powertrain", still, still | {"load": 3})
    assert not met_at("powertrain", still, still | {"rpm": 300})


@pytest.mark.parametrize("lacking", ["rpm", "load", "coolant"])
def test_a_powertrain_record_must_hold_all_three(lacking: str) -> None:
    stored = {name: value for name, value in HOT.items() if name != lacking}
    story = before(Story(profile("powertrain")), **stored).part()
    assert "it does not hold" in missing(after(rounds(cleared(story), 0x50, 0x00, **HOT)))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, True),
        ({"kmh": 70}, True),
        ({"kmh": 71}, False),
        ({"kmh": 50}, True),
        ({"kmh": 49}, False),
        ({"rpm": 6000}, True),
        ({"rpm": 0}, False),
        ({"ambient": 24}, True),
        ({"ambient": 25}, False),
        ({"ambient": 4}, True),
        ({"ambient": 3}, False),
    ],
)
def test_like_conditions_elsewhere(change: dict[str, float], expected: bool) -> None:
    # Our own figures: 10 km/h, same engine state, 10 K.
    assert expected is met_at("body", AT_SPEED, AT_SPEED | change)


def test_a_record_with_an_engine_state_alone_compares_that() -> None:
    assert met_at("body", {"rpm": 2000}, {"rpm": 900})
    assert not met_at("body", {"rpm": 2000}, {"rpm": 0})


def test_a_car_that_stood_must_stand() -> None:
    assert met_at("body", {"kmh": 0, "rpm": 0}, {"kmh": 0, "rpm": 0})
    assert not met_at("body", {"kmh": 0, "rpm": 0}, {"kmh": 1, "rpm": 0})
    assert not met_at("body", {"kmh": 5, "rpm": 900}, {"kmh": 0, "rpm": 900})


def test_units_that_tell_the_same_quantity_must_agree() -> None:
    story = cleared(started())
    for status in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).live("7E0/7E8", kmh=20).session().supported(C0035_13=status)
    assert [False] == seen(after(story))


# How long.


@pytest.mark.parametrize(("seconds", "verdict"), [(10.001, "proven"), (9.9, "untested")])
def test_the_conditions_must_hold_for_10_s(seconds: float, verdict: str) -> None:
    # A round takes 5 ms of entries; the first and the last value of a stretch stand 2 ms inside it.
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00, gap_s=(seconds + 0.002) / 3 - 0.005)
    story = after(story)
    assert verdict == story.graded()[0]
    if verdict == "untested":
        assert "longer under: engine 2000 rpm, 60 km/h, outside 14 °C (held 10 s)" == missing(story)


def test_the_profile_may_ask_for_longer() -> None:
    def held(hold_s: int) -> Story:
        story = started(profile(codes=(code_of(hold_s=hold_s),)))
        return after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))

    assert "proven" == held(12).graded()[0]
    assert "untested" == held(20).graded()[0]
    assert "for at least 20 s while reading" in held(20).judged().plan[0]


def test_two_stretches_do_not_add_up() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x00)
    story = rounds(rounds(story, 0x00, **NEAR_MISS), 0x00, 0x00)
    assert 8 == round(max(result.held_s for result in sets(after(story))))


def test_a_stretch_ends_where_readings_are_too_far_apart() -> None:
    story = rounds(rounds(cleared(started()), 0x50, 0x50, 0x00), 0x00, 0x00, gap_s=6)
    assert 8 == round(max(result.held_s for result in sets(after(story))))


def test_conditions_that_never_held_together_held_for_nothing() -> None:
    story = cleared(started()).live(kmh=60).wait(20).live(rpm=2000).wait(20).live(ambient=14)
    assert 0 == sets(after(story, 0x50))[0].held_s

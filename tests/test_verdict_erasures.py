"""Erasures nobody vouches for, and another unit in its place.

Source of what is expected:
the terms of the verdict rules; what only an erasure moves by ISO 14229-1, Annex D, and SAE J1979.
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
    cleared,
    mended,
    profile,
    rounds,
)
from verdict_help import facts, missing
from verdict_help import started_under as started

from sessions.verdict.facts import context_of

LOW, HIGH = {"warm_ups": 2}, {"warm_ups": 40}


def erased(story: Story, text: str) -> None:
    """The job ends untested, for an erasure described by `text`."""
    assert ("untested", 11) == story.graded()
    assert "a clear of our own" in missing(story)
    assert text in missing(story) or text in story.fault().ruling.evidence[0]


# Erasures nobody vouches for.


def test_bit_5_that_goes_out_is_an_erasure() -> None:
    erased(after(rounds(started(), 0x2F, 0x00)), "the status shows an erasure before entry 26")


def test_bit_4_that_comes_on_is_an_erasure_even_after_a_whole_proof() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00, 0x50, 0x00)
    erased(after(story), "the status shows an erasure")
    assert ("proven", 8) == after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00)).graded()


def test_an_accepted_clear_explains_its_own_bits() -> None:
    assert facts(mended()).erasures.unvouched is None


def test_another_codes_bits_tell_of_an_erasure_of_the_whole_memory() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00)
    story.supported(C0035_13=0x00, C0040_13=0x00).wait(100).supported(C0035_13=0x00, C0040_13=0x50)
    erased(after(story), "C0040-13 shows an erasure before entry")


@pytest.mark.parametrize("request_", ["14C0FF13", "04", "14FFFF33"])
def test_a_clear_of_that_other_code_explains_it(request_: str) -> None:
    story = started().supported(C0035_13=0x2F, U00FF_13=0x00)
    story.clear(UNIT, request_, "44" if request_ == "04" else "54").supported(C0035_13=0x2F, U00FF_13=0x50)
    cleared(story)
    assert ("proven", 8) == after(rounds(story, 0x50, 0x50, 0x50, 0x00)).graded()


@pytest.mark.parametrize(("request_", "refusal"), [("14FFFFFF", 0x22), ("14403513", None)])
def test_a_refused_clear_or_one_of_another_code_does_not(request_: str, refusal: int | None) -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00).supported(C0035_13=0x00, C0040_13=0x00)
    story.clear(UNIT, request_, refusal=refusal).supported(C0035_13=0x50, C0040_13=0x50)
    story = after(rounds(story, 0x50, 0x50, 0x50, 0x00))
    erased(story, "shows an erasure")


def test_a_fault_listed_again_by_a_list_of_stored_entries_is_no_sign_of_an_erasure() -> None:
    # Lists of stored entries never name what is merely not tested: absence from them says nothing of bit 4.
    story = started().clear(UNIT, "14FFFFFF").codes().supported(C0035_13=0x50).codes().supported(C0035_13=0x50)
    assert facts(story).erasures.unvouched is None


def test_a_list_that_names_untested_codes_shows_an_erasure_by_naming_it_again() -> None:
    story = started().clear(UNIT, "14FFFFFF").codes(C0035_13=0x50).wait(9).codes().wait(9).codes(C0035_13=0x50)
    assert facts(story).erasures.unvouched is not None


def test_a_list_found_to_name_untested_codes_told_so_before_too() -> None:
    # Absent while watched: completed. Named again as not completed: erased in between, though nobody read it back.
    story = started().clear(UNIT, "14FFFFFF").codes().wait(9).codes(C0035_13=0x50)
    assert facts(story).erasures.unvouched is not None


def test_a_list_read_at_once_after_a_clear_may_still_be_empty() -> None:
    story = started().clear(UNIT, "14FFFFFF").readback().codes().watch().wait(9).codes(C0035_13=0x50)
    assert facts(story).erasures.unvouched is None


def counted(first: dict[str, float], second: dict[str, float], *, clear: str | None = "14FFFFFF") -> Story:
    """The plain story, with counters since clear read before and after."""
    story = Story(profile()).scan("before").live(**AT_REST, **first).session().codes(C0035_13=0x2F)
    story.supported(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    if clear is not None:
        story = cleared(story)
    rounds(story, 0x50, 0x50, 0x50, 0x00)
    story.wait(60).scan("after").live(**second).session().codes().supported(C0035_13=0)
    return story.no_obd().end()


@pytest.mark.parametrize(
    ("name", "words"), [("warm_ups", "warm-ups"), ("distance", "distance"), ("minutes", "engine time")]
)
def test_a_counter_since_clear_that_went_down_is_an_erasure(name: str, words: str) -> None:
    # SAE J1979, PIDs 30, 31, 4E: since codes were cleared.
    assert ("proven", 8) == counted({name: 40}, {name: 2}).graded()
    story = counted({}, {name: 40}).scan("after").live(**{name: 2}).session().codes().supported(C0035_13=0)
    erased(story.no_obd().end(), f"{words} since clear went down")


def test_a_clear_of_one_code_explains_no_counter() -> None:
    story = Story(profile()).scan("before").live(**AT_REST, **HIGH).session().codes(C0035_13=0x2F)
    story.supported(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14403513").supported(C0035_13=0x50)
    rounds(story, 0x50, 0x50, 0x50, 0x00).scan("after").live(**LOW).session().codes().supported(C0035_13=0)
    erased(story.no_obd().end(), "warm-ups since clear went down")


def again(story: Story, **values: float) -> Story:
    """One more after-scan with these counters."""
    story.wait(60).scan("after").live(**values).session().codes().supported(C0035_13=0)
    return story.no_obd().end()


def test_distance_since_clear_that_lags_behind_the_odometer_is_an_erasure() -> None:
    story = counted({"distance": 500, "odometer": 84_000}, {"distance": 30, "odometer": 84_030})
    assert ("proven", 8) == story.graded()
    assert ("proven", 8) == again(story, distance=58, odometer=84_060).graded(), "2 km may be missing"
    erased(again(story, distance=85, odometer=84_090), "distance since clear lags 3 km behind the odometer")


def test_distance_stuck_at_its_top_does_not_lag() -> None:
    # SAE J1979, PID 31: two bytes, sticks at FFFF.
    story = counted({"distance": 500, "odometer": 84_000}, {"distance": 65_535, "odometer": 84_030})
    assert ("proven", 8) == again(story, distance=65_535, odometer=84_090).graded()


def test_an_odometer_read_in_one_scan_only_compares_with_nothing() -> None:
    story = counted({"distance": 500, "odometer": 84_000}, {"distance": 30})
    assert ("proven", 8) == again(story, odometer=84_090).graded()


def test_counters_of_a_scan_under_way_compare_too() -> None:
    story = again(counted({}, {"distance": 30, "odometer": 84_030}), distance=31, odometer=84_031)
    erased(story.scan("check").live(distance=31, odometer=84_041), "distance since clear lags 10 km")


def monitored(first: int, second: int, third: int | None = None) -> Story:
    story = Story(profile()).scan("before").live(**AT_REST).monitors(incomplete=first).session()
    story.codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    rounds(cleared(story), 0x50, 0x50, 0x50, 0x00)
    for incomplete in (second, third):
        if incomplete is not None:
            story.scan("after").monitors(incomplete=incomplete).session().codes().supported(C0035_13=0).no_obd().end()
    return story


def test_a_monitor_that_goes_incomplete_is_an_erasure() -> None:
    # SAE J1979, PID 01, byte D: bit 0 is the catalyst monitor.
    assert ("proven", 8) == monitored(0x00, 0x01).graded()
    erased(monitored(0x00, 0x00, 0x01), "monitor catalyst went incomplete")
    assert ("proven", 8) == monitored(0x00, 0x01, 0x00).graded()


def swapped(*, listed: int = 0x00, serial_after: str | None = "42", request: str = "22F18C") -> Story:
    """The unit is replaced; the new one's first reading shows the given status."""
    did = request[2:]
    story = Story(profile()).scan("before").live(**AT_REST, **HIGH).session()
    story.answer(UNIT, request, f"62{did}41").codes(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end()
    story.part("unit replaced").wait(60).scan("check").session()
    if serial_after is None:
        story.silent(UNIT, request)
    else:
        story.answer(UNIT, request, f"62{did}{serial_after}")
    story.live(**LOW).codes(**({"C0035_13": listed} if listed else {})).no_obd().end()
    return story


# Another unit in its place.


@pytest.mark.parametrize("request_", ["22F18C", "22F187", "22F189"])
def test_the_first_reading_of_another_unit_is_an_accepted_clear_of_the_old_memory(request_: str) -> None:
    # ISO 14229-1, Annex C: F18C serial number, F187 part number, F189 software version.
    story = swapped(listed=0x50, request=request_)
    assert ("untested", 11) == story.graded()
    assert f"another unit stands in its place ({request_[2:]} changed from A to B)" == story.fault().ruling.evidence[0]


def test_a_test_passed_in_the_new_unit_proves() -> None:
    story = after(rounds(swapped(listed=0x50), 0x50, 0x50, 0x50, 0x00))
    assert ("proven", 8) == story.graded()


def test_a_code_that_the_new_unit_lists_at_once_came_with_it() -> None:
    fault = swapped(listed=0x28).fault()
    assert ("new", 2) == (fault.verdict.value, fault.ruling.rule)
    assert "it came with the unit" == fault.ruling.evidence[0]


def test_a_code_that_came_with_the_unit_and_is_gone_again_is_not_new() -> None:
    assert "new" != after(cleared(swapped(listed=0x28)), 0x50).graded()[0]


@pytest.mark.parametrize("serial_after", [None, "41"])
def test_the_same_unit_or_one_that_does_not_tell_is_no_other(serial_after: str | None) -> None:
    assert facts(swapped(serial_after=serial_after)).erasures.accepted is None


def test_bytes_that_are_no_text_are_shown_as_hex() -> None:
    assert "from A to FF01" in swapped(listed=0x50, serial_after="FF01").fault().ruling.evidence[0]


def test_the_latest_change_counts_and_a_broken_answer_is_none() -> None:
    story = Story(profile()).scan("before").answer(UNIT, "22F187", "62F18741").answer(UNIT, "22F18C", "62F18C41").end()
    story.scan("check").answer(UNIT, "22F187", "62F187").answer(UNIT, "22F18C", "62F18C42").session()
    story.codes(C0035_13=0x50).end().scan("check").answer(UNIT, "22F187", "62F18742").answer(UNIT, "22F189", "62F18941")
    story.answer(UNIT, "22F18C", "62F18C43").session().codes(C0035_13=0x20).no_obd().end()
    swap = context_of(story.record()).swaps[UNIT]
    assert (3, "F187 changed from A to B") == (swap.scan, swap.what)

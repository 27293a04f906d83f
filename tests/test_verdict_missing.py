"""What keeps rule 8 from speaking, reason by reason.

Source of every expectation: rule 8 and the notes below the table of verdict rules in the rules; status bits by
ISO 14229-1, Annex D.
"""

from __future__ import annotations

import pytest
from job_stories import ENGINE, NEAR, driven, obd_story, started
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
from verdict_help import missing

from decoders.values import Dtc
from sessions.verdict.sights import FaultKey

# Rule 11: what keeps rule 8 from speaking.


def test_rule_11_cleared_and_not_tested() -> None:
    story = after(cleared(started()), 0x50)
    fault = story.fault()
    assert ("untested", 11) == (fault.verdict.value, fault.ruling.rule)
    assert (
        "its test has not completed since the clear",
        f"a completed test seen under: {NEAR} (stored record 01)",
    ) == fault.ruling.missing


def test_bit_4_clear_means_nothing_from_a_unit_that_never_showed_it_set() -> None:
    story = after(rounds(cleared(started(), 0x00), 0x40, 0x40, 0x40, 0x00))
    assert "without it, completed means nothing" in missing(story)


def test_bit_4_shown_before_the_clear_only_does_not_help() -> None:
    story = before(Story(profile()), 0x3F).part()
    assert "without it, completed means nothing" in missing(after(rounds(cleared(story, 0x40), 0x40, 0x40, 0x00)))


def readback(story: Story, *, listed: int = 0x00, other: int = 0x50, during: str = "readback") -> Story:
    """A clear whose first read-back names another code; the fault's own test completed in the same moment."""
    story.clear(UNIT, "14FFFFFF")
    story.during = during
    supported = {"C0040_13": other} | ({"C0035_13": listed} if listed >= 0 else {})
    return story.supported(**supported).watch()


def with_other(status: int = 0x00) -> Story:
    """A before-scan whose supported list names another code too."""
    story = Story(profile(codes=(code_of(continuous=True),))).scan("before").live(**AT_REST).session()
    story.codes(C0035_13=0x2F).supported(C0035_13=0x2F, C0040_13=status).no_obd()
    return story.snapshot(CODE, 0x2F, **AT_SPEED).end().part()


def finished(story: Story) -> Story:
    """The drive and the after-scan of a unit whose test was complete at once."""
    for conditions in (AT_REST, AT_SPEED):
        for _ in range(4):
            story.wait(4).live(**conditions).session().supported(C0035_13=0x00, C0040_13=0x00)
    return story.wait(60).scan("after").session().codes().supported(C0035_13=0, C0040_13=0).no_obd().end()


def test_bit_4_is_believed_if_the_first_read_back_shows_it_come_on_for_another_code() -> None:
    assert ("proven", 8) == finished(readback(with_other())).graded()


@pytest.mark.parametrize(
    "story",
    [
        pytest.param(readback(with_other(0x50)), id="the other had it set before"),
        pytest.param(readback(with_other(), other=0x00), id="the other does not show it"),
        pytest.param(readback(with_other(), during="watch"), id="no read-back"),
        pytest.param(readback(with_other(), listed=-1), id="the supported list does not name this code"),
        pytest.param(with_other().clear(UNIT, "14403513"), id="a clear of this code alone"),
        pytest.param(with_other().clear(UNIT, "14FFFFFF"), id="no read-back at all"),
    ],
)
def test_bit_4_is_not_believed_otherwise(story: Story) -> None:
    assert "without it, completed means nothing" in missing(finished(story))


def test_another_code_that_was_never_listed_before_says_nothing_of_bit_4() -> None:
    story = before(Story(profile(codes=(code_of(continuous=True),)))).part()
    story = finished(readback(story))
    assert "without it, completed means nothing" in missing(story)


def test_a_reading_in_another_session_does_not_count() -> None:
    story = driven(cleared(started())).wait(60).scan("after").session(session=3).codes().supported(C0035_13=0)
    assert "a reading in the unit's default session" in missing(story.no_obd().end())


def test_a_repair_newer_than_the_clear_needs_readings_after_it() -> None:
    story = driven(cleared(started())).part("another part")
    assert "without it, completed means nothing" in missing(after(story))
    assert "an after-scan later than the last repair" in missing(mended().part("another part"))
    assert (
        "Brake control: clear this unit; what was read before does not count for the repair."
        == (mended().part("another part").judged().plan[0])
    )


def test_a_fault_that_only_obd_services_list_is_never_proven() -> None:
    story = obd_story(("03", "4300"), ("07", "4700"), ("0A", "4A00"))
    assert "they do not tell whether this fault's test has run" in missing(story, "P0420", ENGINE)


def test_the_lamp_of_the_unit_blocks_a_fault_known_from_obd_alone() -> None:
    story = obd_story(("03", "4300"), ("07", "4700"), ("0A", "4A00"), ("0101", "410180076500"))
    assert "the malfunction indicator is still on in this unit" in missing(story, "P0420", ENGINE)


def test_another_failure_type_that_came_back_blocks_its_sibling() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F, C0035_14=0x2F)
    story.supported(C0035_13=0x2F, C0035_14=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").readback().supported(C0035_13=0x50, C0035_14=0x50).watch()
    for status in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).session().supported(C0035_13=status, C0035_14=0x50)
    good, bad = story, 0x2F
    good.wait(60).scan("after").session().codes(C0035_14=bad).supported(C0035_13=0, C0035_14=bad).no_obd().end()
    assert ("returned", 3) == good.graded("C0035-14")
    assert "C0035-14 of the same code is not cured" == missing(good)


def partner_story(told) -> Story:
    """The fault complains about another unit; `told` is how that one fares in the after-scan."""
    known = profile(codes=(code_of(about=ENGINE),))
    story = driven(cleared(started(known))).wait(60).scan("after").session().codes().supported(C0035_13=0).no_obd()
    return told(story).end()


@pytest.mark.parametrize(
    ("told", "verdict"),
    [
        (lambda story: story.answer(ENGINE, "22F186", "62F18601"), "proven"),
        (lambda story: story.refused(ENGINE, "22F186", 0x11), "proven"),
        (lambda story: story.silent(ENGINE, "22F186"), "untested"),
        (lambda story: story.damaged(ENGINE, "22F186", "62"), "untested"),
        (lambda story: story, "untested"),
    ],
)
def test_the_unit_a_network_code_names_must_answer(told, verdict: str) -> None:
    story = partner_story(told)
    assert verdict == story.graded()[0]
    if verdict == "untested":
        assert "the unit this code names (7E0/7E8) does not answer" == missing(story)


def masked(mask: int, *statuses: int, last: int = 0x00, known=None, **round_options) -> Story:
    """The plain story on a unit that keeps only some status bits."""
    story = Story(known or profile()).scan("before").live(**AT_REST).session().codes(mask=mask, C0035_13=0x2F)
    story.supported(mask=mask, C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").readback().supported(mask=mask, C0035_13=0x50).watch()
    for status in statuses:
        story.wait(4).live(**AT_SPEED, run_time=100).session().supported(mask=mask, C0035_13=status)
    story.wait(4).scan("after").session().codes(mask=mask).supported(mask=mask, C0035_13=last)
    return story.no_obd().end()


def test_without_bit_4_the_test_must_complete_in_a_cycle_begun_since() -> None:
    # Mask EF: bit 4 is not kept.
    assert "its test has not completed in a cycle begun since the clear" in missing(
        masked(0xEF, 0x40, 0x40, 0x40, 0x00)
    )


def test_without_bit_4_a_cycle_that_the_unit_shows_and_completes_in_is_enough() -> None:
    # 40, 00 (completed), 40 (a new cycle), 00: completed in a cycle begun since the clear.
    assert ("proven", 8) == masked(0xEF, 0x40, 0x00, 0x40, 0x40, 0x40, 0x40, 0x00).graded()


def test_without_bit_4_a_short_silence_shows_no_cycle() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(mask=0xEF, C0035_13=0x2F)
    story.supported(mask=0xEF, C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    story.clear(UNIT, "14FFFFFF").silent(UNIT, "22F186")
    for status in (0x40, 0x40, 0x40, 0x00):
        story.wait(4).live(**AT_SPEED).session().supported(mask=0xEF, C0035_13=status)
    story.wait(4).scan("after").session().codes(mask=0xEF).supported(mask=0xEF, C0035_13=0).no_obd().end()
    assert "its test has not completed in a cycle begun since the clear" == missing(story)


def test_without_bits_4_and_6_the_unit_does_not_tell() -> None:
    assert "the unit does not tell whether its test has run" in missing(masked(0xAF, 0x00, 0x00, 0x00, 0x00))


def test_without_bit_5_the_unit_must_have_been_watched_in_every_cycle() -> None:
    # Mask DF: bit 5 is not kept.
    assert ("proven", 8) == masked(0xDF, 0x50, 0x50, 0x50, 0x00).graded()


def test_without_bit_5_a_long_time_without_a_look_may_hide_a_cycle() -> None:
    story = masked(0xDF, 0x50, 0x50, 0x50, 0x00).wait(61).scan("after").session()
    story.codes(mask=0xDF).supported(mask=0xDF, C0035_13=0).no_obd().end()
    assert "it was not watched in every cycle" in missing(story)


def test_without_bits_5_and_2_no_look_can_see_an_earlier_failure() -> None:
    assert "it was not watched in every cycle" in missing(masked(0xDB, 0x50, 0x50, 0x50, 0x00))


def test_without_bit_5_the_first_look_must_come_soon_after_the_clear() -> None:
    story = Story(profile()).scan("before").session().codes(mask=0xDF, C0035_13=0x2F).no_obd()
    story.snapshot(CODE, 0x2F, **AT_SPEED).end().part().clear(UNIT, "14FFFFFF").wait(61)
    for status in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).session().supported(mask=0xDF, C0035_13=status)
    story.wait(4).scan("after").session().codes(mask=0xDF).supported(mask=0xDF, C0035_13=0).no_obd().end()
    assert ("it was not watched in every cycle") in missing(story)


def test_absence_counts_only_if_the_list_named_the_code_as_not_tested() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F).no_obd()
    story.snapshot(CODE, 0x2F, **AT_SPEED).end().part().clear(UNIT, "14FFFFFF")
    for listed in ({"C0035_13": 0x50},) * 4 + ({},):
        story.wait(4).live(**AT_SPEED).session().codes(**listed)
    story.wait(60).scan("after").session().codes().no_obd().end()
    assert ("proven", 8) == story.graded()


def test_absence_from_a_list_of_stored_entries_alone_proves_nothing() -> None:
    story = started().clear(UNIT, "14FFFFFF")
    for _ in range(5):
        story.wait(4).live(**AT_SPEED).session().codes()
    story.wait(60).scan("after").session().codes().no_obd().end()
    assert "it is merely no longer listed" in missing(story)


def test_absence_does_not_count_once_the_supported_list_drops_the_code() -> None:
    story = started().clear(UNIT, "14FFFFFF")
    for listed in ({"C0035_13": 0x50},) * 4 + ({},):
        story.wait(4).live(**AT_SPEED).session().codes(**listed)
    story.wait(60).scan("after").session().codes().supported(C0040_13=0x50).no_obd().end()
    assert "it is merely no longer listed" in missing(story)


def test_a_key_sorts_by_unit_code_and_memory() -> None:
    assert FaultKey(unit=UNIT, dtc=Dtc.parse(CODE), memory="dtc") == mended().fault().key

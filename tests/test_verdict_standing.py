"""Standing: failing where first listed, never seen to pass before the repair, not back after a later clear.

Source of what is expected: the term *standing* of the verdict rules; bits by ISO 14229-1, Annex D.
"""

from __future__ import annotations

import pytest
from job_stories import NEAR, finish, started
from journal_builder import (
    UNIT,
    Story,
    after,
    before,
    cleared,
    profile,
    rounds,
)

from sessions.verdict import worth_watching
from sessions.verdict.watched import watched_faults

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
    assert [(f"0 of 1 conditions met; next: {NEAR}", False)] == watched_words(cleared(started()))
    assert [("passed under all its conditions", True)] == watched_words(rounds(cleared(started()), 0x50, 0x50, 0x50, 0))
    assert [("came back", True)] == watched_words(rounds(cleared(started()), 0x2F))
    assert [("came back", True)] == watched_words(rounds(cleared(started()), 0x01)), "testFailed alone"
    by_obd = cleared(started()).answer(UNIT, "07", "47014035")
    assert [("came back", True)] == watched_words(by_obd), "a pending code of the same two bytes"
    unknown = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd()
    unknown.refused(UNIT, "1904403513FF", 0x31).end().part()
    assert [("its conditions are not known", False)] == watched_words(cleared(unknown))
    unread = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd().end().part()
    assert [("0 of 1 conditions met; next: they were never asked for", False)] == watched_words(cleared(unread))


def test_a_unit_that_was_silent_when_it_was_asked_last_is_told() -> None:
    story = cleared(started()).silent(UNIT, "190A")
    assert f"0 of 1 conditions met; next: {NEAR}; silent just now" == watched_words(story)[0][0]
    assert f"0 of 1 conditions met; next: {NEAR}" == watched_words(story.session().silent("7E0/7E8", "03"))[0][0]
    assert f"0 of 1 conditions met; next: {NEAR}" == watched_words(story.refused(UNIT, "190A", 0x22))[0][0]


def standing(story: Story) -> str:
    return " | ".join(text for text in story.fault().ruling.missing if "passed test is no proof" in text)


# Standing.


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
    # Bit 4 set and bit 6 clear contradict each other in later editions of ISO 14229-1: no proof of a test that ran.
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

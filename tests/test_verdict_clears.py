"""Which clears count: accepted, withdrawn, unanswered but carried out.

Source of what is expected:
the terms *accepted clear* and *unvouched erase* of the verdict rules; what a clear resets by
ISO 14229-1 (14) and SAE J1979 (04).
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
    profile,
    rounds,
)
from verdict_help import KEY, facts, missing
from verdict_help import started_under as started

from decoders.values import Dtc, Outcome
from sessions.journal import Kind
from sessions.profile import ProfileUnit
from sessions.record import ClearEvent, Moment
from sessions.verdict.clears import covers
from sessions.verdict.sights import FaultKey, ObdSight

# What a request contains.


@pytest.mark.parametrize(
    ("request_", "memory", "listed_by", "contained"),
    [
        ("14FFFFFF", "dtc", (), True),
        ("14403513", "dtc", (), True),
        ("14403514", "dtc", (), False),
        ("14FFFFFF01", "dtc", (), False),  # another memory
        ("14FFFFFF", "obd", (0x03,), False),
        ("14FFFF33", "dtc", (), False),
        ("14FFFF33", "dtc", (0x03,), True),
        ("04", "dtc", (0x07,), True),
        ("04", "obd", (0x03,), True),
        ("04", "obd", (0x0A,), False),  # no tool erases permanent copies
        ("04", "dtc", (), False),
    ],
)
def test_a_clear_contains_what_its_group_and_memory_do(
    request_: str, memory: str, listed_by: tuple[int, ...], contained: bool
) -> None:
    moment = Moment(seq=9, run="a", mono_us=0)
    clear = ClearEvent(moment=moment, unit=UNIT, request=bytes.fromhex(request_), outcome=Outcome.ANSWERED)
    obd = [ObdSight(moment=Moment(seq=5, run="a", mono_us=0), service=s, scan=1, listed=True) for s in listed_by]
    key = FaultKey(unit=UNIT, dtc=Dtc.parse(CODE), memory=memory)
    assert contained is covers(clear, key, (), obd)
    assert not covers(clear, FaultKey(unit="7E0/7E8", dtc=key.dtc, memory=memory), (), obd)


def test_a_code_that_obd_lists_only_after_the_clear_was_not_in_it() -> None:
    moment = Moment(seq=9, run="a", mono_us=0)
    clear = ClearEvent(moment=moment, unit=UNIT, request=b"\x04", outcome=Outcome.ANSWERED)
    late = ObdSight(moment=Moment(seq=12, run="a", mono_us=0), service=0x03, scan=2, listed=True)
    assert not covers(clear, KEY, (), [late])


# Accepted, refused, withdrawn.


def test_only_a_clear_later_than_a_before_scan_counts() -> None:
    early = Story(profile()).clear(UNIT, "14FFFFFF")
    assert "no complete before-scan stands before it" in facts(after(before(early), 0x2C)).erasures.refused[0]
    none = facts(Story(profile()).clear(UNIT, "14FFFFFF").scan("after").session().codes(C0035_13=0x2C).end())
    assert (None, 1) == (none.erasures.accepted, len(none.erasures.refused))


def test_of_several_accepted_clears_the_latest_counts() -> None:
    story = rounds(cleared(rounds(cleared(started()), 0x50, 0x50, 0x00)), 0x50)
    assert 2 == len(facts(story).erasures.all_accepted)
    assert "its test has not completed since the clear" in missing(after(story, 0x50))


def kept(story: Story, status: int, **records) -> Story:
    """A clear that is answered; right after it the entry is still shown."""
    story.clear(UNIT, "14FFFFFF").readback().codes(C0035_13=status).watch()
    story.scan("check").session().codes(C0035_13=status)
    if records:
        story.snapshot(CODE, status, **records)
    return story.no_obd().end()


def stored(status: int = 0x2C) -> Story:
    """A before-scan in which the fault is stored."""
    return before(Story(profile()), status).part()


def test_the_old_status_after_the_clear_withdraws_the_acceptance() -> None:
    story = kept(stored(0x2C), 0x2C)
    assert ("uncleared", 6) == story.graded()
    assert "was answered (entry 18), but the unit still lists the old entry" in story.fault().ruling.evidence[1]


def test_the_old_snapshot_withdraws_it_whatever_the_status() -> None:
    assert ("uncleared", 6) == kept(stored(0x2F), 0x28, **AT_SPEED).graded()


def test_another_snapshot_is_another_entry() -> None:
    assert ("returned", 5) == kept(stored(0x2F), 0x28, **AT_REST).graded()


def test_a_status_that_failed_and_passed_again_is_not_the_old_one() -> None:
    # 2F, then 2E: testFailed went out; the entry may be a new one (ISO 14229-1, Annex D, bit 0).
    assert ("returned", 5) == kept(stored(0x2F), 0x2E).graded()


def test_a_failing_test_after_the_clear_is_a_return() -> None:
    assert ("returned", 3) == kept(stored(0x2F), 0x2F).graded()


def test_an_entry_that_was_gone_once_does_not_come_back_as_the_old_one() -> None:
    story = cleared(stored(0x2C)).scan("check").session().codes(C0035_13=0x2C).no_obd().end()
    assert ("returned", 5) == story.graded()


def test_a_mask_without_stored_bits_shows_neither() -> None:
    story = stored(0x2C).clear(UNIT, "14FFFFFF").readback().codes(mask=0x40, C0035_13=0x40).watch()
    assert ("uncleared", 6) == story.scan("check").session().codes(C0035_13=0x2C).no_obd().end().graded()


def test_the_mask_must_tell_that_the_test_is_not_failing() -> None:
    story = Story(profile()).scan("before").session().codes(mask=0x2E, C0035_13=0x2C).no_obd().end()
    story.clear(UNIT, "14FFFFFF").scan("check").session().codes(mask=0x2E, C0035_13=0x2C).no_obd().end()
    assert ("returned", 5) == story.graded()


def test_an_entry_first_seen_after_the_clear_is_not_an_old_one() -> None:
    story = Story(profile()).scan("before").session().codes().no_obd().end()
    story.clear(UNIT, "14FFFFFF").codes(C0035_13=0x28).scan("check").session().codes().no_obd().end()
    assert ("returned", 5) == story.graded()


COUNTER = ProfileUnit(
    address=UNIT, name="Brake control", system="chassis", occurrence_record=2, extended_sizes=((1, 1), (2, 1))
)


@pytest.mark.parametrize(
    ("unit", "was", "now", "verdict"),
    [
        (COUNTER, "01050203", "01060203", "uncleared"),  # three occurrences, and still three
        (COUNTER, "01050203", "01060204", "uncleared"),
        (COUNTER, "01050201", "01060201", "returned"),  # one may be the first of a new entry
        (COUNTER, "01050203", "01060202", "returned"),
        (COUNTER, "0105", "0106", "returned"),
        (COUNTER, "07050203", "07060203", "returned"),  # a record of unknown size hides the rest
        (profile().units[0], "01050203", "01060203", "returned"),
    ],
)
def test_the_occurrence_counter_tells_an_old_entry(unit: ProfileUnit, was: str, now: str, verdict: str) -> None:
    story = Story(profile(units=(unit,))).scan("before").session().codes(C0035_13=0x2F)
    story.answer(UNIT, "1906403513FF", f"59064035132F{was}").no_obd().end().clear(UNIT, "14FFFFFF")
    story.scan("check").session().codes(C0035_13=0x28).answer(UNIT, "1906403513FF", f"590640351328{now}")
    assert verdict == story.no_obd().end().graded()[0]


def test_without_a_profile_no_counter_is_known() -> None:
    story = Story().scan("before").session().codes(C0035_13=0x2F)
    story.answer(UNIT, "1906403513FF", "59064035132F0203").end().clear(UNIT, "14FFFFFF")
    story.scan("check").session().codes(C0035_13=0x28).answer(UNIT, "1906403513FF", "5906403513280203")
    assert "returned" == story.end().graded()[0]


def test_a_service_03_list_that_still_names_it_withdraws_the_acceptance() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).answer(UNIT, "03", "43014035").end()
    story.clear(UNIT, "14FFFFFF").readback().codes(C0035_13=0x50).answer(UNIT, "03", "43014035").watch()
    still = story.scan("check").session().codes(C0035_13=0x50).answer(UNIT, "03", "43014035").end()
    assert ("uncleared", 6) == still.graded()
    failing = story.scan("check").session().codes(C0035_13=0x2F).answer(UNIT, "03", "43014035").end()
    assert ("returned", 3) == failing.graded(), "failing now: it came back"


def test_a_second_clear_that_is_carried_out_counts() -> None:
    story = kept(stored(0x2C), 0x2C)
    assert "untested" == after(rounds(cleared(story), 0x50, 0x50, 0x00)).graded()[0]
    assert "failing where the job first listed it" in missing(after(rounds(cleared(story), 0x50)))


# Carried out without a word.


def test_a_clear_not_answered_after_which_the_entry_is_gone_needs_another_clear() -> None:
    story = started().clear(UNIT, "14FFFFFF", None).readback().codes(C0035_13=0x50).supported(C0035_13=0x50).watch()
    story = after(rounds(story, 0x50, 0x50, 0x00))
    assert ("untested", 11) == story.graded()
    assert "a clear of our own that the unit accepts" in missing(story)
    assert "was not answered, yet the entry is gone" in story.fault().ruling.evidence[0]


def test_a_clear_that_a_killed_process_may_have_sent_counts_as_not_answered() -> None:
    story = started().note(Kind.CLEAR, {"unit": UNIT, "request": "14FFFFFF"})
    assert ("untested", 11) == after(rounds(story, 0x50), 0x50).graded()


def test_a_later_accepted_clear_vouches() -> None:
    story = started().clear(UNIT, "14FFFFFF", None)
    assert ("proven", 8) == after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00)).graded()


def test_what_was_read_before_a_doubtful_clear_does_not_count() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00).clear(UNIT, "14FFFFFF", None)
    story = after(rounds(story, 0x00))
    assert ("untested", 11) == story.graded()
    assert "Brake control: clear this unit; what was read before does not count for the repair." in story.judged().plan


def test_a_refused_clear_changes_nothing() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00).clear(UNIT, "14FFFFFF", refusal=0x22)
    assert ("proven", 8) == after(story).graded()


def test_an_obd_list_that_loses_it_tells_of_an_unanswered_clear_too() -> None:
    story = Story().scan("before").answer(UNIT, "03", "43010420").answer(UNIT, "07", "4700").end()
    story.clear(UNIT, "04", None).scan("after").answer(UNIT, "03", "4300").answer(UNIT, "07", "4700").end()
    assert "was not answered, yet the entry is gone" in story.fault("P0420").ruling.evidence[0]

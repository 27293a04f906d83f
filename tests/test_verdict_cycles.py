"""Operation cycles as units show them, and units watched in every one of them.

Source of what is expected:
the term *seen under* (key-on seen) of the verdict rules; bits 1 and 6 by ISO 14229-1, Annex D.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from journal_builder import AT_REST, UNIT, Story, profile

from decoders.values import Answer, AnswerKind, Exchange, Outcome
from sessions.verdict.cycles import UnitCycles, cycles_of
from sessions.verdict.flips import flips_of
from sessions.verdict.live import LiveTracks
from sessions.verdict.settings import RuleSettings
from sessions.verdict.trust import watched_throughout

SILENT = Exchange(link="x", target=UNIT, request=bytes.fromhex("22F186"), outcome=Outcome.SILENT)


def cycles(story: Story) -> UnitCycles:
    record, settings = story.record(), RuleSettings()
    return cycles_of(record, UNIT, LiveTracks(record, settings.gap_s), settings, flips_of(record, UNIT))


def off(story: Story, rounds: int = 17) -> Story:
    for _ in range(rounds):
        story.wait(4).silent(UNIT, "22F186")
    return story.wait(4)


def begun(*, run_time: int = 0, rpm: float = 0) -> Story:
    """Bit 6 was out; key off for 64 s; bit 6 is on."""
    story = off(Story(profile()).session().supported(C0035_13=0x00))
    return story.live(rpm=rpm, kmh=0, run_time=run_time).session().supported(C0035_13=0x40)


def test_a_key_on_is_seen_where_bit_6_came_on_with_it_and_the_engine_stood() -> None:
    found = cycles(begun())
    assert 1 == len(found.key_ons)
    key_on = found.key_ons[0]
    assert (5, 21, 22) == (key_on.first_silent.seq, key_on.last_silent.seq, key_on.answered.seq)


def test_a_sign_that_spans_the_silence_is_no_second_cycle() -> None:
    assert (22,) == cycles(begun()).boundaries


def test_without_a_still_engine_the_key_on_is_not_shown_to_begin_it() -> None:
    assert () == cycles(begun(run_time=3, rpm=800)).key_ons
    assert () == cycles(begun(run_time=0, rpm=800)).key_ons
    none_read = off(Story(profile()).session().supported(C0035_13=0x00)).session().supported(C0035_13=0x40)
    assert () == cycles(none_read).key_ons


def test_bit_6_that_came_on_before_the_silence_or_after_the_next_one_shows_nothing() -> None:
    early = Story(profile()).session().supported(C0035_13=0x00).wait(9).supported(C0035_13=0x40)
    assert () == cycles(off(early).live(**AT_REST, run_time=0).supported(C0035_13=0x40)).key_ons
    late = off(off(Story(profile()).session().supported(C0035_13=0x00)).session())
    assert () == cycles(late.live(rpm=0, run_time=0).session().supported(C0035_13=0x40)).key_ons


def test_bit_6_must_have_been_out_just_before_the_silence() -> None:
    # In between the engine may have been started: the cycle would have begun with that.
    story = off(Story(profile()).session().supported(C0035_13=0x00).wait(60).session())
    assert () == cycles(story.live(rpm=0, run_time=0).session().supported(C0035_13=0x40)).key_ons


def test_every_sign_of_a_new_cycle_is_a_boundary() -> None:
    bit_6 = Story(profile()).supported(C0035_13=0x00).supported(C0035_13=0x40)
    assert (4,) == cycles(bit_6).boundaries
    bit_1 = Story(profile()).supported(C0035_13=0x2F).supported(C0035_13=0x2D)
    assert (4,) == cycles(bit_1).boundaries
    engine = Story(profile()).live(run_time=90).live(run_time=5).live(run_time=6)
    assert (4,) == cycles(engine).boundaries


def test_a_short_silence_may_begin_a_cycle_and_does_not_show_one() -> None:
    short = off(Story(profile()).session(), rounds=3).session()
    assert ((7,), ()) == (cycles(short).boundaries, cycles(short).starts)
    long = off(Story(profile()).session()).session()
    assert ((21,), (21,)) == (cycles(long).boundaries, cycles(long).starts)
    assert (22, 26) == cycles(begun()).starts


def test_run_times_of_two_units_are_not_compared() -> None:
    story = Story(profile()).session().live("7E0/7E8", run_time=90).live("7E1/7E9", run_time=89)
    assert () == cycles(story).boundaries


def test_bits_that_move_with_a_clear_are_no_boundary() -> None:
    story = Story(profile()).supported(C0035_13=0x2F).clear(UNIT, "14FFFFFF").supported(C0035_13=0x50)
    assert () == cycles(story).boundaries


def test_a_silence_that_never_ended_is_no_key_on() -> None:
    assert UnitCycles(key_ons=(), boundaries=(), starts=()) == cycles(off(Story(profile()).session()))


@pytest.mark.parametrize(("kind", "data"), [("late", "7F2221"), ("late", "62F18601"), ("stray", "7F1978")])
def test_a_silence_into_which_the_unit_spoke_is_no_key_off(kind: str, data: str) -> None:
    """A late answer comes from a unit that was awake; that a cycle may have begun is not ruled out by it."""
    late = Answer(source="768", data=bytes.fromhex(data), first_us=-9, last_us=-9, kind=AnswerKind(kind))
    for spoken_at in (range(17), (8,), (16,)):
        story = Story(profile()).session().supported(C0035_13=0x00)
        for place in range(17):
            story.wait(4).kept(replace(SILENT, answers=(late,) if place in spoken_at else ()))
        story.wait(4).live(rpm=0, kmh=0, run_time=0).session().supported(C0035_13=0x40)
        found = cycles(story)
        assert () == found.key_ons
        assert found.boundaries


def test_a_request_cut_short_does_not_end_a_silence_as_an_answer_does() -> None:
    """Stopped by hand with the key off: the unit has said nothing."""
    story = off(Story(profile()).session().supported(C0035_13=0x00))
    story.kept(replace(SILENT, outcome=Outcome.DAMAGED, trouble="interrupted before an answer")).wait(4)
    story.live(rpm=0, kmh=0, run_time=0).session().supported(C0035_13=0x40)
    assert () == cycles(story).key_ons


@pytest.mark.parametrize("kind", list(AnswerKind))
def test_an_answer_to_everybody_ends_a_silence_like_any_other(kind: AnswerKind) -> None:
    everybody = replace(
        SILENT,
        target="functional:7DF",
        outcome=None,
        answers=(Answer(source="768", data=b"\x7e\x00", first_us=1, last_us=1, kind=kind),),
    )
    story = off(Story(profile()).session().supported(C0035_13=0x00)).kept(everybody)
    found = cycles(story.live(rpm=0, kmh=0, run_time=0).session().supported(C0035_13=0x40))
    of_before = kind in (AnswerKind.LATE, AnswerKind.STRAY)
    assert (0 if of_before else 1) == len(found.key_ons)
    middle = off(off(Story(profile()).session().supported(C0035_13=0x00), 9).kept(everybody), 9)
    assert () == cycles(middle.live(rpm=0, kmh=0, run_time=0).session().supported(C0035_13=0x40)).key_ons


def test_same_says_whether_a_cycle_may_have_begun_in_between() -> None:
    found = UnitCycles(key_ons=(), boundaries=(10,), starts=())
    assert [True, False, False, True] == [found.same(*span) for span in ((1, 9), (9, 10), (9, 12), (10, 12))]


def test_never_cleared_is_never_watched() -> None:
    assert not watched_throughout((), None, (), RuleSettings())

"""The status byte's life against an independent reading of ISO 14229-1, Annex D, and of the regulation."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.fault_memory import Event, Fault, FaultRule

LETTERS = {
    "F": Event.FAILED,
    "P": Event.PASSED,
    "C": Event.CLEARED,
    "(": Event.CYCLE_BEGINS,
    ")": Event.CYCLE_ENDS,
}


@dataclass
class Cycle:
    """Results of one operation cycle since the last clear."""

    results: str
    ended: bool


def reference(story: str, *, trips: int, lamp: bool, ageing: int) -> int:
    """The status byte, each bit from its definition over the whole history instead of step by step.

    Source: ISO 14229-1, Annex D (bits 0 to 7); lamp off after three good cycles: 13 CCR 1968.2, from memory.
    """
    cycles: list[Cycle] = []
    for letter in story.rpartition("C")[2] if "C" in story else story:
        if letter == "(" or not cycles:
            cycles.append(Cycle("", ended=False))
        if letter in "FP":
            cycles[-1].results += letter
        cycles[-1].ended = cycles[-1].ended or letter == ")"
    current = cycles[-1].results if cycles else ""
    every = "".join(cycle.results for cycle in cycles)
    in_a_row = good = 0
    pending = confirmed = lit = False
    for cycle in cycles:
        if "F" in cycle.results:
            in_a_row, good, pending = in_a_row + 1, 0, True
            confirmed = confirmed or in_a_row >= trips
            lit = lit or (lamp and in_a_row >= trips)
        elif cycle.results and cycle.ended:
            in_a_row, good, pending = 0, good + 1, False
            lit = lit and good < 3
            confirmed = confirmed and good < ageing
    bits = (
        every.endswith("F"),
        "F" in current,
        pending,
        confirmed,
        not every,
        "F" in every,
        not current,
        lit,
    )
    return sum(1 << position for position, value in enumerate(bits) if value)


def play(story: str, rule: FaultRule) -> Fault:
    fault = Fault(rule=rule)
    for letter in story:
        fault.happen(LETTERS[letter], snapshot=((0xF40D, b"\x3e"),))
    return fault


STORIES = st.lists(st.text("FFPPC", max_size=5).map(lambda body: f"({body})"), max_size=12).map("".join)


@settings(max_examples=600, deadline=None)
@given(STORIES, st.integers(1, 3), st.booleans(), st.integers(1, 5), st.booleans())
def test_every_history_gives_the_byte_that_the_definitions_give(
    story: str, trips: int, lamp: bool, ageing: int, cut: bool
) -> None:
    story = story[:-1] if cut else story
    fault = play(story, FaultRule(trips=trips, lamp=lamp, ageing_cycles=ageing))
    assert reference(story, trips=trips, lamp=lamp, ageing=ageing) == fault.status


# The two-trip chain of a published worked example (ISO 14229-1 status rules, recomputed).
@pytest.mark.parametrize(
    ("story", "status"),
    [
        ("", 0x50),
        ("(F", 0x27),
        ("(FP", 0x26),
        ("(FP)(", 0x64),
        ("(FP)(F", 0x2F),
        ("(FP)(FP", 0x2E),
        ("(FP)(FP)(", 0x6C),
        ("(FP)(FP)(P)", 0x28),
        ("(FP)(FP)(P)(", 0x68),
    ],
)
def test_two_trip_chain(story: str, status: int) -> None:
    assert status == play(story, FaultRule(trips=2)).status


def test_a_cycle_without_a_completed_test_leaves_pending_as_it_is() -> None:
    assert play("(FP)()(", FaultRule(trips=2)).status == 0x64  # ISO 14229-1, Annex D, bit 2


def test_the_first_failure_is_kept_and_the_latest_replaced() -> None:
    fault = Fault(rule=FaultRule())
    for speed in (b"\x3e", b"\x00"):
        fault.happen(Event.CYCLE_BEGINS)
        fault.happen(Event.FAILED, snapshot=((0xF40D, speed),))
        fault.happen(Event.FAILED, snapshot=((0xF40D, b"\xff"),))  # the same cycle: not stored again
    assert fault.first == ((0xF40D, b"\x3e"),)
    assert fault.latest == ((0xF40D, b"\x00"),)
    assert fault.occurrences == 2


def test_the_occurrence_counter_sticks_at_its_one_byte() -> None:
    assert play("(F)" * 300, FaultRule()).occurrences == 255


def test_a_clear_takes_snapshots_and_counter_but_not_the_permanent_copy() -> None:
    fault = play("(F)(FC", FaultRule(trips=2, lamp=True, permanent=True))
    assert (fault.status, fault.first, fault.latest, fault.occurrences) == (0x50, None, None, 0)
    assert fault.is_permanent  # 13 CCR 1968.2 (d)(2.5): no tool erases it


def test_a_good_cycle_after_a_clear_erases_the_permanent_copy_only_if_it_was_a_full_driving_cycle() -> None:
    for fit, kept in ((False, True), (True, False)):
        fault = play("(F)(FC)(P", FaultRule(trips=2, lamp=True, permanent=True))
        fault.happen(Event.CYCLE_ENDS, fit_cycle=fit)
        assert kept == fault.is_permanent


def test_the_units_own_ending_of_the_lamp_erases_the_permanent_copy() -> None:
    rule = FaultRule(trips=2, lamp=True, permanent=True)
    assert play("(F)(F)(P)(P)", rule).is_permanent
    assert not play("(F)(F)(P)(P)(P)", rule).is_permanent


def test_an_aged_code_loses_its_records_and_keeps_failed_since_clear() -> None:
    fault = play("(F)" + "(P)" * 40, FaultRule())  # common practice: 40 good cycles
    assert (fault.status, fault.first, fault.occurrences) == (0x20, None, 0)

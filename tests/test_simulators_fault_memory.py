"""One code's life, story by story: the status byte, what is stored with it and its permanent copy.

A story is a line of letters: ``(`` and ``)`` begin and end an operation cycle, ``]`` ends one that was a fit driving
cycle, F and P are results, C is a clear, W a warm-up, S says that the conditions of the failure were met again.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulators.fault_memory import Event, Fault, FaultRule

LETTERS = {
    "F": Event.FAILED,
    "P": Event.PASSED,
    "C": Event.CLEARED,
    "(": Event.CYCLE_BEGINS,
    ")": Event.CYCLE_ENDS,
    "]": Event.CYCLE_ENDS,
    "W": Event.WARM_UP_MADE,
    "S": Event.SIMILAR_CONDITIONS_MET,
}
TWO_TRIPS = FaultRule(trips=2)
WITH_LAMP = FaultRule(trips=2, lamp=True, permanent=True)
MISFIRE = FaultRule(trips=2, lamp=True, permanent=True, similar_conditions=True)
BY_WARM_UPS = FaultRule(ageing_by_warm_ups=True)


def play(story: str, rule: FaultRule) -> Fault:
    fault = Fault(rule=rule)
    for letter in story:
        fault.happen(LETTERS[letter], snapshot=((0xF40D, b"\x3e"),), fit_cycle=letter == "]")
    return fault


# --- the status byte: ISO 14229-1, Annex D ---

# The two-trip chain of a published worked example, recomputed; what the lamp adds; one cycle after another.
CHAIN = [
    ("", 0x50, 0x50),
    ("(F", 0x27, 0x27),
    ("(FP", 0x26, 0x26),
    ("(FP)(", 0x64, 0x64),
    ("(FP)(F", 0x2F, 0xAF),
    ("(FP)(FP", 0x2E, 0xAE),
    ("(FP)(FP)(", 0x6C, 0xEC),
    ("(FP)(FP)(P)", 0x28, 0xA8),
    ("(FP)(FP)(P)(", 0x68, 0xE8),
    ("(FP)(FP)" + "(P)" * 3, 0x28, 0x28),
    ("(FP)(FP)" + "(P)" * 39, 0x28, 0x28),
    ("(FP)(FP)" + "(P)" * 40, 0x20, 0x20),
    ("(FP)(FP)" + "(P)" * 40 + "(", 0x60, 0x60),
]


@pytest.mark.parametrize(("story", "plain", "with_lamp"), CHAIN)
def test_two_trip_chain(story: str, plain: int, with_lamp: int) -> None:
    assert (plain, with_lamp) == (play(story, TWO_TRIPS).status, play(story, WITH_LAMP).status)


# The life of single bits: each row's reason is its definition in ISO 14229-1, Annex D.
BITS = [
    ("(FP)()(", 0x64),  # bit 2: a cycle in which the test never completed leaves it as it is
    ("(FP)(P", 0x24),  # bit 2: a pass takes it only at the end of the cycle
    ("(FP)(P(", 0x64),  # bit 2: a cycle that did not end properly takes nothing
    ("(FP)(FP)(P", 0x2C),
    ("(P)(", 0x40),  # bit 4: passed since the clear, not yet in this cycle
    ("(P", 0x00),
    ("(FP)(P)(P", 0x20),  # bit 5: failed since the clear, later cycles passed
    ("(FP)(FP)C", 0x50),  # a clear: bits 4 and 6 alone
    ("(FC)(P", 0x00),
    ("(FP)(P)(F", 0x27),  # a good cycle between two failing ones breaks the chain
    ("(FP)()(F", 0x2F),  # a cycle without a test does not
    ("(FP)C(F", 0x27),  # a clear does
]


@pytest.mark.parametrize(("story", "status"), BITS)
def test_single_bits(story: str, status: int) -> None:
    assert status == play(story, TWO_TRIPS).status


@pytest.mark.parametrize("trips", [1, 2, 3, 5])
def test_confirmed_after_as_many_failing_cycles_as_the_maker_set(trips: int) -> None:
    rule = FaultRule(trips=trips)
    assert not play("(FPF)" * (trips - 1), rule).has(0x08)
    assert play("(FPF)" * trips, rule).has(0x08)


# --- ageing: 40 warm-ups without a fault for OBD codes (vehicle makers' texts), good cycles elsewhere ---


def test_an_aged_code_loses_its_records_and_keeps_failed_since_clear() -> None:
    fault = play("(F)" + "(P)" * 40, FaultRule())  # common practice: 40 good cycles
    assert (0x20, None, None, 0) == (fault.status, fault.first, fault.latest, fault.occurrences)


def test_an_option_of_newer_editions_takes_failed_since_clear_with_it() -> None:
    rule = replace(TWO_TRIPS, ageing_ends_failed_since_clear=True)  # bit 5 option: from memory
    assert (0x28, 0x00) == tuple(play("(F)(F)" + "(P)" * cycles, rule).status for cycles in (39, 40))


def test_a_failure_starts_the_count_anew() -> None:
    assert play("(F)" + "(P)" * 39 + "(F)" + "(P)" * 39, FaultRule()).has(0x08)


def test_a_code_may_never_age() -> None:
    assert play("(F)" + "(PW)" * 300, FaultRule(ageing_cycles=None)).has(0x08)


@pytest.mark.parametrize(
    ("story", "kept"),
    [
        ("(F)" + "(P)" * 100, True),  # cycles do not count
        ("(F)(PW)" + "(W)" * 38 + "(P)", True),  # 39 warm-ups
        ("(F)(PW)" + "(W)" * 38 + "(PW)", False),  # the 40th
        ("(F)(PW)" + "(W)" * 38 + "(W", True),  # the cycle is still under way
        ("(F)" + "(W)" * 40 + "(P)", True),  # none of these was without a fault: its last result was a failure
        ("(FPW)" + "(PW)" * 39, True),  # nor was one in a cycle that had failed
        ("(F)" + "(PW)" * 39 + "(WF)" + "(P)", True),  # a failure later in the same cycle takes it back
    ],
)
def test_an_obd_code_ages_by_warm_ups_without_a_fault(story: str, kept: bool) -> None:
    assert kept == play(story, BY_WARM_UPS).has(0x08)


def test_a_code_that_keeps_a_lamp_lit_does_not_age() -> None:
    rule = FaultRule(lamp=True, ageing_cycles=1)  # 13 CCR 1968.2, from memory: the lamp must be off
    assert [0xA8, 0xA8, 0x20] == [play("(F)" + "(P)" * cycles, rule).status for cycles in (1, 2, 3)]


def test_a_pending_code_does_not_age() -> None:
    rule = FaultRule(similar_conditions=True, ageing_cycles=1)  # our own reading: what is pending is not forgotten
    assert [0x2C, 0x20] == [play(story, rule).status for story in ("(F)(P)(P)", "(F)(P)(SP)")]


# --- similar conditions: misfire and fuel (13 CCR 1968.2, as vehicle makers' texts repeat it) ---


@pytest.mark.parametrize(
    ("story", "pending"),
    [
        ("(F)(P)", True),  # other conditions
        ("(F)(SP)", False),
        ("(FS)(P)", True),  # met in the cycle that failed
        ("(F)(S(P)", True),  # met in a cycle that did not end properly
        ("(F)(S)", True),  # met, but no test completed
        ("(F)" + "(P)" * 79, True),
        ("(F)" + "(P)" * 80, False),  # 80 cycles without a fault, whatever their conditions
    ],
)
def test_pending_goes_after_similar_conditions_or_80_cycles(story: str, pending: bool) -> None:
    assert pending == play(story, MISFIRE).has(0x04)


def test_a_pending_code_that_other_conditions_left_standing_is_confirmed_by_the_next_failure() -> None:
    assert (0x27, 0xAF) == tuple(play(f"(F)({met}P)(F", MISFIRE).status for met in ("S", ""))


def test_the_lamp_goes_after_three_good_cycles_in_similar_conditions() -> None:
    lit = "(F)(F)"
    assert play(lit + "(P)" * 200, MISFIRE).has(0x80)  # no number of other cycles does
    assert play(lit + "(SP)(P)(SP)(P)", MISFIRE).has(0x80)
    healed = play(lit + "(SP)(P)(SP)(P)(SP)", MISFIRE)
    assert (0x28, False) == (healed.status, healed.is_permanent)


def test_a_failure_between_makes_the_lamp_wait_for_three_more() -> None:
    assert play("(F)(F)(SP)(SP)(F)(SP)", MISFIRE).has(0x80)


# --- permanent copies: 13 CCR 1968.2 (d)(2.5) ---


@pytest.mark.parametrize(
    ("story", "kept"),
    [
        ("(F)", False),  # no lamp yet
        ("(F)(F", True),
        ("(F)(FC", True),  # no tool erases it
        ("(F)(F)(P](P]", True),  # while the lamp is lit its own ending alone counts
        ("(F)(F)(P)(P)(P)", False),
        ("(F)(FC)(P)", True),  # after a clear: a good cycle is not enough,
        ("(F)(FC)(]", True),  # nor is a fit one,
        ("(F)(FC)(P]", False),  # both in one,
        ("(F)(FC)(P)(]", False),  # or each in its own, in either order
        ("(F)(FC)(](P)", False),
        ("(F)(FC)(](F)(P)", True),  # a fault seen since begins it anew
        ("(F)(FC)(P)(F](P)", True),  # a fit cycle that failed is none
        ("(F)(F)(P](C)(P)", True),  # what was before the clear does not count
    ],
)
def test_a_permanent_copy_stays_until_the_unit_itself_has_proof(story: str, kept: bool) -> None:
    assert kept == play(story, WITH_LAMP).is_permanent


def test_a_good_cycle_is_proof_where_the_test_has_an_in_use_ratio() -> None:
    rule = replace(WITH_LAMP, in_use_ratio=True)
    assert [True, True, False] == [play("(F)(FC)" + then, rule).is_permanent for then in ("(]", "(PF)", "(P)")]


@pytest.mark.parametrize("rule", [replace(WITH_LAMP, permanent=False), replace(WITH_LAMP, lamp=False)])
def test_no_copy_of_a_code_that_keeps_none_or_lights_no_lamp(rule: FaultRule) -> None:
    assert not play("(F)(F)", rule).is_permanent


# --- what is stored with a code ---


def test_the_first_failure_is_kept_and_the_latest_replaced() -> None:
    fault = Fault(rule=FaultRule())
    for speed in (b"\x3e", b"\x00"):
        fault.happen(Event.CYCLE_BEGINS)
        fault.happen(Event.FAILED, snapshot=((0xF40D, speed),))
        fault.happen(Event.FAILED, snapshot=((0xF40D, b"\xff"),))  # the same cycle: not stored again
    assert ((0xF40D, b"\x3e"),) == fault.first
    assert ((0xF40D, b"\x00"),) == fault.latest
    assert 2 == fault.occurrences


def test_the_occurrence_counter_sticks_at_its_one_byte() -> None:
    assert 255 == play("(F)" * 300, FaultRule()).occurrences


def test_a_clear_takes_snapshots_and_counter() -> None:
    fault = play("(F)(FC", WITH_LAMP)
    assert (0x50, None, None, 0) == (fault.status, fault.first, fault.latest, fault.occurrences)


def test_a_cycle_ends_once() -> None:
    assert play("(F)(P)", WITH_LAMP) == play("(F)(P))))", WITH_LAMP)
    assert play("(F)(F)(P))))", WITH_LAMP).has(0x80)

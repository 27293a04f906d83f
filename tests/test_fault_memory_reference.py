"""The fault memory against an independent reading of the same rules, over random histories.

The reference never steps from event to event. It looks back over a whole history, written as a line of letters, and
asks of each stretch behind a failure or a clear what it held.
"""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise, product

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulators.fault_memory import Event, Fault, FaultRule

EVENTS = {
    "F": Event.FAILED,
    "P": Event.PASSED,
    "C": Event.CLEARED,
    "(": Event.CYCLE_BEGINS,
    ")": Event.CYCLE_ENDS,
    "]": Event.CYCLE_ENDS,  # the cycle was a fit driving cycle
    "W": Event.WARM_UP_MADE,
    "S": Event.SIMILAR_CONDITIONS_MET,
}


def reference(story: str, rule: FaultRule) -> tuple[int, bool]:
    """The status byte and whether a permanent copy is kept.

    Sources: ISO 14229-1, Annex D (bits 0 to 7); 13 CCR 1968.2 (d)(2.5) (permanent copies); the life of an OBD code
    as vehicle makers' texts tell it, from memory: 3 cycles, 40 warm-ups, similar conditions or 80 cycles.
    """
    trips, permanent = 0, False
    failed = confirmed = pending = lit = False
    marks = [at for at, letter in enumerate(story) if letter in "FC"]
    for here, there in pairwise([*marks, len(story)]):
        ends = [at for at in range(here, there) if story[at] in ")]" and is_first_end(story, at)]
        calm = [at for at in ends if "F" not in cycle_at(story, at)]
        good = [at for at in calm if "P" in cycle_at(story, at)]
        similar = [at for at in good if "S" in story[story.rfind("(", 0, at) + 1 : at]]
        healing = len(similar if rule.similar_conditions else good)
        warm = [at for at in range(here, max(ends, default=here)) if story[at] == "W" and "P" in story[here:at]]
        warm = [at for at in warm if "F" not in cycle_at(story, at)]
        if story[here] == "C":
            trips, failed, confirmed, pending, lit = 0, False, False, False, False
        else:
            trips += "F" not in cycle_at(story, here)
            failed = pending = True
            confirmed = confirmed or trips >= rule.trips
            lit = lit or (rule.lamp and trips >= rule.trips)
            permanent = permanent or (rule.permanent and rule.lamp and trips >= rule.trips)
        proven = good and (rule.in_use_ratio or any(story[at] == "]" for at in calm))
        permanent = permanent and not (healing >= 3 if lit else proven)
        lit = lit and healing < 3
        if healing or len(good) >= 80:
            trips, pending = 0, False
        aged = len(warm if rule.ageing_by_warm_ups else good) >= (rule.ageing_cycles or 1000)
        if confirmed and aged and not (pending or lit):
            confirmed, failed = False, failed and not rule.ageing_ends_failed_since_clear
    life, cycle = story[story.rfind("C") + 1 :], cycle_at(story, len(story))
    untested, untested_now = not re.search("[FP]", life), not re.search("[FP]", cycle)
    failing = re.search("F[^P]*$", life) is not None
    bits = (failing, "F" in cycle, pending, confirmed, untested, failed, untested_now, lit)
    return sum(1 << position for position, value in enumerate(bits) if value), permanent


def cycle_at(story: str, at: int) -> str:
    """What the cycle under way held until then, since the last clear."""
    return story[max(story.rfind("(", 0, at), story.rfind("C", 0, at)) + 1 : at]


def is_first_end(story: str, at: int) -> bool:
    """True if the cycle had not ended before: after a clear it is still the same cycle."""
    return not re.search(r"[)\]][^(]*$", story[:at])


def play(story: str, rule: FaultRule) -> tuple[int, bool]:
    fault = Fault(rule=rule)
    for letter in story:
        fault.happen(EVENTS[letter], fit_cycle=letter == "]")
    return fault.status, fault.is_permanent


MOSTLY = st.sampled_from((True, True, False))
RULES = st.builds(
    FaultRule,
    trips=st.integers(1, 3),
    lamp=MOSTLY,
    ageing_cycles=st.none() | st.integers(1, 4),
    permanent=MOSTLY,
    ageing_by_warm_ups=st.booleans(),
    ageing_ends_failed_since_clear=st.booleans(),
    similar_conditions=st.booleans(),
    in_use_ratio=st.booleans(),
)
LIT = FaultRule(lamp=True, permanent=True, similar_conditions=True, ageing_cycles=2, ageing_by_warm_ups=True)
CYCLES = st.builds("({}{}".format, st.text("FPPPSSWC", max_size=5), st.sampled_from(("", ")", ")", "]")))
LIKELY = st.sampled_from(("(F)", "(FP)", "(FPW)", "(P)", "(P]", "(]", "(W)", "(SP]", "(PW)" * 3, "(P)" * 79, "C"))


@settings(max_examples=2000, deadline=None)
@given(st.lists(CYCLES | LIKELY | LIKELY, max_size=12).map("".join), RULES)
@example("(F)" + "(PW)" * 5 + "(SP)" * 3, LIT)
@example("(FC)(P)(]", LIT)
def test_every_likely_history_gives_what_the_rules_give(story: str, rule: FaultRule) -> None:
    assert reference(story, rule) == play(story, rule)


@settings(max_examples=1000, deadline=None)
@given(st.text("FPC()]WS", max_size=40), RULES)
def test_events_in_any_order_give_what_the_rules_give(story: str, rule: FaultRule) -> None:
    assert reference(story, rule) == play(story, rule)


AGEING = FaultRule(ageing_cycles=1, ageing_by_warm_ups=True)
SEVERAL = (
    LIT,
    replace(LIT, trips=2, in_use_ratio=True),
    AGEING,
    replace(AGEING, ageing_by_warm_ups=False, ageing_ends_failed_since_clear=True),
)


@pytest.mark.parametrize("rule", SEVERAL)
def test_every_short_history_gives_what_the_rules_give(rule: FaultRule) -> None:
    """Every order of up to four events behind a first failure, and of four cycles of each kind."""
    letters = (part for length in range(5) for part in product("FPC()]WS", repeat=length))
    cycles = product(("(F)", "(FPW)", "(P)", "(PW", "(W)", "(SP]", "(SWP)(SP)", "C"), repeat=4)
    for parts in (*letters, *cycles):
        story = "(F" + "".join(parts)
        assert reference(story, rule) == play(story, rule), story

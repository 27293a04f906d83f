"""The window: how many units are asked at once, learned from how requests end."""

from __future__ import annotations

import random

import pytest

from decoders.values import Outcome
from gateway.links.window import EASILY, Window

MS = 1_000_000
P2_MS = 100
SOON, LATE = 20 * MS, 80 * MS


def window(*, begin: int = 8, largest: int = 32) -> Window:
    return Window(begin=begin, largest=largest, p2_ms=P2_MS)


def answer(made: Window, count: int = 1, *, lag_ns: int = SOON, now_ns: int = 0) -> None:
    for _ in range(count):
        made.learn(Outcome.ANSWERED, heard_before=True, lag_ns=lag_ns, now_ns=now_ns)


def lose(made: Window, now_ns: int, outcome: Outcome = Outcome.DAMAGED, *, heard_before: bool = True) -> None:
    made.learn(outcome, heard_before=heard_before, lag_ns=None, now_ns=now_ns)


def test_it_opens_by_one_with_each_answer_up_to_its_largest() -> None:
    made = window()
    answer(made, 3)
    assert 11 == made.size
    answer(made, 100)
    assert 32 == made.size


def test_a_refusal_is_an_answer_too() -> None:
    made = window()
    made.learn(Outcome.REFUSED, heard_before=True, lag_ns=SOON, now_ns=0)
    assert 9 == made.size


@pytest.mark.parametrize("outcome", [Outcome.DAMAGED, Outcome.SILENT])
def test_a_lost_answer_halves_it(outcome: Outcome) -> None:
    made = window()
    lose(made, 0, outcome)
    assert 4 == made.size


def test_what_was_under_way_when_one_was_lost_counts_once() -> None:
    made = window(begin=32)
    for at_ms in (0, 10, 90):
        lose(made, at_ms * MS)
    assert 16 == made.size
    lose(made, (P2_MS + 1) * MS)
    assert 8 == made.size


def test_an_absent_unit_is_no_loss() -> None:
    made = window()
    lose(made, 0, Outcome.SILENT, heard_before=False)
    assert 8 == made.size


@pytest.mark.parametrize("outcome", [Outcome.UNSENT, None])
def test_what_says_nothing_of_the_bus_changes_nothing(outcome: Outcome | None) -> None:
    made = window()
    made.learn(outcome, heard_before=True, lag_ns=None, now_ns=0)
    assert 8 == made.size


def test_late_answers_let_it_give_way_a_little_and_open_slowly_from_then_on() -> None:
    made = window(begin=32)
    answer(made, 20, lag_ns=LATE)
    assert 28 == made.size
    answer(made, 40)  # two for each window full, once they come soon again
    assert 28 < made.size <= 31


def test_one_unit_that_waits_for_all_others_is_no_sign_of_a_full_bus() -> None:
    made = window(begin=16)
    for _ in range(10):
        answer(made, 15)
        answer(made, lag_ns=LATE)
    assert 32 == made.size


def test_beyond_the_common_size_it_opens_slowly() -> None:
    made = window(begin=16, largest=64)
    answer(made, 16)
    assert EASILY == made.size
    answer(made, 16)
    assert EASILY == made.size
    answer(made, 300)
    assert 45 < made.size < 55


def test_it_opens_no_further_on_a_full_bus() -> None:
    made = window(begin=16, largest=64)
    for _ in range(100):
        made.learn(Outcome.ANSWERED, heard_before=True, lag_ns=SOON, now_ns=0, bus_load=0.95)
    assert 16 == made.size
    for _ in range(3):
        made.learn(Outcome.ANSWERED, heard_before=True, lag_ns=SOON, now_ns=0, bus_load=0.5)
    assert 19 == made.size


def test_on_a_full_bus_it_gives_way_and_halves_as_on_any() -> None:
    made = window(begin=32)
    for _ in range(20):
        made.learn(Outcome.ANSWERED, heard_before=True, lag_ns=LATE, now_ns=0, bus_load=0.95)
    assert 28 == made.size
    made.learn(Outcome.DAMAGED, heard_before=True, lag_ns=None, now_ns=(P2_MS + 1) * MS, bus_load=0.95)
    assert 14 == made.size


def test_it_is_never_less_than_one_nor_more_than_its_largest() -> None:
    draw = random.Random(7)  # noqa: S311
    for largest in (0, 1, 3, 32):
        made = Window(begin=8, largest=largest, p2_ms=P2_MS)
        for step in range(2000):
            outcome = draw.choice([*Outcome, None])
            lag_ns = draw.choice([None, SOON, LATE])
            made.learn(outcome, heard_before=draw.random() < 0.5, lag_ns=lag_ns, now_ns=step * draw.randrange(200) * MS)
            assert 1 <= made.size <= max(1, largest)

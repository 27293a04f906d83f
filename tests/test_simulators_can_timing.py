"""The simulated CAN bus between two looks at it: what is due meanwhile, and single frames beside long messages."""

from __future__ import annotations

import time

import pytest
from can_help import Listener, bench_of, car_of

from simulators.can_side import Physics


@pytest.mark.parametrize("physics", [None, Physics()])
def test_a_single_frame_in_the_middle_of_a_long_request_breaks_it_off_and_is_answered(physics: Physics | None) -> None:
    with bench_of(car_of("7E0/7E8"), physics=physics) as bench:
        tester = Listener(bench.side)
        tester.send(0x7E0, "100922F187F187F1")
        assert 3 == tester.all()[0].data[0] >> 4  # go on, says the unit
        tester.send(0x7E0, "023E00")
        assert [b"\x02\x7e\x00"] == [frame.data[:3] for frame in tester.all()]
        tester.send(0x7E0, "2187")
        tester.send(0x7E0, "023E00")
        assert [b"\x02\x7e\x00"] == [frame.data[:3] for frame in tester.all()]
        wanted = ["ReceptionInterruptedWithSingleFrameError", "UnexpectedConsecutiveFrameError"]
        assert wanted == [type(trouble).__name__ for trouble in bench.side.troubles]


def test_a_single_frame_in_the_middle_of_a_long_answer_is_answered_behind_it() -> None:
    with bench_of(car_of("7E0/7E8"), physics=Physics()) as bench:
        tester = Listener(bench.side)
        tester.send(0x7E0, "0322F190")
        assert tester.next() is not None
        tester.send(0x7E0, "300001")
        tester.send(0x7E0, "023E00")
        kinds = [frame.data[0] >> 4 for frame in tester.all()]
        assert [2] * (len(kinds) - 1) + [0] == kinds
        assert 11 < len(kinds)
        assert [] == list(bench.side.troubles)


def test_an_answer_is_ready_when_it_is_due_whenever_one_looks() -> None:
    """The lower identifier wins only against frames that are ready by then. Source: ISO 11898-1, arbitration."""
    units = ("7E0/7E8", "7E1/7E9")
    with bench_of(car_of(*units), physics=Physics()) as bench:
        bench.desk.disturb(units[0], "late", ms=60)
        bench.desk.disturb(units[1], "late", ms=30)
        tester = Listener(bench.side)
        tester.send(0x7DF, "023E00")
        time.sleep(0.02)
        with bench.desk.lock:  # nobody looks while both become due
            time.sleep(0.1)
        assert [0x7E9, 0x7E8] == [frame.arbitration_id for frame in tester.all()]

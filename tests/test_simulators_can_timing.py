"""The simulated CAN bus between two looks at it: what is due meanwhile, gaps, single frames beside long messages."""

from __future__ import annotations

import time
from itertools import pairwise

import pytest
from can_help import Listener, bench_of, car_of

from simulators.can_side import Frame, Physics

SOON_S = 10
"""Within this time comes what comes; it ends the wait."""


def told(tester: Listener, count: int, quiet: float = 0.1) -> list[Frame]:
    """So many frames, however long the machine takes, and whatever comes beside them."""
    frames = [tester.next(SOON_S) for _ in range(count)]
    return [frame for frame in frames if frame is not None] + tester.all(quiet)


@pytest.mark.parametrize("physics", [None, Physics()])
def test_a_single_frame_in_the_middle_of_a_long_request_breaks_it_off_and_is_answered(physics: Physics | None) -> None:
    with bench_of(car_of("7E0/7E8"), physics=physics) as bench:
        tester = Listener(bench.side)
        tester.send(0x7E0, "100922F187F187F1")
        assert 3 == told(tester, 1)[0].data[0] >> 4  # go on, says the unit
        tester.send(0x7E0, "023E00")
        assert [b"\x02\x7e\x00"] == [frame.data[:3] for frame in told(tester, 1)]
        tester.send(0x7E0, "2187")
        tester.send(0x7E0, "023E00")
        assert [b"\x02\x7e\x00"] == [frame.data[:3] for frame in told(tester, 1)]
        wanted = ["ReceptionInterruptedWithSingleFrameError", "UnexpectedConsecutiveFrameError"]
        assert wanted == [type(trouble).__name__ for trouble in bench.side.troubles]


def test_a_single_frame_in_the_middle_of_a_long_answer_is_answered_behind_it() -> None:
    with bench_of(car_of("7E0/7E8"), physics=Physics()) as bench:
        tester = Listener(bench.side)
        tester.send(0x7E0, "0322F190")
        assert tester.next(SOON_S) is not None
        tester.send(0x7E0, "300001")
        tester.send(0x7E0, "023E00")
        kinds = [frame.data[0] >> 4 for frame in told(tester, 12)]
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
        assert [0x7E9, 0x7E8] == [frame.arbitration_id for frame in told(tester, 2)]


def test_a_unit_keeps_a_gap_of_its_own_and_the_testers_where_that_is_longer() -> None:
    unit = "7E0/7E8"
    physics = Physics()
    gap_s = physics.manner(seed=1, unit=unit).gap_us / 1e6
    with bench_of(car_of(unit), physics=physics) as bench:
        for stmin, least_s in (("00", gap_s), ("F1", gap_s), ("0A", 0.010), ("FA", 0.127)):
            tester = Listener(bench.side)
            tester.send(0x7E0, "0322F190")
            assert tester.next(SOON_S) is not None
            tester.send(0x7E0, f"3000{stmin}")
            stamps = []
            while len(stamps) < (11 if least_s < 0.1 else 4) and tester.next(SOON_S) is not None:
                stamps.append(time.monotonic())
            spans = sorted(late - early for early, late in pairwise(stamps))
            # A frame that the machine holds up makes one span long and the next one short.
            assert least_s * 0.9 <= spans[len(spans) // 2] < least_s + 0.02
            while bench.side.busy:
                tester.all(0.05)
            tester.tap.close()


def test_a_unit_that_falls_asleep_in_the_middle_of_an_answer_sends_no_more_of_it() -> None:
    with bench_of(car_of("7E0/7E8"), physics=Physics()) as bench:
        tester = Listener(bench.side)
        off: list[Frame] = []

        def turn_off_behind_the_second(frame: Frame) -> None:
            if frame.data[0] >> 4 == 2 and not off:
                off.append(frame)
                bench.desk.act("key_off")

        bench.side.attach(turn_off_behind_the_second)
        tester.send(0x7E0, "0322F190")
        assert tester.next(SOON_S) is not None
        tester.send(0x7E0, "300014")  # 20 ms between two frames
        assert tester.next(SOON_S) is not None
        assert len(tester.all()) <= 1  # what was on the wire already
        assert off
        bench.desk.act("key_on")
        assert b"\x7e\x00" == bench.ask("7E0/7E8", "3E00")
        assert not bench.side.busy

"""How busy a bus is, from the frames that one member sees. Frame lengths are judged by the simulated bus."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.links.can.bus_load import BusLoad
from simulators.can_bus_time import Frame, Physics

MS = 1_000_000
BITRATE = 500_000


def carried(load: BusLoad, *, length: int, is_29_bit: bool, share: float, span_ms: int) -> float:
    """The load after frames that took this share of so long a time."""
    frame = Frame("tx", 0x18DAF110 if is_29_bit else 0x7E8, is_29_bit, bytes(range(0x31, 0x31 + length)))
    each_ns = int(Physics(bitrate=BITRATE).frame_ns(frame) / share)
    at_ns = 0
    while at_ns < span_ms * MS:
        at_ns += each_ns
        load.note(length, is_29_bit=is_29_bit, at_ns=at_ns)
    return load.share(at_ns)


@pytest.mark.parametrize("is_29_bit", [False, True])
@pytest.mark.parametrize("length", [1, 3, 8])
@pytest.mark.parametrize("share", [0.25, 0.5, 1.0])
def test_it_comes_to_the_share_that_frames_take(is_29_bit: bool, length: int, share: float) -> None:
    """The simulated bus counts stuff bits too: up to a fifth more (ISO 11898-1)."""
    told = carried(BusLoad(BITRATE), length=length, is_29_bit=is_29_bit, share=share, span_ms=200)
    assert 0.8 * share <= told <= 1.05 * share


def test_a_full_bus_is_known_after_some_forty_milliseconds_and_forgotten_as_soon() -> None:
    load = BusLoad(BITRATE)
    assert 0.0 == load.share(0)
    assert carried(load, length=8, is_29_bit=False, share=1.0, span_ms=8) < 0.5
    assert carried(load, length=8, is_29_bit=False, share=1.0, span_ms=60) > 0.8
    assert load.share(60 * MS + 60 * MS) < 0.1


def test_the_same_frames_load_a_slower_bus_more() -> None:
    fast, slow = BusLoad(500_000), BusLoad(250_000)
    for at in range(100):
        for load in (fast, slow):
            load.note(8, is_29_bit=False, at_ns=at * MS)
    assert slow.share(100 * MS) == pytest.approx(2 * fast.share(100 * MS))


@given(st.lists(st.tuples(st.integers(0, 8), st.booleans(), st.integers(-5 * MS, 50 * MS)), max_size=50))
def test_it_is_never_negative_whatever_the_clock_does(frames: list[tuple[int, bool, int]]) -> None:
    load, now_ns = BusLoad(BITRATE), 0
    for length, is_29_bit, step_ns in frames:
        now_ns += step_ns
        load.note(length, is_29_bit=is_29_bit, at_ns=now_ns)
        assert load.share(now_ns) >= 0

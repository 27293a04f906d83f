"""What frames cost on the simulated bus, against published figures and a second count in another style."""

from __future__ import annotations

import statistics
from itertools import groupby, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.can_bus_time import Frame, Physics, Wire, crc_15, frame_bits
from simulators.response_times import ResponseTimes

US, MS, S = 1_000, 1_000_000, 1_000_000_000


def narrow(can_id: int, data: str = "", **more: bool) -> Frame:
    return Frame("rx", can_id, False, bytes.fromhex(data), **more)


def wide(can_id: int, data: str = "", **more: bool) -> Frame:
    return Frame("rx", can_id, True, bytes.fromhex(data), **more)


# Bits.


def total(frame: Frame) -> int:
    slow, fast = frame_bits(frame)
    return slow + fast


# Bits of a data frame with the space behind it, without and with the worst stuffing: 47 + 8n, 67 + 8n, and
# floor((34 + 8n - 1) / 4), floor((54 + 8n - 1) / 4) more. Source: the published worst case analysis of CAN frames.
PUBLISHED = [(False, 8, 111, 135), (True, 8, 131, 160), (False, 0, 47, 55), (True, 0, 67, 80)]


@pytest.mark.parametrize(("is_extended", "size", "least", "most"), PUBLISHED)
def test_bits_stay_within_the_published_bounds(is_extended: bool, size: int, least: int, most: int) -> None:
    ids = range(0, 0x20000000 if is_extended else 0x800, 0x61A80 if is_extended else 1)
    seen = {total(Frame("rx", can_id, is_extended, bytes([can_id % 256]) * size)) for can_id in ids}
    assert (least, least + 10) <= (min(seen), max(seen))
    assert most >= max(seen)


def test_stuffing_as_counted_by_hand() -> None:
    """Eight bytes 00 under identifier 000: 15 zeros, a length of 1000, 64 zeros; a bit after each five zeros.

    3 + 13 of them, and none in a checksum that is mixed.
    """
    assert 111 + 3 + 13 == total(narrow(0, "00" * 8))
    assert 111 == total(narrow(0x109, "C3" * 8))


def test_data_that_change_every_four_bits_cost_most() -> None:
    """The stuff bit is the first of the next five: 3C 3C .. behind 000 is stuffed every four bits, 15 times in 64."""
    dearest = max(total(narrow(can_id, "3C" * 8)) for can_id in range(0x800))
    assert 111 + 15 < dearest <= 135


def test_a_frame_of_eight_bytes_takes_222_to_270_us_at_500_kbit() -> None:
    for physics, least_us, most_us in ((Physics(), 222, 270), (Physics(bitrate=250_000), 444, 540)):
        spans = [physics.frame_ns(narrow(can_id, f"{can_id:04x}" * 4)) for can_id in range(0x800)]
        assert least_us * US <= min(spans)
        assert max(spans) <= most_us * US


def test_the_checksum_is_that_of_can() -> None:
    """CRC-15/CAN: 059E over the digits 1 to 9. Source: catalogue of parametrised CRC algorithms (from memory)."""
    assert 0x059E == crc_15("".join(f"{byte:08b}" for byte in b"123456789"))


def counted_again(bits: list[int]) -> int:
    """Stuff bits by putting them in, bit by bit, and looking back at what was sent: no five alike may be followed."""
    sent: list[int] = []
    for bit in bits:
        if len(sent) >= 5 and len(set(sent[-5:])) == 1:
            sent.append(1 - sent[-1])
        sent.append(bit)
    if len(sent) >= 5 and len(set(sent[-5:])) == 1:
        sent.append(1 - sent[-1])
    return len(sent) - len(bits)


def checksum_again(bits: list[int]) -> list[int]:
    """CRC-15 as a register of single bits. Source: ISO 11898-1, generator 1100010110011001 (from memory)."""
    register, taps = [0] * 15, [1, 0, 0, 0, 1, 0, 1, 1, 0, 0, 1, 1, 0, 0, 1]
    for bit in bits:
        leading = register[0] ^ bit
        register = [*register[1:], 0]
        if leading:
            register = [a ^ b for a, b in zip(register, taps, strict=True)]
    return register


def written(value: int, width: int) -> list[int]:
    return [value >> at & 1 for at in reversed(range(width))]


def frame_again(frame: Frame) -> int:
    """A classic frame's bits in another style: fields, checksum, stuffing, and 13 bits without any."""
    if frame.is_extended:
        head = [
            0,
            *written(frame.arbitration_id >> 18, 11),
            1,
            1,
            *written(frame.arbitration_id % 0x40000, 18),
            0,
            0,
            0,
        ]
    else:
        head = [0, *written(frame.arbitration_id, 11), 0, 0, 0]
    body = head + written(len(frame.data), 4) + [bit for byte in frame.data for bit in written(byte, 8)]
    body += checksum_again(body)
    return len(body) + counted_again(body) + 13


@given(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.booleans())
def test_random_frames_have_the_bits_of_a_second_count(number: int, data: bytes, is_extended: bool) -> None:
    frame = Frame("rx", number if is_extended else number % 0x800, is_extended, data)
    assert (frame_again(frame), 0) == frame_bits(frame)


@pytest.mark.parametrize("data", ["0F83E0F83E0F83E0", "F83E0F83E0F83E0F", "0000000000000000", "FFFFFFFFFFFFFFFF"])
def test_stuff_bits_that_meet_count_once_each(data: str) -> None:
    for can_id in (0x000, 0x7FF, 0x078, 0x787):
        assert (frame_again(narrow(can_id, data)), 0) == frame_bits(narrow(can_id, data))


def test_fd_frames_have_longer_checksums_with_bits_of_their_own() -> None:
    """Base format without any stuffing: 30 slow bits, 5 + 8n fast ones, checksum field 27 up to 16 bytes, then 32."""
    for size, checksum in ((0, 27), (8, 27), (16, 27), (20, 32), (64, 32)):
        slow, fast = frame_bits(narrow(0x555, "A5" * size, is_fd=True, bitrate_switch=True))
        stuffing = (slow - 30, fast - 5 - 8 * size - checksum)
        assert (0, 0) <= stuffing <= (4, (5 + 8 * size) // 4)


@given(st.sampled_from([0, 1, 8, 12, 20, 64]), st.integers(0, 0x7FF), st.integers(0, 255))
def test_an_fd_frame_that_keeps_its_rate_has_all_its_bits_at_it(size: int, can_id: int, byte: int) -> None:
    """One bit of the head differs, so the stuffing may differ by a bit or two."""
    frame = Frame("rx", can_id, False, bytes([byte]) * size, is_fd=True)
    slow, fast = frame_bits(frame)
    switched = frame_bits(Frame("rx", can_id, False, bytes([byte]) * size, is_fd=True, bitrate_switch=True))
    assert fast == 0
    assert abs(slow - sum(switched)) <= 2


def test_a_length_that_fd_does_not_have_costs_the_next_one() -> None:
    assert frame_bits(narrow(0x7E0, "00" * 12, is_fd=True)) == frame_bits(narrow(0x7E0, "00" * 9, is_fd=True))


def test_a_switched_frame_of_64_bytes_is_quicker_than_its_eight_classic_ones() -> None:
    physics = Physics()
    fd = physics.frame_ns(wide(0x18DA10F1, "3C" * 64, is_fd=True, bitrate_switch=True))
    classic = physics.frame_ns(wide(0x18DA10F1, "3C" * 8))
    assert classic < fd < 3 * classic


# The wire.


def run(wire: Wire[str], until_ns: int, step_ns: int = 10 * US) -> list[tuple[int, str]]:
    """What is out by when, looked at again and again."""
    out = []
    for now_ns in range(0, until_ns, step_ns):
        while (done := wire.take(now_ns)) is not None:
            out.append((done[0], done[2]))
            assert done[0] <= now_ns
    return out


def test_of_frames_that_wait_the_lowest_identifier_goes_first() -> None:
    """Source: ISO 11898-1, arbitration: a dominant 0 wins; the short identifier wins against its longer twin."""
    wire = Wire[str](Physics(), 0)
    frames = {
        "7E8": narrow(0x7E8, "00"),
        "18DAF110": wide(0x18DAF110, "00"),
        "100": narrow(0x100, "00"),
        "short 636": narrow(0x636, "00"),
        "7DF": narrow(0x7DF, "00"),
    }
    for name, frame in frames.items():
        wire.put(frame, name, 0)
    assert 5 == len(wire)
    order = [name for _, name in run(wire, 2 * MS)]
    assert ["100", "short 636", "18DAF110", "7DF", "7E8"] == order  # 18DAF110 begins with the bits of 636
    assert (0, None) == (len(wire), wire.due_ns())


def test_a_frame_under_way_is_not_broken_off_by_a_better_one() -> None:
    wire = Wire[str](Physics(), 0)
    wire.put(narrow(0x7FF, "00" * 8), "long", 0)
    assert wire.take(0) is None
    wire.put(narrow(0x001), "late", 10 * US)
    assert ["long", "late"] == [name for _, name in run(wire, MS)]


def test_frames_of_one_identifier_keep_their_order() -> None:
    wire = Wire[str](Physics(), 0)
    for name in ("1", "2", "3"):
        wire.put(narrow(0x7E8, f"0{name}"), name, 0)
    assert ["1", "2", "3"] == [name for _, name in run(wire, MS)]


def test_frames_follow_each_other_without_a_gap_however_seldom_one_looks() -> None:
    physics = Physics()
    frame = narrow(0x7E8, "0102030405060708")
    for step_ns in (10 * US, 900 * US):
        wire = Wire[str](physics, 0)
        for _ in range(5):
            wire.put(frame, "", 100 * US)
        ends = [end_ns for end_ns, _ in run(wire, 5 * MS, step_ns)]
        assert [100 * US + nth * physics.frame_ns(frame) for nth in range(1, 6)] == ends


def test_the_wire_says_when_to_look_again() -> None:
    physics = Physics()
    frame = narrow(0x7E8)
    wire = Wire[str](physics, 0)
    wire.put(frame, "", MS)
    assert MS == wire.due_ns()
    assert wire.take(MS) is None
    assert MS + physics.frame_ns(frame) == wire.due_ns()


def test_the_load_is_the_share_of_time_with_a_frame_on_the_wire() -> None:
    physics = Physics()
    frame = narrow(0x7E8, "0102030405060708")
    span_ns = physics.frame_ns(frame)
    wire = Wire[str](physics, 0)
    for nth in range(1000):
        wire.put(frame, "", nth * 2 * span_ns)  # every second place is empty
    run(wire, 2 * S, span_ns)
    busy_ns = 1000 * span_ns
    load = wire.load(2 * S)
    assert pytest.approx(100 * busy_ns / (2 * S), abs=0.1) == load.whole
    assert 0 == wire.load(4 * S).last_second
    assert pytest.approx(100 * busy_ns / (4 * S), abs=0.1) == wire.load(4 * S).whole


def test_a_bus_that_never_rests_is_loaded_to_a_hundred_percent() -> None:
    wire = Wire[str](Physics(), 0)
    for _ in range(9000):
        wire.put(narrow(0x7E8, "0102030405060708"), "", 0)
    run(wire, 1500 * MS, MS)
    load = wire.load(1500 * MS)  # the last look began no new frame
    assert (pytest.approx(100, abs=0.2), pytest.approx(100, abs=0.2)) == (load.last_second, load.whole)


# How units are.


def test_a_unit_takes_and_sends_long_messages_in_a_way_of_its_own() -> None:
    physics = Physics()
    units = [f"7{at:02X}/7{at + 1:02X}" for at in range(0, 200, 2)]
    manners = [physics.manner(seed=1, unit=unit) for unit in units]
    assert manners == [physics.manner(seed=1, unit=unit) for unit in units]
    assert manners != [physics.manner(seed=2, unit=unit) for unit in units]
    assert ({0, 4, 8}, {0, 1, 5}) == ({one.block_size for one in manners}, {one.stmin for one in manners})
    assert all(400 <= one.gap_us < 5000 for one in manners)


def test_response_times_are_those_of_a_recorded_car() -> None:
    """Least, median and most of 7649 recorded pairs: 1.55, 4.4 and 7.45 ms."""
    times = ResponseTimes(slow_one_in=0)
    drawn = [times.of(seed=1, unit="7E0/7E8", nth=nth) for nth in range(4000)]
    assert {()} == {pending for pending, _ in drawn}
    spans_ms = [answer / 1000 for _, answer in drawn]
    assert 1.55 <= min(spans_ms) < 1.8
    assert 7.2 < max(spans_ms) <= 7.45
    assert pytest.approx(4.4, abs=0.2) == statistics.median(spans_ms)


def test_the_same_request_of_the_same_car_takes_the_same_time_whatever_else_is_asked() -> None:
    times = ResponseTimes()
    there = [times.of(seed=1, unit="7E0/7E8", nth=nth) for nth in range(100)]
    back = [times.of(seed=1, unit="7E0/7E8", nth=nth) for nth in reversed(range(100))]
    assert there == back[::-1]
    assert there != [times.of(seed=2, unit="7E0/7E8", nth=nth) for nth in range(100)]
    assert there != [times.of(seed=1, unit="7E1/7E9", nth=nth) for nth in range(100)]


def test_a_slow_answer_is_announced_before_p2_and_again_before_p2_star() -> None:
    """P2 50 ms, P2* 5 s. Source: ISO 14229-2."""
    times = ResponseTimes(slow_one_in=1, slow_least_us=7_000_000)
    for nth in range(50):
        pending, answer_us = times.of(seed=1, unit="7E0/7E8", nth=nth)
        assert pending[0] < 50_000
        assert all(late - early < 5_000_000 for early, late in pairwise((*pending, answer_us)))
    share = [bool(ResponseTimes().of(seed=1, unit="7E0/7E8", nth=nth)[0]) for nth in range(5000)]
    assert {False, True} == {slow for slow, _ in groupby(sorted(share))}
    assert 60 < sum(share) < 140  # one in fifty

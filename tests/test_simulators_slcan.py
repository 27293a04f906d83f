"""slcan lines, without a socket. Source of the dialect: python-can 4.6, its interface slcan."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.can_side import Frame
from simulators.slcan import ERROR, LONGEST, OK, Reader, Said, read_frame, write_frame

LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1, data length code


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    wide, is_fd = draw(st.booleans()), draw(st.booleans())
    length = draw(st.sampled_from(LENGTHS if is_fd else LENGTHS[:9]))
    data = draw(st.binary(min_size=length, max_size=length))
    number = draw(st.integers(0, 0x1FFFFFFF if wide else 0x7FF))
    return Frame("rx", number, wide, data, is_fd, is_fd and draw(st.booleans()))


def opened() -> Reader:
    reader = Reader()
    reader.feed(b"C\rS6\rO\r")
    return reader


@given(frames())
def test_a_frame_that_was_written_is_read_back(frame: Frame) -> None:
    line = write_frame(frame)
    assert (frame, OK) == (read_frame(line[:-1]), line[-1:])


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (b"t7DF80201000000000000", Frame("rx", 0x7DF, False, bytes.fromhex("0201000000000000"))),
        (b"T18DB33F120100", Frame("rx", 0x18DB33F1, True, b"\x01\x00")),
        (b"t7e00", Frame("rx", 0x7E0, False, b"")),
        (b"d7E0900112233445566778899AABB", Frame("rx", 0x7E0, False, bytes.fromhex("00112233445566778899AABB"), True)),
        (b"b7E010A", Frame("rx", 0x7E0, False, b"\x0a", True, True)),
    ],
)
def test_a_line_is_a_frame(line: bytes, frame: Frame) -> None:
    assert [Said(reply=OK, frame=frame)] == opened().feed(line + OK)


@pytest.mark.parametrize(
    "line",
    [
        b"t8001FF",
        b"t7DF9",
        b"t7DF2FF",
        b"t7DF1GG",
        b"T7DF0",
        b"T2000000000",
        b"x",
        b"t",
        b"d7DF9FF",
        b"\xff\xfe",
        b"Q1",
    ],
)
def test_what_is_no_line_is_answered_with_a_bell(line: bytes) -> None:
    assert [Said(reply=ERROR)] == opened().feed(line + OK)


@pytest.mark.parametrize(
    ("line", "reply"),
    [
        (b"", OK),
        (b"V", b"V0100\r"),
        (b"N", b"NMP01\r"),
        (b"F", b"F00\r"),
        (b"S6", OK),
        (b"Y2", OK),
        (b"s031C", OK),
        (b"Z0", OK),
        (b"L", OK),
        (b"t7DF0", ERROR),
        (b"r7DF0", ERROR),
    ],
)
def test_what_a_closed_adapter_answers(line: bytes, reply: bytes) -> None:
    assert [reply] == [said.reply for said in Reader().feed(line + OK)]


@pytest.mark.parametrize(("line", "reply"), [(b"S6", ERROR), (b"O", ERROR), (b"r7DF8", OK), (b"C", OK)])
def test_what_an_open_adapter_answers(line: bytes, reply: bytes) -> None:
    assert [reply] == [said.reply for said in opened().feed(line + OK)]


def test_a_bus_is_open_from_its_command_on() -> None:
    reader = Reader()
    assert not reader.is_open
    reader.feed(b"L\r")
    assert reader.is_open
    reader.feed(b"C\r")
    assert not reader.is_open


def test_half_a_line_waits_for_its_end() -> None:
    reader = opened()
    assert [] == reader.feed(b"t7DF1")
    assert [Frame("rx", 0x7DF, False, b"\x3e")] == [said.frame for said in reader.feed(b"3E\r")]


def test_a_line_without_an_end_is_dropped_and_the_next_one_read() -> None:
    reader = opened()
    assert [] == reader.feed(b"t" * (LONGEST + 5000))
    assert [ERROR, b"V0100\r"] == [said.reply for said in reader.feed(b"\rV\r")]


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_any_bytes_in_any_pieces_are_taken(pieces: list[bytes]) -> None:
    apart, whole = opened(), opened()
    said = [item for piece in pieces for item in apart.feed(piece)]
    assert said == whole.feed(b"".join(pieces))
    assert [Said(reply=b"V0100\r")] == [*apart.feed(b"\rC\rV\r")][-1:]

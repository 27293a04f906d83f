"""Lines of a dongle's reply: what is a frame, what a word, what cannot be read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.values import CanId
from gateway.links.dongle.reply import BadLine, FrameLine, Line, WordLine, is_searching, lines_of, read_line

CHUNKS = [(10, b"\rSEARCHING...\r7E8 03 "), (20, b"43 00 00\r"), (30, b"\r>")]


def read(text: str, *, wide: bool = False, whole: bool = True) -> FrameLine | WordLine | BadLine:
    return read_line(Line(text=text, first_ns=1, last_ns=2, is_whole=whole), is_29_bit=wide)


def test_lines_have_the_times_of_the_reads_that_brought_them() -> None:
    expected = (
        Line(text="SEARCHING...", first_ns=10, last_ns=10),
        Line(text="7E8 03 43 00 00", first_ns=10, last_ns=20),
    )
    assert expected == lines_of(CHUNKS)


def test_a_line_that_nothing_ends_is_not_whole() -> None:
    assert (Line(text="7E8 03", first_ns=5, last_ns=6, is_whole=False),) == lines_of([(5, b"7E8"), (6, b" 03")])


def test_line_feeds_nuls_and_what_follows_a_prompt_are_taken_as_they_come() -> None:
    texts = [line.text for line in lines_of([(1, b"O\0K\r\n\r\n>7E8\r")])]
    assert ["OK", "7E8"] == texts


@given(st.lists(st.tuples(st.integers(0, 9), st.binary(max_size=9)), max_size=9))
def test_no_character_of_a_line_is_lost(chunks: list[tuple[int, bytes]]) -> None:
    written = b"".join(data for _, data in chunks).replace(b"\0", b"").decode("latin-1")
    expected = [text.strip() for text in written.replace("\n", "\r").replace(">", "\r").split("\r") if text.strip()]
    assert expected == [line.text for line in lines_of(chunks)]


# ISO 15765-4: 11-bit and 29-bit identifiers, eight data bytes.
@pytest.mark.parametrize(
    ("text", "wide", "number"),
    [
        ("7E8 06 41 00 98 18 00 13 AA", False, 0x7E8),
        ("7E80641009818001 3AA".replace(" ", ""), False, 0x7E8),
        ("18 DA F1 10 06 41 00 98 18 00 13 AA", True, 0x18DAF110),
        ("18DAF110064100981800 13AA".replace(" ", ""), True, 0x18DAF110),
        ("SEARCHING...7E8 06 41 00 98 18 00 13 AA", False, 0x7E8),
    ],
)
def test_a_frame_is_read_with_spaces_and_without(text: str, wide: bool, number: int) -> None:
    found = read(text, wide=wide)
    assert isinstance(found, FrameLine)
    assert (CanId(number, wide), bytes.fromhex("06410098180013AA")) == (found.can_id, found.data)


@pytest.mark.parametrize(
    "text",
    [
        "7E8 06 41 00 98 18 00 13",  # one byte short
        "7E8 06 41 00 98 18 00 13 A",  # one character short
        "7E8 06 41 00 98 18 00 13  AA",  # one space too many
        "7E8 06 41 00 9818 00 13 AA",  # a space lost
        "7E8 06 41 00 98 18 00 13 AA AA",  # two lines in one
        "7E8 06 41 00 98 1G 00 13 AA",
        "E8 06 41 00 98 18 00 13 AA",
        "7E8 06 41 00 98 18 00 13 AA <RX ERROR",
        "7E8064100981800 13AA",
        "41 00 98 18 00 13",  # identifiers switched off
        "NODAT",
        "",
    ],
)
def test_what_is_no_whole_frame_is_a_bad_line_or_a_word_and_never_a_frame(text: str) -> None:
    assert not isinstance(read(text), FrameLine)


def test_a_line_that_lost_its_end_is_bad_whatever_it_looks_like() -> None:
    assert isinstance(read("7E8 06 41 00 98 18 00 13 AA", whole=False), BadLine)
    assert isinstance(read("NO DATA", whole=False), BadLine)


def test_a_bad_line_keeps_what_can_be_read_of_it() -> None:
    found = read("7E8 06 41 00 9")
    assert isinstance(found, BadLine)
    assert (CanId(0x7E8, False), bytes.fromhex("064100")) == (found.can_id, found.data)
    assert "'7E8 06 41 00 9'" in found.trouble


@pytest.mark.parametrize("text", ["NO DATA", "CAN ERROR", "BUFFER FULL", "STOPPED", "UNABLE TO CONNECT", "?", "OK"])
def test_words_are_words(text: str) -> None:
    found = read(text)
    assert isinstance(found, WordLine)
    assert text == found.text


def test_searching_means_nothing_by_itself() -> None:
    assert is_searching(read("SEARCHING..."))
    assert not is_searching(read("STOPPED"))


@given(st.text(alphabet="0123456789ABCDEF >\r<?NODAT", max_size=40), st.booleans())
def test_any_text_is_something(text: str, wide: bool) -> None:
    for line in lines_of([(1, text.encode("latin-1"))]):
        found = read_line(line, is_29_bit=wide)
        if isinstance(found, FrameLine):
            assert 8 == len(found.data)

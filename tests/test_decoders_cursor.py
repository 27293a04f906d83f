"""The cursor never reads past the end and names field and place when it cannot read on."""

import pytest

from decoders import Cursor, DecodeError, is_padding


def test_numbers_are_read_high_byte_first() -> None:
    # ISO 14229-1: multi-byte parameters are sent most significant byte first
    cursor = Cursor(bytes.fromhex("01 0203 040506 0708090A 0B"))
    found = [cursor.u8("a"), cursor.u16("b"), cursor.u24("c"), cursor.u32("d")]
    assert found == [0x01, 0x0203, 0x040506, 0x0708090A]
    assert (cursor.offset, cursor.remaining) == (10, 1)
    assert cursor.rest() == b"\x0b"
    assert cursor.rest() == b""


@pytest.mark.parametrize("method", ["u8", "u16", "u24", "u32"])
def test_reading_past_the_end_names_field_and_first_missing_byte(method: str) -> None:
    cursor = Cursor(b"")
    with pytest.raises(DecodeError) as caught:
        getattr(cursor, method)("speed")
    assert (caught.value.field, caught.value.offset, caught.value.data) == ("speed", 0, b"")


def test_a_failed_read_does_not_move_the_cursor() -> None:
    cursor = Cursor(b"\x01\x02")
    cursor.u8("first")
    with pytest.raises(DecodeError, match=r"second at byte 2: 2 bytes are needed, 1 is left"):
        cursor.u16("second")
    assert (cursor.offset, cursor.remaining) == (1, 1)


def test_a_length_below_zero_is_refused() -> None:
    with pytest.raises(DecodeError, match="-1 bytes are needed"):
        Cursor(b"\x01").take(-1, "value")


def test_peek_stays_in_front() -> None:
    cursor = Cursor(b"\x01\x02")
    assert cursor.peek(2, "both") == b"\x01\x02"
    assert cursor.offset == 0


def test_one_of_names_the_wrong_byte() -> None:
    cursor = Cursor(b"\x59\x03")
    assert cursor.one_of((0x59,), "service") == 0x59
    with pytest.raises(DecodeError, match=r"sub-function at byte 1: 03 is not expected here"):
        cursor.one_of((0x02,), "sub-function")


@pytest.mark.parametrize("fill", ["", "00", "5555", "AAAAAA", "CC", "FFFF"])
def test_fill_bytes_are_handed_back(fill: str) -> None:
    # fill bytes met in practice: 00, 55, AA, CC, FF (ISO 15765-2 and common practice)
    assert Cursor(bytes.fromhex(fill)).padding("end") == bytes.fromhex(fill)


@pytest.mark.parametrize("tail", ["01", "0055", "AA00"])
def test_other_bytes_are_no_padding(tail: str) -> None:
    data = bytes.fromhex(tail)
    with pytest.raises(DecodeError) as caught:
        Cursor(data).padding("end")
    assert ("end", 0, data) == (caught.value.field, caught.value.offset, caught.value.data)


def test_no_bytes_are_no_padding() -> None:
    assert not is_padding(b"")


def test_a_changed_buffer_does_not_change_what_is_read() -> None:
    buffer = bytearray(b"\x01")
    cursor = Cursor(buffer)
    buffer[0] = 2
    assert cursor.u8("value") == 1

"""What shows that an slcan adapter is at a port, judged from lines alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.links.can.ports.slcan_signs import SlcanSigns

FRAME = b"t1A021122\r"


def hear(signs: SlcanSigns, *lines: bytes) -> list[bytes]:
    return [line for line in lines if signs.heard(line)]


def test_what_was_there_before_the_first_line_end_may_be_the_rest_of_a_frame() -> None:
    signs = SlcanSigns()
    signs.begin()
    signs.wrote("O")
    assert [] == hear(signs, b"AA55\r", b"\r")
    assert signs.found


def test_own_frames_that_come_back_show_nothing() -> None:
    signs = SlcanSigns()
    signs.begin()
    for line in ("O", "t7DF80201005555555555"):
        signs.wrote(line)
    assert [] == hear(signs, b"O\r", b"t7DF80201005555555555\r")
    signs.settle()
    assert (False, True) == (signs.found, signs.is_strange)


def test_only_foreign_frames_are_read_before_there_is_a_sign() -> None:
    signs = SlcanSigns()
    signs.begin()
    signs.wrote("O")
    assert [FRAME] == hear(signs, b"bad\r", FRAME)
    assert signs.found


@pytest.mark.parametrize(
    "line", [b"t7E8803\r", b"t8008" + b"00" * 8 + b"\r", b"t7E89" + b"00" * 9 + b"\r", b"T2000000000\r", b"t7E80\a"]
)
def test_a_frame_that_no_bus_carries_is_none(line: bytes) -> None:
    signs = SlcanSigns()
    signs.begin()
    assert [] == hear(signs, line)
    assert (False, True) == (signs.found, signs.is_strange)


TEXT = st.text("OKERTVNtdz?>: \n0123456789", min_size=1, max_size=12).filter(lambda text: "\n" in text or "?" in text)


@given(st.lists(TEXT, min_size=1, max_size=8), st.sampled_from([b"", b"\r", b"\n\r", b"\a", b"z\r"]))
def test_text_is_never_an_adapter(words: list[str], between: bytes) -> None:
    """Whatever stands between the lines of it: an empty line there is no acknowledgement."""
    signs = SlcanSigns()
    signs.begin()
    for line in ("C", "S6", "", "O", "O", "V"):
        signs.wrote(line)
    for word in words:
        signs.heard(word.encode() + b"\r")
        if between:
            signs.heard(between)
    signs.settle()
    assert (False, True) == (signs.found, signs.is_strange)

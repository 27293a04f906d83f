"""From journal to record: live values and monitors, asked alone or several at once."""

from __future__ import annotations

import pytest
from journal_builder import UNIT, Story


def test_live_values_and_monitors() -> None:
    # Worked bytes: SAE J1979, 410C1BE4 = 1785 rpm (bytes of a real car, capture C1).
    record = Story().answer(UNIT, "010C", "410C1BE4").monitors(incomplete=0x20).record()
    assert [(0x0C, 1785.0)] == [(item.pid, item.value) for item in record.live]
    assert ["oxygen sensor"] == [m.name for m in record.monitors[0].status.monitors if m.supported and not m.complete]


@pytest.mark.parametrize(
    ("request_", "reply"),
    [("0100", "410000180000"), ("010C", "410C1B"), ("0101", "410100"), ("010C0D", "410C1BE40500"), ("01FF", "41FF00")],
)
def test_support_bitmaps_and_what_does_not_decode_are_no_live_values(request_: str, reply: str) -> None:
    record = Story().answer(UNIT, request_, reply).silent(UNIT, "010C").record()
    assert ((), ()) == (record.live, record.monitors)


def test_several_values_in_one_answer_are_told_apart() -> None:
    # SAE J1979 on CAN: PID and value, one after the other; 1BE4 / 4 = 1785 rpm.
    record = Story().answer(UNIT, "010C0D42", "410C1BE40D00").record()
    assert [(0x0C, 1785.0), (0x0D, 0.0)] == [(item.pid, item.value) for item in record.live]
    by_identifier = Story().answer(UNIT, "22F40CF40DF442", "62F40C1BE4F40D00").record()
    assert [(0x0C, 1785.0, True), (0x0D, 0.0, True)] == [
        (item.pid, item.value, item.by_identifier) for item in by_identifier.live
    ]


def test_an_identifier_that_is_no_number_tells_none_and_the_others_stay() -> None:
    # SAE J1979-2, F413: which oxygen sensors there are, one byte.
    assert () == Story().answer(UNIT, "22F413", "62F41301").record().live
    record = Story().answer(UNIT, "22F413F40C", "62F41301F40C1BE4").record()
    assert [(0x0C, 1785.0)] == [(item.pid, item.value) for item in record.live]


@pytest.mark.parametrize("reply", ["62F40C1BE4F40D", "62F40C1BE40D00", "62F40C1BE4F411FF", "62F4"])
def test_identifiers_that_cannot_be_told_apart_tell_nothing(reply: str) -> None:
    assert () == Story().answer(UNIT, "22F40CF40D", reply).record().live

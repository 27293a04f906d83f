"""What the clear flow asks of a unit just before a clear, and what it makes of the read-back."""

from __future__ import annotations

import pytest
from journal_builder import UNIT, Story

from decoders.values import Answer, AnswerKind, Exchange, Outcome, source_of
from gateway.clearing import still_listed
from gateway.standstill import speed_tellers


def test_each_speed_is_asked_for_the_way_it_was_told() -> None:
    # SAE J1979, 01 0C; SAE J1979-2, F40D.
    story = Story().scan("before").answer(UNIT, "010C", "410C0C80").answer(UNIT, "22F40D", "62F40D00").end()
    assert {UNIT: (0x0C, 0xF40D)} == speed_tellers(story.record())


def test_a_speed_that_was_not_told_is_asked_for_the_way_the_other_was() -> None:
    story = Story().scan("before").answer(UNIT, "22F40C", "62F40C0C80").answer("7E0/7E8", "010D", "410D00").end()
    assert {UNIT: (0xF40C, 0xF40D), "7E0/7E8": (0x0C, 0x0D)} == speed_tellers(story.record())


def read(request: str, reply: str | int | Outcome) -> Exchange:
    """One exchange of a read-back."""
    outcome, refusal, answers = Outcome.ANSWERED, None, ()
    if isinstance(reply, Outcome):
        outcome = reply
    elif isinstance(reply, int):
        outcome, refusal = Outcome.REFUSED, reply
    else:
        kind, data = AnswerKind.POSITIVE, bytes.fromhex(reply)
        answers = (Answer(source=source_of(UNIT), data=data, first_us=1, last_us=2, kind=kind),)
    return Exchange(
        link="sim:x", target=UNIT, request=bytes.fromhex(request), answers=answers, outcome=outcome, refusal=refusal
    )


EMPTY, GROUP = read("1902FF", "5902FF"), "194233FF1E"


@pytest.mark.parametrize(
    ("back", "expected"),
    [
        ((EMPTY, read("190A", 0x12)), ()),
        ((EMPTY, read(GROUP, "594233FF1E04044035132F")), ("C0035-13",)),
        ((EMPTY, read(GROUP, Outcome.SILENT)), None),
        ((EMPTY, read(GROUP, 0x22)), None),
        ((EMPTY, read(GROUP, "594233")), None),
        ((read("1902FF", Outcome.DAMAGED), read("190A", "590AFF")), None),
        ((read("1902FF", 0x11), read("190A", 0x11)), None),
    ],
)
def test_a_read_back_is_whole_only_with_every_list_the_unit_has(
    back: tuple[Exchange, ...], expected: tuple[str, ...] | None
) -> None:
    assert expected == still_listed(back, by_obd=False)

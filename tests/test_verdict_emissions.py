"""What the emissions services of a unit say in a scan, and why they say nothing where they do not.

Source of what is expected: SAE J1979, services 01 (PID 01) and 0A; silent, refused, damaged and not asked by the
verdict rules.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from job_stories import ENGINE
from journal_builder import UNIT, Story

from decoders.values import Outcome
from sessions.verdict import EmissionsLook, emissions_looks
from sessions.verdict.emissions import how_it_ended

Tell = Callable[[Story], Story]


def looks(story: Story, scan: int = 1) -> tuple[EmissionsLook, ...]:
    record = story.end().record()
    return emissions_looks(record, record.scans[scan - 1])


def second_look(tell: Tell) -> EmissionsLook:
    """A unit that told everything in the first scan; how it fares in the second."""
    story = Story().scan("before").monitors(ENGINE, mil=True).answer(ENGINE, "0A", "4A00")
    (found,) = looks(tell(story.scan("after")), 2)
    return found


def test_what_the_emissions_services_say_in_a_scan() -> None:
    # Byte D bit 0 set is "catalyst not complete"; service 0A lists one code.
    story = Story().scan("before").monitors(ENGINE, mil=True, incomplete=0x01).answer(ENGINE, "0A", "4A010420")
    first, second = looks(story.live(ENGINE, rpm=0).answer(ENGINE, "0141", "4100000000").monitors(UNIT))
    assert (UNIT, None, "malfunction lamp off; monitors all complete; permanent codes not told (0A not asked)") == (
        first.unit,
        first.permanent,
        first.words,
    )
    assert (ENGINE, ("catalyst",), ("P0420",)) == (second.unit, second.incomplete, second.permanent)
    assert "malfunction lamp on; monitors not complete: catalyst; permanent codes: P0420" == second.words
    assert (None, "", 6) == (second.trouble, second.permanent_trouble, len(second.complete))


def test_no_permanent_codes_is_told_only_by_an_answer() -> None:
    (look,) = looks(Story().scan("before").monitors(ENGINE).answer(ENGINE, "0A", "4A00"))
    assert ((), "permanent codes: none") == (look.permanent, look.permanent_words)


def test_a_unit_that_supports_no_monitor_has_none() -> None:
    (look,) = looks(Story().scan("before").answer(ENGINE, "0101", "410100000000"))
    assert "malfunction lamp off; no monitors; permanent codes not told (0A not asked)" == look.words


def test_only_units_that_ever_answered_01_01_are_looked_at() -> None:
    story = Story().scan("before").silent(UNIT, "0101").refused("7E1/7E9", "0101", 0x11).answer(UNIT, "0A", "4A00")
    assert () == looks(story.answer(ENGINE, "0141", "414100000000"))


def test_what_was_told_outside_the_scan_is_not_in_its_look() -> None:
    story = Story().monitors(ENGINE, mil=True).scan("before").answer(ENGINE, "0141", "414100000000").end()
    (look,) = looks(story.monitors(ENGINE))
    assert ("01 01 not asked", None) == (look.trouble, look.lamp_on)


@pytest.mark.parametrize(
    ("tell", "trouble"),
    [
        (lambda s: s.silent(ENGINE, "0101"), "01 01 silent"),
        (lambda s: s.refused(ENGINE, "0101", 0x22), "01 01 refused (22)"),
        (lambda s: s.damaged(ENGINE, "0101", "4101"), "01 01 damaged"),
        (lambda s: s.answer(ENGINE, "0101", "410180"), "01 01 damaged"),
        # An answer to 01 41 is none to 01 01.
        (lambda s: s.answer(ENGINE, "0101", "414100000000"), "01 01 damaged"),
        (lambda s: s.unsent(ENGINE, "0101"), "01 01 not asked"),
        (lambda s: s, "01 01 not asked"),
    ],
)
def test_why_a_lamp_is_not_told(tell: Tell, trouble: str) -> None:
    look = second_look(tell)
    assert (trouble, None, (), ()) == (look.trouble, look.lamp_on, look.complete, look.incomplete)
    assert (f"malfunction lamp not told ({trouble})", "monitors not told") == (look.lamp_words, look.monitor_words)


@pytest.mark.parametrize(
    ("tell", "trouble"),
    [
        (lambda s: s.silent(ENGINE, "0A"), "0A silent"),
        (lambda s: s.refused(ENGINE, "0A", 0x11), "0A refused (11)"),
        (lambda s: s.answer(ENGINE, "0A", "4A0104"), "0A damaged"),
        (lambda s: s.unsent(ENGINE, "0A"), "0A not asked"),
        (lambda s: s, "0A not asked"),
    ],
)
def test_why_permanent_codes_are_not_told(tell: Tell, trouble: str) -> None:
    look = second_look(tell)
    assert (None, f"permanent codes not told ({trouble})") == (look.permanent, look.permanent_words)


def test_how_a_request_ended_in_words() -> None:
    # The last: a functional request has no outcome of its own.
    told = [(Outcome.REFUSED, 0x31), (Outcome.SILENT, None), (Outcome.UNSENT, None), (None, None)]
    assert ["refused (31)", "silent", "not asked", "not asked"] == [how_it_ended(*item) for item in told]

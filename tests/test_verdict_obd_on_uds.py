"""Units that tell their emission codes through service 19 alone: what counts for them, and what never does.

Source of the messages: ISO 14229-1, sub-functions 42 and 55; SAE J1979-2 / ISO 27145-3, group 33 (from memory).
Source of every expected verdict: the table of verdict rules.
"""

from __future__ import annotations

import pytest
from journal_builder import AT_REST, AT_SPEED, CODE, UNIT, Story, entries, profile, snapshot_record
from verdict_help import missing

from decoders.values import Dtc
from sessions.verdict import judge
from sessions.verdict.emissions import emissions_looks
from sessions.verdict.units import memory_read, unit_look

LIST, PERMANENT = "194233FF1E", "195533"
HEAD = Dtc.parse(CODE).raw.hex().upper()
SERVICE_01 = {"kmh": "0D", "rpm": "0C", "ambient": "46"}


def grouped(story: Story, mask: int = 0xFF, **listed: int) -> Story:
    """19 42 with exactly these codes, each of severity class B1."""
    told = "".join(f"04{entries({name: status})}" for name, status in listed.items())
    return story.answer(UNIT, LIST, f"594233{mask:02X}1E04{told}")


def permanent(story: Story, *codes: str) -> Story:
    """19 55 with exactly these codes."""
    return story.answer(UNIT, PERMANENT, "595533FF04" + "".join(f"{Dtc.parse(code).raw.hex()}2F" for code in codes))


def live(story: Story, **values: float) -> Story:
    """Live values by identifier F4xx."""
    for name, value in values.items():
        told = snapshot_record(0, **{name: value})[4:]
        story.answer(UNIT, f"22{told[:4]}", f"62{told}")
    return story


def scan(story: Story, taken_as: str, status: int, *kept: str) -> Story:
    """A scan of a unit that refuses 19 02, 03, 07 and 0A and lists its emissions group."""
    live(story.wait(30).scan(taken_as), **AT_REST).session()
    for request in ("1902FF", "190A", "1915"):
        story.refused(UNIT, request, 0x12)
    for request in ("03", "07", "0A"):
        story.refused(UNIT, request, 0x11)
    story.answer(UNIT, "22F810", "62F81001").answer(UNIT, "22F401", "62F40100076500")
    grouped(story, **({"C0035_13": status} if status else {}))
    permanent(story, *kept)
    stored = snapshot_record(1, **AT_SPEED) if status & 0x2C else ""
    return story.answer(UNIT, f"1904{HEAD}FF", f"5904{HEAD}{status:02X}{stored}").end()


def mended(*statuses: int, clear: str = "14FFFF33", kept: tuple[str, ...] = ()) -> Story:
    """Scanned, repaired, cleared, driven, scanned again; `statuses` are what the rounds show."""
    story = scan(Story(profile()), "before", 0x2F).part()
    grouped(story.clear(UNIT, clear).readback(), C0035_13=0x50).watch()
    for status in statuses:
        live(story.wait(4), **AT_SPEED).session()
        grouped(story, **({"C0035_13": status} if status else {}))
    return scan(story.wait(60), "after", statuses[-1], *kept)


def test_a_test_seen_passed_under_the_stored_conditions_proves_it() -> None:
    assert ("proven", 8) == mended(0x50, 0x50, 0x50, 0x00).graded()


def test_absence_proves_nothing_where_the_list_never_named_a_test_not_run() -> None:
    story = scan(Story(profile()), "before", 0x2F).part()
    grouped(story.clear(UNIT, "14FFFF33").readback()).watch()
    for _ in range(5):
        grouped(live(story.wait(4), **AT_SPEED).session())
    assert ("untested", 11) == scan(story, "after", 0x00).graded()


@pytest.mark.parametrize(("status", "verdict"), [(0x2F, "returned"), (0x24, "returned"), (0x50, "untested")])
def test_what_the_group_lists_after_the_clear_speaks(status: int, verdict: str) -> None:
    assert verdict == mended(0x50, status).graded()[0]


def test_a_permanent_copy_in_the_group_keeps_it_from_proven() -> None:
    story = mended(0x50, 0x50, 0x50, 0x00, kept=(CODE,))
    assert ("untested", 11) == story.graded()
    assert "permanent" in missing(story)


def test_permanent_codes_that_were_not_told_are_not_none() -> None:
    story = scan(Story(profile()), "before", 0x2F).part()
    grouped(story.clear(UNIT, "14FFFF33").readback(), C0035_13=0x50).watch()
    for status in (0x50, 0x50, 0x50, 0x00):
        live(story.wait(4), **AT_SPEED).session()
        grouped(story, **({"C0035_13": status} if status else {}))
    live(story.wait(60).scan("after"), **AT_REST).session()
    for request in ("1902FF", "190A", "1915", PERMANENT):
        story.refused(UNIT, request, 0x12)
    for request in ("03", "07", "0A"):
        story.refused(UNIT, request, 0x11)
    grouped(story).answer(UNIT, f"1904{HEAD}FF", f"5904{HEAD}00").end()
    assert "untested" == story.graded()[0]
    assert "permanent" in missing(story)


def test_the_emissions_group_is_no_clear_of_a_code_that_it_does_not_hold() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F)
    grouped(story).end()
    story.part().clear(UNIT, "14FFFF33").readback().codes(C0035_13=0x50).watch()
    story.scan("after").session().codes(C0035_13=0x50).supported(C0035_13=0x50).end()
    assert "untested" == story.graded()[0]
    assert "a clear of our own" in missing(story)


def test_a_list_without_an_answer_leaves_the_fault_unread() -> None:
    story = scan(Story(profile()), "before", 0x2F).part().clear(UNIT, "14FFFF33").watch()
    story.scan("after").session().refused(UNIT, "1902FF", 0x12).silent(UNIT, LIST).end()
    assert ("unread", 1) == story.graded()
    assert "19 42: silent" in story.fault().ruling.evidence[0]


def test_the_group_is_how_the_unit_is_read() -> None:
    record = scan(Story(profile()), "before", 0x2F, CODE).record()
    look = unit_look(record, record.scans[0], UNIT)
    assert ("lists 1 fault (19 55 lists C0035-13)", 0xFF) == (look.words, look.mask)
    assert memory_read(record, record.scans[0], UNIT)


def test_readiness_and_permanent_codes_by_identifier_are_told() -> None:
    record = scan(Story(profile()), "before", 0x2F, CODE).record()
    (told,) = emissions_looks(record, record.scans[0])
    assert "malfunction lamp off; monitors all complete; permanent codes: C0035-13" == told.words


def test_a_unit_that_also_answers_19_02_is_read_by_that() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F)
    record = grouped(story).end().record()
    assert "lists 1 fault" == unit_look(record, record.scans[0], UNIT).words
    assert "proven" not in {fault.verdict.value for fault in judge(record).faults}

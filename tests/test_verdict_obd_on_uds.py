"""Units that tell their emission codes through service 19 alone: what counts for them, and what never does.

Source of the messages: ISO 14229-1, sub-functions 42 and 55; SAE J1979-2 / ISO 27145-3, group 33 (from memory).
Source of every expected verdict: the table of verdict rules.
"""

from __future__ import annotations

from collections.abc import Callable

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


Ending = Callable[[Story], Story]


def refusing(request: str, code: int) -> Ending:
    return lambda story: story.refused(UNIT, request, code)


def silent_on(request: str) -> Ending:
    return lambda story: story.silent(UNIT, request)


def damaged_on(request: str) -> Ending:
    return lambda story: story.damaged(UNIT, request, "5902")


def scan(
    story: Story, taken_as: str, status: int, *kept: str, full: Ending | None = None, last: Ending | None = None
) -> Story:
    """A scan of a unit that refuses 19 02, 03, 07 and 0A and lists its emissions group.

    `full` ends 19 02 otherwise, `last` 19 55.
    """
    live(story.wait(30).scan(taken_as), **AT_REST).session()
    (full or refusing("1902FF", 0x12))(story)
    for request in ("190A", "1915"):
        story.refused(UNIT, request, 0x12)
    for request in ("03", "07", "0A"):
        story.refused(UNIT, request, 0x11)
    story.answer(UNIT, "22F810", "62F81001").answer(UNIT, "22F401", "62F40100076500")
    grouped(story, **({"C0035_13": status} if status else {}))
    permanent(story, *kept) if last is None else last(story)
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
    assert ("lists 1 fault (19 02 refused (12), 19 55 lists C0035-13)", 0xFF) == (look.words, look.mask)
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


# 19 42 stands in for 19 02 only where the unit said that it has no 19 02.

UNHEARD = {
    "silent": silent_on("1902FF"),
    "damaged": damaged_on("1902FF"),
    "refused for now": refusing("1902FF", 0x22),
    "refused in this session": refusing("1902FF", 0x7F),
    "locked": refusing("1902FF", 0x33),
}


@pytest.mark.parametrize("ended", UNHEARD)
@pytest.mark.parametrize("where", ["before", "after"])
def test_a_list_that_was_not_heard_is_not_made_up_for_by_another(ended: str, where: str) -> None:
    endings = {where: UNHEARD[ended]}
    story = scan(Story(profile()), "before", 0x2F, full=endings.get("before")).part()
    grouped(story.clear(UNIT, "14FFFF33").readback(), C0035_13=0x50).watch()
    for status in (0x50, 0x50, 0x50, 0x00):
        live(story.wait(4), **AT_SPEED).session()
        grouped(story, **({"C0035_13": status} if status else {}))
    record = scan(story.wait(60), "after", 0x00, full=endings.get("after")).record()
    assert "open" == judge(record).grade.value
    assert ("unread", 1) == story.graded()
    scanned = record.scans[0 if where == "before" else -1]
    assert not memory_read(record, scanned, UNIT)
    assert "lists" not in unit_look(record, scanned, UNIT).words.partition("(")[0]


def dual(story: Story, taken_as: str, *, full: dict[str, int], group: dict[str, int] | None) -> Story:
    """A scan of a unit that has both lists; no `group` is silence on 19 42."""
    story.wait(30).scan(taken_as).session().codes(**full).supported(**full).no_obd()
    story.answer(UNIT, "22F810", "62F81001")
    if group is None:
        story.silent(UNIT, LIST)
    else:
        grouped(story, **group)
    return permanent(story).end()


def test_a_fault_that_only_the_group_listed_is_unread_without_it() -> None:
    story = dual(Story(profile()), "before", full={}, group={"C0035_13": 0x2F})
    dual(story, "after", full={}, group=None)
    assert ("unread", 1) == story.graded()
    assert ("scan 2, 19 42: silent",) == story.fault().ruling.evidence


def test_a_group_that_went_unread_stands_beside_the_list() -> None:
    story = dual(Story(profile()), "before", full={}, group={"C0035_13": 0x2F})
    record = dual(story, "after", full={}, group=None).record()
    assert "lists none (19 42 silent)" == unit_look(record, record.scans[1], UNIT).words
    assert "did not answer 19 42 33 FF 1E whole in scan 2" in " ".join(judge(record).reasons)


def test_a_group_that_was_never_told_keeps_the_job_open() -> None:
    story = dual(Story(profile()), "before", full={"C0035_13": 0x2F}, group=None)
    record = dual(story, "after", full={"C0035_13": 0x2F}, group=None).record()
    assert "did not tell its emission codes by 19 42 in scan 2" in " ".join(judge(record).reasons)


def test_a_group_that_was_not_asked_stands_beside_the_list() -> None:
    story = Story(profile()).scan("before").session().codes().answer(UNIT, "22F810", "62F81001").end()
    record = story.record()
    assert "lists none (19 42 not asked)" == unit_look(record, record.scans[0], UNIT).words


def test_a_fault_is_new_only_where_the_list_that_names_it_was_read_before() -> None:
    unread = dual(Story(profile()), "before", full={}, group=None)
    assert "new" != dual(unread, "after", full={}, group={"C0035_13": 0x2F}).graded()[0]
    read = dual(Story(profile()), "before", full={}, group={})
    assert "new" == dual(read, "after", full={}, group={"C0035_13": 0x2F}).graded()[0]


def test_a_list_in_which_no_class_can_show_is_no_empty_list() -> None:
    story = Story(profile()).scan("before").session().refused(UNIT, "1902FF", 0x12)
    record = story.answer(UNIT, "22F810", "62F81001").answer(UNIT, LIST, "594233FF0004").end().record()
    assert not memory_read(record, record.scans[0], UNIT)
    assert "its mask shows no fault bit" in unit_look(record, record.scans[0], UNIT).words


@pytest.mark.parametrize(
    ("reply", "outcome"),
    [
        ("594233FF1E04" + "0000000000" + "04403513" + "2F", "damaged"),
        ("594233FF1E04" + "04403513" + "2F" + "0000000000", "answered"),
    ],
)
def test_zeros_between_codes_are_damage_and_behind_them_fill(reply: str, outcome: str) -> None:
    record = Story(profile()).scan("before").answer(UNIT, LIST, reply).end().record()
    assert [outcome] == [code.outcome.value for code in record.codes]


def test_a_group_clear_explains_no_erasure_outside_its_group() -> None:
    # C0041-13 completes, then is erased: only somebody else can have done that.
    both = {"C0040_13": 0x2F, "C0041_13": 0x2F}
    story = Story(profile()).scan("before").session().codes(**both).supported(**both).no_obd().end().part()
    story.clear(UNIT, "14FFFFFF").readback().codes(C0040_13=0x50, C0041_13=0x50)
    story.watch().codes(C0040_13=0x50, C0041_13=0x40)
    story.clear(UNIT, "14FFFF33").readback().codes(C0040_13=0x50, C0041_13=0x50)
    story.scan("after").session().codes(C0040_13=0x50, C0041_13=0x50).end()
    assert "C0041-13 shows an erasure" in missing(story, "C0040-13")


def test_the_mask_of_a_permanent_list_is_not_that_of_the_unit() -> None:
    story = Story(profile()).scan("before").codes(mask=0x2F, C0035_13=0x2F).answer(UNIT, "1915", "5915FF")
    record = permanent(story).answer(UNIT, f"1904{HEAD}FF", f"5904{HEAD}2F").end().record()
    assert [0x2F] == [code.mask for code in record.codes if code.request[1] == 0x04]


@pytest.mark.parametrize(
    ("obd", "uds", "words"),
    [
        ("4A00", "595533FF04403513" + "2F", "permanent codes: C0035-13"),
        ("4A014035", None, "permanent codes: C0035"),
        ("4A024035C121", "595533FF04403513" + "2F", "permanent codes: C0035-13, U0121"),
        ("4A00", None, "permanent codes: none"),
        (None, None, "permanent codes not told (0A refused (11))"),
    ],
)
def test_permanent_codes_are_told_from_every_list(obd: str | None, uds: str | None, words: str) -> None:
    story = Story(profile()).scan("before").answer(UNIT, "0101", "410100076500")
    story = story.refused(UNIT, "0A", 0x11) if obd is None else story.answer(UNIT, "0A", obd)
    story = story.refused(UNIT, PERMANENT, 0x12) if uds is None else story.answer(UNIT, PERMANENT, uds)
    record = story.end().record()
    assert words == emissions_looks(record, record.scans[0])[0].permanent_words


def test_no_permanent_codes_are_not_none_where_a_list_of_them_was_damaged() -> None:
    story = Story(profile()).scan("before").answer(UNIT, "0101", "410100076500").damaged(UNIT, "0A", "4A01")
    record = permanent(story).end().record()
    assert "permanent codes not told (0A damaged)" == emissions_looks(record, record.scans[0])[0].permanent_words
    story.scan("check").answer(UNIT, "0101", "410100076500").answer(UNIT, "0A", "4A00").silent(UNIT, PERMANENT)
    record = story.end().record()
    assert "permanent codes not told (19 55 silent)" == emissions_looks(record, record.scans[1])[0].permanent_words


def test_an_answered_0a_tells_what_a_unit_without_19_55_does_not() -> None:
    story = scan(Story(profile()), "before", 0x2F, last=refusing(PERMANENT, 0x12)).part()
    grouped(story.clear(UNIT, "14FFFF33").readback(), C0035_13=0x50).watch()
    for status in (0x50, 0x50, 0x50, 0x00):
        live(story.wait(4), **AT_SPEED).session()
        grouped(story, **({"C0035_13": status} if status else {}))
    live(story.wait(60).scan("after"), **AT_REST).session()
    for request in ("1902FF", "190A", "1915", PERMANENT):
        story.refused(UNIT, request, 0x12)
    story.refused(UNIT, "03", 0x11).refused(UNIT, "07", 0x11).answer(UNIT, "0A", "4A00")
    grouped(story).answer(UNIT, f"1904{HEAD}FF", f"5904{HEAD}00").end()
    assert "permanent" not in missing(story)


@pytest.mark.parametrize(("reply", "value"), [("62F40D3C00", [60]), ("62F40D3CAAAA", [60]), ("62F40D3C01", [])])
def test_fill_behind_a_value_is_not_part_of_it(reply: str, value: list[int]) -> None:
    record = Story(profile()).scan("before").answer(UNIT, "22F40D", reply).end().record()
    assert value == [item.value for item in record.live]


def test_an_identifier_of_several_numbers_gives_no_value() -> None:
    record = Story(profile()).scan("before").answer(UNIT, "22F414", "62F4145080").end().record()
    assert () == record.live


def test_bytes_that_are_no_text_are_no_other_vehicle() -> None:
    # SAE J1979, service 09: an item that is not text is kept as its bytes, and is no VIN.
    story = Story(profile()).scan("before").answer(UNIT, "0902", "490201" + "81" * 17).end()
    story.scan("after").answer(UNIT, "0902", "490201" + b"ZZ9HVR2L4TM004417".hex()).end()
    assert not [reason for reason in judge(story.record()).reasons if "vehicle" in reason]

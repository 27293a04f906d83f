"""What the report shows of the records a unit stored with a fault: which answer, when it was read, every byte.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

import pytest
from demo_help import demo_run
from hypothesis import given
from hypothesis import strategies as st
from journal_builder import CODE, UNIT, Story, before, mended, profile
from report_help import Outline, plain, render
from stored_help import (
    EXTENDED,
    HEAD_04,
    HEAD_06,
    SNAPSHOTS,
    UNKNOWN,
    extended,
    items,
    key,
    laid_out,
    parts,
    rows,
    said,
    snapshots,
    with_records,
    words,
)

from decoders.layout import Bits, Field, whole_bytes
from decoders.values import Outcome
from sessions.report.stored import stored_parts
from sessions.verdict import judge

# What was answered


@pytest.mark.parametrize(("tail", "more"), [("", ""), ("0000", "; fill bytes behind: 00 00")])
def test_an_answer_without_a_record_keeps_none(tail: str, more: str) -> None:
    for answer in (snapshots(tail), extended(tail)):
        assert (answer.words, answer.records) == (f"keeps no record{more}", ())


def test_fill_bytes_behind_a_record_are_told_apart_from_it() -> None:
    found = snapshots("0101F40D3C5555")
    assert (found.words, len(items(found))) == ("1 record; fill bytes behind: 55 55", 1)


def test_refused_silent_damaged_and_never_sent_are_each_said() -> None:
    story = Story(profile()).scan("before").refused(UNIT, SNAPSHOTS, 0x31).silent(UNIT, EXTENDED).end()
    assert words(parts(story)[0]) == [
        "Snapshots 19 04, scan 1: refused (31, request out of range)",
        "Extended data 19 06, scan 1: silent",
    ]
    story = Story(profile()).scan("before").damaged(UNIT, SNAPSHOTS).unsent(UNIT, EXTENDED).end()
    assert words(parts(story)[0]) == ["Snapshots 19 04, scan 1: damaged", "Extended data : not asked"]


@pytest.mark.parametrize("tail", ["0102F40D3CF40C1F", "01"])
def test_an_answer_cut_within_a_record_is_damaged_and_shown_whole(tail: str) -> None:
    found = snapshots(tail)
    (item,) = items(found)
    assert (found.words, item.name) == ("damaged", "whole answer")
    assert "needed" in said(item)
    assert item.raw.replace(" ", "") == HEAD_04 + tail


def test_an_answer_cut_before_its_records_is_damaged_and_shown_whole() -> None:
    story = Story(profile()).scan("before").answer(UNIT, SNAPSHOTS, "5904403513").end()
    answer = parts(story)[0].answers[0]
    assert (answer.words, [item.raw for item in items(answer)]) == ("damaged", ["59 04 40 35 13"])


@given(tail=st.binary(max_size=40))
def test_no_byte_of_extended_data_is_lost(tail: bytes) -> None:
    # The bytes of an answer can be put together again from what is shown, whatever they are.
    found = extended(tail.hex(), with_records(0x01, (0x01, 1), (0x02, 3)))
    if found.words == "damaged":
        shown = items(found)[0].raw.replace(" ", "").removeprefix(HEAD_06)
    else:
        shown = "".join((item.number or item.name[-2:]) + item.raw for item in items(found))
        shown += found.words.partition("fill bytes behind: ")[2]
    assert shown.replace(" ", "") == tail.hex().upper()


@given(tail=st.binary(max_size=40))
def test_any_bytes_behind_the_head_of_snapshots_are_shown_or_damaged(tail: bytes) -> None:
    found = snapshots(tail.hex())
    shown = "".join(item.raw for item in items(found)) + found.words.partition("fill bytes behind: ")[2]
    # Numbers of records and of identifiers stand in words: two bytes each at most, beside a count for each record.
    names = 2 * len(items(found)) + 2 * len(found.records)
    assert len(bytes.fromhex(shown)) <= len(tail) + len(HEAD_04) // 2
    assert len(tail) <= len(bytes.fromhex(shown)) + names


# When it was read


def cleared_twice() -> Story:
    """Stored at 60 km/h; cleared; stored at 30 km/h; cleared; nothing stored."""
    story = before(Story(profile())).clear(UNIT, "14FFFFFF").scan("check").snapshot(CODE, 0x2F, kmh=30).end()
    return story.clear(UNIT, "14FFFFFF").scan("after").snapshot(CODE, 0x50).end()


def test_what_came_in_with_the_car_stands_beside_what_is_there_after_the_last_clear() -> None:
    first, last = parts(cleared_twice())
    assert (first.title, last.title) == ("Before the first clear", "After the last clear")
    assert rows(first.answers[0])[0] == ("F40D", "road speed", "60 km/h", "3C")
    assert words(last) == ["Snapshots 19 04, scan 3: keeps no record", "Extended data : not asked"]


def test_the_newest_answer_of_each_part_counts() -> None:
    story = Story(profile()).scan("before").snapshot(CODE, 0x2F, kmh=60).end()
    story.scan("before").snapshot(CODE, 0x2F, kmh=61).end().clear(UNIT, "14FFFFFF")
    story.readback().snapshot(CODE, 0x2F, kmh=62).scan("after").snapshot(CODE, 0x2F, kmh=63).end()
    assert [said(items(part.answers[0])[0]) for part in parts(story)] == ["61 km/h", "63 km/h"]
    assert [part.answers[0].where for part in parts(story)] == ["19 04, scan 2", "19 04, scan 3"]


def test_an_answer_outside_a_scan_is_named_by_its_entry() -> None:
    story = before(Story(profile())).clear(UNIT, "14FFFFFF").readback().snapshot(CODE, 0x50)
    seq = story.record().codes[-1].moment.seq
    assert parts(story)[1].answers[0].where == f"19 04, entry {seq}"


def test_records_that_a_clear_left_as_they_were_are_not_shown_twice() -> None:
    story = before(Story(profile())).clear(UNIT, "14FFFFFF").scan("after")
    story.snapshot(CODE, 0x28, kmh=60, rpm=2000, ambient=14).end()
    last = parts(story)[1]
    assert (last.answers[0].words, last.is_empty) == ("the same as before the first clear: 1 record", True)


def test_a_later_request_without_an_answer_is_said_beside_the_answer() -> None:
    story = before(Story(profile())).scan("check").silent(UNIT, SNAPSHOTS).end()
    assert parts(story)[0].answers[0].words == "1 record; asked again in scan 2: silent"
    story.scan("check").unsent(UNIT, SNAPSHOTS).end()
    assert parts(story)[0].answers[0].words == "1 record; asked again in scan 2: silent"


def test_silence_after_the_clear_is_not_an_empty_memory() -> None:
    story = before(Story(profile())).clear(UNIT, "14FFFFFF").scan("after").silent(UNIT, SNAPSHOTS, EXTENDED).end()
    assert words(parts(story)[1]) == ["Snapshots 19 04, scan 2: silent", "Extended data 19 06, scan 2: silent"]


def test_a_clear_that_was_not_sent_or_went_to_another_unit_divides_nothing() -> None:
    story = before(Story(profile())).clear("7E0/7E8", "14FFFFFF")
    story.kept(story._asked(UNIT, "14FFFFFF", Outcome.UNSENT), during="clear")
    assert [part.title for part in parts(story)] == ["As read last; no clear was sent"]


def test_a_clear_without_an_answer_divides_the_readings() -> None:
    story = before(Story(profile())).clear(UNIT, "14FFFFFF", reply=None).scan("after").snapshot(CODE, 0x50).end()
    assert [part.answers[0].words for part in parts(story)] == ["1 record", "keeps no record"]


def test_a_fault_whose_records_nobody_asked_for_says_so_once() -> None:
    story = Story(profile()).scan("before").codes(C0035_13=0x2F).clear(UNIT, "14FFFFFF")
    assert [(part.title, words(part)) for part in parts(story)] == [
        ("In the whole job", ["Snapshots : not asked", "Extended data : not asked"])
    ]


@pytest.mark.parametrize("memory", ["obd", "user:18", "mirror"])
def test_only_the_fault_memory_of_service_19_keeps_records_by_code(memory: str) -> None:
    # Source: ISO 14229-1, 19 04 and 19 06 read the primary memory; SAE J1979, 03 and 07 list bare codes.
    assert parts(before(Story(profile())), memory) == ()


# The page


def test_the_page_shows_name_value_and_bytes_of_what_was_stored() -> None:
    text = plain(render(mended().judged()))
    assert (
        "Before the first clear Snapshots 19 04, scan 1 : 1 record Record 01 road speed F40D 60 km/h 3C "
        "engine speed F40C 2000 rpm 1F 40 outside temperature F446 14 °C 36 Extended data : not asked "
        "After the last clear Snapshots : not asked. Extended data : not asked."
    ) in text


def test_fields_stand_apart_on_the_page_and_it_stays_sound() -> None:
    door = Field(name="door", bits=Bits(start=0, length=2), names=((1, "<open>"),))
    known = laid_out(1, door, whole_bytes("lock", 0, 1))
    story = Story(known).scan("before").codes(C0035_13=0x2F).answer(UNIT, SNAPSHOTS, HEAD_04 + "0101110640").end()
    html = render(story.judged())
    assert '<div class="parts"><dt>wheel state <span class="mono">1106</span></dt>' in html
    assert "<span>door: <b>&lt;open&gt; (1)</b></span> <span>lock: <b>64</b></span>" in html
    assert (Outline(html).unbalanced, Outline(html).open) == ([], [])


def test_only_an_item_with_much_to_show_takes_the_whole_width() -> None:
    # Source: worked by hand: 13 bytes are 38 characters in hex, 14 are 41.
    assert [item.is_wide for item in items(snapshots("0102F40D3C1106AA"))] == [False, True]
    known = with_records(None, (0x01, 13), (0x02, 14))
    assert [item.is_wide for item in items(extended("01" + "AA" * 13 + "02" + "AA" * 14, known))] == [False, True]


def test_what_a_fault_stored_is_open_on_the_page_so_that_it_is_printed() -> None:
    # Source: HTML, the details element: what is closed is not rendered, on paper neither.
    html = render(mended().judged())
    assert html.count('<details open class="stored">') == 1
    assert html.count("<details") == html.count("<details open")


def test_the_demonstration_shows_under_which_conditions_its_wheel_sensor_failed() -> None:
    # Source: the exchanges of the run: 59 04 and 59 06 of 760/768 for C0035-13.
    first, last = stored_parts(demo_run().record, key())
    assert words(first) == ["Snapshots 19 04, scan 1: 2 records", "Extended data 19 06, scan 1: 1 record"]
    assert rows(first.answers[0])[:5] == [
        ("F40D", "road speed", "62 km/h", "3E"),
        ("F40C", "engine speed", "2046 rpm", "1F F8"),
        ("F446", "outside temperature", "14 °C", "36"),
        ("F442", "supply voltage", "14.1 V", "37 14"),
        ("1105", "Odometer", "84\u202f168 km", "01 48 C8"),
    ]
    assert rows(first.answers[1]) == [("01", "occurrence counter", "3", "03")]
    assert words(last) == [
        "Snapshots 19 04, scan 3: keeps no record",
        "Extended data 19 06, scan 3: keeps no record",
    ]


def test_the_demonstration_leaves_no_stored_byte_undescribed() -> None:
    record = demo_run().record
    for fault in judge(record).faults:
        answers = [answer for part in stored_parts(record, fault.key) for answer in part.answers]
        assert [item for answer in answers for item in items(answer) if UNKNOWN in said(item)] == []
        assert [answer.words for answer in answers if answer.words in ("damaged", "silent", "not asked")] == []

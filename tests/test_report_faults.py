"""The report's faults and units: each state with its word and its mark, nothing unknown as good.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import pytest
import sample_verdict as sample
from report_help import plain, render

from decoders.values import Dtc, Outcome
from sessions.record import CodeReading, JobRecord
from sessions.report import words
from sessions.report.faults import FaultCard, fault_cards
from sessions.verdict import RULES, FaultVerdict, JobGrade, JobVerdict, Ruling, UnitLook, UnitPair, Verdict
from sessions.verdict.sights import FaultKey


@pytest.fixture(scope="module")
def open_page() -> str:
    return render(sample.open_verdict(), last_hash=sample.LAST_HASH)


@pytest.mark.parametrize("word", list(Verdict))
def test_every_verdict_word_stands_beside_its_own_mark(open_page: str, word: Verdict) -> None:
    mark = f'<use href="#mark-{word.value}"/></svg><b>{word.value}</b>'
    # With its fault and in the legend; two of the words are also verdicts on a job.
    assert open_page.count(mark) == (3 if word.value in {grade.value for grade in JobGrade} else 2)
    assert f'<symbol id="mark-{word.value}"' in open_page


def test_no_two_marks_look_alike(open_page: str) -> None:
    marks = dict(re.findall(r'<symbol id="mark-([a-z-]+)"[^>]*>(.*?)</symbol>', open_page))
    assert [mark for mark, count in Counter(marks.values()).items() if count > 1] == []
    assert set(re.findall(r'href="#mark-([a-z-]+)"', open_page)) - set(marks) == set()


def test_each_fault_shows_unit_address_code_text_evidence_and_what_is_missing(open_page: str) -> None:
    text = plain(open_page).replace("&#39;", "'")
    for fault in sample.FAULTS:
        name = f"{fault.unit_name} {fault.key.unit} {fault.key.dtc.text} {fault.text}"
        assert name in text
        assert [line for line in (*fault.ruling.evidence, *fault.ruling.missing) if line not in text] == []


def test_each_badge_leads_to_its_rule_and_says_when_it_speaks(open_page: str) -> None:
    for fault in sample.FAULTS:
        title = words.RULE_TITLES[fault.ruling.rule]
        assert f'<a href="#rule-{fault.ruling.rule}" title="{title}">rule {fault.ruling.rule}</a>' in open_page


def test_every_rule_is_explained_by_its_number_and_its_verdict() -> None:
    # Source: the rules themselves; 9 and 10 have a number and no function in this version.
    numbers = [rule.__name__.split("_")[1:3] for rule in RULES]
    known = {number: verdict for number, verdict, _meaning in words.RULE_WORDS}
    assert [known[int(number)] for number, _verdict in numbers] == [verdict for _number, verdict in numbers]
    assert list(known) == list(range(1, 12))
    absent = {number for number, _verdict, meaning in words.RULE_WORDS if "Not in this version" in meaning}
    assert absent == set(known) - {int(number) for number, _verdict in numbers}


def test_the_words_that_could_say_too_much_do_not(open_page: str) -> None:
    text = plain(open_page)
    assert "named no fault in that memory; history and permanent copies are shown apart." in text
    for need in ("before-scan", "after an erase", "after-scan", "every unit", "complaint", "lamp", "set aside"):
        assert need in words.GRADE_LEGEND[JobGrade.PROVEN]
    assert [grade for grade in JobGrade if words.GRADE_LEGEND[grade] not in text] == []


def test_only_a_cure_is_said_to_miss_nothing() -> None:
    bare = [replace(fault, ruling=replace(fault.ruling, missing=())) for fault in sample.FAULTS]
    cards = fault_cards(replace(sample.open_verdict(), faults=tuple(bare)))
    assert [item.verdict for item in cards if item.nothing_missing == "Nothing is missing."] == ["held", "proven"]


def test_a_fault_set_aside_shows_who_when_why_and_for_what(open_page: str) -> None:
    wanted = f"Set aside by r.ambrel on 2031-03-04 09:01:04 UTC, given for failing : {sample.REASON}"
    assert wanted in plain(open_page)


def test_history_is_shown_apart_with_its_text_or_that_none_is_known(open_page: str) -> None:
    history = plain(open_page).partition("Codes that are history only")[2].partition("Every unit")[0]
    assert "Body control 740/748 B1B10-13 Left courtesy lamp: circuit open" in history
    assert "Unit 7B0/7B8 C1D41-1C text not known: a code of the vehicle's maker" in history.replace("&#39;", "'")


def card(verdict: JobVerdict, code: str) -> FaultCard:
    return next(item for item in fault_cards(verdict) if item.code == code)


def told(found: FaultCard) -> dict[str, str]:
    return {row.label: f"{row.first} {row.now}" for row in found.rows}


def test_the_status_byte_is_told_bit_by_bit_first_and_now() -> None:
    # Source: ISO 14229-1, Annex D: AF = bits 0 1 2 3 5 7, 50 = bits 4 6. OBD: SAE J1979, services 03, 07, 0A.
    found = card(sample.open_verdict(), "P0420-00")
    assert told(found) == {
        "Newest test failed": "yes no",
        "Failed in this cycle": "yes no",
        "Pending: failed in this or the last cycle": "yes no",
        "Confirmed and stored": "yes no",
        "Not completed since the clear": "no yes",
        "Failed since the clear": "yes no",
        "Not completed in this cycle": "no yes",
        "Asks for a warning lamp": "yes no",
        "OBD 03 lists it as stored": "yes no",
        "OBD 07 lists it as pending": "no no",
        "OBD 0A lists it as permanent": "yes not read",
    }
    assert (found.first, found.now) == ("scan 1, status AF, mask FF", "scan 3, status 50, mask FF")


def test_a_bit_outside_the_mask_is_not_told_whatever_the_byte_says() -> None:
    # Source: ISO 14229-1, DTCStatusAvailabilityMask: an unsupported bit says nothing.
    found = told(card(sample.open_verdict(), "B1C22-12"))
    assert found["Not completed since the clear"] == "not told not told"
    assert found["Failed since the clear"] == "yes yes"


def test_a_fault_that_was_not_read_again_says_so_in_each_line() -> None:
    found = card(sample.open_verdict(), "B1D05-15")
    assert found.now == "not read in scan 3"
    assert {row.now for row in found.rows} == {"not read"}


def test_a_code_no_longer_listed_leaves_open_whether_its_test_ran() -> None:
    # Source: ISO 14229-1, 19 02 names only codes with a matching bit set: bits 4 and 6 stay unknown.
    verdict = sample.open_verdict()
    whole = verdict.record
    empty = CodeReading(
        moment=sample.moment(445),
        unit=sample.GEARBOX,
        request=bytes.fromhex("1902FF"),
        during="scan",
        scan=3,
        outcome=Outcome.ANSWERED,
        mask=0xFF,
        whole=True,
    )
    codes = tuple(item for item in whole.codes if (item.unit, item.scan) != (sample.GEARBOX, 3))
    found = card(replace(verdict, record=replace(whole, codes=(*codes, empty))), "P0741-00")
    assert found.now == "scan 3, not listed, mask FF"
    assert told(found)["Newest test failed"] == "yes no"
    assert told(found)["Not completed in this cycle"] == "no not told"


def test_without_an_after_scan_nothing_is_said_of_now() -> None:
    found = card(replace(sample.open_verdict(), after=None), "P0420-00")
    assert found.now == "no after-scan"
    assert {row.now for row in found.rows} == {"not read"}


def test_a_first_look_outside_a_scan_is_named_by_its_entry() -> None:
    verdict = sample.open_verdict()
    codes = tuple(replace(item, scan=None if item.scan == 1 else item.scan) for item in verdict.record.codes)
    found = card(replace(verdict, record=replace(verdict.record, codes=codes)), "C0035-13")
    assert found.first == "entry 18, status AF, mask FF"


def obd_fault(*readings: tuple[int, int, bool], memory: str = "obd", first_seen: str = "service 03") -> FaultCard:
    """A fault known from OBD services alone: (scan, service, listed) each."""
    dtc = Dtc.parse("P0442")
    fault = FaultVerdict(
        key=FaultKey(unit=sample.ENGINE, dtc=dtc, memory=memory),
        unit_name="Engine control",
        text="",
        ruling=Ruling(verdict=Verdict.UNTESTED, rule=11, evidence=()),
        set_aside=None,
        first_seen=first_seen,
        provisional=True,
    )
    obd = tuple(
        sample.obd_reading(400 * (scan > 1) + 20 + service, scan, service, *(["P0442"] if listed else []))
        for scan, service, listed in readings
    )
    verdict = sample.open_verdict()
    record: JobRecord = replace(verdict.record, codes=(), obd=obd)
    return fault_cards(replace(verdict, record=record, faults=(fault,)))[0]


@pytest.mark.parametrize(
    ("now", "wanted"),
    [
        (((3, 0x03, True), (3, 0x07, True)), "scan 3, service 03, 07"),
        (((3, 0x03, False),), "scan 3, not listed"),
        ((), "not read in scan 3"),
    ],
)
def test_a_fault_known_from_obd_alone_is_told_list_by_list(now: tuple[tuple[int, int, bool], ...], wanted: str) -> None:
    # Source: SAE J1979: services 03, 07 and 0A list codes without a status byte.
    found = obd_fault((1, 0x03, True), *now)
    assert (found.memory, found.first, found.now) == ("OBD services only", "scan 1, service 03", wanted)
    assert set(told(found)) == {words.OBD_LIST_WORDS[nth][1] for nth in range(2 if len(now) > 1 else 1)}


def test_a_fault_no_reading_shows_says_that_no_byte_was_read() -> None:
    found = obd_fault(first_seen="")
    assert (found.first, found.rows) == ("no status byte read", ())
    assert obd_fault().first == "service 03"


def test_another_memory_is_named() -> None:
    assert obd_fault(memory="user:18").memory == "Memory user:18"


def test_a_verdict_from_a_check_is_marked_provisional() -> None:
    verdict = sample.open_verdict()
    checked = replace(verdict, faults=tuple(replace(fault, provisional=True) for fault in verdict.faults))
    assert plain(render(checked)).count("provisional: from a check") == 9
    assert "provisional" not in plain(render(verdict))


# Units


@pytest.mark.parametrize(
    ("look", "mark", "wanted"),
    [
        ("lists 1 fault", "lists", "U0415-81 2C"),
        ("lists 3 faults", "lists", "P0442 OBD"),
        ("lists none", "none", ""),
        ("refused (22)", "refused", ""),
        ("silent", "silent", ""),
        ("damaged", "damaged", ""),
        ("not asked", "not-asked", ""),
    ],
)
def test_each_way_a_unit_can_fare_has_its_words_and_its_mark(open_page: str, look: str, mark: str, wanted: str) -> None:
    # Source: the five outcomes are kept apart on the wire by ISO 14229-1 and ISO 15765-2; the words are ours.
    assert f'<use href="#mark-{mark}"/></svg>{look}</span>' in open_page
    assert wanted in plain(open_page)


def test_a_unit_that_a_scan_never_met_is_not_asked_and_not_clean() -> None:
    pair = UnitPair(unit="7C0/7C8", name="Unit 7C0/7C8", before=None, after=None, set_aside=None)
    table = plain(render(replace(sample.open_verdict(), units=(pair,)))).partition("Every unit")[2]
    assert "Unit 7C0/7C8 not asked not asked" in table


@pytest.mark.parametrize(
    ("outcome", "faults", "mark"),
    [
        (None, (), "not-asked"),
        (Outcome.UNSENT, (), "not-asked"),
        (Outcome.SILENT, (), "silent"),
        (Outcome.ANSWERED, (), "none"),
        (Outcome.ANSWERED, (("P0420-00", "dtc", "2F"),), "lists"),
    ],
)
def test_marks_follow_the_outcome(outcome: Outcome | None, faults: tuple[tuple[str, str, str], ...], mark: str) -> None:
    assert words.look_mark(UnitLook(unit="7E0/7E8", outcome=outcome, faults=faults)) == mark

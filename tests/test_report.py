"""The report as text: what it shows, what it never shows, and that it is sound HTML.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from itertools import pairwise

import pytest
import sample_verdict as sample

from decoders.values import Dtc, Outcome
from sessions.record import CodeReading, JobRecord, Observation
from sessions.report import render_html, words
from sessions.report.course import steps
from sessions.report.faults import FaultCard, fault_cards
from sessions.verdict import FaultVerdict, JobGrade, JobVerdict, Ruling, UnitLook, UnitPair, Verdict
from sessions.verdict.sights import FaultKey

HOSTILE = """<script>alert("x")</script>' onload='y"""
VOID = {"meta", "link", "br", "hr", "img", "input"}


def render(verdict: JobVerdict, *, last_hash: str | None = None) -> str:
    return render_html(
        verdict, job=7, made_with="Mendproof 0.1.0", printed_at="2031-03-04 11:20 UTC", last_hash=last_hash
    )


def plain(html: str) -> str:
    """The words of the page, without markup and style."""
    body = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


class Outline(HTMLParser):
    """Collects what the structural checks look at."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.unbalanced: list[str] = []
        self.tags: Counter[str] = Counter()
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.labels: list[str] = []
        self.headings: list[int] = []
        self.attributes: list[tuple[str, dict[str, str]]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {key: value or "" for key, value in attrs}
        self.tags[tag] += 1
        self.attributes.append((tag, found))
        self.ids += [found["id"]] if "id" in found else []
        self.targets += [found["href"]] if "href" in found else []
        self.labels += found.get("aria-labelledby", "").split()
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)


VERDICTS = {"open": sample.open_verdict, "proven": sample.proven_verdict, "empty": sample.empty_verdict}


@pytest.fixture(params=VERDICTS, scope="module")
def page(request: pytest.FixtureRequest) -> str:
    return render(VERDICTS[request.param]())


@pytest.fixture(scope="module")
def open_page() -> str:
    return render(sample.open_verdict(), last_hash=sample.LAST_HASH)


# Structure


def test_every_tag_is_closed_where_it_was_opened(page: str) -> None:
    outline = Outline(page)
    assert (outline.unbalanced, outline.open) == ([], [])


def test_ids_are_unique_and_every_link_and_label_has_its_target(page: str) -> None:
    outline = Outline(page)
    assert [name for name, count in Counter(outline.ids).items() if count > 1] == []
    assert {target for target in outline.targets if target[1:] not in outline.ids} == set()
    assert {target[0] for target in outline.targets} == {"#"}
    assert set(outline.labels) - set(outline.ids) == set()


def test_headings_begin_with_one_and_skip_no_level(page: str) -> None:
    # Source: WCAG 2.2, technique G141 (organising a page using headings).
    headings = Outline(page).headings
    assert (headings[0], headings.count(1)) == (1, 1)
    assert [pair for pair in pairwise(headings) if pair[1] > pair[0] + 1] == []


def test_the_page_has_its_language_title_and_landmarks(page: str) -> None:
    # Source: WCAG 2.2, 2.4.2 (page titled), 3.1.1 (language of page), technique ARIA11 (landmarks).
    outline = Outline(page)
    assert [attrs["lang"] for tag, attrs in outline.attributes if tag == "html"] == ["en"]
    assert [outline.tags[name] for name in ("title", "header", "main", "nav", "footer")] == [
        1 + outline.tags["figure"], 1, 1, 1, 1
    ]  # fmt: skip


def test_every_table_has_a_caption_and_every_header_cell_a_scope(page: str) -> None:
    # Source: WCAG 2.2, techniques H39 (caption) and H63 (scope).
    outline = Outline(page)
    assert outline.tags["caption"] == outline.tags["table"]
    assert [attrs for tag, attrs in outline.attributes if tag == "th" and "scope" not in attrs] == []


def test_every_drawing_is_either_described_or_hidden_beside_its_words(page: str) -> None:
    # Source: WCAG 2.2, 1.1.1 (non-text content). Drawings inside a drawing are spoken for by the outer one.
    drawn = [attrs for tag, attrs in Outline(page).attributes if tag == "svg" and "y" not in attrs]
    silent = [attrs for attrs in drawn if attrs.get("aria-hidden") != "true" and attrs.get("role") != "img"]
    assert silent == []
    assert page.count('role="img"') == page.count("<desc ")


def test_the_page_needs_nothing_from_outside_and_runs_nothing(page: str) -> None:
    # Source: W3C Content Security Policy Level 3, default-src 'none'.
    outline = Outline(page)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    assert [attrs["content"] for _tag, attrs in outline.attributes if "http-equiv" in attrs] == [policy]
    assert re.findall(r"https?:|//[a-z]|@import|url\(", page) == []
    assert [name for name in ("script", "link", "iframe", "object", "img", "form") if outline.tags[name]] == []
    assert [key for _tag, attrs in outline.attributes for key in attrs if key.startswith("on")] == []


def test_no_table_cell_is_empty(page: str) -> None:
    assert re.findall(r"<t[dh][^>]*>\s*</t[dh]>", page) == []


def test_the_same_verdict_gives_the_same_page() -> None:
    assert render(sample.open_verdict()) == render(sample.open_verdict())


def test_what_people_and_profiles_wrote_is_escaped() -> None:
    whole = sample.record()
    hostile = replace(
        whole,
        complaints=(HOSTILE,),
        profile=replace(whole.profile, maker=HOSTILE),
        observations=tuple(replace(item, about=HOSTILE, state=HOSTILE, text=HOSTILE) for item in whole.observations),
        repairs=tuple(replace(item, text=HOSTILE) for item in whole.repairs),
        world=tuple(replace(item, said=HOSTILE) for item in whole.world),
        scans=tuple(replace(item, link=HOSTILE) for item in whole.scans),
    )
    verdict = sample.open_verdict()
    faults = tuple(replace(fault, text=HOSTILE, unit_name=HOSTILE) for fault in verdict.faults)
    units = tuple(replace(pair, name=HOSTILE) for pair in verdict.units)
    html = render_html(
        replace(verdict, record=hostile, faults=faults, units=units, reasons=(HOSTILE,), plan=(HOSTILE,), vin=HOSTILE),
        job=7,
        made_with=HOSTILE,
        printed_at=HOSTILE,
        last_hash=HOSTILE,
    )
    assert Outline(html).tags["script"] == 0
    assert "<script" not in html
    assert "onload='" not in html
    assert html.count("&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;&#39; onload=&#39;y") >= 40


# Colours


def contrast(one: str, other: str) -> float:
    """Source: WCAG 2.2, definitions of relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_21_for_black_on_white() -> None:
    # Source: WCAG 2.2, contrast ratios range from 1 to 21.
    assert round(contrast("#000000", "#ffffff"), 2) == 21.0


def test_every_text_colour_stands_out_from_every_ground_it_is_used_on() -> None:
    # Source: WCAG 2.2, 1.4.3 (contrast, minimum): 4.5 to 1.
    css = resources.files("sessions.report").joinpath("report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", css.partition("@media")[0]))
    tones = ("against", "unknown", "for", "aside")
    pairs = [(text, ground) for text in ("ink", "soft", "deep", *tones) for ground in ("paper", "sheet")]
    pairs += [(tone, f"{tone}-wash") for tone in tones]
    weak = [(text, ground) for text, ground in pairs if contrast(colours[text], colours[ground]) < 4.5]
    assert weak == []


# The job


def test_the_job_verdict_stands_in_one_sentence_with_the_number_set_aside(open_page: str) -> None:
    wanted = "Job 7 is open , with 2 set aside (1 fault, 1 unit) : the record does not show that every fault is cured."
    assert wanted in plain(open_page)
    assert "<title>Job 7: open, 2 set aside (1 fault, 1 unit) - Halvorne Meridel</title>" in open_page


@pytest.mark.parametrize("kind", ["fault", "unit"])
def test_one_thing_set_aside_is_named_as_what_it_is(kind: str) -> None:
    verdict = sample.open_verdict()
    verdict = replace(verdict, units=()) if kind == "fault" else replace(verdict, faults=verdict.faults[:1])
    assert f"with 1 set aside (1 {kind}) :" in plain(render(verdict))


def test_a_proven_job_still_says_that_none_is_set_aside() -> None:
    text = plain(render(sample.proven_verdict()))
    assert "Job 7 is proven , with 0 set aside : every fault is set aside or was shown cured" in text
    assert "Nothing keeps it open." in text
    assert "Simulated vehicle" not in text


def test_a_held_job_says_what_its_cure_rests_on() -> None:
    held = replace(sample.proven_verdict(), grade=JobGrade.HELD)
    assert "rests on time without the fault and not on a test" in plain(render(held))


def test_a_job_in_which_nothing_was_read_says_so_everywhere() -> None:
    text = plain(render(sample.empty_verdict()))
    for line in (
        "Job 7 is open , with 0 set aside : there is nothing to prove.",
        "VIN not read no unit told it",
        "Odometer not stated",
        "Opened time not known",
        "none stated",
        "Judged on no complete scan after the last clear, against no usable before-scan.",
        "No reading of this job shows a fault.",
        "No unit was asked in this job.",
        "Nothing was done in this job.",
        "No scan was taken.",
        "No part and no fluid was entered.",
        "No memory was erased in this job.",
        "No running values were read while the car was watched.",
        "Nothing was noted.",
        "Hash of the last entry not given",
    ):
        assert line in text


def test_every_reason_and_every_step_of_the_plan_is_shown(open_page: str) -> None:
    verdict = sample.open_verdict()
    assert [line for line in (*verdict.reasons, *verdict.plan) if line not in plain(open_page)] == []


def test_head_and_foot_name_the_job(open_page: str) -> None:
    text = plain(open_page)
    for line in (
        "VIN ZZ9HVR2L4TM004417 check digit right; told by 3 units; "
        "Climate control 18DA60F1/18DAF160 told 11111111111111111",
        "Odometer 84\u202f161 km, as stated",
        f"Job identity {sample.JOB_UID} Journal 472 entries Rules version 1 Made with Mendproof 0.1.0 "
        f"Printed 2031-03-04 11:20 UTC Hash of the last entry {sample.LAST_HASH}",
        "Simulated vehicle. Nothing on this page is about a real car.",
    ):
        assert line in text


@pytest.mark.parametrize(
    ("vin", "wanted"),
    [
        # Source: 49 CFR 565.15, worked example with check digit X; the second has one digit changed.
        ("1M8GDM9AXKP042788", "1M8GDM9AXKP042788 check digit right"),
        ("1M8GDM9AXKP042789", "position 9 is X, the check digit would be"),
        # Source: ISO 3779, 17 characters.
        ("1M8GDM9AX", "9 characters, a VIN has 17"),
    ],
)
def test_the_vin_is_shown_with_what_its_check_says(vin: str, wanted: str) -> None:
    assert wanted in plain(render(replace(sample.open_verdict(), vin=vin)))


def test_a_vehicle_without_maker_and_model_goes_by_its_profile() -> None:
    whole = sample.record()
    nameless = replace(whole, profile=replace(whole.profile, maker="", model=""))
    assert "<h1>Halvorne Meridel, job 7</h1>" in render(replace(sample.open_verdict(), record=nameless))


def test_the_cautions_and_the_limits_are_printed(page: str) -> None:
    shown = plain(page).replace("&#39;", "'")
    wanted = (words.SAFETY_FIRST, *words.SAFETY_WORDS, *words.LIMIT_WORDS)
    assert [line for line in wanted if line not in shown] == []


# Faults


@pytest.mark.parametrize("word", list(Verdict))
def test_every_verdict_word_stands_beside_its_own_mark(open_page: str, word: Verdict) -> None:
    mark = f'<use href="#mark-{word.value}"/></svg><b>{word.value}</b>'
    # With its fault and in the legend; two of the words are also verdicts on a job.
    assert open_page.count(mark) == (3 if word in set(JobGrade) else 2)
    assert f'<symbol id="mark-{word.value}"' in open_page


def test_no_two_marks_look_alike(open_page: str) -> None:
    marks = dict(re.findall(r'<symbol id="mark-([a-z-]+)"[^>]*>(.*?)</symbol>', open_page))
    assert [mark for mark, count in Counter(marks.values()).items() if count > 1] == []
    assert set(re.findall(r'href="#mark-([a-z-]+)"', open_page)) - set(marks) == set()


def test_each_fault_shows_unit_address_code_text_evidence_and_what_is_missing(open_page: str) -> None:
    text = plain(open_page).replace("&#39;", "'")
    for fault in sample.FAULTS:
        name = f"{fault.unit_name} {fault.key.unit} {fault.key.dtc.text} {fault.text or 'text not known'}"
        assert name in text
        assert [line for line in (*fault.ruling.evidence, *fault.ruling.missing) if line not in text] == []


def test_a_fault_set_aside_shows_who_when_why_and_for_what(open_page: str) -> None:
    wanted = f"Set aside by r.ambrel on 2031-03-04 09:01:04 UTC, given for failing : {sample.REASON}"
    assert wanted in plain(open_page)


def test_history_is_shown_apart_with_its_text_or_that_none_is_known(open_page: str) -> None:
    history = plain(open_page).partition("Codes that are history only")[2].partition("Every unit")[0]
    assert "Body control 740/748 B1B10-13 Left courtesy lamp: circuit open" in history
    assert "Unit 7B0/7B8 C1D41-1C text not known" in history


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


# What was done


def test_each_clear_shows_its_unit_its_request_and_its_answer(open_page: str) -> None:
    # Source: ISO 14229-1, service 14 (FFFFFF all groups, FFFF33 emissions), refusal 22; SAE J1979, service 04.
    text = plain(open_page)
    for line in (
        "Engine control 7E0/7E8 04 OBD codes answered positively",
        "Engine control 7E0/7E8 14 FF FF FF all codes answered positively",
        "Gearbox control 7E1/7E9 14 FF FF FF all codes refused (22, conditions not correct)",
        "Brake control 760/768 14 40 35 13 code C0035-13 answered positively",
        "Instrument cluster 720/728 14 FF FF 33 emissions codes silent",
        "Climate control 18DA60F1/18DAF160 14 FF FF FF all codes never sent",
        "Power steering 730/738 14 meaning not known no answer kept: nobody knows whether it was carried out",
    ):
        assert line in text


def test_a_refusal_whose_code_was_not_kept_says_so() -> None:
    assert words.refusal_words(None) == "no reason kept"


def test_scans_show_what_they_were_taken_as_and_whether_they_are_whole(open_page: str) -> None:
    text = plain(open_page)
    begin = "2031-03-04 09:00:10 UTC, simulated 8 h 37 min 30 s"
    assert f"Scan 1 before complete {begin} 2031-03-04 09:01:00 UTC, simulated 8 h 37 min 30 s 12.1 to 12.3 V" in text
    assert "Scan 4 check cut short" in text
    assert "no end kept not read sim:sample" in text


def test_one_supply_voltage_is_not_shown_as_a_range() -> None:
    whole = sample.record()
    steady = replace(whole, live=tuple(replace(item, value=12.3) for item in whole.live))
    assert " 12.3 V sim:sample" in plain(render(replace(sample.open_verdict(), record=steady)))


def test_a_scan_taken_after_an_erase_is_marked() -> None:
    whole = sample.record()
    marked = replace(whole, scans=tuple(replace(scan, stated_after_erase=True) for scan in whole.scans))
    assert "complete, taken after an erase, as stated" in plain(render(replace(sample.open_verdict(), record=marked)))


def test_repairs_show_the_time_of_work_as_said(open_page: str) -> None:
    text = plain(open_page)
    assert "Front left wheel speed sensor replaced (part) when it was entered" in text
    assert "Fluid renewed (fluid) 2031-03-04 09:01:05 UTC, as said" in text


def test_the_course_keeps_the_order_of_the_journal_and_joins_what_repeats() -> None:
    found = [(step.label, step.mark, step.entries) for step in steps(sample.record())]
    assert found == [
        ("Scan 1", "scan-before", "entries 10 to 60"),
        ("Car", "car", "entry 65"),
        ("Repair", "repair", "entry 66"),
        ("Repair", "repair", "entry 67"),
        ("Clear", "clear", "entries 70 to 77"),
        ("Scan 2", "scan-check", "entries 90 to 130"),
        ("Car", "car", "entry 135"),
        ("Car", "car", "entry 136"),
        ("Car", "car", "entry 137"),
        ("Car", "car", "entries 139 to 351"),
        ("Scan 3", "scan-after", "entries 400 to 460"),
        ("Scan 4", "scan-cut", "entry 470"),
    ]


def test_the_course_says_what_became_of_the_clears_and_of_a_drive() -> None:
    texts = {step.entries: (step.text, step.when) for step in steps(sample.record())}
    assert texts["entries 70 to 77"][0] == (
        "8 requests to erase: 4 answered positively, 1 refused (22, conditions not correct), 1 silent, "
        "1 never sent, 1 no answer kept: nobody knows whether it was carried out"
    )
    assert texts["entries 139 to 351"] == (
        "drive, 54 steps; at the end: drove 5 s, now at 62 km/h",
        "simulated 8 h 49 min 10 s to simulated 8 h 53 min 35 s",
    )
    assert texts["entry 137"][0] == "start engine"


def test_on_a_real_vehicle_no_time_is_called_simulated() -> None:
    assert "simulated" not in plain(render(sample.proven_verdict())).lower()


def test_notes_stand_with_their_complaint_or_by_themselves(open_page: str) -> None:
    noted = plain(open_page).partition("What people noted")[2].partition("How to read")[0]
    assert "Complaint 1: Brake and engine lamps are lit. nothing noted about it" in noted
    assert "Complaint 2: The steering feels heavy now and then. gone : even on the drive" in noted
    assert "brake lamp lit : with the key on" in noted


def test_a_note_without_a_complaint_is_enough() -> None:
    note = Observation(moment=sample.moment(5), about="engine lamp", state="lit", text="")
    whole = replace(sample.empty_verdict().record, observations=(note,))
    text = plain(render(replace(sample.empty_verdict(), record=whole)))
    assert "engine lamp lit 2031-03-04 09:00:05 UTC" in text
    assert "Nothing was noted." not in text

"""The report as text: what it shows, what it never shows, and that it is sound HTML.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from importlib import resources
from itertools import pairwise

import pytest
import sample_verdict as sample
from report_help import Outline, empty_verdict, plain, proven_verdict, render

from sessions.report import render_html, words
from sessions.verdict import RULES_VERSION, JobGrade

HOSTILE = """<script>alert("x")</script>' onload='y"""


VERDICTS = {"open": sample.open_verdict, "proven": proven_verdict, "empty": empty_verdict}


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
        observations=tuple(
            replace(item, about=HOSTILE, state=HOSTILE, text=HOSTILE, actor=HOSTILE) for item in whole.observations
        ),
        repairs=tuple(replace(item, text=HOSTILE, actor=HOSTILE) for item in whole.repairs),
        world=tuple(replace(item, said=HOSTILE, arguments={"part": HOSTILE}) for item in whole.world),
        scans=tuple(replace(item, link=HOSTILE) for item in whole.scans),
    )
    verdict = sample.open_verdict()
    faults = tuple(replace(fault, text=HOSTILE, unit_name=HOSTILE) for fault in verdict.faults)
    units = tuple(replace(pair, name=HOSTILE) for pair in verdict.units)
    html = render_html(
        replace(verdict, record=hostile, faults=faults, units=units, reasons=(HOSTILE,), plan=(HOSTILE,), vin=HOSTILE),
        job=7,
        made_with=HOSTILE,
        state_at=HOSTILE,
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
    wanted = "Job 7 is open , with 2 set aside (1 fault, 1 unit) : something that a proof needs is missing."
    assert wanted in plain(open_page)
    assert "<title>Job 7: open, 2 set aside (1 fault, 1 unit) - Halvorne Meridel</title>" in open_page


@pytest.mark.parametrize("kind", ["fault", "unit"])
def test_one_thing_set_aside_is_named_as_what_it_is(kind: str) -> None:
    verdict = sample.open_verdict()
    verdict = replace(verdict, units=()) if kind == "fault" else replace(verdict, faults=verdict.faults[:1])
    assert f"with 1 set aside (1 {kind}) :" in plain(render(verdict))


def test_a_proven_job_still_says_that_none_is_set_aside() -> None:
    text = plain(render(proven_verdict()))
    assert "Job 7 is proven , with 0 set aside : every fault is set aside or was shown cured" in text
    assert "Nothing keeps it open." in text
    assert "Simulated vehicle" not in text


def test_a_held_job_says_what_its_cure_rests_on() -> None:
    held = replace(proven_verdict(), grade=JobGrade.HELD)
    assert "rests on time without the fault and not on a test" in plain(render(held))


def test_a_job_in_which_nothing_was_read_says_so_everywhere() -> None:
    text = plain(render(empty_verdict()))
    for line in (
        "Job 7 is open , with 0 set aside : there is nothing to prove.",
        "Vehicle without a profile, job 7 VIN not read no unit told it",
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
        "Odometer 84 161 km, as stated",
        f"Job identity {sample.JOB_UID} Journal 472 entries Rules version {RULES_VERSION} Made with Mendproof 0.1.0 "
        f"State of the journal at 2031-03-04 11:20:05 UTC Hash of the last entry {sample.LAST_HASH}",
        "Simulated vehicle. Nothing on this page is about a real car.",
    ):
        assert line in text


@pytest.mark.parametrize(
    ("vin", "wanted"),
    [
        # Source: 49 CFR 565.15, worked example with check digit X; the second has one digit changed.
        ("1M8GDM9AXKP042788", "1M8GDM9AXKP042788 check digit right"),
        ("1M8GDM9AXKP042789", "1M8GDM9AXKP042789 position 9 is X, the check digit would be 1"),
        # Source: ISO 3779, 17 characters.
        ("1M8GDM9AX", "not well formed: 9 characters, a VIN has 17"),
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

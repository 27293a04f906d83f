"""What the report tells of scans, repairs, clears and notes.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import sample_verdict as sample
from report_help import empty_verdict, plain, render

from sessions.record import Observation
from sessions.report import words
from sessions.report.course import steps


@pytest.fixture(scope="module")
def open_page() -> str:
    return render(sample.open_verdict(), last_hash=sample.LAST_HASH)


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
    whole = replace(empty_verdict().record, observations=(note,))
    text = plain(render(replace(empty_verdict(), record=whole)))
    assert "engine lamp lit 2031-03-04 09:00:05 UTC" in text
    assert "Nothing was noted." not in text

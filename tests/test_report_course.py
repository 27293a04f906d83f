"""What the report tells of scans, repairs, clears and notes.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
import sample_verdict as sample
from report_help import empty_verdict, plain, proven_verdict, render

from sessions.record import Observation, WorldAct
from sessions.report import words
from sessions.report.course import act_words, steps
from sessions.report.times import Clock


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
    begin, end = "2031-03-04 09:00:10 UTC (+ 0 s, simulated)", "2031-03-04 09:01:00 UTC (+ 0 s, simulated)"
    assert f"Scan 1 before complete {begin} {end} 12.1 to 12.3 V" in text
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
    assert "Front left wheel speed sensor replaced (part) when it was entered by r.ambrel, 2031-03-04 09:01:06" in text
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
        "drive at 62 km/h, 265 s (simulated), 54 steps; the last: drove 5 s, now at 62 km/h",
        spaced("+ 11 min 40 s to + 16 min 05 s, simulated"),
    )
    assert texts["entry 137"] == ("start engine", spaced("+ 11 min 40 s, simulated"))
    assert texts["entry 66"][0] == "part: Front left wheel speed sensor replaced (r.ambrel)"


def spaced(text: str) -> str:
    """As the page writes it: a sign, a figure and its unit are never torn."""
    return re.sub(r"(?<=[+\u2212\d]) (?=\d|h|min|s)|(?<=min) (?=\d)|(?<=h) (?=\d)", "\u00a0", text)


def act(seq: int, world_s: int, action: str, **arguments: int | str) -> WorldAct:
    return WorldAct(moment=sample.moment(seq, world_s), action=action, said="done", arguments=arguments)


def texts_of(*acts: WorldAct) -> list[str]:
    return [step.text for step in steps(replace(empty_verdict().record, world=acts))]


def test_driving_at_another_speed_is_another_step_with_its_own_time() -> None:
    slow = [act(nth, 100 + 5 * nth, "drive", kmh=62, seconds=5) for nth in (2, 3, 4)]
    stop = [act(nth, 100 + 5 * nth, "drive", kmh=0, seconds=5) for nth in (5, 6)]
    assert texts_of(act(1, 105, "wait", seconds=5), *slow, *stop) == [
        "done",
        "drive at 62 km/h, 15 s (simulated), 3 steps; the last: done",
        "drive to a stop, 10 s (simulated), 2 steps; the last: done",
    ]


def test_where_no_act_came_before_the_time_passed_is_not_guessed() -> None:
    assert texts_of(act(1, 105, "wait", seconds=5), act(2, 110, "wait", seconds=5)) == ["wait, 2 steps; the last: done"]


def test_what_an_act_was_given_is_told_in_words() -> None:
    assert act_words(act(1, 5, "repair", component="front_left_speed_sensor")) == "repair front left speed sensor"
    assert act_words(act(1, 5, "load_up", mass_kg=300)) == "load up mass kg 300"


@pytest.mark.parametrize(
    ("world_s", "wanted"),
    [
        (100, "+ 0 s"),
        (109, "+ 9 s"),
        (850, "+ 12 min 30 s"),
        (3823, "+ 1 h 02 min 03 s"),
        (95, "\u2212 5 s"),
    ],
)
def test_simulated_time_counts_from_the_begin_of_the_first_scan(world_s: int, wanted: str) -> None:
    moment, clock = sample.moment(1, world_s), Clock(origin_s=100)
    assert clock.whole(moment) == f"2031-03-04 09:00:01 UTC ({spaced(wanted)}, simulated)"
    assert clock.span(moment, moment) == f"{spaced(wanted)}, simulated"


def test_without_a_first_scan_only_utc_is_told() -> None:
    moment, clock = sample.moment(1, 850), Clock.of(empty_verdict().record)
    assert clock.whole(moment) == "2031-03-04 09:00:01 UTC"
    assert clock.span(moment, sample.moment(2, 850)) == "2031-03-04 09:00:01 UTC to 2031-03-04 09:00:02 UTC"


def test_the_page_says_from_when_simulated_time_counts(open_page: str) -> None:
    assert "Simulated times count from the begin of scan 1" in plain(open_page)


def test_on_a_real_vehicle_no_time_is_called_simulated() -> None:
    assert "simulated" not in plain(render(proven_verdict())).lower()


def test_notes_stand_with_their_complaint_or_by_themselves(open_page: str) -> None:
    noted = plain(open_page).partition("What people noted")[2].partition("How to read")[0]
    assert "Complaint 1: Brake and engine lamps are lit. nothing noted about it" in noted
    when = "r.ambrel, 2031-03-04 09:07:46 UTC (+ 32 min 30 s, simulated)"
    assert f"Complaint 2: The steering feels heavy now and then. gone : even on the drive {when}" in noted
    # What was noted about one thing stands together.
    assert "brake lamp lit : with the key on r.ambrel" in noted
    assert noted.count("brake lamp") == 1


def test_a_note_without_a_complaint_is_enough() -> None:
    note = Observation(moment=sample.moment(5), actor="r.ambrel", about="engine lamp", state="lit", text="")
    whole = replace(empty_verdict().record, observations=(note,))
    text = plain(render(replace(empty_verdict(), record=whole)))
    assert "engine lamp lit r.ambrel, 2031-03-04 09:00:05 UTC" in text
    assert "Nothing was noted." not in text

"""What a code means, wherever one is shown: the profile's words first, then what is published, never a guess."""

import io
from dataclasses import replace

import pytest
import sample_verdict as sample
from journal_builder import Story
from rich.console import Console

from gateway.cli.show import show_scan, show_verdict
from sessions.profile import NO_PROFILE, Profile, ProfileCode
from sessions.record import JobRecord
from sessions.verdict.code_words import code_words

BRAKES, STEERING = "760/768", "730/738"
BARE = Story().record()
OURS = Story(
    Profile(name="Halvorne Meridel", codes=(ProfileCode(unit=BRAKES, code="U0121-87", text="No word from it"),))
).record()


def test_the_profile_speaks_first_for_its_own_unit_and_failure_type() -> None:
    assert "No word from it" == code_words(OURS, BRAKES, "U0121-87")


@pytest.mark.parametrize(
    ("unit", "code", "words"),
    [
        # Source: the network codes and failure types as published, see tests/vectors/codes.py
        (STEERING, "U0121-87", "lost communication with ABS control unit A (failure type: bus message missing)"),
        (BRAKES, "U0121-00", "lost communication with ABS control unit A"),
        (BRAKES, "U0121", "lost communication with ABS control unit A"),
    ],
)
def test_what_the_profile_says_of_another_unit_or_code_is_not_taken(unit: str, code: str, words: str) -> None:
    assert f"generic meaning: {words}" == code_words(OURS, unit, code)


def test_the_text_of_a_range_is_marked_as_one() -> None:
    assert "generic range: ignition or misfire (failure type: open circuit)" == code_words(BARE, "7E0/7E8", "P0353-13")


def test_a_makers_code_stays_unknown() -> None:
    words = code_words(BARE, BRAKES, "C1D41-1C")
    assert "text not known: a code of the vehicle's maker (failure type: voltage out of range)" == words


@pytest.mark.parametrize("code", ["SPN1208-FMI3", "HEX-403514"])
def test_bytes_of_another_format_are_not_read_as_a_letter_code(code: str) -> None:
    assert "text not known" == code_words(BARE, BRAKES, code)


def screen(show: str, record: JobRecord) -> str:
    console = Console(file=io.StringIO(), width=200)
    if show == "scan":
        show_scan(console, record, record.scans[0], "")
    else:
        show_verdict(console, replace(sample.open_verdict(), record=record))
    assert isinstance(console.file, io.StringIO)
    return " ".join(console.file.getvalue().split())


def test_a_scan_without_a_profile_shows_what_is_published_of_each_code() -> None:
    shown = screen("scan", replace(sample.record(), profile=NO_PROFILE))
    assert "P0353-13 status 2F generic range: ignition or misfire (failure type: open circuit)" in shown
    assert "C0035-13 status AF generic range: brakes, wheels, steering and vehicle dynamics" in shown
    assert "B1D05-15 status 2F text not known: a code of the vehicle's maker" in shown


def test_the_verdict_shows_the_text_that_the_fault_carries() -> None:
    shown = screen("verdict", sample.record())
    assert "C1B20-62 text not known" in shown
    assert "U0415-81 Invalid serial data received from brake control" in shown


@pytest.mark.parametrize(
    ("request_hex", "reply"),
    [("1901FF", "5901FF020001"), ("194233FF1E", "594233FF1E02040201032F"), ("195533", "595533FF02")],
)
def test_codes_of_another_format_have_no_letters_and_no_range(request_hex: str, reply: str) -> None:
    # ISO 14229-1, DTCFormatIdentifier 02; bytes by SAE J1939-73 (from memory).
    story = Story().scan("before").answer(BRAKES, request_hex, reply).end()
    words = code_words(story.record(), BRAKES, "P0201-03")
    assert "text not known; the unit writes SPN258-FMI3 (SAE J1939-73)" == words


def test_an_answer_that_does_not_decode_states_no_format() -> None:
    story = Story().scan("before").answer(BRAKES, "1901FF", "5901FF010001").answer(BRAKES, "1901FF", "5901FF").end()
    assert code_words(story.record(), BRAKES, "P0201-00").startswith("generic range")

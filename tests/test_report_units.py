"""What each unit says it is, and what its emissions services say: before and after, nothing unknown as good.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import sample_verdict as sample
from report_help import empty_verdict, plain, proven_verdict, render

from decoders.values import Exchange, Outcome
from sessions.record import Asked
from sessions.report.units import IdentityLine, emissions_rows, unit_rows
from sessions.verdict import JobVerdict

SERIAL = "22F18C"


def exchange(request: str, outcome: Outcome, answer: str = "", refusal: int | None = None) -> Exchange:
    """One request to the brake unit, ended in any way."""
    whole = sample.asked(1, "scan", sample.BRAKES, request, answer or "00").exchange
    told = whole.answers if answer else ()
    return replace(whole, answers=told, outcome=outcome, refusal=refusal)


def told(scan: int, request: str, outcome: Outcome, answer: str = "", refusal: int | None = None) -> Asked:
    seq = 45 if scan == 1 else 445
    found = exchange(request, outcome, answer, refusal)
    return Asked(moment=sample.moment(seq), exchange=found, during="scan", scan=scan)


def lines(*asked: Asked, verdict: JobVerdict | None = None) -> tuple[IdentityLine, ...]:
    """What the report says the brake unit is, where exactly this was asked of it."""
    verdict = verdict or sample.open_verdict()
    row = next(
        item
        for item in unit_rows(replace(verdict, record=replace(verdict.record, asked=asked)))
        if item.unit == sample.BRAKES
    )
    return row.identity


def read(scan: int, data: str, request: str = SERIAL) -> Asked:
    return told(scan, request, Outcome.ANSWERED, f"62{request[2:]}{data}")


# What a unit is


def test_what_both_scans_read_the_same_is_told_once() -> None:
    # Source: ISO 14229-1, Annex C: F18C is the serial number of the unit.
    assert lines(read(1, "3430303137"), read(3, "3430303137")) == (
        IdentityLine(label="serial number", before="40017", after="40017", changed=False),
    )


def test_another_number_after_the_work_is_a_change() -> None:
    found = lines(read(1, "3430303137"), read(3, "3430393932"))
    assert [(line.before, line.after, line.changed) for line in found] == [("40017", "40992", True)]


def test_bytes_that_differ_but_read_alike_are_told_as_bytes() -> None:
    found = lines(read(1, "3431"), read(3, "343120"))
    assert [(line.before, line.after, line.changed) for line in found] == [("34 31", "34 31 20", True)]


def test_what_is_no_text_is_told_as_bytes() -> None:
    assert lines(read(1, "0102"), read(3, "0102"))[0].before == "01 02"


@pytest.mark.parametrize(
    ("after", "wanted"),
    [
        ((), "not asked"),
        ((told(3, SERIAL, Outcome.UNSENT),), "not asked"),
        ((told(3, SERIAL, Outcome.SILENT),), "silent"),
        # Source: ISO 14229-1, negative response code 31: request out of range.
        ((told(3, SERIAL, Outcome.REFUSED, refusal=0x31),), "refused (31)"),
        ((told(3, SERIAL, Outcome.DAMAGED),), "damaged"),
        # Source: ISO 14229-1: the positive answer holds at least one byte of data.
        ((read(3, ""),), "damaged"),
        ((read(3, "3430303137"), told(3, SERIAL, Outcome.SILENT)), "40017"),
    ],
)
def test_a_number_that_was_not_read_again_has_not_changed(after: tuple[Asked, ...], wanted: str) -> None:
    (line,) = lines(read(1, "3430303137"), *after)
    assert (line.before, line.after, line.changed) == ("40017", wanted, False)


def test_what_neither_scan_read_is_left_out() -> None:
    assert lines(told(1, SERIAL, Outcome.SILENT), told(3, SERIAL, Outcome.REFUSED, refusal=0x31)) == ()


def test_without_an_after_scan_nothing_is_said_of_after() -> None:
    (line,) = lines(read(1, "3431"), read(3, "3431"), verdict=replace(sample.open_verdict(), after=None))
    assert (line.before, line.after) == ("41", "not asked")


def test_a_vin_is_told_by_either_service() -> None:
    # Source: SAE J1979, 09 02: count of items, then 17 characters; ISO 14229-1, F190.
    vin = sample.VIN.encode().hex()
    by_obd = told(1, "0902", Outcome.ANSWERED, f"490201{vin}")
    none = told(3, "0902", Outcome.ANSWERED, "490200")
    found = lines(read(1, vin, "22F190"), by_obd, none)
    assert [(line.label, line.before, line.after) for line in found] == [
        ("VIN", sample.VIN, "not asked"),
        ("VIN by OBD", sample.VIN, "answered with none"),
    ]


def test_the_page_shows_what_a_unit_is_and_marks_a_change() -> None:
    html = render(sample.open_verdict())
    wanted = f"software 01.04 ; serial number changed from 40017 to 40992 ; VIN {sample.VIN} before, not asked after"
    assert wanted in plain(html)
    assert '<use href="#mark-changed"/></svg>changed</b>' in html
    assert "changed from" not in plain(render(replace(sample.open_verdict(), after=None)))


# Emissions


def table(verdict: JobVerdict) -> list[list[tuple[str, str]]]:
    return [[(cell.mark, cell.words) for cell in line] for row in emissions_rows(verdict) for line in row.lines]


def test_lamp_monitors_and_permanent_copies_stand_side_by_side() -> None:
    # Source: SAE J1979-DA, 01 01: 81 lamp on, 07 05 05 catalyst and evaporative system not complete.
    assert table(sample.open_verdict()) == [
        [("yes", "malfunction lamp on"), ("no", "malfunction lamp off")],
        [
            ("no", "monitors not complete: catalyst, evaporative system; complete: misfire, fuel system, components"),
            ("no", "monitors not complete: evaporative system; complete: misfire, fuel system, components, catalyst"),
        ],
        [("lists", "permanent codes: P0420"), ("untold", "permanent codes not told (0A not asked)")],
    ]


def with_0101(exchange: Exchange) -> JobVerdict:
    """The sample job with another end of 01 01 in its after-scan, and 0A answered with no code."""
    verdict = sample.open_verdict()
    asked = tuple(
        replace(item, exchange=exchange) if (item.scan, item.exchange.request) == (3, b"\x01\x01") else item
        for item in verdict.record.asked
    )
    obd = (*verdict.record.obd, sample.obd_reading(442, 3, 0x0A))
    return replace(verdict, record=replace(verdict.record, asked=asked, obd=obd))


@pytest.mark.parametrize(
    ("outcome", "refusal", "wanted"),
    [
        (Outcome.SILENT, None, "01 01 silent"),
        (Outcome.REFUSED, 0x22, "01 01 refused (22)"),
        (Outcome.DAMAGED, None, "01 01 damaged"),
        (Outcome.UNSENT, None, "01 01 not asked"),
    ],
)
def test_an_unanswered_01_01_is_told_as_what_it_is(outcome: Outcome, refusal: int | None, wanted: str) -> None:
    ended = replace(exchange("0101", outcome, refusal=refusal), target=sample.ENGINE)
    after = [line[1] for line in table(with_0101(ended))]
    assert after == [
        ("untold", f"malfunction lamp not told ({wanted})"),
        ("untold", "monitors not told"),
        ("none", "permanent codes: none"),
    ]


@pytest.mark.parametrize(
    ("answer", "wanted"),
    [
        # Source: SAE J1979-DA, 01 01: 07 supports the continuous monitors, all complete; 00 supports none.
        ("410100070000", ("yes", "monitors all complete: misfire, fuel system, components")),
        ("410100000000", ("untold", "no monitors")),
        ("410100770000", ("no", "monitors not complete: misfire, fuel system, components")),
    ],
)
def test_monitors_are_told_by_name(answer: str, wanted: tuple[str, str]) -> None:
    ended = replace(exchange("0101", Outcome.ANSWERED, answer), target=sample.ENGINE)
    assert table(with_0101(ended))[1][1] == wanted


def test_a_scan_that_is_missing_tells_nothing_of_emissions() -> None:
    assert {cell[1] for cell in [line[1] for line in table(replace(sample.open_verdict(), after=None))]} == {
        "no complete scan after the last clear"
    }
    assert {line[0] for line in table(replace(sample.open_verdict(), before=None))} == {
        ("untold", "no usable before-scan")
    }


def test_the_page_shows_emissions_only_where_a_unit_told_any() -> None:
    title = "Emissions: lamp, monitors, permanent copies"
    assert title in plain(render(proven_verdict()))
    assert title not in plain(render(empty_verdict()))


def test_a_difference_in_emissions_is_told_by_more_than_its_words() -> None:
    html = render(sample.open_verdict())
    assert '<span class="look look-no differs">' in html
    assert html.count(" differs") == 3

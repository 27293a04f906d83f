"""Whom the guard lets a request reach: one unit by its own address, everyone by a listed one, a sweep by its range."""

from __future__ import annotations

import pytest
from guard_help import ENGINE, M, R, S, guard, says
from hypothesis import given
from hypothesis import strategies as st

from decoders.values import Request
from gateway.guard import Phase

EVERYBODY = [
    "7DF/7E8",  # ISO 15765-4: the 11-bit identifier that everyone hears
    "7DF:10/7E8:F1",  # the same before an address byte
    "18DB33F1/18DAF110",  # ISO 15765-4: the 29-bit one
    "18DB10F1/18DAF110",  # ISO 15765-2: normal fixed addressing, functional
    "1CDB33F1/18DAF110",  # the same at another priority
    "0CDB33F1/18DAF110",
    "18CD33F1:10/18CEF110:10",  # ISO 15765-2: mixed addressing, functional
    "doip:E000",  # ISO 13400-2: functional groups
    "doip:E400",
    "doip:EFFF",
]
SWEPT = (S, "functional:7E0")
NO_TARGET = [
    "functional:7E0",
    "functional:7df",
    "functional:7DF ",
    "functional:18DB10F1",
    "functional:doip:E401",
    "functional:doip:EFFF",
    "functional:doip:1010",
    "functional:",
    "7E0",
    "7e0/7e8",
    " 7E0/7E8",
    "7E0/7E8/7E9",
    "800/808",
    "doip:",
    "doip:10",
    "doip:101g",
    "doip:10ab",
    "DOIP:1010",
    "",
]
UNITS = [
    ENGINE,
    "6F0:12/612:F0",
    "18DA10F1/18DAF110",
    "18DAEEFB/18DAFBEE",
    "17DB0010/17DC0010",  # a maker's own identifiers, not those of normal fixed addressing
    "18CE10F1:22/18CEF110:22",
    "7DE/7EE",
    "doip:1010",
    "doip:10AB",
    "doip:DFFF",
    "doip:F000",
]
FUNCTIONAL = ["functional:7DF", "functional:18DB33F1", "functional:doip:E400"]


@pytest.mark.parametrize("target", [*EVERYBODY, *NO_TARGET])
def test_the_header_is_checked_as_it_will_be_on_the_bus(target: str) -> None:
    for phase in Phase:
        assert says(guard(phase), "03", target) is not None
        assert (says(guard(phase), "3E00", target) is None) == ((phase, target) == SWEPT)


@pytest.mark.parametrize("target", EVERYBODY)
def test_an_address_that_several_units_hear_is_named_as_such(target: str) -> None:
    assert f"{target.partition('/')[0]} reaches every unit" in str(says(guard(R), "03", target))


@pytest.mark.parametrize("target", [*UNITS, *FUNCTIONAL])
def test_reading_may_go_to_everyone_and_to_any_unit(target: str) -> None:
    for phase in Phase:
        assert (says(guard(phase), "03", target) is None) == (phase is not S)


def test_how_a_unit_is_written_is_told() -> None:
    assert says(guard(R), "03", "7e0/7e8") == "'7e0/7e8' is not how this unit is written: 7E0/7E8"
    assert says(guard(R), "03", "doip:10ab") == "'doip:10ab' is not how this unit is written: doip:10AB"


# --- the address sweep ---


def test_a_sweep_asks_whoever_answers_to_an_identifier_of_its_range() -> None:
    """The handbook: 700 to 7EF. Every other identifier of 11 bits is refused, and in other phases all but one."""
    for number in range(0x800):
        target = f"functional:{number:03X}"
        assert (says(guard(S), "3E00", target) is None) == (0x700 <= number <= 0x7EF)
        assert (says(guard(R), "3E00", target) is None) == (number == 0x7DF)


def test_a_sweep_asks_units_by_normal_fixed_addressing() -> None:
    """ISO 15765-2: the pair is one unit's, and this program is F1."""
    for unit in range(0x100):
        assert says(guard(S), "3E00", f"18DA{unit:02X}F1/18DAF1{unit:02X}") is None


@pytest.mark.parametrize(
    "target",
    [
        "18DA10F1/18DAF111",
        "18DA10FB/18DAFB10",
        "18DAF110/18DA10F1",
        "18DA10F1:22/18DAF110:22",
        "18DA10F1:22/18DAF110",
        *FUNCTIONAL[1:],
        *(unit for unit in UNITS if unit != "18DA10F1/18DAF110"),
    ],
)
def test_a_sweep_asks_nobody_else(target: str) -> None:
    assert "a sweep asks functional:700 to functional:7EF and 18DAxxF1/18DAF1xx only" in str(
        says(guard(S), "3E00", target)
    )


@pytest.mark.parametrize("payload", ["3E80", "3E", "3E0000", "03", "0100", "22F190", "1902FF", "1003", "1001", "04"])
@pytest.mark.parametrize("target", ["functional:7A0", "functional:7DF", "18DA10F1/18DAF110"])
def test_a_sweep_asks_nothing_else(payload: str, target: str) -> None:
    assert says(guard(S), payload, target) is not None


@given(st.text(max_size=24), st.sampled_from(list(Phase)))
def test_any_text_is_judged_in_words(target: str, phase: Phase) -> None:
    reason = guard(phase).refusal(Request(target, b"\x03"))
    assert reason is None or reason.strip()


@given(st.integers(0, 0x1FFFFFFF), st.sampled_from([R, M]))
def test_of_all_29_bit_identifiers_those_of_functional_requests_are_refused(number: int, phase: Phase) -> None:
    """ISO 15765-2: bits 24 and 25 are 0, bits 16 to 23 are DB or CD."""
    functional = number & 0x03FF0000 in (0x00DB0000, 0x00CD0000)
    assert (says(guard(phase), "03", f"{number:08X}/18DAF110") is not None) == functional

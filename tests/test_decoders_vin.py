"""VIN form, check digit, regions and model years against ISO 3779, ISO 3780 and 49 CFR 565.15."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders import check_vin
from decoders.vin import MODEL_YEARS


@pytest.mark.parametrize(
    ("text", "digit"),
    [
        # 49 CFR 565.15 arithmetic, recomputed: sums 351, 89, 408, 378
        ("1M8GDM9AXKP042788", "X"),
        ("11111111111111111", "1"),
        ("5GZCZ43D13S812715", "1"),
        ("1G1JC5444R7252367", "4"),
        # a VIN in a recording, made up with a right check digit
        ("ZZ9ZZ9ZZ6NZ000023", "6"),
    ],
)
def test_a_right_check_digit_is_confirmed(text: str, digit: str) -> None:
    check = check_vin(text)
    assert (check.text, check.well_formed) == (text, True)
    assert (check.check_digit, check.check_digit_ok) == (digit, True)
    assert (check.problem, check.remark) == (None, None)


def test_another_character_in_position_9_is_a_remark_and_no_problem() -> None:
    # 49 CFR 565.15: sum 384, so X
    check = check_vin("SGZCZ43D13S812715")
    assert (check.well_formed, check.check_digit, check.check_digit_ok) == (True, "X", False)
    assert check.problem is None
    assert check.remark == "position 9 is 1, the check digit would be X: no error where none is used"


def test_a_vin_with_z_in_position_9_uses_no_check_digit_and_is_well_formed() -> None:
    # ISO 3779: form only; many regions put a filler in position 9
    check = check_vin("ZZ9ZZ9ZZZNZ000023")
    assert (check.well_formed, check.check_digit, check.check_digit_ok) == (True, "6", False)
    assert check.problem is None


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "0 characters, a VIN has 17"),
        ("1M8GDM9AXKP04278", "16 characters, a VIN has 17"),
        ("1M8GDM9AXKP0427889", "18 characters, a VIN has 17"),
        # ISO 3779: no I, O, Q
        ("IM8GDM9AXKPO4278Q", "characters that no VIN has: 'I' 'O' 'Q'"),
        ("1m8GDM9AXKP042788", "characters that no VIN has: 'm'"),
        ("1M8GDM9AXKP04278\x00", "characters that no VIN has: '\\x00'"),
        # a digit of another script is no digit of a VIN
        ("1M8GDM9AXKP04278\u0663", "characters that no VIN has: '\u0663'"),
    ],
)
def test_a_wrong_form_is_a_problem(text: str, problem: str) -> None:
    check = check_vin(text)
    assert (check.well_formed, check.check_digit, check.check_digit_ok) == (False, None, False)
    assert (check.problem, check.remark) == (problem, None)
    assert (None, (), ()) == (check.region, check.model_years, check.breaches)
    assert f"not well formed: {problem}" == check.words


@pytest.mark.parametrize(
    ("first", "region"),
    [
        # Source: ISO 3780, first character
        *((char, "Africa") for char in "AH"),
        *((char, "Asia") for char in "JLR"),
        *((char, "Europe") for char in "SWZ"),
        *((char, "North America") for char in "12345"),
        *((char, "Oceania") for char in "67"),
        *((char, "South America") for char in "89"),
        ("0", None),
    ],
)
def test_the_first_character_tells_the_region(first: str, region: str | None) -> None:
    check = check_vin(f"{first}M8GDM9AXKP042788")
    assert region == check.region
    assert (region == "North America",) * 2 == (check.check_digit_required, check.model_year_required)


def test_only_a_region_with_check_digits_calls_another_character_in_position_9_wrong() -> None:
    # Source: 49 CFR 565.15, worked example with check digit X, one digit changed
    wrong = check_vin("1M8GDM9AXKP042789")
    assert (True, None) == (wrong.well_formed, wrong.remark)
    assert ("position 9 is X, the check digit would be 1",) == wrong.breaches
    # Source: ISO 3779, no check digit in Europe: 5GZ... with its first character changed
    free = check_vin("SGZCZ43D13S812715")
    assert (False, ()) == (free.check_digit_required, free.breaches)


@pytest.mark.parametrize(
    ("char", "years"),
    [
        # Source: 49 CFR 565.15, table of model years: round of 30 years from 1980
        ("A", (1980, 2010)),
        ("H", (1987, 2017)),
        ("J", (1988, 2018)),
        ("N", (1992, 2022)),
        ("P", (1993, 2023)),
        ("R", (1994, 2024)),
        ("T", (1996, 2026)),
        ("V", (1997, 2027)),
        ("Y", (2000, 2030)),
        ("1", (2001, 2031)),
        ("9", (2009, 2039)),
    ],
)
def test_position_10_stands_for_a_year_in_each_round_of_thirty(char: str, years: tuple[int, int]) -> None:
    assert years == check_vin(f"1M8GDM9AX{char}P042788").model_years


@pytest.mark.parametrize("char", "UZ0")
def test_some_characters_stand_for_no_year(char: str) -> None:
    assert () == check_vin(f"WM8GDM9AX{char}P042788").model_years
    # the worked example with position 10 changed: its check digit is no longer right either
    assert f"position 10 is {char}, which stands for no model year" in check_vin(f"1M8GDM9AX{char}P042788").breaches
    assert () == check_vin(f"WM8GDM9AX{char}P042788").breaches


def test_thirty_characters_stand_for_years_and_none_of_the_six_that_may_not() -> None:
    assert (30, set()) == (len(MODEL_YEARS), set(MODEL_YEARS) & set("IOQUZ0"))


@pytest.mark.parametrize(
    ("vin", "breaches", "remark"),
    [
        # Source: 49 CFR 565.15 (from memory): the last four are digits, the last five in cars and light trucks
        ("1M8GDM9A_KP04278A", ("positions 14 to 17 are 278A, not all digits",), None),
        ("1M8GDM9A_KP04A788", ("positions 14 to 17 are A788, not all digits",), None),
        ("1M8GDM9A_KP0A2788", (), "position 13 is A, in a passenger car it would be a digit"),
        # with 9 in position 3 the positions 12 to 14 belong to the maker's identity
        ("1M9GDM9A_KPABC788", (), None),
        ("1M9GDM9A_KPABCD88", ("positions 15 to 17 are D88, not all digits",), None),
    ],
)
def test_the_last_positions_are_digits_where_the_region_says_so(
    vin: str, breaches: tuple[str, ...], remark: str | None
) -> None:
    text = vin.replace("_", str(check_vin(vin.replace("_", "0")).check_digit))
    check = check_vin(text)
    assert (True, breaches, remark) == (check.check_digit_ok, check.breaches, check.remark)
    assert "; ".join(["check digit right", *breaches, *([remark] if remark else [])]) == check.words
    assert () == check_vin(f"W{text[1:]}").breaches


CHARACTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


@given(st.text(alphabet=CHARACTERS, min_size=17, max_size=17))
def test_only_a_region_with_rules_finds_rules_broken(text: str) -> None:
    check = check_vin(text)
    assert (True, None) == (check.well_formed, check.problem)
    assert not check.breaches or check.region == "North America"
    assert not (check.check_digit_required and check.check_digit_ok) or "position 9" not in check.words
    assert check.words


@given(st.text(max_size=20))
def test_any_text_is_a_vin_or_has_a_problem(text: str) -> None:
    check = check_vin(text)
    assert (text, check.well_formed) == (check.text, check.problem is None)


@given(st.text(alphabet=CHARACTERS, min_size=17, max_size=17), st.integers(0, 16), st.sampled_from("0123456789"))
def test_changing_one_digit_is_always_noticed(text: str, place: int, digit: str) -> None:
    # Source: arithmetic: 11 is prime and no weight is a multiple of it, so no single digit can change unseen
    right = text[:8] + str(check_vin(text).check_digit) + text[9:]
    changed = right[:place] + digit + right[place + 1 :]
    same = changed == right or not right[place].isdigit()
    assert same or not check_vin(changed).check_digit_ok

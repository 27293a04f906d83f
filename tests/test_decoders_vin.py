"""VIN form and check digit against the published examples of 49 CFR 565.15."""

import pytest

from decoders import check_vin


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

"""The vehicle identification number and its check digit."""

from __future__ import annotations

from dataclasses import dataclass

_LENGTH = 17
_CHECK_INDEX = 8
_LETTERS = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", map(int, "12345678123457923456789"), strict=True))
_VALUES = _LETTERS | {digit: int(digit) for digit in "0123456789"}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class VinCheck:
    """What can be said of a VIN by its characters alone.

    Args:
        text: the VIN as given.
        well_formed: True if it has 17 characters that a VIN may have.
        check_digit: the check digit computed from the other characters; None if not well formed.
        check_digit_ok: True if position 9 holds that digit. False is no error by itself: only some regions
            use a check digit.
        problem: what is wrong with the form, or None.
        remark: said when the form is right and position 9 is not the check digit, else None.
    """

    text: str
    well_formed: bool
    check_digit: str | None
    check_digit_ok: bool
    problem: str | None
    remark: str | None


def check_vin(text: str) -> VinCheck:
    """Check form and check digit of a VIN; nothing is corrected.

    Source: ISO 3779 (form); 49 CFR 565.15 (check digit).
    """
    problem = _problem(text)
    if problem is not None:
        return VinCheck(
            text=text, well_formed=False, check_digit=None, check_digit_ok=False, problem=problem, remark=None
        )
    total = sum(_VALUES[char] * weight for char, weight in zip(text, _WEIGHTS, strict=True))
    digit = "0123456789X"[total % 11]
    found = text[_CHECK_INDEX]
    remark = f"position 9 is {found}, the check digit would be {digit}: no error where none is used"
    return VinCheck(
        text=text,
        well_formed=True,
        check_digit=digit,
        check_digit_ok=found == digit,
        problem=None,
        remark=None if found == digit else remark,
    )


def _problem(text: str) -> str | None:
    if len(text) != _LENGTH:
        return f"{len(text)} characters, a VIN has {_LENGTH}"
    wrong = sorted({char for char in text if char not in _VALUES})
    return f"characters that no VIN has: {' '.join(map(repr, wrong))}" if wrong else None

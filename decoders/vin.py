"""The vehicle identification number: its form, its region, its check digit and what position 10 can mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

_LENGTH = 17
_CHECK_INDEX = 8
_YEAR_INDEX = 9
_LETTERS = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", map(int, "12345678123457923456789"), strict=True))
_VALUES = _LETTERS | {digit: int(digit) for digit in "0123456789"}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_DIGITS = frozenset("0123456789")

NORTH_AMERICA = "North America"
REGIONS: Mapping[str, str] = MappingProxyType(
    {
        "ABCDEFGH": "Africa",
        "JKLMNPR": "Asia",
        "STUVWXYZ": "Europe",
        "12345": NORTH_AMERICA,
        "67": "Oceania",
        "89": "South America",
    }
)
"""First characters of a VIN -> region. Source: ISO 3780; 0 is in no region."""

_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR = 1980
MODEL_YEARS: Mapping[str, tuple[int, int]] = MappingProxyType(
    {code: (year, year + len(_YEAR_CODES)) for year, code in enumerate(_YEAR_CODES, start=_FIRST_YEAR)}
)
"""Character of position 10 -> the model years of the first two rounds of 30. Source: 49 CFR 565.15, table of years."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VinCheck:
    """What can be said of a VIN by its characters alone. Nobody's name is told by them here.

    Args:
        text: the VIN as given.
        well_formed: True if it has 17 characters that a VIN may have.
        check_digit: the check digit computed from the other characters; None if not well formed.
        check_digit_ok: True if position 9 holds that digit. False is no error by itself: see `check_digit_required`.
        problem: what is wrong with the form, or None.
        remark: something seen that is no error, or None.
        region: where the number was assigned, by its first character; None if not well formed or in no region.
        check_digit_required: True if the rules of that region put a check digit into position 9.
        model_years: the years that position 10 can stand for, none if it stands for no year.
        model_year_required: True if the rules of that region put the model year into position 10. Elsewhere that
            position may hold anything, and `model_years` is only what it would mean if it were a year.
        breaches: the rules of its region that it breaks; empty where none is known to be broken.
    """

    text: str
    well_formed: bool
    check_digit: str | None
    check_digit_ok: bool
    problem: str | None
    remark: str | None
    region: str | None = None
    check_digit_required: bool = False
    model_years: tuple[int, ...] = ()
    model_year_required: bool = False
    breaches: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """All that was found, in one line; a region without check digits is not an error."""
        if self.problem is not None:
            return f"not well formed: {self.problem}"
        right = ("check digit right",) if self.check_digit_ok else ()
        said = (*right, *self.breaches, *((self.remark,) if self.remark else ()))
        return "; ".join(said)


def check_vin(text: str) -> VinCheck:
    """Check a VIN's form and, where its region has them, the rules for its positions; nothing is corrected.

    Source: ISO 3779 (form), ISO 3780 (regions), 49 CFR 565.15 (check digit, model year, serial number).
    """
    problem = _problem(text)
    if problem is not None:
        return VinCheck(
            text=text, well_formed=False, check_digit=None, check_digit_ok=False, problem=problem, remark=None
        )
    digit = _check_digit(text)
    region = next((name for letters, name in REGIONS.items() if text[0] in letters), None)
    ruled = region == NORTH_AMERICA
    return VinCheck(
        text=text,
        well_formed=True,
        check_digit=digit,
        check_digit_ok=text[_CHECK_INDEX] == digit,
        problem=None,
        remark=_ruled_remark(text) if ruled else _free_remark(text, digit),
        region=region,
        check_digit_required=ruled,
        model_years=MODEL_YEARS.get(text[_YEAR_INDEX], ()),
        model_year_required=ruled,
        breaches=_breaches(text, digit) if ruled else (),
    )


def _problem(text: str) -> str | None:
    if len(text) != _LENGTH:
        return f"{len(text)} characters, a VIN has {_LENGTH}"
    wrong = sorted({char for char in text if char not in _VALUES})
    return f"characters that no VIN has: {' '.join(map(repr, wrong))}" if wrong else None


def _check_digit(text: str) -> str:
    total = sum(_VALUES[char] * weight for char, weight in zip(text, _WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def _free_remark(text: str, digit: str) -> str | None:
    found = text[_CHECK_INDEX]
    words = f"position 9 is {found}, the check digit would be {digit}: no error where none is used"
    return None if found == digit else words


def _ruled_remark(text: str) -> str | None:
    """Position 13 is a digit in passenger cars and light trucks only. Source: 49 CFR 565.15 (from memory)."""
    words = f"position 13 is {text[12]}, in a passenger car it would be a digit"
    return words if text[12] not in _DIGITS and not _is_small_maker(text) else None


def _breaches(text: str, digit: str) -> tuple[str, ...]:
    """The rules of 49 CFR 565.15 that hold for every vehicle and are broken here."""
    found = []
    if text[_CHECK_INDEX] != digit:
        found.append(f"position 9 is {text[_CHECK_INDEX]}, the check digit would be {digit}")
    if text[_YEAR_INDEX] not in MODEL_YEARS:
        found.append(f"position 10 is {text[_YEAR_INDEX]}, which stands for no model year")
    first = 15 if _is_small_maker(text) else 14
    serial = text[first - 1 :]
    if not _DIGITS.issuperset(serial):
        found.append(f"positions {first} to {_LENGTH} are {serial}, not all digits")
    return tuple(found)


def _is_small_maker(text: str) -> bool:
    """True if positions 12 to 14 belong to the maker's identity. Source: ISO 3780, 9 in position 3 (from memory)."""
    return text[2] == "9"

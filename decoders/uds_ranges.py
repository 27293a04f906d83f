"""Ranges of numbers that ISO 14229-1 gives to somebody or to something: of routines and of data identifiers.

Whose a number is can be said of any of them; what it means only its owner can say.
"""

from __future__ import annotations

from typing import NamedTuple

MAKERS_OWN, SUPPLIERS_OWN = "the maker's own", "the supplier's own"


class Range(NamedTuple):
    """Numbers from `first` to `last`, both included, and what they are for, in our own words."""

    first: int
    last: int
    name: str


ROUTINE_RANGES: tuple[Range, ...] = (
    Range(0x0100, 0x01FF, "tachograph test"),
    Range(0x0200, 0xDFFF, MAKERS_OWN),
    Range(0xE000, 0xE1FF, "OBD test"),
    Range(0xE200, 0xE200, "carry out deployment loop"),
    Range(0xE201, 0xE2FF, "safety system"),
    Range(0xF000, 0xFEFF, SUPPLIERS_OWN),
    Range(0xFF00, 0xFF00, "erase memory"),
    Range(0xFF01, 0xFF01, "check programming dependencies"),
    Range(0xFF02, 0xFF02, "erase codes of the mirror memory"),
)
"""Routine identifiers; all others are reserved. Source: ISO 14229-1, Annex F (end of the maker's range from memory)."""

IDENTIFIER_RANGES: tuple[Range, ...] = (
    Range(0xF000, 0xF00F, "network of tractor and trailer"),
    Range(0xF100, 0xF17F, f"identification, {MAKERS_OWN}"),
    Range(0xF1A0, 0xF1EF, f"identification, {MAKERS_OWN}"),
    Range(0xF1F0, 0xF1FF, f"identification, {SUPPLIERS_OWN}"),
    Range(0xF200, 0xF2FF, "periodic identifier"),
    Range(0xF300, 0xF3FF, "dynamically defined identifier"),
    Range(0xF900, 0xF9FF, "tachograph"),
    Range(0xFA00, 0xFA0F, "airbag deployment"),
    Range(0xFA10, 0xFAFF, "safety system"),
    Range(0xFD00, 0xFEFF, SUPPLIERS_OWN),
)
"""Data identifiers beside those with a name of their own and those of the OBD pages F4 to F8.

Source: ISO 14229-1, Annex C.
"""


def routine_name(routine: int) -> str:
    """What a routine identifier, 0..FFFF, is for or whose it is; ``reserved`` for those that nobody has."""
    return _name_in(ROUTINE_RANGES, routine) or "reserved"


def identifier_range(did: int) -> str | None:
    """What a data identifier, 0..FFFF, without a name of its own is for; None where no range tells it."""
    return _name_in(IDENTIFIER_RANGES, did)


def _name_in(ranges: tuple[Range, ...], number: int) -> str | None:
    return next((item.name for item in ranges if item.first <= number <= item.last), None)

"""The kinds of value a profile holds, and the reading of one table by a list of them.

A reader takes the value that TOML gave and returns the value to keep, or raises `UsageError` saying what is
wrong with it; whoever calls it adds file, line and key.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from decoders.errors import UsageError
from decoders.values import CanId, Dtc, normalise_unit
from sessions.verdict.settings import RuleSettings

Reader = Callable[[Any], Any]
FIGURES = tuple(RuleSettings().to_payload())
# What a journal can hold (RFC 7493 section 2.2).
MAX_INTEGER = 2**53 - 1
_LONG_BITS, _LONG_TEXT = 64, 60
# Unicode Standard Annex 9: characters that turn the direction of what follows, so that it reads as something else.
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_HEX = re.compile(r"[0-9A-Fa-f]+\Z")
# ISO 14229-1, DTCExtDataRecordNumber: 01 to EF name one record, the rest is reserved or a group.
_RECORDS = range(0x01, 0xF0)
# Digits enough for anything a field of 64 bits or a scale can be, few enough to compute with.
_EXACT = re.compile(r"-?[0-9]{1,30}(?:\.[0-9]{1,30}|/[1-9][0-9]{0,29})?\Z")
_RAW = re.compile(r"-?[0-9]{1,30}\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One key of a table: how its value is read, and whether it must be there."""

    read: Reader
    is_required: bool = False


def required(read: Reader) -> Field:
    """A key that must be there."""
    return Field(read=read, is_required=True)


def optional(read: Reader) -> Field:
    """A key that may be left out; the profile's own default then holds."""
    return Field(read=read)


def text(value: Any) -> str:
    """Any text without what a terminal would take for a command."""
    if not isinstance(value, str):
        raise UsageError(f"must be text in quotes, not {_shown(value)}")
    if any(map(_is_control, value)):
        raise UsageError("must not hold control characters")
    return value


def _is_control(sign: str) -> bool:
    """True for what moves a cursor, colours or turns text around; ends of lines and tabs are only room."""
    return sign in _TURNING or (unicodedata.category(sign) == "Cc" and sign not in "\t\n")


def plain(found: str) -> str:
    """A text from elsewhere, made fit to be shown: a space for each control character, none around it."""
    return "".join(" " if _is_control(sign) else sign for sign in found).strip()


def file_name(value: Any) -> str:
    """The name of a file beside the profile: no folder, no way out of the profile's own."""
    found = name(value)
    if found != Path(found).name or "\\" in found or found in (".", ".."):
        raise UsageError("must be the name of a file in the profile's own folder, without a path")
    return found


def name(value: Any) -> str:
    """Text that says something."""
    if not text(value).strip():
        raise UsageError("must not be empty")
    return text(value)


def boolean(value: Any) -> bool:
    """``true`` or ``false``."""
    if not isinstance(value, bool):
        raise UsageError(f"must be true or false, not {_shown(value)}")
    return value


def integer(low: int = -MAX_INTEGER, high: int = MAX_INTEGER) -> Reader:
    """A whole number from `low` to `high`."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise UsageError(f"must be a whole number, not {_shown(value)}")
        if not low <= value <= high:
            raise UsageError(f"must be from {low} to {high}, not {_shown(value)}")
        return value

    return read


def not_zero(value: Any) -> int:
    """A whole number that one can divide by."""
    number: int = integer()(value)
    if not number:
        raise UsageError("must not be 0")
    return number


def one_of(choices: Iterable[str]) -> Reader:
    """One of a few words."""
    known = tuple(choices)

    def read(value: Any) -> str:
        if text(value) not in known:
            raise UsageError(f"{_shown(value)} is not one of {', '.join(known)}{_suggestion(value, known)}")
        return text(value)

    return read


def address(value: Any) -> str:
    """A unit address in its canonical form."""
    return normalise_unit(text(value))


def addresses(value: Any) -> tuple[str, ...]:
    """A list of unit addresses."""
    if not isinstance(value, list):
        raise UsageError(f"must be a list of unit addresses, not {_shown(value)}")
    return tuple(address(item) for item in value)


def trouble_code(value: Any) -> str:
    """A trouble code in its canonical form."""
    return Dtc.parse(text(value)).text


def identifier_number(value: Any) -> int:
    """A data identifier, hex text 0000 to FFFF."""
    return _hex(value, range(0x10000))


def record_number(value: Any) -> int:
    """The number of an extended data record, hex text; a bare number where hex and decimal read the same."""
    if isinstance(value, int) and not isinstance(value, bool):
        if value > 9:
            raise UsageError(f'{_shown(value)} may be hex or decimal: write it as hex text, e.g. "10"')
        value = str(value) if value >= 0 else value
    return _hex(value, _RECORDS)


def record_sizes(value: Any) -> tuple[tuple[int, int], ...]:
    """Extended data records and their bytes, by number: ``{ "01" = 1 }``."""
    if not isinstance(value, dict):
        raise UsageError(f'must be like {{ "01" = 1 }}, not {_shown(value)}')
    size = integer(1, 0xFFF)
    sizes: dict[int, int] = {}
    for key, length in value.items():
        number = record_number(key)
        if number in sizes:
            raise UsageError(f"record {number:02X} is there twice")
        sizes[number] = size(length)
    return tuple(sorted(sizes.items()))


def exact(value: Any) -> Fraction:
    """A number that may have a fraction, kept exactly: ``-40``, ``"-0.5"`` or ``"1/3"``."""
    if isinstance(value, str) and _EXACT.match(value):
        return Fraction(value)
    if isinstance(value, int) and not isinstance(value, bool):
        return Fraction(integer()(value))
    raise UsageError(f'must be a whole number, or text like "-0.5" or "1/3", not {_shown(value)}')


def raw_names(value: Any) -> tuple[tuple[int, str], ...]:
    """What single raw numbers mean: ``{ "0" = "closed" }``."""
    if not isinstance(value, dict) or not all(_RAW.match(key) for key in value):
        raise UsageError(f'must be like {{ "0" = "closed" }}, not {_shown(value)}')
    return tuple(sorted((int(key), name(meaning)) for key, meaning in value.items()))


def message_id(value: Any) -> str:
    """The CAN identifier of a message in its canonical form: 3 hex digits for 11 bits, 8 for 29."""
    parsed = CanId.parse(text(value))
    if parsed.extension is not None:
        raise UsageError(f"a message has no address byte: '{parsed.text}'")
    return parsed.text


def tables(value: Any) -> list[dict[str, Any]]:
    """An array of tables, each still to be read."""
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise UsageError("must be written with two brackets")
    return value


def settings(value: Any) -> dict[str, int]:
    """Whole numbers by the name of a figure that rules depend on; a name no rule reads would change nothing."""
    if not isinstance(value, dict):
        raise UsageError("must be a table: [profile.settings]")
    read = integer(0)
    kept: dict[str, int] = {}
    for key, number in value.items():
        if key not in FIGURES:
            raise UsageError(f"{key}: {unknown_key(key, FIGURES)}")
        try:
            kept[key] = read(number)
        except UsageError as error:
            raise UsageError(f"{key} {error.message}") from error
    return kept


def unknown_key(key: str, known: Iterable[str]) -> str:
    """What is wrong with a key that nothing reads."""
    names = tuple(known)
    return f"unknown key{_suggestion(key, names) or '; known are ' + ', '.join(names)}"


def read_table(
    table: Mapping[str, Any], fields: Mapping[str, Field], fail: Callable[[str, UsageError], UsageError]
) -> dict[str, Any]:
    """Read a table by its fields; keys that are left out are left out of the result.

    Args:
        table: what TOML gave.
        fields: the keys it may have.
        fail: adds the place of a key to what is wrong with it.

    Raises:
        UsageError: a key is unknown, missing or has a value that cannot be meant.
    """
    for key in table:
        if key not in fields:
            raise fail(key, UsageError(unknown_key(key, fields)))
    values: dict[str, Any] = {}
    for key, field in fields.items():
        if key not in table:
            if field.is_required:
                raise fail(key, UsageError("is missing"))
            continue
        try:
            values[key] = field.read(table[key])
        except UsageError as error:
            raise fail(key, error) from error
    return values


def _hex(value: Any, allowed: range) -> int:
    digits = len(f"{allowed[-1]:X}")
    low, high = f"{allowed[0]:0{digits}X}", f"{allowed[-1]:X}"
    if not isinstance(value, str) or _HEX.match(value) is None or int(value, 16) not in allowed:
        raise UsageError(f'must be hex text in quotes from "{low}" to "{high}", not {_shown(value)}')
    return int(value, 16)


def _suggestion(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, tuple(known), n=1)
    return f"; did you mean '{near[0]}'?" if near else ""


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, int) and value.bit_length() > _LONG_BITS:
        # Beyond some thousand digits Python refuses to write a number out.
        return f"a number of {value.bit_length()} bits"
    if isinstance(value, list):
        return "a list"
    shown = repr(value)
    return shown if len(shown) <= _LONG_TEXT else f"{shown[:_LONG_TEXT]}..."

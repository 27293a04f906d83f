"""Reads a profile from TOML. Everything that cannot be meant is an error with file, line and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from decoders.errors import UsageError
from decoders.values import UnitAddress
from gateway.profiles import fields as read
from gateway.profiles.fields import Field, optional, required
from gateway.profiles.places import Places
from sessions.profile import QUANTITIES, SYSTEMS, Profile, ProfileCode, ProfileIdentifier, ProfileUnit

_NEXT = "correct this line of the file, then run the command again"
_DAY_S = 86_400

PROFILE = {
    "name": required(read.name),
    "maker": optional(read.text),
    "model": optional(read.text),
    "electric_drive": optional(read.boolean),
    "settings": optional(read.settings),
}
UNIT = {
    "address": required(read.address),
    "name": required(read.name),
    "system": required(read.one_of(SYSTEMS)),
    "fitted": optional(read.boolean),
    "occurrence_record": optional(read.record_number),
    "extended_sizes": optional(read.record_sizes),
}
CODE = {
    "unit": required(read.address),
    "code": required(read.trouble_code),
    "text": required(read.name),
    "continuous": optional(read.boolean),
    "about": optional(read.address),
    "hold_s": optional(read.integer(1, _DAY_S)),
}
IDENTIFIER = {
    "number": required(read.identifier_number),
    "name": required(read.name),
    "length": required(read.integer(1, 0xFF)),
    "signed": optional(read.boolean),
    "scale_num": optional(read.integer()),
    "scale_den": optional(read.not_zero),
    "offset": optional(read.integer()),
    "unit": optional(read.text),
    "quantity": optional(read.one_of(QUANTITIES)),
    "units": optional(read.addresses),
}
ARRAYS = {"unit": UNIT, "code": CODE, "identifier": IDENTIFIER}


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedProfile:
    """A profile and the text it was read from; a job keeps both."""

    profile: Profile
    text: str


def load_profile(path: Path) -> LoadedProfile:
    """Read a profile file.

    Raises:
        UsageError: the file is missing, is not UTF-8 or TOML, or says something that cannot be meant.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise UsageError(f"There is no profile {path}", next_step="check the path of --profile") from error
    except OSError as error:
        raise UsageError(
            f"The profile {path} cannot be read: {error.strerror}", next_step="check the path of --profile"
        ) from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise UsageError(
            f"{path.name}, line {line}: is not UTF-8 text", next_step="save the file as UTF-8, then try again"
        ) from error
    return LoadedProfile(profile=parse_profile(text, name=path.name), text=text)


def parse_profile(text: str, *, name: str) -> Profile:
    """Read the text of a profile.

    Args:
        text: TOML with the tables [profile], [[unit]], [[code]] and [[identifier]].
        name: what errors call the file.

    Raises:
        UsageError: the text is no TOML, or says something that cannot be meant; names file, line and key.
    """
    try:
        document = tomllib.loads(text)
    except ValueError as error:  # the parser's own error, and numbers of thousands of digits
        raise _syntax_error(str(error), text, name) from error
    except RecursionError as error:
        raise UsageError(f"{name}: lists are nested too deeply", next_step=_NEXT) from error
    return _Reader(document, Places(text), name).profile()


def _syntax_error(message: str, text: str, name: str) -> UsageError:
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    if found is None:
        return UsageError(f"{name}: {message}", next_step=_NEXT)
    line = found[1] or text.rstrip().count("\n") + 1
    return UsageError(f"{name}, line {line}: {message[: found.start()]}", next_step=_NEXT)


class _Reader:
    """One reading of one document; keeps what every error message needs."""

    def __init__(self, document: dict[str, Any], places: Places, name: str) -> None:
        self._document = document
        self._places = places
        self._name = name

    def profile(self) -> Profile:
        """The whole profile, each table checked by itself and then against the others."""
        known = ("profile", *ARRAYS)
        for table in self._document:
            if table not in known:
                raise self._error("", 0, table, read.unknown_key(table, known))
        head = self._head()
        units = tuple(ProfileUnit(**values) for values in self._array("unit"))
        self._check_units(units)
        codes = tuple(ProfileCode(**values) for values in self._array("code"))
        self._check_codes(units, codes)
        identifiers = tuple(ProfileIdentifier(**values) for values in self._array("identifier"))
        self._check_identifiers(units, identifiers)
        return Profile(**head, units=units, codes=codes, identifiers=identifiers)

    def _head(self) -> dict[str, Any]:
        table = self._document.get("profile")
        if not isinstance(table, dict):
            raise self._error("", 0, "profile", "is missing" if table is None else "must be a table: [profile]")
        return read.read_table(table, PROFILE, self._placing("profile", 0))

    def _array(self, table: str) -> list[dict[str, Any]]:
        rows = self._document.get(table, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise self._error(table, 0, "", f"must be written with two brackets: [[{table}]]")
        fields: dict[str, Field] = ARRAYS[table]
        return [read.read_table(row, fields, self._placing(table, index)) for index, row in enumerate(rows)]

    def _check_units(self, units: tuple[ProfileUnit, ...]) -> None:
        halves: dict[str, ProfileUnit] = {}
        for index, unit in enumerate(units):
            pair = UnitAddress.parse(unit.address)
            for half in (f"asked at {pair.request.text}", f"answering as {pair.response.text}"):
                first = halves.setdefault(half, unit)
                if first is not unit:
                    raise self._error("unit", index, "address", f"'{first.name}' is already the unit {half}")

    def _check_codes(self, units: tuple[ProfileUnit, ...], codes: tuple[ProfileCode, ...]) -> None:
        seen: set[tuple[str, str]] = set()
        for index, code in enumerate(codes):
            self._check_unit_known(units, code.unit, "code", index, "unit")
            if code.about is not None:
                self._check_unit_known(units, code.about, "code", index, "about")
            if (code.unit, code.code) in seen:
                raise self._error("code", index, "code", f"{code.code} is there twice for {code.unit}")
            seen.add((code.unit, code.code))

    def _check_identifiers(self, units: tuple[ProfileUnit, ...], identifiers: tuple[ProfileIdentifier, ...]) -> None:
        seen: set[tuple[int, str]] = set()
        for index, item in enumerate(identifiers):
            for address in item.units:
                self._check_unit_known(units, address, "identifier", index, "units")
            for address in item.units or ("all units",):
                if (item.number, address) in seen:
                    reason = f"{item.number:04X} is there twice for {address}"
                    raise self._error("identifier", index, "number", reason)
                seen.add((item.number, address))

    def _check_unit_known(self, units: tuple[ProfileUnit, ...], address: str, table: str, index: int, key: str) -> None:
        if all(unit.address != address for unit in units):
            raise self._error(table, index, key, f"no [[unit]] has the address {address}")

    def _placing(self, table: str, index: int) -> Callable[[str, UsageError], UsageError]:
        return lambda key, error: self._error(table, index, key, error.message, error.next_step)

    def _error(self, table: str, index: int, key: str, reason: str, next_step: str = "") -> UsageError:
        line = self._places.line_of(table, index, key)
        where = ".".join(part for part in (table, key) if part)
        return UsageError(f"{self._name}, line {line}, {where}: {reason}", next_step=next_step or _NEXT)

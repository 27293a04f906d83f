"""Reads a profile from TOML. Everything that cannot be meant is an error with file, line and key."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from decoders.errors import UsageError
from decoders.values import UnitAddress, is_doip
from gateway.profiles import fields as read
from gateway.profiles.dbc import read_dbc
from gateway.profiles.fields import Field, optional, required
from gateway.profiles.layouts import (
    FIELD,
    LAYOUT,
    MOST_NUMBER_BYTES,
    Block,
    Fail,
    lengths_that_differ,
    make_block,
    says_number,
)
from gateway.profiles.places import Index, Places
from sessions.profile import (
    QUANTITIES,
    SYSTEMS,
    Profile,
    ProfileCode,
    ProfileIdentifier,
    ProfileLayout,
    ProfileMessage,
    ProfileUnit,
)

_NEXT = "correct this line of the file, then run the command again"
_DAY_S = 86_400

PROFILE = {
    "name": required(read.name),
    "maker": optional(read.text),
    "model": optional(read.text),
    "electric_drive": optional(read.boolean),
    "broadcast": optional(read.file_name),
    "settings": optional(read.settings),
}
UNIT = {
    "address": required(read.address),
    "name": required(read.name),
    "system": optional(read.one_of(SYSTEMS)),
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
ARRAYS = {"unit": UNIT, "code": CODE, "identifier": IDENTIFIER, "layout": LAYOUT}


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
    return LoadedProfile(profile=parse_profile(text, name=path.name, folder=path.parent), text=text)


def parse_profile(text: str, *, name: str, folder: Path | None = None) -> Profile:
    """Read the text of a profile.

    Args:
        text: TOML with the tables [profile], [[unit]], [[code]], [[identifier]] and [[layout]].
        name: what errors call the file.
        folder: where the file of broadcast messages is looked for; None leaves that file unread.

    Raises:
        UsageError: the text is no TOML, or says something that cannot be meant; names file, line and key.
    """
    try:
        document = tomllib.loads(text)
    except ValueError as error:  # the parser's own error, and what Python says of numbers of thousands of digits
        raise _syntax_error(str(error), text, name) from error
    except RecursionError as error:
        raise UsageError(f"{name}: lists are nested too deeply", next_step=_NEXT) from error
    return _Reader(document, Places(text), name).profile(folder)


def _syntax_error(message: str, text: str, name: str) -> UsageError:
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    if found is None:
        return UsageError(f"{name}: a number has thousands of digits", next_step=_NEXT)
    line = found[1] or text.rstrip().count("\n") + 1
    return UsageError(f"{name}, line {line}: {read.plain(message[: found.start()])}", next_step=_NEXT)


def _subject(block: Block) -> tuple[str, tuple[str, ...]]:
    """What a layout is of, in words, and the units it is for."""
    if isinstance(block, ProfileMessage):
        return f"message {block.can_id}", ()
    digits = 4 if block.subject == "identifier" else 2
    return f"{block.subject} {block.number:0{digits}X}", block.units


class _Reader:
    """One reading of one document; keeps what every error message needs."""

    def __init__(self, document: dict[str, Any], places: Places, name: str) -> None:
        self._document = document
        self._places = places
        self._name = name

    def profile(self, folder: Path | None) -> Profile:
        """The whole profile, each table checked by itself and then against the others."""
        known = ("profile", *ARRAYS)
        for table in self._document:
            if table not in known:
                raise self._error("", (), table, read.unknown_key(table, known))
        head = self._head()
        units = tuple(ProfileUnit(**values) for values in self._array("unit", UNIT))
        self._check_units(units)
        codes = tuple(ProfileCode(**values) for values in self._array("code", CODE))
        self._check_codes(units, codes)
        identifiers = tuple(ProfileIdentifier(**values) for values in self._array("identifier", IDENTIFIER))
        self._check_widths(identifiers)
        self._check_uses(units, "identifier", "number", [(f"{item.number:04X}", item.units) for item in identifiers])
        blocks = self._blocks()
        self._check_uses(units, "layout", "name", [_subject(block) for block in blocks])
        profile = Profile(
            **head,
            units=units,
            codes=codes,
            identifiers=identifiers,
            layouts=tuple(block for block in blocks if isinstance(block, ProfileLayout)),
            messages=tuple(block for block in blocks if isinstance(block, ProfileMessage)),
        )
        for layout, reason in lengths_that_differ(profile):
            raise self._error("layout", (blocks.index(layout),), "length", reason)
        return self._with_broadcast(profile, folder)

    def _head(self) -> dict[str, Any]:
        table = self._document.get("profile")
        if not isinstance(table, dict):
            raise self._error("", (), "profile", "is missing" if table is None else "must be a table: [profile]")
        return read.read_table(table, PROFILE, self._placing("profile", ()))

    def _array(self, table: str, fields: dict[str, Field]) -> list[dict[str, Any]]:
        rows = self._document.get(table, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise self._error(table, (0,), "", f"must be written with two brackets: [[{table}]]")
        return [read.read_table(row, fields, self._placing(table, (index,))) for index, row in enumerate(rows)]

    def _blocks(self) -> list[Block]:
        blocks: list[Block] = []
        for index, values in enumerate(self._array("layout", LAYOUT | {"field": required(read.tables)})):
            rows = values.pop("field")
            places = [self._placing("layout.field", (index, at)) for at in range(len(rows))]
            made = [read.read_table(row, FIELD, place) for row, place in zip(rows, places, strict=True)]
            blocks.append(make_block(values, made, self._placing("layout", (index,)), places))
        return blocks

    def _with_broadcast(self, profile: Profile, folder: Path | None) -> Profile:
        """The profile with the messages of the file it names."""
        if folder is None or not profile.broadcast:
            return profile
        try:
            messages = (*profile.messages, *read_dbc(folder / profile.broadcast))
        except UsageError as error:
            raise self._placing("profile", ())("broadcast", error) from error
        known = Counter(message.can_id for message in messages)
        for can_id, count in known.items():
            if count > 1:
                reason = f"message {can_id} has a [[layout]] here and is in that file too"
                raise self._error("profile", (), "broadcast", reason)
        return replace(profile, messages=messages)

    def _check_units(self, units: tuple[ProfileUnit, ...]) -> None:
        halves: dict[str, ProfileUnit] = {}
        for index, unit in enumerate(units):
            for half in _halves(unit.address):
                first = halves.setdefault(half, unit)
                if first is not unit:
                    raise self._error("unit", (index,), "address", f"'{first.name}' is already the unit {half}")

    def _check_codes(self, units: tuple[ProfileUnit, ...], codes: tuple[ProfileCode, ...]) -> None:
        seen: set[tuple[str, str]] = set()
        for index, code in enumerate(codes):
            self._check_unit_known(units, code.unit, "code", index, "unit")
            if code.about is not None:
                self._check_unit_known(units, code.about, "code", index, "about")
            if (code.unit, code.code) in seen:
                raise self._error("code", (index,), "code", f"{code.code} is there twice for {code.unit}")
            seen.add((code.unit, code.code))

    def _check_widths(self, identifiers: tuple[ProfileIdentifier, ...]) -> None:
        for index, item in enumerate(identifiers):
            if says_number(item) and item.length > MOST_NUMBER_BYTES:
                reason = f"a number has at most {MOST_NUMBER_BYTES} bytes; a longer one has name and length alone"
                raise self._error("identifier", (index,), "length", reason)

    def _check_uses(
        self, units: tuple[ProfileUnit, ...], table: str, key: str, uses: Iterable[tuple[str, tuple[str, ...]]]
    ) -> None:
        """Each unit that is named is known, and nothing is there twice for one of them or for all."""
        seen: set[tuple[str, str]] = set()
        for index, (what, addresses) in enumerate(uses):
            for address in addresses:
                self._check_unit_known(units, address, table, index, "units")
            for address in addresses or ("all units",):
                if (what, address) in seen:
                    raise self._error(table, (index,), key, f"{what} is there twice for {address}")
                seen.add((what, address))

    def _check_unit_known(self, units: tuple[ProfileUnit, ...], address: str, table: str, index: int, key: str) -> None:
        if all(unit.address != address for unit in units):
            raise self._error(table, (index,), key, f"no [[unit]] has the address {address}")

    def _placing(self, table: str, index: Index) -> Fail:
        return lambda key, error: self._error(table, index, key, error.message, error.next_step)

    def _error(self, table: str, index: Index, key: str, reason: str, next_step: str = "") -> UsageError:
        line = self._places.line_of(table, index, key)
        where = read.plain(".".join(part for part in (table, key) if part))
        return UsageError(f"{self._name}, line {line}, {where}: {reason}", next_step=next_step or _NEXT)


def _halves(address: str) -> tuple[str, ...]:
    """What no two units of a car share."""
    if is_doip(address):
        return (f"asked at {address}",)
    pair = UnitAddress.parse(address)
    return (f"asked at {pair.request.text}", f"answering as {pair.response.text}")

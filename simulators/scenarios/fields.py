"""The values of a scenario file: each with its place, and read or refused with file, line and key."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from decoders.values import normalise_unit
from simulators.errors import BenchError
from simulators.scenarios.places import Path, Places

_ADDRESS = r"(?:[0-7][0-9A-F]{2}|[01][0-9A-F]{7})(?::[0-9A-F]{2})?"
_FORMS: Mapping[str, re.Pattern[str]] = {
    "a unit address like 7E0/7E8, 18DA28F1/18DAF128 or 6F0:12/612:F0": re.compile(rf"{_ADDRESS}/{_ADDRESS}\Z"),
    "a code like C0035-13": re.compile(r"[PCBU][0-3][0-9A-F]{3}-[0-9A-F]{2}\Z"),
    "a name of letters, digits and underscores": re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z"),
    "17 digits and capitals without I, O and Q": re.compile(r"[0-9A-HJ-NPR-Z]{17}\Z"),
    "the name of a file beside this one": re.compile(r"[^/\\\x00]*[^/\\\x00.][^/\\\x00]*\Z"),
}
ADDRESS, CODE, PART, VIN, FILE = _FORMS
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2})+\Z")
_BYTES_MARK = "0x"


class Source:
    """A file that is being read.

    Args:
        name: what errors call it.
        text: what stands in it.
    """

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        self.text = text

    def fail(self, path: Path, reason: str) -> NoReturn:
        """Say what is wrong at a place.

        Raises:
            BenchError: always.
        """
        key = ".".join(part for part in path if isinstance(part, str))
        raise BenchError(f"{self.name}, line {Places(self.text).line(path)}, {key}: {reason}")


@dataclass(frozen=True, slots=True)
class Node:
    """A value of a file, with its place."""

    value: Any
    path: Path
    source: Source

    def fail(self, reason: str, *deeper: str | int) -> NoReturn:
        """Say what is wrong here, or deeper in here.

        Raises:
            BenchError: always.
        """
        self.source.fail((*self.path, *deeper), reason)

    def at(self, key: str | int, value: Any) -> Node:
        """What lies in here under a key or at a place of a list."""
        return Node(value, (*self.path, key), self.source)

    def table(self, fields: Mapping[str, Field]) -> dict[str, Any]:
        """Read a table by its fields. What is left out has the field's default.

        Raises:
            BenchError: it is no table, or a key is unknown, missing, or has a value that cannot be meant.
        """
        if not isinstance(self.value, dict):
            self.fail(f"must be a table, not {_shown(self.value)}")
        for key in self.value:
            if key not in fields:
                near = difflib.get_close_matches(key, fields, n=1)
                hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(fields)}"
                self.fail(f"unknown key; {hint}", key)
        kept: dict[str, Any] = {}
        for key, field in fields.items():
            if key in self.value:
                kept[key] = field.read(self.at(key, self.value[key]))
            elif field.is_required:
                self.fail("is missing", key)
            else:
                kept[key] = field.default
        return kept

    def rows(self) -> list[Node]:
        """The values of a list."""
        if not isinstance(self.value, list):
            self.fail(f"must be a list, not {_shown(self.value)}")
        return [self.at(nth, value) for nth, value in enumerate(self.value)]


Reader = Callable[[Node], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One key of a table.

    Args:
        read: reads its value.
        is_required: True if it must be there.
        default: what holds where it is left out.
    """

    read: Reader
    is_required: bool = False
    default: Any = None


def required(read: Reader) -> Field:
    """A key that must be there."""
    return Field(read=read, is_required=True)


def optional(read: Reader, default: Any = None) -> Field:
    """A key that may be left out."""
    return Field(read=read, default=default)


def text(node: Node) -> str:
    """Text that says something."""
    if not isinstance(node.value, str) or not node.value.strip():
        node.fail(f"must be text in quotes, not {_shown(node.value)}")
    if not node.value.isprintable():
        node.fail("must be one line of printable text")
    return node.value


def boolean(node: Node) -> bool:
    """``true`` or ``false``."""
    if not isinstance(node.value, bool):
        node.fail(f"must be true or false, not {_shown(node.value)}")
    return node.value


def integer(low: int, high: int, *, but_not: int | None = None) -> Reader:
    """A whole number from `low` to `high`."""

    def read(node: Node) -> int:
        if isinstance(node.value, bool) or not isinstance(node.value, int):
            node.fail(f"must be a whole number, not {_shown(node.value)}")
        if not low <= node.value <= high or node.value == but_not:
            node.fail(f"must be from {low} to {high}{'' if but_not is None else ' and not 0'}, not {node.value}")
        return node.value

    return read


def one_of(choices: Iterable[str]) -> Reader:
    """One of a few words."""
    known = tuple(choices)

    def read(node: Node) -> str:
        if text(node) not in known:
            near = difflib.get_close_matches(node.value, known, n=1)
            node.fail(f"'{node.value}' is not one of {', '.join(known)}{_meant(near)}")
        return text(node)

    return read


def shaped(form: str) -> Reader:
    """Text of one of the forms above."""

    def read(node: Node) -> str:
        if not _FORMS[form].match(text(node)):
            node.fail(f"must be {form}, not '{node.value}'")
        return text(node)

    return read


def address(node: Node) -> str:
    """A unit address in its canonical form."""
    return normalise_unit(shaped(ADDRESS)(node))


def number(high: int) -> Reader:
    """A number in hex text, from 0 to `high`, with as many digits as that has."""
    digits = len(f"{high:X}")

    def read(node: Node) -> int:
        value = node.value
        if not isinstance(value, str) or not re.fullmatch(rf"[0-9A-Fa-f]{{{digits}}}", value) or int(value, 16) > high:
            node.fail(f'must be hex text in quotes from "{0:0{digits}X}" to "{high:X}", not {_shown(value)}')
        return int(value, 16)

    return read


def raw(node: Node) -> bytes:
    """Bytes: text of ASCII, or hex behind ``0x``."""
    value = text(node)
    if value.startswith(_BYTES_MARK):
        if not _HEX.match(value[2:]):
            node.fail(f"must be pairs of hex digits behind \"0x\", not '{value}'")
        return bytes.fromhex(value[2:])
    if not value.isascii():
        node.fail('must be ASCII text, or hex behind "0x"')
    return value.encode()


def hex_bytes(count: int) -> Reader:
    """So many bytes in hex text."""

    def read(node: Node) -> bytes:
        if not _HEX.match(text(node)) or len(node.value) != 2 * count:
            node.fail(f"must be {2 * count} hex digits, not '{node.value}'")
        return bytes.fromhex(node.value)

    return read


def short(longest: int) -> Reader:
    """ASCII text of at most so many characters."""

    def read(node: Node) -> str:
        if not text(node).isascii() or len(node.value) > longest:
            node.fail(f"must be at most {longest} ASCII characters, not '{node.value}'")
        return text(node)

    return read


def each(read: Reader) -> Reader:
    """A list whose values are read alike, none of them twice."""

    def read_all(node: Node) -> tuple[Any, ...]:
        kept: list[Any] = []
        for row in node.rows():
            value = read(row)
            if value in kept:
                row.fail(f"{_shown(row.value)} is there twice")
            kept.append(value)
        return tuple(kept)

    return read_all


def by_number(high: int, read: Reader) -> Reader:
    """A table whose keys are hex numbers: pairs in the order of the numbers."""

    def read_all(node: Node) -> tuple[tuple[int, Any], ...]:
        if not isinstance(node.value, dict):
            node.fail(f"must be a table, not {_shown(node.value)}")
        pairs: dict[int, Any] = {}
        for key, value in node.value.items():
            place = node.at(key, value)
            which = number(high)(Node(key, place.path, node.source))
            if which in pairs:
                place.fail("is there twice")
            pairs[which] = read(place)
        return tuple(sorted(pairs.items()))

    return read_all


def sub(fields: Mapping[str, Field]) -> Reader:
    """A table in a table."""
    return lambda node: node.table(fields)


def _meant(near: list[str]) -> str:
    return f"; did you mean '{near[0]}'?" if near else ""


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    return "a list" if isinstance(value, list) else repr(value)[:80]

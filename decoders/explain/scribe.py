"""How a message is written down: field by field, each with what its bytes say."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeAlias

from decoders.cursor import Cursor, is_padding
from decoders.errors import DecodeError
from decoders.explain.values import Known, Part

NOT_KNOWN_HERE = "layout not known here"
NO_CODE = "zero bytes only: names no code"

Say: TypeAlias = "Callable[[bytes, Scribe], str]"
"""Gives the meaning of a field's bytes; what was written before may matter, e.g. a mask."""
Walk: TypeAlias = "Callable[[Scribe], None]"
"""Writes down everything behind the service identifier, as far as it can be read."""


class Row(NamedTuple):
    """One field: what it is, its bytes, and what they say."""

    field: str
    size: int
    say: Say


class Scribe:
    """Reads a message from front to back and keeps a part for each field.

    Args:
        data: the whole message.
        end: where its content ends: fill bytes or the place of the damage.
        known: what is known of the unit.
        value: what the message's decoder made of it; None if there is none, or if it found the message damaged.
    """

    __slots__ = ("_cursor", "_data", "_parts", "known", "seen", "value")

    def __init__(self, data: bytes, end: int, known: Known, value: Any = None) -> None:
        self._data = data
        self._cursor = Cursor(data[:end])
        self._parts: list[Part] = []
        self.known = known
        self.value = value
        self.seen: dict[str, int] = {}

    @property
    def left(self) -> int:
        """Number of bytes of the content not written down yet."""
        return self._cursor.remaining

    def peek(self, size: int, field: str) -> bytes:
        """The next `size` bytes, not written down yet; raises DecodeError if fewer are left."""
        return self._cursor.peek(size, field)

    def write(self, row: Row) -> int:
        """Write one field down and give its bytes as a number; raises like `peek`."""
        raw = self.peek(row.size, row.field)
        number = int.from_bytes(raw, "big")
        self.note(row.size, row.field, row.say(raw, self))
        self.seen[row.field] = number
        return number

    def note(self, size: int, field: str, meaning: str) -> None:
        """Write the next `size` bytes down with a meaning; no bytes are no part; raises like `peek`."""
        offset = self._cursor.offset
        raw = self._cursor.take(size, field)
        if raw:
            self._parts.append(Part(offset=offset, raw=raw, field=field, meaning=meaning))

    def rows(self, *rows: Row) -> None:
        """Write several fields down; raises like `peek`."""
        for row in rows:
            self.write(row)

    def records(self, *rows: Row, tail: int = 0, write_tail: Walk | None = None) -> None:
        """Write records of these fields down until fewer bytes are left than one has.

        Args:
            rows: the fields of one record.
            tail: bytes that follow them in each record.
            write_tail: writes those bytes down.
        """
        size = sum(row.size for row in rows) + tail
        while self.left >= size:
            if not any(self.peek(size, "record")):
                self.note(size, "empty record", NO_CODE)
                continue
            self.rows(*rows)
            if write_tail is not None:
                write_tail(self)

    def padding(self, size: int) -> None:
        """Write fill bytes down."""
        self.note(size, "padding", "fill bytes, no data")

    def close(self) -> None:
        """Write down what is left, which may be nothing or fill bytes.

        Raises:
            DecodeError: it is neither.
        """
        rest = self.peek(self.left, "end of message")
        if rest and not is_padding(rest):
            reason = f"{len(rest)} bytes too many: {rest.hex(' ').upper()}"
            raise DecodeError("end of message", self._cursor.offset, self._data, reason)
        self.padding(len(rest))

    def finish(self, trouble: DecodeError | None) -> tuple[Part, ...]:
        """Write down what is left and give all parts."""
        if trouble is None:
            self.note(self.left, "rest", NOT_KNOWN_HERE)
        offset = self._cursor.offset
        self._cursor = Cursor(self._data)
        self._cursor.take(offset, "content")
        if trouble is None:
            self.padding(self.left)
        else:
            self.note(self.left, trouble.field, f"not read, the message is damaged: {trouble.reason}")
        return tuple(self._parts)


def nothing_more(_scribe: Scribe) -> None:
    """The walk of messages that have nothing behind their service, or nothing that is known here."""


def fields(*head: Row, each: tuple[Row, ...] = ()) -> Walk:
    """The walk of a message that is a row of fields and then, where `each` names any, records of fields."""

    def walk(scribe: Scribe) -> None:
        scribe.rows(*head)
        if each:
            scribe.records(*each)

    return walk


class Form(NamedTuple):
    """How messages of one kind are read.

    Args:
        walk: writes one down.
        decode: the decoder that says whether it is whole; without one the walk alone does.
    """

    walk: Walk = nothing_more
    decode: Callable[[bytes, Known], Any] = lambda _data, _known: None


def form(walk: Walk, decode: Callable[[bytes], Any]) -> Form:
    """The form of messages whose decoder needs nothing beyond them."""
    return Form(walk, lambda data, _known: decode(data))


class Message(NamedTuple):
    """One kind of message.

    Args:
        standard: the standard that defines it, in its own terms; empty where none known here does.
        form: how it is read.
        about: what it is beyond its service, or empty.
    """

    standard: str
    form: Form
    about: str = ""

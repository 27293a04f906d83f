"""Turns a DBC file into the messages of a profile.

The file is read twice: by cantools, which knows the format, and by a look at its lines, which knows what cantools
does not tell: where each signal stands and how its numbers are written, so that a scale stays exact.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from decoders.errors import UsageError
from decoders.layout import Bits, Field, FieldKind, Layout, Scale, When
from decoders.values.address import MAX_11_BIT, MAX_29_BIT
from gateway.profiles.fields import MAX_INTEGER, plain
from sessions.profile import ProfileMessage

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

_NEXT = "correct the file, then run the command again"
_EXTENDED = 0x8000_0000
# By this name the format keeps signals that belong to no message.
_NO_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"
# SAE J1939-21: the longest message that frames of one identifier carry, as one or as a transport of several.
_LONGEST = 1785
# Bounds of what is read at all: numbers of multiplexers in one file, and a factor or an offset that is not 0.
_MOST_VALUES = 1_000_000
_SIZES = (1e-100, 1e100)
_FLOATS = {16: ">e", 32: ">f", 64: ">d"}

_NUMBER = r"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?"
_HIDDEN = re.compile(r'"(?:\\"|[^"])*"|//[^\n]*')
_LINES = re.compile(
    rf"""
    \bBO_\s+(?P<id>\d+)\s+(?P<message>\w+)\s*:\s*(?P<bytes>\d+)\s+\w+
    | \bSG_\s+(?P<signal>\w+)(?:\s+(?P<mark>\w+))?\s*:
      \s*(?P<start>\d+)\s*\|\s*(?P<length>\d+)\s*@\s*(?P<order>[01])\s*[-+]
      \s*\(\s*(?P<factor>{_NUMBER})\s*,\s*(?P<offset>{_NUMBER})\s*\)
    | \bSG_MUL_VAL_\s+(?P<muxed_id>\d+)\s+(?P<muxed>\w+)\s+\w+(?P<ranges>[^;]*);
    """,
    re.VERBOSE,
)
_MOST_DIGITS, _MOST_BYTES, _MOST_SHOWN = 40, 16 * 2**20, 60
_LONG_NUMBER = re.compile(rf"\d{{{_MOST_DIGITS + 1},}}")
# How cantools says where reading ended: the line's text, with a mark in front of what was not expected.
_SYNTAX = re.compile(r'Invalid syntax at line (?P<line>\d+), column (?P<column>\d+): ".*?>>!<<(?P<token>\S*)')
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class _SignalLine:
    name: str
    line: int
    is_multiplexed: bool
    bits: Bits
    scale: Scale


@dataclass(frozen=True, slots=True, kw_only=True)
class _MessageLine:
    line: int
    can_id: str
    length: int
    signals: list[_SignalLine]


def read_dbc(path: Path) -> tuple[ProfileMessage, ...]:
    """Read every message of a DBC file, in the file's order.

    Raises:
        UsageError: the file cannot be read or says something that cannot be meant; names file, line and message.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path.name} cannot be read: {error.strerror}", next_step="check the path") from error
    if len(content) > _MOST_BYTES:
        raise UsageError(f"{path.name} is larger than {_MOST_BYTES // 2**20} MB", next_step="check the path")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # What tools write where they do not say: Windows, western Europe (common practice).
        text = content.decode("cp1252", errors="replace")
    return parse_dbc(text, name=path.name)


def parse_dbc(text: str, *, name: str) -> tuple[ProfileMessage, ...]:
    """Read the text of a DBC file; `name` is what errors call it. Raises like `read_dbc`."""
    lines = _message_lines(text, name)
    database = _database(text, name)
    messages = list(database.messages)
    if [len(message.signals) for message in messages] != [len(item.signals) for item in lines]:
        raise UsageError(f"{name}: its messages are written in a form that is not understood", next_step=_NEXT)
    return tuple(_Reading(message, item, name).message() for message, item in zip(messages, lines, strict=True))


def _error(name: str, line: int, reason: str) -> UsageError:
    return UsageError(f"{name}, line {line}: {reason}", next_step=_NEXT)


def _message_lines(text: str, name: str) -> list[_MessageLine]:
    """The messages and signals as they are written, checked for what cantools does not check or cannot bear."""
    visible = _HIDDEN.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), text)
    if long := _LONG_NUMBER.search(visible):
        line = visible.count("\n", 0, long.start()) + 1
        raise _error(name, line, f"a number of more than {_MOST_DIGITS} digits")
    messages: list[_MessageLine] = []
    values = 0
    line, place = 1, 0
    for found in _LINES.finditer(visible):
        line += visible.count("\n", place, found.start())
        place = found.start()
        if found["message"] is not None:
            messages.append(_message_line(found, line, name))
        elif found["signal"] is not None:
            _add_signal(messages, found, line, name)
        else:
            values += sum(_spans(found, line, name))
            if values > _MOST_VALUES:
                raise _error(name, line, f"{found['muxed']}: more than {_MOST_VALUES} multiplexer numbers in the file")
    kept = [item for item in messages if item.can_id]
    first: dict[str, _MessageLine] = {}
    for item in kept:
        if first.setdefault(item.can_id, item) is not item:
            raise _error(name, item.line, f"message {item.can_id} is already in line {first[item.can_id].line}")
    return kept


def _spans(found: re.Match[str], line: int, name: str) -> Iterator[int]:
    """How many numbers each range of a multiplexed signal holds."""
    for low, high in _RANGE.findall(found["ranges"]):
        if int(high) < int(low):
            raise _error(name, line, f"{found['muxed']}: the range {low}-{high} ends before it begins")
        yield int(high) - int(low) + 1


def _message_line(found: re.Match[str], line: int, name: str) -> _MessageLine:
    if found["message"] == _NO_MESSAGE:
        return _MessageLine(line=line, can_id="", length=_LONGEST, signals=[])
    number, length = int(found["id"]), int(found["bytes"])
    is_29_bit = number >= _EXTENDED
    number -= _EXTENDED * is_29_bit
    if number > (MAX_29_BIT if is_29_bit else MAX_11_BIT):
        raise _error(name, line, f"message {found['message']}: {found['id']} is no CAN identifier")
    if length > _LONGEST:
        raise _error(name, line, f"message {found['message']}: no message has {length} bytes")
    return _MessageLine(line=line, can_id=f"{number:08X}" if is_29_bit else f"{number:03X}", length=length, signals=[])


def _add_signal(messages: list[_MessageLine], found: re.Match[str], line: int, name: str) -> None:
    signal, start, length = found["signal"], int(found["start"]), int(found["length"])
    if not messages:
        raise _error(name, line, f"signal {signal} belongs to no message")
    message = messages[-1]
    if any(item.name == signal for item in message.signals):
        raise _error(name, line, f"signal {signal} is there twice in its message")
    if found["order"] == "1":
        bits = Bits(start=start, length=length, order="little")
    else:  # the format counts bit 0 as the lowest of a byte, also where the high byte comes first
        bits = Bits(start=start - start % 8 + 7 - start % 8, length=length, order="big")
    if not length or bits.size > message.length:
        raise _error(name, line, f"signal {signal} does not lie within the {message.length} bytes of its message")
    factor, offset = (_exact(found[key], f"signal {signal}", line, name) for key in ("factor", "offset"))
    message.signals.append(
        _SignalLine(
            name=signal,
            line=line,
            is_multiplexed=(found["mark"] or "").startswith("m"),
            bits=bits,
            scale=Scale.of(factor, offset),
        )
    )


def _exact(text: str, what: str, line: int, name: str) -> Fraction:
    size = abs(float(text))
    if not re.search("[1-9]", re.split("[eE]", text)[0]):
        return Fraction(0)
    if not _SIZES[0] <= size <= _SIZES[1]:
        raise _error(name, line, f"{what}: {text} is beyond what a scale can be")
    return Fraction(text)


def _database(text: str, name: str) -> Database:
    from cantools.database.can import Database

    # Overlapping signals are common in real files and harm nobody; that each one fits its message is checked here.
    database = Database(strict=False, sort_signals=None)
    try:
        database.add_dbc_string(text)
    except Exception as error:  # cantools has no one error for what its parser and its checks find
        reason = " ".join(plain(str(error)).split()) or type(error).__name__
        found = _SYNTAX.match(reason)
        where = f"{name}, line {found['line']}" if found else name
        # Of the file itself no more than the place at which reading ended: it may be another file than was meant.
        told = f"column {found['column']}: '{found['token'][:_MOST_SHOWN]}'" if found else reason[:_MOST_SHOWN]
        raise UsageError(f"{where}: is no DBC file that can be read ({told})", next_step=_NEXT) from error
    return database


class _Reading:
    """One message as cantools gives it, beside its lines."""

    def __init__(self, message: Message, lines: _MessageLine, name: str) -> None:
        self._message = message
        self._lines = lines
        self._name = name
        self._signals = dict(zip((item.name for item in lines.signals), message.signals, strict=True))
        self._places = {item.name: item for item in lines.signals}

    def message(self) -> ProfileMessage:
        cycle = self._message.cycle_time
        return ProfileMessage(
            can_id=self._lines.can_id,
            layout=Layout(
                name=self._message.name,
                length=self._lines.length,
                fields=tuple(self._field(item, self._signals[item.name]) for item in self._lines.signals),
            ),
            sender=self._message.senders[0] if self._message.senders else "",
            cycle_ms=cycle if isinstance(cycle, int) and 0 < cycle < MAX_INTEGER else None,
        )

    def _field(self, place: _SignalLine, signal: Signal) -> Field:
        kind: FieldKind = "float" if signal.is_float else "signed" if signal.is_signed else "unsigned"
        if kind == "float" and place.bits.length not in _FLOATS:
            raise self._error(place, f"no floating-point number has {place.bits.length} bits")
        return Field(
            name=signal.name,
            bits=place.bits,
            kind=kind,
            scale=place.scale,
            unit=plain(signal.unit or ""),
            names=tuple(sorted(_names(signal, kind).items())),
            when=self._when(place),
        )

    def _when(self, place: _SignalLine) -> tuple[When, ...]:
        """When a frame carries a signal: the conditions of its multiplexer, then that one's own number."""
        found: list[When] = []
        seen = {place.name}
        while place.is_multiplexed:
            signal = self._signals[place.name]
            if not signal.multiplexer_ids or signal.multiplexer_signal not in self._places:
                raise self._error(place, "nothing says which multiplexer decides on it and by which numbers")
            place = self._places[signal.multiplexer_signal]
            if place.name in seen:
                raise self._error(place, "decides on itself")
            seen.add(place.name)
            found.insert(0, When(bits=place.bits, values=tuple(sorted(signal.multiplexer_ids))))
        return tuple(found)

    def _error(self, place: _SignalLine, reason: str) -> UsageError:
        return _error(self._name, place.line, f"signal {place.name} of message {self._message.name}: {reason}")


def _names(signal: Signal, kind: FieldKind) -> Mapping[int, str]:
    """The names of raw numbers; one that the signal's bits cannot hold names nothing."""
    names: dict[int, str] = {}
    for number, meaning in (signal.choices or {}).items():
        if (raw := _raw(number, signal.length, kind)) is not None:
            names[raw] = plain(str(meaning))
    return names


def _raw(number: int, length: int, kind: FieldKind) -> int | None:
    """The bits of a number as an unsigned number, or None."""
    if kind == "float":
        try:
            packed = struct.pack(_FLOATS[length], number)
        except (OverflowError, struct.error):
            return None
        return int.from_bytes(packed, "big") if struct.unpack(_FLOATS[length], packed)[0] == number else None
    lowest = -(1 << length - 1) if kind == "signed" else 0
    return number % (1 << length) if lowest <= number < lowest + (1 << length) else None

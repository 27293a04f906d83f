"""What a dongle wrote, line by line. Pure: bytes with their times in, frames and words out.

A line is a frame only if it is whole to the last character: identifier and eight data bytes, as ISO 15765-4
demands of every frame. Dongles write no check sum, so a shorter line may have lost characters anywhere in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from decoders.values import CanId

NO_DATA = "NO DATA"
NOT_TAKEN = "?"
OK = "OK"
_SEARCHING = "SEARCHING..."
_ENDS = re.compile(r"[\r\n>]")
_FORMS = {
    False: re.compile(r"([0-9A-F]{3})((?: [0-9A-F]{2}){8})|([0-9A-F]{3})([0-9A-F]{16})"),
    True: re.compile(r"((?:[0-9A-F]{2} ){3}[0-9A-F]{2})((?: [0-9A-F]{2}){8})|([0-9A-F]{8})([0-9A-F]{16})"),
}
_HEADS = {False: re.compile(r"([0-9A-F]{3}) ?"), True: re.compile(r"((?:[0-9A-F]{2} ?){4})")}
_BYTES = re.compile(r"(?:[0-9A-F]{2} ?)*")
_WORDS = re.compile(r"(?=.*[<G-Z])[<A-Z][<A-Z :.0-9]*")  # no part of a frame has such a letter


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line. Times are `time.perf_counter_ns`, of the reads that brought its first and last character."""

    text: str
    first_ns: int
    last_ns: int
    is_whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameLine:
    """One frame of the bus."""

    line: Line
    can_id: CanId
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class WordLine:
    """Something that the dongle says of itself."""

    line: Line
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BadLine:
    """A line that cannot be read.

    Args:
        line: the line.
        can_id: the identifier it seems to begin with, or None.
        data: the whole bytes behind it, so far as they can be read.
        trouble: what is wrong, with the line itself.
    """

    line: Line
    can_id: CanId | None
    data: bytes
    trouble: str


Read = FrameLine | WordLine | BadLine


def lines_of(chunks: Iterable[tuple[int, bytes]]) -> tuple[Line, ...]:
    """The lines of a reply, without empty ones and prompts; the last one is not whole if nothing ends it."""
    lines: list[Line] = []
    text, first_ns, last_ns = "", 0, 0
    for at_ns, data in chunks:
        # NUL between characters is a known habit of dongles and no part of any line.
        for character in data.replace(b"\0", b"").decode("latin-1"):
            if not _ENDS.match(character):
                first_ns = first_ns if text else at_ns
                text, last_ns = text + character, at_ns
                continue
            if text.strip():
                lines.append(Line(text=text.strip(), first_ns=first_ns, last_ns=at_ns))
            text = ""
    if text.strip():
        lines.append(Line(text=text.strip(), first_ns=first_ns, last_ns=last_ns, is_whole=False))
    return tuple(lines)


def read_line(line: Line, *, is_29_bit: bool) -> Read:
    """What a line is, while identifiers of this width are set."""
    text = line.text
    if text.startswith(_SEARCHING) and text != _SEARCHING:
        return read_line(
            Line(
                text=text.removeprefix(_SEARCHING).strip(),
                first_ns=line.first_ns,
                last_ns=line.last_ns,
                is_whole=line.is_whole,
            ),
            is_29_bit=is_29_bit,
        )
    match = _FORMS[is_29_bit].fullmatch(text) if line.is_whole else None
    if match is not None:
        head, body = (match[1], match[2]) if match[1] else (match[3], match[4])
        return FrameLine(line=line, can_id=_can_id(head, is_29_bit), data=bytes.fromhex(body))
    if line.is_whole and (text in {NOT_TAKEN, _SEARCHING, OK} or _WORDS.fullmatch(text)):
        return WordLine(line=line, text=text)
    return _bad(line, is_29_bit=is_29_bit)


def is_searching(read: Read) -> bool:
    """True for the word by which a dongle says that it looks for the car: it means nothing for the answer."""
    return isinstance(read, WordLine) and read.text == _SEARCHING


def _bad(line: Line, *, is_29_bit: bool) -> BadLine:
    head = _HEADS[is_29_bit].match(line.text)
    can_id = None if head is None else _can_id(head[1], is_29_bit)
    rest = "" if head is None else line.text[head.end() :]
    found = _BYTES.match(rest)
    data = bytes.fromhex(found[0]) if found is not None else b""
    return BadLine(
        line=line, can_id=can_id, data=data, trouble=f"the dongle wrote a line that is no whole frame: {line.text!r}"
    )


def _can_id(text: str, is_29_bit: bool) -> CanId:
    return CanId(int(text.replace(" ", ""), 16), is_29_bit)

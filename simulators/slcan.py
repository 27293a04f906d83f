"""slcan, the line form in which serial adapters talk about CAN frames: lines to frames and back, without a socket.

Source: the dialect of python-can 4.6, classic (t, T, r, R) and FD (d, D, b, B), as its own interface speaks it; what
that interface never sends (L while it listens only, M, m, W, X, Z) from memory of what such adapters do.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from functools import lru_cache

from simulators.can_bus_time import Frame

OK, ERROR = b"\r", b"\a"
LONGEST = 1 + 8 + 1 + 2 * 64
_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1, data length code
_CODES = tuple(next(code for code, length in enumerate(_LENGTHS) if length >= size) for size in range(65))
_MOST_DATA = {False: 8, True: 64}
_LARGEST = {False: 0x7FF, True: 0x1FFF_FFFF}
_WIDE = re.compile(rb"([TDB])([0-9A-Fa-f]{8})([0-9A-Fa-f])((?:[0-9A-Fa-f]{2})*)\Z")
_NARROW = re.compile(rb"([tdb])([0-9A-Fa-f]{3})([0-9A-Fa-f])((?:[0-9A-Fa-f]{2})*)\Z")
_END = re.compile(rb"[\r\n]")
_REMOTE = re.compile(rb"(?:r[0-7][0-9A-Fa-f]{2}|R[01][0-9A-Fa-f]{7})[0-8]\Z")
# A bit rate may be any. Of the rest only what is so anyway: no time stamps, frames unasked, no filter.
# A client that wants another is told so, not left to wait for what never comes.
_SETTING = re.compile(rb"(?:S[0-9]|Y[0-9]|s[0-9A-Fa-f]{4}|Z0|X1|W[01]|M0{8}|m[Ff]{8})\Z")
NO_FLAGS = b"F00"
_TOLD: Mapping[bytes, bytes] = {b"V": b"V0100", b"N": b"NMP01", b"F": NO_FLAGS}
_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 750_000, 1_000_000, 83_300)  # S0 to S9
_REGISTER_CLOCK = 8_000_000  # of the two bytes behind s, as python-can reckons them
BUS_ERROR = b"F80"  # what F tells after frames were destroyed; from memory
_SAME_FRAME = 16  # one frame goes to all clients in a row


class Mode(Enum):
    """Where a client's adapter stands: off the bus, on it to listen only, or on it."""

    CLOSED = auto()
    LISTENING = auto()
    OPEN = auto()


_OPENING: Mapping[bytes, Mode] = {b"O": Mode.OPEN, b"L": Mode.LISTENING}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What one line of a client comes to.

    Args:
        reply: what the adapter answers.
        frame: the frame to put on the bus, or None.
        mode: what the adapter changes to, or None where the line changes nothing.
        bitrate: what the adapter was set to at this line, in bit/s; None for nothing.
    """

    reply: bytes
    frame: Frame | None = None
    mode: Mode | None = None
    bitrate: int | None = field(default=None, compare=False)


class Reader:
    """One client's lines: half a line waits for its end, a line without one is dropped.

    Attributes:
        mode: where the client's adapter stands.
        bitrate: what the client set, in bit/s; None while it set none.
    """

    def __init__(self) -> None:
        self._begun = bytearray()
        self._is_overlong = False
        self.mode = Mode.CLOSED
        self.bitrate: int | None = None

    def feed(self, data: bytes) -> list[Said]:
        """What the lines that `data` ends come to, in order."""
        found, begin = [], 0
        for end in _END.finditer(data):
            self._go_on(data[begin : end.start()])
            begin = end.end()
            if self._begun or end[0] == OK:
                found.append(self._end())
        self._go_on(data[begin:])
        return found

    def _go_on(self, piece: bytes) -> None:
        room = LONGEST - len(self._begun)
        self._begun += piece[:room]
        self._is_overlong = self._is_overlong or len(piece) > room

    def _end(self) -> Said:
        line, too_long = bytes(self._begun), self._is_overlong
        self._begun.clear()
        self._is_overlong = False
        said = Said(reply=ERROR) if too_long else read_line(line, self.mode)
        self.mode = said.mode or self.mode
        if said.reply == OK and said.frame is None:
            self.bitrate = read_bitrate(line) or self.bitrate
        return Said(reply=said.reply, frame=said.frame, mode=said.mode, bitrate=self.bitrate)


def read_bitrate(line: bytes) -> int | None:
    """The bit rate that a line sets; None for any other line."""
    if re.fullmatch(rb"S[0-9]", line):
        return _RATES[line[1] - ord("0")]
    if not re.fullmatch(rb"s[0-9A-Fa-f]{4}", line):
        return None
    prescaler, segments = (int(line[at : at + 2], 16) for at in (1, 3))
    quanta = 1 + (segments & 0x0F) + 1 + (segments >> 4 & 0x07) + 1
    return _REGISTER_CLOCK // (((prescaler & 0x3F) + 1) * quanta)


def read_line(line: bytes, mode: Mode) -> Said:
    """What one line without its end comes to; garbage, and what the mode does not allow, is answered with BEL."""
    if not line:
        return Said(reply=OK)
    if line in _TOLD:
        return Said(reply=_TOLD[line] + OK)
    if line == b"C":
        return Said(reply=OK, mode=Mode.CLOSED)
    if mode is Mode.CLOSED:
        opened = _OPENING.get(line)
        return Said(reply=OK if opened or _SETTING.match(line) else ERROR, mode=opened)
    if mode is Mode.LISTENING:
        return Said(reply=ERROR)
    if _REMOTE.match(line):
        # Accepted as adapters do; no unit answers a remote frame. Source: ISO 15765-4 knows none.
        return Said(reply=OK)
    frame = read_frame(line)
    return Said(reply=ERROR if frame is None else OK, frame=frame)


def read_frame(line: bytes) -> Frame | None:
    """The frame of a line, or None if it is none."""
    match = _NARROW.match(line) or _WIDE.match(line)
    if match is None:
        return None
    kind, number, code, data = match[1], int(match[2], 16), int(match[3], 16), bytes.fromhex(match[4].decode())
    frame = Frame("rx", number, kind in b"TDB", data, kind in b"dDbB", kind in b"bB")
    return frame if len(data) == _LENGTHS[code] and _is_possible(frame) else None


@lru_cache(maxsize=_SAME_FRAME)
def write_frame(frame: Frame) -> bytes | None:
    """A frame as a line with its end; None for one that no bus can carry.

    Between two lengths of CAN FD it is filled up with 00. Source: ISO 11898-1, data length code.
    """
    if not _is_possible(frame):
        return None
    letter = "b" if frame.bitrate_switch else "d" if frame.is_fd else "t"
    number = f"{frame.arbitration_id:08X}" if frame.is_extended else f"{frame.arbitration_id:03X}"
    code = _CODES[len(frame.data)]
    data = frame.data.ljust(_LENGTHS[code], b"\0")
    head = letter.upper() if frame.is_extended else letter
    return f"{head}{number}{code:X}{data.hex().upper()}".encode() + OK


def _is_possible(frame: Frame) -> bool:
    return (
        0 <= frame.arbitration_id <= _LARGEST[frame.is_extended]
        and len(frame.data) <= _MOST_DATA[frame.is_fd]
        and (frame.is_fd or not frame.bitrate_switch)
    )

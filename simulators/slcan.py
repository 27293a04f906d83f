"""slcan, the line form in which serial adapters talk about CAN frames: lines to frames and back, without a socket.

Source: the dialect of python-can 4.6, classic (t, T, r, R) and FD (d, D, b, B), as its own interface speaks it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from simulators.can_bus_time import Frame

OK, ERROR = b"\r", b"\a"
LONGEST = 1 + 8 + 1 + 2 * 64
_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1, data length code
_WIDE = re.compile(rb"([TDB])([0-9A-Fa-f]{8})([0-9A-Fa-f])((?:[0-9A-Fa-f]{2})*)\Z")
_NARROW = re.compile(rb"([tdb])([0-9A-Fa-f]{3})([0-9A-Fa-f])((?:[0-9A-Fa-f]{2})*)\Z")
_REMOTE = re.compile(rb"(?:r[0-9A-Fa-f]{3}|R[0-9A-Fa-f]{8})[0-8]\Z")
_SETTING = re.compile(rb"(?:S[0-9]|Y[0-9]|s[0-9A-Fa-f]{4}|Z[01]|X[01]|W[0-2]|[Mm][0-9A-Fa-f]{8})\Z")
_LARGEST = {False: 0x7FF, True: 0x1FFF_FFFF}
VERSION, SERIAL_NUMBER = b"V0100", b"NMP01"


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What one line of a client comes to.

    Args:
        reply: what the adapter answers.
        frame: the frame to put on the bus, or None.
        opens: True if the client opens the bus, False if it closes it, None where the line does neither.
    """

    reply: bytes
    frame: Frame | None = None
    opens: bool | None = None


class Reader:
    """One client's lines: half a line waits for its end, a line without one is dropped."""

    def __init__(self) -> None:
        self._begun = bytearray()
        self._is_overlong = False
        self.is_open = False

    def feed(self, data: bytes) -> list[Said]:
        """What the lines that `data` ends come to, in order."""
        found = []
        for byte in data:
            if byte in b"\r\n":
                if self._begun or self._is_overlong or byte == OK[0]:
                    found += self._end()
            elif len(self._begun) < LONGEST:
                self._begun.append(byte)
            else:
                self._is_overlong = True
        return found

    def _end(self) -> list[Said]:
        line, too_long = bytes(self._begun), self._is_overlong
        self._begun.clear()
        self._is_overlong = False
        if not line:
            return [Said(reply=OK)]
        said = Said(reply=ERROR) if too_long else read_line(line, is_open=self.is_open)
        if said.opens is not None:
            self.is_open = said.opens
        return [said]


def read_line(line: bytes, *, is_open: bool) -> Said:
    """What one line without its end comes to; garbage and frames on a closed bus are answered with BEL."""
    if line in (b"O", b"L"):
        return Said(reply=ERROR if is_open else OK, opens=True)
    if line == b"C":
        return Said(reply=OK, opens=False)
    if line == b"V":
        return Said(reply=VERSION + OK)
    if line == b"N":
        return Said(reply=SERIAL_NUMBER + OK)
    if line == b"F":
        return Said(reply=b"F00" + OK)
    if _SETTING.match(line):
        # The bus has one speed, whatever is set; a real adapter refuses while it is open.
        return Said(reply=ERROR if is_open else OK)
    if _REMOTE.match(line):
        # Accepted as adapters do; no unit answers a remote frame. Source: ISO 15765-4 knows none.
        return Said(reply=OK if is_open else ERROR)
    frame = read_frame(line) if is_open else None
    if frame is None:
        return Said(reply=ERROR)
    return Said(reply=OK, frame=frame)


def read_frame(line: bytes) -> Frame | None:
    """The frame of a line, or None if it is none."""
    match = _NARROW.match(line) or _WIDE.match(line)
    if match is None:
        return None
    kind, number, code, data = match[1], int(match[2], 16), int(match[3], 16), bytes.fromhex(match[4].decode())
    is_fd, wide = kind in b"dDbB", kind in b"TDB"
    if number > _LARGEST[wide] or (not is_fd and code > 8) or len(data) != _LENGTHS[code]:
        return None
    return Frame("rx", number, wide, data, is_fd, kind in b"bB")


def write_frame(frame: Frame) -> bytes:
    """A frame as a line with its end."""
    letter = "b" if frame.bitrate_switch else "d" if frame.is_fd else "t"
    number = f"{frame.arbitration_id:08X}" if frame.is_extended else f"{frame.arbitration_id:03X}"
    code = next(code for code, length in enumerate(_LENGTHS) if length >= len(frame.data))
    data = frame.data.ljust(_LENGTHS[code], b"\0")
    head = letter.upper() if frame.is_extended else letter
    return f"{head}{number}{code:X}{data.hex().upper()}".encode() + OK

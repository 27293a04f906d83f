"""What shows that an slcan adapter is at a port: judged from its lines alone, without the port.

A port to which nobody is connected is as silent as a bus without units, and silence is evidence; so somebody must be
shown to be there. A version and a frame of the bus show it by themselves. An acknowledgement is a single byte, which
stands in any text too; it counts only while nothing has come that is no slcan.

The forms of frames are those that python-can's slcan reads; acknowledgements and the version are common practice.
"""

from __future__ import annotations

import re

from can.util import CAN_FD_DLC

ASK_VERSION = "V"
_REPLIES = frozenset({b"\r", b"\a", b"z\r", b"Z\r"})
_VERSION = re.compile(rb"V\d[0-9A-Za-z.]{1,15}\r\Z")
_FRAME = re.compile(
    rb"(?:([trdb])[0-7][0-9A-Fa-f]{2}|([TRDBx])[01][0-9A-Fa-f]{7})([0-9A-Fa-f])([0-9A-Fa-f]*)\r\Z",
)
_REST = re.compile(rb"[0-9A-Fa-f]+\r?\Z")
_BEGUN = re.compile(rb"[tTrRdDbBxzZ][0-9A-Fa-f]*\Z|V[0-9A-Za-z.]*\Z")
_REMOTE, _FD = b"rR", b"dDbB"
_STAMP = 4
_SHOWN = 40


class SlcanSigns:
    """What was seen at one port, over every time it was opened; see above.

    Attributes:
        found: True once there is a sign of an adapter.
        is_strange: True once something came that no adapter writes.
    """

    def __init__(self) -> None:
        self.found = self.is_strange = False
        self._said = self._begun = b""
        self._has_replied = False
        self.begin()

    @property
    def said(self) -> bytes:
        """The first bytes that came, at most 40."""
        return (self._said + self._begun)[:_SHOWN]

    def begin(self) -> None:
        """The port was opened anew."""
        self._said, self._begun = self.said, b""
        self._unanswered = 0
        self._is_first = True
        self._wrote: set[bytes] = set()

    def wrote(self, line: str) -> None:
        """A line was sent to the port, here without its end."""
        # An answer to this one, in whatever words, owes no acknowledgement beside it.
        self._unanswered += line != ASK_VERSION
        self._wrote.add(line.encode() + b"\r")

    def heard(self, line: bytes) -> bool:
        """A line came, with its end.

        Returns:
            True if it is a frame of the bus. Before there is a sign nothing else is worth reading: what is no slcan
            says nothing about a bus.
        """
        is_first, self._is_first = self._is_first, False
        self._said, self._begun = (self._said + line)[:_SHOWN], b""
        is_frame = False
        if line in _REPLIES:
            self._has_replied = True
            self._unanswered -= 1
            # Once every line is answered, nothing else is owed that could show that this is another device.
            self.found = self.found or (not self.is_strange and self._unanswered <= 0)
        elif is_version(line):
            self.found = True
        elif _is_frame(line) and line not in self._wrote:
            self.found = is_frame = True
        elif not (is_first and _REST.match(line)):  # the port may have been opened in the middle of a frame
            self.is_strange = True
        return is_frame

    def heard_begun(self, piece: bytes) -> None:
        """A line was begun and its end has not come."""
        self._begun = piece
        if piece and not (_BEGUN.match(piece) or (self._is_first and _REST.match(piece))):
            self.is_strange = True

    def settle(self) -> None:
        """The time to answer is over: one acknowledgement is enough where nothing else was written."""
        self.found = self.found or (self._has_replied and not self.is_strange)


def is_version(line: bytes) -> bool:
    """True if a line, with its end, is what an adapter answers when it is asked for its version."""
    return _VERSION.match(line) is not None


def _is_frame(line: bytes) -> bool:
    """True for a frame of the length that it tells, with or without a time stamp."""
    match = _FRAME.match(line)
    if match is None:
        return False
    kind, code = match[1] or match[2], int(match[3], 16)
    if kind not in _FD and code > 8:
        return False
    digits = 0 if kind in _REMOTE else 2 * CAN_FD_DLC[code]
    return len(match[4]) in (digits, digits + _STAMP)

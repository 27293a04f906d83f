"""python-can's slcan, reading all lines that have come at once.

python-can asks its port for every single byte, and takes each acknowledgement of a sent frame for an answer of its own;
that takes most of the time of a frame. What a line means is still read by python-can.
"""

from __future__ import annotations

import io
import re
import select
from collections import deque
from typing import Any, cast

import can
import serial
from can.exceptions import error_check
from can.interfaces.slcan import slcanBus

_LINE_END = re.compile(rb"(?<=[\r\a])")  # CR ends a line, BEL is a refusal
_LONGEST = 1 + 8 + 1 + 2 * 64 + 4 + 1  # kind, identifier, length, data, time stamp, end
_REFUSED = b"\a"
_REPLIES = (b"\r", _REFUSED)
_FRAMES = tuple("tTrRdDbB")
_ACKNOWLEDGED = frozenset({b"\r", b"z\r", b"Z\r"})  # a sent frame; the letters are common practice


class SlcanBus(slcanBus):
    """An adapter that speaks slcan, at whatever port pyserial opens.

    Attributes:
        refusals: how often the adapter said that it did not take a frame. It answers line by line, so what comes before
            it has answered all of its settings concerns those: to be opened twice, as python-can does, is refused.
    """

    def __init__(self, channel: str, **settings: Any) -> None:
        self._lines: deque[bytes] = deque()
        self.refusals = self._settings_open = 0
        super().__init__(channel, **settings)

    def flush(self) -> None:
        """Forget what has come."""
        super().flush()
        self._lines.clear()

    def _write(self, string: str) -> None:
        if not string.startswith(_FRAMES):
            self._settings_open += 1
        super()._write(string)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        """The next frame. "None" means that none has come: a line that is no frame hides no other behind it."""
        found = super()._recv_internal(timeout)
        while found[0] is None and self._lines:
            found = super()._recv_internal(0)
        return found

    def _read(self, timeout: float | None) -> str | None:
        """The next line that is no acknowledgement, with its end; None if none has come whole in time.

        Raises:
            ValueError: the line is no text, or longer than any; what it was cannot be told.
        """
        if not self._lines:
            self._collect(timeout)
        if not self._lines:
            return None
        line = self._lines.popleft()
        if len(line) > _LONGEST:
            raise ValueError("a line came that is longer than any frame")
        return line.decode()

    def _collect(self, timeout_s: float | None) -> None:
        port = self.serialPortOrig
        until = serial.Timeout(cast("float", timeout_s))  # None is for ever, which its annotation leaves out
        with error_check("Could not read from serial device"):
            while not self._lines:
                waiting = port.in_waiting
                if not waiting and not until.expired():
                    self._wait(until.time_left())
                    waiting = max(1, port.in_waiting)
                if waiting:
                    self._take(port.read(waiting))
                if until.expired():
                    return

    def _take(self, data: bytes) -> None:
        *whole, begun = _LINE_END.split(bytes(self._buffer) + data)
        for line in whole:
            if line in _REPLIES and self._settings_open:
                self._settings_open -= 1
            elif line == _REFUSED:
                self.refusals += 1
        self._lines.extend(line for line in whole if line not in _ACKNOWLEDGED)
        self._buffer[:] = begun[: _LONGEST + 1]

    def _wait(self, timeout_s: float | None) -> None:
        """Until something has come, where the system can tell; else reading waits, a millisecond at a time."""
        try:
            number = self.serialPortOrig.fileno()
        except (AttributeError, io.UnsupportedOperation):
            return
        select.select([number], [], [], timeout_s)

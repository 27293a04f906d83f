"""python-can's slcan, reading all lines that have come at once.

python-can asks its port for every single byte, and takes each acknowledgement of a sent frame for an answer of its own;
that takes most of the time of a frame. What a line means is still read by python-can.
"""

from __future__ import annotations

import io
import re
import select
from collections import deque
from contextlib import suppress
from typing import Any, cast

import can
import serial
from can.exceptions import error_check
from can.interfaces.slcan import slcanBus

from gateway.links.can.ports.slcan_signs import ASK_VERSION, SlcanSigns, is_version

_LINE_END = re.compile(rb"(?<=[\r\a])")  # CR ends a line, BEL is a refusal
_LONGEST = 1 + 8 + 1 + 2 * 64 + 4 + 1  # kind, identifier, length, data, time stamp, end
_REFUSED = b"\a"
_REPLIES = (b"\r", _REFUSED)
_FRAMES = tuple("tTrRdDbB")

_ACKNOWLEDGED = frozenset({b"\r", b"z\r", b"Z\r"})  # a sent frame; the letters are common practice


class SlcanBus(slcanBus):
    """An adapter that speaks slcan, at whatever port pyserial opens.

    Args:
        channel: the port.
        signs: what shows that an adapter is there; while nothing does, its version is asked for, and lines that are no
            frames are told to it alone. None to take that for granted.
        settings: see python-can's.

    Attributes:
        refusals: how often the adapter said that it did not take a frame. It answers line by line, so what comes before
            it has answered all of its settings concerns those: to be opened twice, as python-can does, is refused.
            Many do not answer when asked for their version; what comes after the next frame concerns that frame.
    """

    def __init__(self, channel: str, *, signs: SlcanSigns | None = None, **settings: Any) -> None:
        self._lines: deque[bytes] = deque()
        self.refusals = self._settings_open = 0
        self._is_version_open = False
        self._signs = signs
        if signs is not None:
            signs.begin()
        self.serialPortOrig: Any = None
        try:
            super().__init__(channel, **settings)
            if self._sought is not None:
                self._write(ASK_VERSION)
        except BaseException:
            self._give_up()
            raise

    def wait_for_sign(self, timeout_s: float) -> None:
        """Read until something shows that an adapter is there, or the time is over; frames that come stay to be read.

        Raises:
            CanOperationError: the port is gone.
        """
        until = serial.Timeout(timeout_s)
        while self._sought is not None and not until.expired():
            self._take_next(until)

    def settle(self, timeout_s: float) -> None:
        """Read until every setting is answered, or the time is over: then a refusal (BEL) is that of a frame.

        Raises:
            CanOperationError: the port is gone.
        """
        until = serial.Timeout(timeout_s)
        while self._settings_open and not until.expired():
            self._take_next(until)
        self._settings_open = 0

    def flush(self) -> None:
        """Forget what has come."""
        super().flush()
        self._lines.clear()

    def _give_up(self) -> None:
        """Close a port at which opening failed, after reading what is left there: it may say what the port is."""
        port = self.serialPortOrig
        connection: Any = getattr(port, "_socket", None)
        with suppress(Exception):
            self._take(port.read(port.in_waiting))
        # pyserial keeps the socket of a distant port open where its peer is gone.
        for left_open in (port, connection):
            with suppress(Exception):
                left_open.close()
        self._is_shutdown = True  # or python-can would say goodbye to it

    def _write(self, string: str) -> None:
        asks_version = string == ASK_VERSION
        if asks_version or string.startswith(_FRAMES):
            self._is_version_open = asks_version
        else:
            self._settings_open += 1
        if self._sought is not None:
            self._sought.wrote(string)
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
        until = serial.Timeout(cast("float", timeout_s))  # None is for ever, which its annotation leaves out
        while not self._lines:
            self._take_next(until)
            if until.expired():
                return

    def _take_next(self, until: serial.Timeout) -> None:
        """Take what has come; if that is nothing, wait for something."""
        port = self.serialPortOrig
        with error_check("Could not read from serial device"):
            waiting = port.in_waiting
            if not waiting and not until.expired():
                self._wait(until.time_left())
                waiting = max(1, port.in_waiting)
            if waiting:
                self._take(port.read(waiting))

    def _take(self, data: bytes) -> None:
        *whole, begun = _LINE_END.split(bytes(self._buffer) + data)
        for line in whole:
            self._count(line)
            sought = self._sought
            if line not in _ACKNOWLEDGED if sought is None else sought.heard(line):
                self._lines.append(line)
        self._buffer[:] = begun[: _LONGEST + 1]
        if self._sought is not None:
            self._sought.heard_begun(bytes(self._buffer))

    def _count(self, line: bytes) -> None:
        """Find out what a reply is to: each line is answered in turn."""
        if line in _REPLIES and self._settings_open:
            self._settings_open -= 1
        elif line in _REPLIES and self._is_version_open:
            self._is_version_open = False
        elif line == _REFUSED:
            self.refusals += 1
        elif self._is_version_open and is_version(line):
            # Settings that have no answer by now get none.
            self._settings_open, self._is_version_open = 0, False

    @property
    def _sought(self) -> SlcanSigns | None:
        """Whom to tell what comes, as long as nothing has shown an adapter."""
        return None if self._signs is None or self._signs.found else self._signs

    def _wait(self, timeout_s: float | None) -> None:
        """Until something has come, where the system can tell; else reading waits, a millisecond at a time."""
        try:
            number = self.serialPortOrig.fileno()
        except (AttributeError, io.UnsupportedOperation):
            return
        select.select([number], [], [], timeout_s)

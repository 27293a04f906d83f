"""``stream://HOST:PORT``: pyserial's TCP socket with a buffer before it. Found by its name; see `stream_url`."""

from __future__ import annotations

import re
import select
import socket
from typing import Any

from serial import PortNotOpenError, SerialException
from serial.urlhandler import protocol_socket

_CHUNK = 65_536
_LINE_END = re.compile(rb"[\r\a]")  # slcan: CR ends a line, BEL is a refusal


def serial_class_for_url(url: str) -> tuple[str, type[Serial]]:
    """The address as pyserial's socket reader wants it, and what reads it."""
    _, _, rest = url.partition("://")
    return f"socket://{rest}", Serial


class Serial(protocol_socket.Serial):
    """A TCP socket that is read in pieces as large as they come, and that sends small ones at once."""

    _socket: Any
    _timeout: float | None

    def open(self) -> None:
        """Connect.

        Raises:
            SerialException: nobody listens there.
        """
        self._kept = bytearray()
        super().open()
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    @property
    def in_waiting(self) -> int:
        """Bytes that have come and were not read yet.

        Raises:
            PortNotOpenError: the port is closed.
            SerialException: the other side is gone and everything it said was read.
        """
        if not self._kept:
            self._fill(0)
        return len(self._kept)

    def read(self, size: int = 1) -> bytes:
        """Up to so many bytes; fewer if they do not come within the time-out.

        Asked for a single byte it gives all of a line that has come, and then the line's end alone: python-can's slcan
        asks byte for byte, adds up what it gets, and looks for the end. A call for each byte takes most of its time.

        Raises:
            PortNotOpenError: the port is closed.
            SerialException: the other side is gone and everything it said was read.
        """
        if len(self._kept) < size:
            self._fill(self._timeout)
        if size == 1:
            size = _line_length(self._kept)
        said = bytes(self._kept[:size])
        del self._kept[:size]
        return said

    def reset_input_buffer(self) -> None:
        """Forget what has come."""
        super().reset_input_buffer()
        self._kept.clear()

    def _fill(self, timeout_s: float | None) -> None:
        if not self.is_open:
            raise PortNotOpenError
        ready, _, _ = select.select([self._socket], [], [], timeout_s)
        if not ready:
            return
        try:
            came = self._socket.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError as error:
            raise SerialException(f"read failed: {error}") from error
        if not came:
            raise SerialException("socket disconnected")
        self._kept += came


def _line_length(kept: bytearray) -> int:
    """How many bytes there are before the next line's end; 1 where it comes first."""
    end = _LINE_END.search(kept)
    return max(1, len(kept) if end is None else end.start())

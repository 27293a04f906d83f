"""``stream://HOST:PORT``: pyserial's TCP socket with a buffer before it. Found by its name; see `stream_url`."""

from __future__ import annotations

import select
import socket
from typing import TYPE_CHECKING, Any, cast

from serial import PortNotOpenError, SerialException, SerialTimeoutException, Timeout
from serial.urlhandler import protocol_socket

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

_CHUNK = 65_536


def serial_class_for_url(url: str) -> tuple[str, type[Serial]]:
    """The address as pyserial's socket reader wants it, and what reads it."""
    _, _, rest = url.partition("://")
    return f"socket://{rest}", Serial


class Serial(protocol_socket.Serial):
    """A TCP socket that is read in pieces as large as they come, and that sends small ones at once."""

    _socket: Any
    _timeout: float | None
    _write_timeout: float | None

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

        Raises:
            PortNotOpenError: the port is closed.
            SerialException: the other side is gone and everything it said was read.
        """
        if len(self._kept) < size:
            self._fill(self._timeout)
        said = bytes(self._kept[:size])
        del self._kept[:size]
        return said

    def write(self, data: ReadableBuffer, /) -> int:
        """Send all of it; how many bytes that were.

        Raises:
            PortNotOpenError: the port is closed.
            SerialTimeoutException: the other side does not take it within the port's time for writing.
            SerialException: the other side is gone.
        """
        if not self.is_open:
            raise PortNotOpenError
        left = memoryview(data)
        until = Timeout(cast("float", self._write_timeout))  # None is for ever, which its annotation leaves out
        while left:
            try:
                left = left[self._socket.send(left) :]
            except BlockingIOError as error:
                _, ready, _ = select.select([], [self._socket], [], until.time_left())
                if not ready:
                    raise SerialTimeoutException("Write timeout") from error
            except OSError as error:
                raise SerialException(f"write failed: {error}") from error
        return memoryview(data).nbytes

    def reset_input_buffer(self) -> None:
        """Forget what has come."""
        super().reset_input_buffer()
        self._kept.clear()

    def _fill(self, timeout_s: float | None) -> None:
        if not self.is_open:
            raise PortNotOpenError
        if timeout_s != 0:
            select.select([self._socket], [], [], timeout_s)
        try:
            came = self._socket.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError as error:
            raise SerialException(f"read failed: {error}") from error
        if not came:
            raise SerialException("socket disconnected")
        self._kept += came

"""``tap://URL``: the port at URL, with every byte handed over and every write admitted first.

pyserial finds this module by its name in the packages of `serial.protocol_handler_packages`.
"""

from __future__ import annotations

import time
from typing import Any

import serial

from gateway.links.dongle.gate import GATE
from gateway.links.dongle.messages import Why

SCHEME = "tap://"
_SLICE_S = 0.05
_WRITE_S = 2.0
_CHUNK = 4096
_PROMPT = b">"


class Serial:
    """As much of a pyserial port as python-OBD uses, before a port that does the work.

    A read does not wait for more once the dongle has written its prompt: nothing comes after it unasked.

    Args:
        _port: always None: pyserial sets `port` afterwards.
        timeout: how long a read waits for all it wants, in seconds; None for ever. The gate's deadline holds too.
        settings: for the port behind.
    """

    def __init__(self, _port: str | None = None, *, timeout: float | None = None, **settings: Any) -> None:
        self.port: str | None = None
        self.timeout = timeout
        self._settings = settings
        self._gate = GATE.get()
        self._behind: serial.Serial | None = None
        self._read = bytearray()
        self._prompted = False

    @property
    def portstr(self) -> str:
        """The port's name."""
        return self.port or ""

    @property
    def baudrate(self) -> int:
        """Bits per second, where the port has such a thing."""
        return int(self._inner.baudrate)

    @baudrate.setter
    def baudrate(self, rate: int) -> None:
        self._inner.baudrate = rate

    @property
    def in_waiting(self) -> int:
        """How many bytes a read gives at once."""
        self._drain()
        return len(self._read)

    def open(self) -> None:
        """Open the port behind.

        Raises:
            TapError: it cannot be opened; the reason has been told.
        """
        url = self.portstr.removeprefix(SCHEME)
        try:
            self._behind = serial.serial_for_url(
                url, timeout=_SLICE_S, write_timeout=_WRITE_S, exclusive=True, **self._settings
            )
        except Exception as error:  # pyserial's handlers raise what their libraries raise
            # python-OBD catches what it knows, and pyserial's own errors are OSErrors.
            raise serial.SerialException(str(self._gate.shut(Why.PORT, str(error), _errno(error)))) from error

    def read(self, size: int = 1) -> bytes:
        """Up to so many bytes; fewer when the time is over or the dongle has written its prompt.

        Raises:
            TapError: the gate's deadline has passed, or the port failed.
        """
        until_s = None if self.timeout is None else time.perf_counter() + self.timeout
        while True:
            self._drain()
            if len(self._read) >= size or self._prompted:
                break
            if until_s is not None and time.perf_counter() >= until_s:
                break
            self._gate.check()
            self._take(wait=True)
        data = bytes(self._read[:size])
        del self._read[:size]
        return data

    def write(self, data: bytes) -> int:
        """Write what the gate admits.

        Raises:
            TapError: the gate does not admit it, or the port failed.
        """
        may = self._gate.admit(bytes(data))
        self._prompted = False
        try:
            self._inner.write(may)
            self._inner.flush()
        except Exception as error:
            raise self._gate.shut(Why.LOST, str(error)) from error
        self._gate.wrote(may)
        return len(data)

    def flush(self) -> None:
        """Nothing to do: `write` waits until all is out."""

    def flushInput(self) -> None:  # noqa: N802 - python-OBD's name for it
        """Forget what was read; it has been handed over."""
        self._drain()
        self._read.clear()

    def flushOutput(self) -> None:  # noqa: N802 - python-OBD's name for it
        """Nothing to do: `write` waits until all is out."""

    def close(self) -> None:
        """Close the port behind."""
        if self._behind is not None:
            self._behind.close()
            self._behind = None

    @property
    def _inner(self) -> serial.Serial:
        if self._behind is None:
            raise self._gate.shut(Why.LOST, "the port is closed")
        return self._behind

    def _drain(self) -> None:
        while self._take(wait=False):
            self._gate.check()  # a port that never runs dry has a deadline too

    def _take(self, *, wait: bool) -> bool:
        """Read what is there, or wait one slice for it; False if nothing came."""
        chunk = bytearray()
        try:
            # A socket tells only that something is there, so the first byte is read by itself.
            while len(chunk) < _CHUNK and (wait or self._inner.in_waiting):
                more = self._inner.read(max(1, self._inner.in_waiting))
                if not more:
                    break
                chunk += more
                wait = False
        except Exception as error:  # a driver may raise anything when its device has gone
            raise self._gate.shut(Why.LOST, str(error)) from error
        finally:
            if chunk:
                self._gate.heard(bytes(chunk))
                self._read += chunk
                self._prompted = self._prompted or _PROMPT in chunk
        return bool(chunk)


def _errno(error: Exception) -> int | None:
    number = getattr(error, "errno", None)
    return number if isinstance(number, int) else None

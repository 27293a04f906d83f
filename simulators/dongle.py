"""The dongle's doors: an AT-command dongle on a TCP port, as Wi-Fi dongles are, and on a pseudo terminal."""

from __future__ import annotations

import os
import socket
import time

from simulators.desk import Desk
from simulators.dongle_faults import KINDS, DongleFaults
from simulators.dongle_lines import Dongle
from simulators.errors import BenchError
from simulators.serving import HIGHEST_PORT, HOST, Client, Door, Port, listen

__all__ = ["KINDS", "DongleDoor", "DonglePty"]

_MOST_CLIENTS = 256
_MOST_UNREAD = 1 << 16  # bytes that a client may leave unread; what comes behind them is lost


class _Client(Client):
    """One port with the dongle behind it."""

    def __init__(self, port: Port, dongle: Dongle) -> None:
        super().__init__(port, most_unread=_MOST_UNREAD)
        self.dongle = dongle

    def take(self, data: bytes) -> None:
        self.dongle.feed(data, _now_us())

    def say(self) -> bool:
        """Queue what is due, as far as there is room; True if that is news to the door."""
        said = self.dongle.say(_now_us())[: max(0, _MOST_UNREAD - len(self.unsent))]
        return bool(said) and self.queue(said)


class _Door(Door[_Client]):
    """Dongles in one car that share their faults.

    Attributes:
        link: the link address that a user types.
    """

    def __init__(
        self, desk: Desk, link: str, *, listener: socket.socket | None = None, port: Port | None = None
    ) -> None:
        self.link = link
        self._desk = desk
        self._faults = DongleFaults()
        super().__init__(link, listener, client=None if port is None else self._client(port))

    def disturb(self, kind: str, **arguments: int | str) -> None:
        """Switch on a fault of cheap dongles; `KINDS` says which there are and what they take.

        Args:
            kind: its name.
            arguments: its own, and for every kind `request` (only for commands that begin so) and `times`
                (only so many times).

        Raises:
            BenchError: no such kind or argument, or a value that makes no sense.
        """
        self._faults.disturb(kind, **arguments)

    def settle(self, kind: str | None = None) -> None:
        """Switch one fault off, or all of them.

        Raises:
            BenchError: no such kind.
        """
        self._faults.settle(kind)

    def _client(self, port: Port) -> _Client:
        return _Client(port, Dongle(self._desk, self._faults))

    def _welcome(self, port: socket.socket) -> _Client | None:
        return self._client(port) if len(self._clients) < _MOST_CLIENTS else None

    def _tick(self, now_s: float) -> float | None:  # noqa: ARG002 - a dongle reckons in microseconds
        for client in self._clients:
            if client.say():
                self.wake(client)
        due_us = [at_us for client in self._clients if (at_us := client.dongle.due_us) is not None]
        return min(due_us) / 1_000_000 if due_us else None


class DongleDoor(_Door):
    """A dongle on a TCP port of this machine. Each client has a dongle of its own; all are in the same car.

    Args:
        desk: the car.
        port: the port, 0 for a free one.

    Attributes:
        port: the port it listens on.

    Raises:
        BenchError: the port cannot be had.
    """

    def __init__(self, desk: Desk, port: int = 0) -> None:
        listener = listen(
            port,
            no_port=f"the dongle's port is a number from 0 to {HIGHEST_PORT}, not {port}",
            in_use=f"the dongle cannot have port {port} on {HOST}",
        )
        self.port: int = listener.getsockname()[1]
        super().__init__(desk, f"dongle:socket://{HOST}:{self.port}", listener=listener)


class _Terminal:
    """The dongle's end of a pseudo terminal. The other end stays open too, so that clients may come and go."""

    def __init__(self) -> None:
        import tty

        self._own, self._other = os.openpty()
        tty.setraw(self._other)
        os.set_blocking(self._own, False)
        self.path = os.ttyname(self._other)

    def fileno(self) -> int:
        return self._own

    def recv(self, size: int, /) -> bytes:
        return os.read(self._own, size)

    def send(self, data: bytearray, /) -> int:
        return os.write(self._own, data)

    def close(self) -> None:
        os.close(self._own)
        os.close(self._other)


class DonglePty(_Door):
    """A dongle on a pseudo terminal, as serial and Bluetooth dongles are. One dongle, whoever opens it.

    Args:
        desk: the car.

    Attributes:
        path: the terminal's device file.

    Raises:
        BenchError: this machine has no pseudo terminals.
    """

    def __init__(self, desk: Desk) -> None:
        if not hasattr(os, "openpty"):
            raise BenchError("this machine has no pseudo terminals; use the dongle's TCP port")
        terminal = _Terminal()
        self.path = terminal.path
        super().__init__(desk, f"dongle:{self.path}", port=terminal)


def _now_us() -> int:
    return time.monotonic_ns() // 1000

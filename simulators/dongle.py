"""The dongle's doors: an AT-command dongle on a TCP port, as Wi-Fi dongles are, and on a pseudo terminal."""

from __future__ import annotations

import os
import selectors
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol, Self

from simulators.desk import Desk
from simulators.dongle_faults import KINDS, DongleFaults
from simulators.dongle_lines import Dongle
from simulators.errors import BenchError

__all__ = ["KINDS", "DongleDoor", "DonglePty"]

HOST = "127.0.0.1"
_MOST_CLIENTS = 256
_CHUNK = 4096
_HIGHEST_PORT = 65_535
_MOST_UNREAD = 1 << 16  # bytes that a client may leave unread; what comes behind them is lost
_BREATH_S = 0.05


class _Port(Protocol):
    """Where bytes come from and go to, without waiting."""

    def fileno(self) -> int: ...

    def recv(self, size: int, /) -> bytes: ...

    def send(self, data: bytes, /) -> int: ...

    def close(self) -> None: ...


class _Client:
    """One port with the dongle behind it."""

    def __init__(self, port: _Port, dongle: Dongle) -> None:
        self.port = port
        self.dongle = dongle
        self.unsent = bytearray()

    def hear(self) -> None:
        """Take what came.

        Raises:
            OSError: the client is gone.
        """
        with suppress(BlockingIOError):
            data = self.port.recv(_CHUNK)
            if not data:
                raise ConnectionResetError
            self.dongle.feed(data, _now_us())

    def write(self) -> None:
        """Write what is due, as much as the port takes.

        Raises:
            OSError: the client is gone.
        """
        self.unsent += self.dongle.say(_now_us())
        del self.unsent[_MOST_UNREAD:]
        if self.unsent:
            with suppress(BlockingIOError):
                del self.unsent[: self.port.send(bytes(self.unsent))]


class _Door:
    """One thread that serves every client of a door until it is closed.

    Attributes:
        link: the link address that a user types.
    """

    def __init__(self, desk: Desk, link: str, *, listener: socket.socket | None = None) -> None:
        self.link = link
        self._desk = desk
        self._listener = listener
        self._faults = DongleFaults()
        self._clients: set[_Client] = set()
        self._selector = selectors.DefaultSelector()
        self._bell, self._push = socket.socketpair()
        self._selector.register(self._bell, selectors.EVENT_READ)
        if listener is not None:
            self._selector.register(listener, selectors.EVENT_READ)
        self._stop = threading.Event()
        self._closing = threading.Lock()
        self._thread = threading.Thread(target=self._serve, name=link)

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

    def close(self) -> None:
        """Stop serving; the thread is gone and every port closed when this returns."""
        with self._closing:
            if self._stop.is_set():
                return
            self._stop.set()
            self._push.send(b"\0")
            self._thread.join()
            for client in tuple(self._clients):
                self._drop(client)
            self._selector.close()
            for end in (self._bell, self._push, self._listener):
                if end is not None:
                    end.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _add(self, port: _Port) -> None:
        client = _Client(port, Dongle(self._desk, self._faults))
        self._clients.add(client)
        self._selector.register(port, selectors.EVENT_READ, client)

    def _drop(self, client: _Client) -> None:
        self._selector.unregister(client.port)
        self._clients.remove(client)
        client.port.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            for key, events in self._selector.select(self._patience_s()):
                if key.data is not None and events & selectors.EVENT_READ:
                    self._try(key.data, key.data.hear)
                elif key.fileobj is self._listener:
                    self._accept(self._listener)
            for client in tuple(self._clients):
                self._try(client, client.write)
            for client in self._clients:
                wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
                if self._selector.get_key(client.port).events != wanted:
                    self._selector.modify(client.port, wanted, client)

    def _patience_s(self) -> float | None:
        """How long there is nothing to say; None for as long as nobody asks."""
        due = [at_us for client in self._clients if (at_us := client.dongle.due_us) is not None]
        return max(0, min(due) - _now_us()) / 1_000_000 if due else None

    def _try(self, client: _Client, step: Callable[[], None]) -> None:
        try:
            step()
        except OSError:
            self._drop(client)

    def _accept(self, listener: socket.socket) -> None:
        try:
            connection, _peer = listener.accept()
        except OSError:
            self._stop.wait(_BREATH_S)  # no file descriptor is left: a client must leave first
            return
        if len(self._clients) == _MOST_CLIENTS:
            connection.close()
            return
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._add(connection)


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
        if not 0 <= port <= _HIGHEST_PORT:
            raise BenchError(f"the dongle's port is a number from 0 to {_HIGHEST_PORT}, not {port}")
        try:
            listener = socket.create_server((HOST, port), backlog=128)
        except OSError as error:
            raise BenchError(f"the dongle cannot have port {port} on {HOST}: {error.strerror}") from error
        listener.setblocking(False)
        self.port: int = listener.getsockname()[1]
        super().__init__(desk, f"dongle:socket://{HOST}:{self.port}", listener=listener)
        self._thread.start()


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

    def send(self, data: bytes, /) -> int:
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
        super().__init__(desk, f"dongle:{self.path}")
        self._add(terminal)
        self._thread.start()


def _now_us() -> int:
    return time.monotonic_ns() // 1000

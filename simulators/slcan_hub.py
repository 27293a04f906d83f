"""The CAN door: a TCP port where any number of slcan clients sit on the car's bus, each with its own adapter.

An adapter that was set to another bit rate than the car's hears no frame, and what it sends reaches nobody: it takes
the line, and its status flags tell of a bus error (common practice). Nobody else is disturbed by it here, as they
would be on a real bus. One whose rate was never set has the car's.
"""

from __future__ import annotations

import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Self

from simulators.can_side import CanSide, Frame
from simulators.errors import BenchError
from simulators.slcan import BUS_ERROR, ERROR, NO_FLAGS, OK, Mode, Reader, Said, write_frame

__all__ = ["SlcanDoor"]

HOST = "127.0.0.1"
BITRATE = 500_000  # ISO 15765-4 has this and 250,000 bit/s
_CHUNK = 65_536
_MOST_CLIENTS = 256
_MOST_UNREAD = 1 << 20  # bytes that a client may leave unread before it is put out
_HIGHEST_PORT = 65_535
_BREATH_S = 0.05


class _Client:
    """One connection: its lines on the way in, its frames on the way out.

    Args:
        port: the connection.
        side: the bus that it takes a place on.
        bitrate: the bus's, in bit/s.
        wake: called, from any thread, when there is something to send that the door does not know of yet.
    """

    def __init__(self, port: socket.socket, side: CanSide, bitrate: int, wake: Callable[[_Client], None]) -> None:
        self.port = port
        self.reader = Reader()
        self._bitrate = bitrate
        self.unsent = bytearray()
        self._is_slow = False
        self._met_errors = False
        self._wake = wake
        self._writing = threading.Lock()
        self.tap = side.attach(self._deliver)

    def _deliver(self, frame: Frame) -> None:
        """Take a frame of the bus, from the bus's own thread; never waits."""
        if self.reader.mode is Mode.CLOSED or self._is_deaf(self.reader.bitrate):
            return
        line = write_frame(frame)
        if line is not None and self._queue(line):
            self._wake(self)

    def _is_deaf(self, bitrate: int | None) -> bool:
        """True if a bit rate is not the bus's; the frame at hand is then a bus error to the adapter."""
        is_deaf = bitrate not in (None, self._bitrate)
        self._met_errors = self._met_errors or is_deaf
        return is_deaf

    def _queue(self, data: bytes) -> bool:
        """Have bytes sent; True if that is news to the door.

        A client that does not read them is too slow for a bus that cannot wait.
        """
        with self._writing:
            if len(self.unsent) + len(data) > _MOST_UNREAD:
                was_slow, self._is_slow = self._is_slow, True
                return not was_slow
            was_idle = not self.unsent
            self.unsent += data
            return was_idle

    def hear(self) -> None:
        """Take what came.

        Raises:
            OSError: the client is gone.
        """
        with suppress(BlockingIOError):
            data = self.port.recv(_CHUNK)
            if not data:
                raise ConnectionResetError
            for said in self.reader.feed(data):
                self._queue(self._carry_out(said))

    def _carry_out(self, said: Said) -> bytes:
        """Do what a line says; give the answer to it."""
        if said.reply == NO_FLAGS + OK and self._met_errors:
            self._met_errors = False
            return BUS_ERROR + OK
        if said.frame is None or self._is_deaf(said.bitrate):
            return said.reply
        lost = self.tap.lost
        self.tap.send(said.frame)
        return said.reply if self.tap.lost == lost else ERROR

    def write(self) -> None:
        """Send what is waiting, as much as the connection takes.

        Raises:
            OSError: the client is gone, or too slow.
        """
        with self._writing:
            if self._is_slow:
                raise ConnectionAbortedError
            if self.unsent:
                with suppress(BlockingIOError):
                    del self.unsent[: self.port.send(self.unsent)]


class SlcanDoor:
    """Serves a car's CAN bus to slcan clients on TCP until closed. Starts at once.

    Args:
        side: the car's side of the bus.
        port: TCP port on 127.0.0.1; 0 takes a free one.
        bitrate: the bus's, in bit/s.

    Attributes:
        port: the port it serves.
        link: the link address that a user types.

    Raises:
        BenchError: the port is in use, or no port.
    """

    def __init__(self, side: CanSide, port: int = 0, *, bitrate: int = BITRATE) -> None:
        self._side = side
        self._bitrate = bitrate
        self._listener = _listen(port)
        self.port: int = self._listener.getsockname()[1]
        self.link = f"can:slcan:socket://{HOST}:{self.port}"
        self._clients: set[_Client] = set()
        self._due: deque[_Client] = deque()
        self._selector = selectors.DefaultSelector()
        self._bell, self._push = socket.socketpair()
        self._push.setblocking(False)
        self._bell.setblocking(False)
        self._selector.register(self._bell, selectors.EVENT_READ)
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._stop = threading.Event()
        self._closing = threading.Lock()
        self._thread = threading.Thread(target=self._serve, name=self.link, daemon=False)
        self._thread.start()

    def close(self) -> None:
        """Stop serving; the thread is gone and every socket closed when this returns. May be called again."""
        with self._closing:
            self._stop.set()
            self._ring()
            self._thread.join()
            for client in tuple(self._clients):
                self._drop(client)
            self._selector.close()
            for end in (self._bell, self._push, self._listener):
                end.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _wake(self, client: _Client) -> None:
        self._due.append(client)
        self._ring()

    def _ring(self) -> None:
        with suppress(OSError):  # a full bell rings already
            self._push.send(b"\0")

    def _serve(self) -> None:
        while not self._stop.is_set():
            for key, events in self._selector.select():
                if key.fileobj is self._bell:
                    self._bell.recv(_CHUNK)
                elif key.fileobj is self._listener:
                    self._accept()
                else:
                    self._attend(key.data, events)
            for _ in range(len(self._due)):
                self._attend(self._due.popleft(), selectors.EVENT_WRITE)

    def _attend(self, client: _Client, events: int) -> None:
        if client not in self._clients:
            return
        try:
            if events & selectors.EVENT_READ:
                client.hear()
            client.write()
        except OSError:
            self._drop(client)
            return
        # Only a client that could not take everything is waited for.
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        if self._selector.get_key(client.port).events != wanted:
            self._selector.modify(client.port, wanted, client)

    def _accept(self) -> None:
        try:
            port, _ = self._listener.accept()
        except OSError:  # it went before it was let in, or this process may open no more files: no reason to spin
            self._stop.wait(_BREATH_S)
            return
        if len(self._clients) >= _MOST_CLIENTS:
            port.close()
            return
        port.setblocking(False)
        with suppress(OSError):  # a connection that is gone already
            port.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = _Client(port, self._side, self._bitrate, self._wake)
        self._clients.add(client)
        self._selector.register(port, selectors.EVENT_READ, client)

    def _drop(self, client: _Client) -> None:
        self._clients.discard(client)
        self._selector.unregister(client.port)
        client.tap.close()
        client.port.close()


def _listen(port: int) -> socket.socket:
    if not 0 <= port <= _HIGHEST_PORT:
        raise BenchError(f"{port} is no TCP port: take one from 1 to {_HIGHEST_PORT}, or 0 for a free one")
    listener = socket.socket()
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
        listener.listen(_MOST_CLIENTS)
    except OSError as error:
        listener.close()
        raise BenchError(f"port {port} on {HOST} cannot be used: {error.strerror}; take another, or 0") from error
    listener.setblocking(False)
    return listener

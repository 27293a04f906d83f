"""One thread behind a door: it lets clients in, takes what they say and sends what is waiting for them.

A door makes its own client of `Client` and itself of `Door`. All that they do runs on the door's thread. Other
threads may call `Client.queue`, `Client.send_queued`, `Door.wake` and `Door.close`, nothing else.
"""

from __future__ import annotations

import selectors
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Generic, Protocol, Self, TypeVar

from simulators.errors import BenchError

HOST = "127.0.0.1"
HIGHEST_PORT = 65_535
_CHUNK = 4096  # what one client may say before the others get their turn
_BACKLOG = 256
# How long a client that ends may still take to read its last message: closing at once would destroy it on its way.
_LINGER_S = 0.5
_BREATH_S = 0.05


class Port(Protocol):
    """What a client needs of a socket, or of what stands for one."""

    def fileno(self) -> int:
        """What a selector watches."""

    def recv(self, size: int, /) -> bytes:
        """At most so many bytes, without waiting."""

    def send(self, data: bytearray, /) -> int:
        """Send without waiting; how many bytes were taken."""

    def close(self) -> None:
        """Let go of it."""


class Client(ABC):
    """One connection.

    Args:
        port: where its bytes come from and go to, without waiting.
        most_unread: bytes that it may leave unread; one that gets more nevertheless is put out.

    Attributes:
        unsent: what is waiting for it.
        is_ending: True once nothing more is taken from it; it goes when it has read its last message, or had time to.
        queueing: held while something is queued or sent, so that nothing comes between.
        watched: what the door waits for on its port.
    """

    def __init__(self, port: Port, *, most_unread: int) -> None:
        self.port = port
        self.unsent = bytearray()
        self.is_ending = False
        self.queueing = threading.RLock()
        self.watched = selectors.EVENT_READ
        self._most_unread = most_unread
        self._is_slow = False

    @abstractmethod
    def take(self, data: bytes) -> None:
        """Heed what it said. The door sends what that queues, and puts the client out upon an OSError."""

    def left(self) -> None:  # noqa: B027 - most have nothing to do then
        """It is gone, whoever ended it."""

    def queue(self, data: bytes) -> bool:
        """Have bytes sent; True if that is news to the door, which is then to be woken. From any thread."""
        with self.queueing:
            if len(self.unsent) > self._most_unread:
                was_slow, self._is_slow = self._is_slow, True
                return not was_slow
            was_idle = not self.unsent
            self.unsent += data
            return was_idle

    def send_queued(self) -> bool:
        """Send what is queued, as far as that goes at once; True if the door is to be woken. From any thread."""
        with self.queueing:
            try:
                self._write()
            except OSError:  # the door meets it again, and puts the client out
                return True
            return bool(self.unsent)

    def attend(self, *, is_readable: bool) -> None:
        """Take what came, if anything did, and send what is waiting.

        Raises:
            OSError: it is gone, left too much unread, or said what it is put out for.
        """
        if is_readable:
            with suppress(BlockingIOError):
                data = self.port.recv(_CHUNK)
                if not data:
                    raise ConnectionResetError
                if not self.is_ending:
                    self.take(data)
        self._write()

    def _write(self) -> None:
        """Send as much as the connection takes."""
        with self.queueing:
            if self._is_slow:
                raise ConnectionAbortedError
            if not self.unsent:
                return
            try:
                del self.unsent[: self.port.send(self.unsent)]
            except BlockingIOError:
                return


Kind = TypeVar("Kind", bound=Client)


class Door(ABC, Generic[Kind]):
    """Serves clients until closed. Starts at once: a door has all that it serves with before it calls this.

    Args:
        name: of the thread.
        listener: where clients come from.
        client: one that is there from the beginning.
        others: what is called when one of the door's other sockets can be read.
    """

    def __init__(
        self,
        name: str,
        listener: socket.socket | None = None,
        *,
        client: Kind | None = None,
        others: Mapping[socket.socket, Callable[[], None]] | None = None,
    ) -> None:
        self._clients: set[Kind] = set()
        self._leaving: dict[Kind, float] = {}
        self._due: deque[Kind] = deque()
        self._next_s: float | None = None
        bell, self._push = socket.socketpair()
        readers: dict[socket.socket, Callable[[], object]] = {bell: lambda: bell.recv(_CHUNK), **(others or {})}
        if listener is not None:
            readers[listener] = lambda: self._accept(listener)
        self._sockets = (self._push, *readers)
        self._selector = selectors.DefaultSelector()
        for sock in self._sockets:
            sock.setblocking(False)
        for sock, read in readers.items():
            self._selector.register(sock, selectors.EVENT_READ, lambda _events, read=read: read())
        if client is not None:
            self._add(client)
        self._stop = threading.Event()
        self._closing = threading.Lock()
        self._thread = threading.Thread(target=self._serve, name=name, daemon=False)
        self._thread.start()

    def close(self) -> None:
        """Stop serving; the thread is gone and every port closed when this returns. May be called again."""
        with self._closing:
            self._stop.set()
            self._ring()
            self._thread.join()
            for client in tuple(self._clients):
                self._drop(client)
            self._selector.close()
            for sock in self._sockets:
                sock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def wake(self, client: Kind) -> None:
        """Tell the door that a client has something to be sent, or ends. From any thread."""
        self._due.append(client)
        if threading.get_ident() != self._thread.ident:
            self._ring()

    @abstractmethod
    def _welcome(self, port: socket.socket) -> Kind | None:
        """The client behind a new connection; None where there is no room for one more."""

    def _tick(self, now_s: float) -> float | None:  # noqa: ARG002
        """Do what is due, and wake whom that concerns; say when something is due next, if ever."""
        return None

    def _ring(self) -> None:
        with suppress(OSError):  # a full bell rings already
            self._push.send(b"\0")

    def _serve(self) -> None:
        while not self._stop.is_set():
            for key, events in self._selector.select(self._wait_s()):
                key.data(events)
            self._next_s = self._tick(time.monotonic())
            for _ in range(len(self._due)):
                self._attend(self._due.popleft(), selectors.EVENT_WRITE)
            if self._leaving:
                self._see_off(time.monotonic())

    def _see_off(self, now_s: float) -> None:
        for client in [client for client, end_s in self._leaving.items() if end_s <= now_s]:
            self._drop(client)

    def _wait_s(self) -> float | None:
        if self._due:
            return 0
        if self._next_s is None and not self._leaving:
            return None
        next_s = min(time_s for time_s in (self._next_s, *self._leaving.values()) if time_s is not None)
        return max(0.0, next_s - time.monotonic())

    def _accept(self, listener: socket.socket) -> None:
        try:
            port, _ = listener.accept()
        except OSError:  # it went before it was let in, or this process may open no more files: no reason to spin
            self._stop.wait(_BREATH_S)
            return
        port.setblocking(False)
        with suppress(OSError):  # a connection that is gone already
            port.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = self._welcome(port)
        if client is None:
            port.close()
        else:
            self._add(client)

    def _add(self, client: Kind) -> None:
        self._clients.add(client)
        self._selector.register(client.port, client.watched, lambda events: self._attend(client, events))

    def _attend(self, client: Kind, events: int) -> None:
        if client not in self._clients:
            return
        try:
            client.attend(is_readable=bool(events & selectors.EVENT_READ))
        except OSError:
            self._drop(client)
            return
        except Exception as error:  # whatever is wrong with one client, the others are served; and it is told
            self._drop(client)
            threading.excepthook(threading.ExceptHookArgs((type(error), error, error.__traceback__, self._thread)))
            return
        # Only a client that could not take everything is waited for.
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        if wanted != client.watched:
            client.watched = wanted
            self._selector.modify(client.port, wanted, self._selector.get_key(client.port).data)
        if client.is_ending:
            self._leaving.setdefault(client, time.monotonic() + _LINGER_S)
            if not client.unsent and isinstance(client.port, socket.socket):
                with suppress(OSError):
                    client.port.shutdown(socket.SHUT_WR)

    def _drop(self, client: Kind) -> None:
        self._clients.discard(client)
        self._leaving.pop(client, None)
        self._selector.unregister(client.port)
        with client.queueing:  # or what another thread is about to send might go to whoever gets this port's number
            client.port.close()
        client.left()
        self._next_s = 0.0  # one client's end can be another one's turn


def listen(port: int, *, no_port: str, in_use: str) -> socket.socket:
    """A socket that takes connections on a TCP port of this machine; 0 is a free one.

    Raises:
        BenchError: `no_port`, for a number that is none, or `in_use` and the reason.
    """
    if not 0 <= port <= HIGHEST_PORT:
        raise BenchError(no_port)
    try:
        return socket.create_server((HOST, port), backlog=_BACKLOG)
    except OSError as error:
        raise BenchError(f"{in_use}: {error.strerror}; take another, or 0 for a free one") from error

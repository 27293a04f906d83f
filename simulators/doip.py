"""The DoIP door: TCP and UDP on 127.0.0.1, one thread for all testers, around an entity that knows the protocol.

A vehicle would announce itself to the whole network; this one never broadcasts, it is found by asking it.
"""

from __future__ import annotations

import selectors
import socket
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Self

from simulators.desk import Desk
from simulators.doip_entity import DoipLimits, Entity, Line, logical_addresses
from simulators.errors import BenchError

_HOST = "127.0.0.1"
_USUAL_LIMITS = DoipLimits()
_CHUNK = 0x1000  # what one tester may say before the others get their turn
_LONGEST_DATAGRAM = 0x1_0000
_MOST_OPEN = 256
_MOST_UNREAD = 0x10_0000  # a tester that asks and never reads is let go
# How long a connection that ends may still take to read its last message: closing at once would destroy it on its way.
_LINGER_S = 0.5
_BREATH_S = 0.05


@dataclass(slots=True, eq=False)
class _Peer:
    """A connection: its socket, its protocol side and, once it ends, until when it may linger."""

    sock: socket.socket
    line: Line
    until_s: float | None = None


class DoipDoor:
    """Serves a car over ISO 13400 until closed. Starts at once.

    Args:
        desk: where requests go.
        port: TCP port; 0 takes a free one.
        addresses: unit address text by logical address; the first is the entity's own. By default each unit's
            own, and for those without one 1000, 1001 and so on in the car's order.
        limits: how many testers, and how long they may be quiet.

    Attributes:
        port: the TCP port.
        udp_port: the UDP port: the same number where it was free.
        addresses: as above.
        link: the link address of this door.

    Raises:
        BenchError: the port is in use or no port, or the addresses do not fit the car.
    """

    def __init__(
        self,
        desk: Desk,
        port: int = 0,
        addresses: Mapping[int, str] | None = None,
        *,
        limits: DoipLimits = _USUAL_LIMITS,
    ) -> None:
        self.addresses = dict(logical_addresses(desk.units) if addresses is None else addresses)
        self._entity = Entity(desk, self.addresses, limits)
        self._listener = _listen(port)
        self.port = int(self._listener.getsockname()[1])
        self._udp = _bind_udp(self.port)
        self.udp_port = int(self._udp.getsockname()[1])
        self.link = f"doip:{_HOST}:{self.port}"
        self._peers: dict[socket.socket, _Peer] = {}
        self._stop = threading.Event()
        self._wake, self._woken = socket.socketpair()
        self._selector = selectors.DefaultSelector()
        for sock in (self._listener, self._udp, self._woken):
            sock.setblocking(False)
            self._selector.register(sock, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._serve, name=f"bench doip {self.port}", daemon=False)
        self._thread.start()

    def close(self) -> None:
        """Stop serving; returns when thread and sockets are gone. May be called again."""
        self._stop.set()
        with suppress(OSError):
            self._wake.send(b"\0")
        self._thread.join()
        self._wake.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _serve(self) -> None:
        try:
            while not self._stop.is_set():
                for key, _ in self._selector.select(self._wait_s()):
                    self._handle(key.fileobj)
                self._entity.tick(time.monotonic())
                # One tester's end can be another one's turn: look again until nobody leaves.
                while leaving := [peer for peer in self._peers.values() if not self._stays(peer)]:
                    for peer in leaving:
                        self._drop(peer)
        finally:
            for sock in (self._listener, self._udp, self._woken, *self._peers):
                sock.close()
            self._selector.close()

    def _wait_s(self) -> float | None:
        times = [peer.until_s for peer in self._peers.values() if peer.until_s is not None]
        wake_s = self._entity.wake_s()
        if wake_s is not None:
            times.append(wake_s)
        return max(0.0, min(times) - time.monotonic()) if times else None

    def _handle(self, sock: object) -> None:
        if sock is self._listener:
            self._accept()
        elif sock is self._udp:
            self._answer_datagram()
        elif isinstance(sock, socket.socket) and sock in self._peers:
            self._read(self._peers[sock])

    def _accept(self) -> None:
        try:
            sock, _ = self._listener.accept()
        except OSError:  # it went before it was let in, or this process may open no more files: no reason to spin
            self._stop.wait(_BREATH_S)
            return
        if len(self._peers) >= _MOST_OPEN:
            sock.close()
            return
        sock.setblocking(False)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peers[sock] = _Peer(sock, self._entity.opened(time.monotonic()))
        self._selector.register(sock, selectors.EVENT_READ)

    def _answer_datagram(self) -> None:
        with suppress(OSError):  # whoever asked may be gone, or have asked from a port that nobody can answer
            data, sender = self._udp.recvfrom(_LONGEST_DATAGRAM)
            answer = self._entity.datagram(data)
            if answer is not None:
                self._udp.sendto(answer, sender)

    def _read(self, peer: _Peer) -> None:
        try:
            data = peer.sock.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(peer)
        elif not peer.line.ending:
            self._entity.received(peer.line, data, time.monotonic())

    def _stays(self, peer: _Peer) -> bool:
        """Send what is waiting; False once the connection has come to its end."""
        out, now_s = peer.line.out, time.monotonic()
        try:
            if out:
                del out[: peer.sock.send(out)]
        except BlockingIOError:
            pass
        except OSError:
            return False
        if peer.line.ending and peer.until_s is None:
            peer.until_s = now_s + _LINGER_S
        if peer.line.ending and not out:
            with suppress(OSError):
                peer.sock.shutdown(socket.SHUT_WR)
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if out else 0)
        if self._selector.get_key(peer.sock).events != events:
            self._selector.modify(peer.sock, events)
        return len(out) <= _MOST_UNREAD and (peer.until_s is None or now_s < peer.until_s)

    def _drop(self, peer: _Peer) -> None:
        self._selector.unregister(peer.sock)
        del self._peers[peer.sock]
        peer.sock.close()
        self._entity.gone(peer.line, time.monotonic())


def _listen(port: int) -> socket.socket:
    if not 0 <= port <= 0xFFFF:
        raise BenchError(f"DoIP port {port} is none; choose one up to 65535, or 0 for a free one")
    try:
        return socket.create_server((_HOST, port), backlog=_MOST_OPEN)
    except OSError as error:
        reason = error.strerror or str(error)
        raise BenchError(f"DoIP port {port} on {_HOST} cannot be opened ({reason}); choose another, or 0") from error


def _bind_udp(port: int) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        sock.bind((_HOST, port))
    except OSError:
        sock.bind((_HOST, 0))
    return sock

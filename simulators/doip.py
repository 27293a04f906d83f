"""The DoIP door: TCP and UDP on 127.0.0.1, one thread for all testers, around an entity that knows the protocol.

A vehicle would announce itself to the whole network; this one never broadcasts, it is found by asking it.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Mapping
from contextlib import suppress

from simulators.desk import Desk
from simulators.doip_entity import DoipLimits, Entity, logical_addresses
from simulators.serving import HIGHEST_PORT, HOST, Client, Door, listen

_USUAL_LIMITS = DoipLimits()
_LONGEST_DATAGRAM = 0x1_0000
_MOST_OPEN = 256
_MOST_UNREAD = 0x10_0000  # a tester that asks and never reads is let go


class _Peer(Client):
    """A connection and its protocol side."""

    def __init__(self, port: socket.socket, entity: Entity) -> None:
        super().__init__(port, most_unread=_MOST_UNREAD)
        self._entity = entity
        self._line = entity.opened(time.monotonic())

    def take(self, data: bytes) -> None:
        if not self._line.ending:  # as another tester may have it since the last turn
            self._entity.received(self._line, data, time.monotonic())

    def say(self) -> bool:
        """Queue what the entity says on the line; True if that, or the line's end, is news to the door."""
        out, was_ending = self._line.out, self.is_ending
        self.is_ending = self._line.ending
        is_news = bool(out) and self.queue(bytes(out))
        out.clear()
        return is_news or self.is_ending is not was_ending

    def left(self) -> None:
        self._entity.gone(self._line, time.monotonic())


class DoipDoor(Door[_Peer]):
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
        listener = listen(
            port,
            no_port=f"DoIP port {port} is none; choose one up to {HIGHEST_PORT}, or 0 for a free one",
            in_use=f"DoIP port {port} on {HOST} cannot be opened",
        )
        self.port = int(listener.getsockname()[1])
        self._udp = _bind_udp(self.port)
        self.udp_port = int(self._udp.getsockname()[1])
        self.link = f"doip:{HOST}:{self.port}"
        super().__init__(f"bench doip {self.port}", listener, others={self._udp: self._answer_datagram})

    def _welcome(self, port: socket.socket) -> _Peer | None:
        return _Peer(port, self._entity) if len(self._clients) < _MOST_OPEN else None

    def _tick(self, now_s: float) -> float | None:
        self._entity.tick(now_s)
        for peer in self._clients:
            if peer.say():
                self.wake(peer)
        return self._entity.wake_s()

    def _answer_datagram(self) -> None:
        with suppress(OSError):  # whoever asked may be gone, or have asked from a port that nobody can answer
            data, sender = self._udp.recvfrom(_LONGEST_DATAGRAM)
            answer = self._entity.datagram(data)
            if answer is not None:
                self._udp.sendto(answer, sender)


def _bind_udp(port: int) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        sock.bind((HOST, port))
    except OSError:
        sock.bind((HOST, 0))
    return sock

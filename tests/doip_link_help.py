"""A DoIP entity that does as a test tells it, on a socket and in a thread of its own; headers by code of its own."""

from __future__ import annotations

import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Self

import pytest
from doip_help import packet

from decoders.errors import LinkError, MendproofError
from decoders.values import Exchange, Request
from gateway.links import Limits, Link, Plan, parse_link
from gateway.links.doip import open_doip

TESTER, EVERYONE = 0x0E80, 0xE400
LIMITS = Limits(
    p2_ms=300, p2_star_ms=1000, n_cr_ms=500, n_bs_ms=450, ceiling_ms=4000, functional_ms=200, connect_ms=5000
)
SOON = Limits(connect_ms=500)
READ = bytes.fromhex("1902FF")
NO_CODES = bytes.fromhex("5902FF")
VIN = bytes.fromhex("22F190")
PENDING = bytes.fromhex("7F1978")


class Talk:
    """One connection, from the entity's side."""

    def __init__(self, sock: socket.socket, tester: int) -> None:
        self.tester = tester
        self._sock = sock

    def raw(self, data: bytes) -> bool:
        """Bytes as they are; False if the other end has gone."""
        try:
            self._sock.sendall(data)
        except OSError:
            return False
        return True

    def send(self, kind: str, body: str = "") -> None:
        """A whole message."""
        self.raw(bytes.fromhex(packet(kind, body)))

    def activated(self, code: int = 0x10, entity: int = 0x1000) -> None:
        """0006: what became of the routing activation."""
        self.send("0006", f"{self.tester:04X} {entity:04X} {code:02X} 00000000")

    def ack(self, unit: int, echo: bytes = b"") -> None:
        """8002: the request is on its way."""
        self.send("8002", f"{unit:04X} {self.tester:04X} 00 {echo.hex()}")

    def nack(self, unit: int, code: int, echo: bytes = b"") -> None:
        """8003: it is not."""
        self.send("8003", f"{unit:04X} {self.tester:04X} {code:02X} {echo.hex()}")

    def answer(self, unit: int, data: bytes, tester: int | None = None) -> None:
        """8001: a unit says something."""
        self.send("8001", f"{unit:04X} {self.tester if tester is None else tester:04X} {data.hex()}")

    def hang_up(self) -> None:
        """Close."""
        with suppress(OSError):
            self._sock.shutdown(socket.SHUT_RDWR)

    def reset(self) -> None:
        """Close as one who has crashed."""
        with suppress(OSError):
            self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self._sock.close()


Script = Callable[[Talk, int, bytes], None]
"""What the entity does about a request: the connection, the unit asked, the payload."""


def polite(talk: Talk, unit: int, data: bytes) -> None:
    """Every unit acknowledges and lists no codes."""
    talk.ack(unit)
    talk.answer(unit, bytes([data[0] + 0x40, *data[1:]]))


class FakeEntity:
    """Serves one script on 127.0.0.1 until closed.

    Attributes:
        requests: unit and payload of every request, in order.
        said: every other message that came, in hex.
        connections: how many testers connected.
    """

    def __init__(
        self,
        script: Script = polite,
        *,
        activate: Callable[[Talk], None] = Talk.activated,
        context: ssl.SSLContext | None = None,
        receive_bytes: int | None = None,
    ) -> None:
        self.requests: list[tuple[int, bytes]] = []
        self.said: list[str] = []
        self.connections = 0
        self.script = script
        self.activate = activate
        self._context = context
        self._listener = socket.create_server(("127.0.0.1", 0))
        if receive_bytes is not None:
            self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        self.port = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    @property
    def link(self) -> str:
        return f"doip:127.0.0.1:{self.port}"

    def close(self) -> None:
        """Stop: every thread is gone when this returns."""
        self.stop_listening()
        for sock in self._open:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(10)
        for sock in self._open:
            sock.close()

    def stop_listening(self) -> None:
        """Take nobody any more."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _accept(self) -> None:
        while True:
            try:
                sock, _ = self._listener.accept()
            except OSError:
                return
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # else small messages wait for each other
            self.connections += 1
            thread = threading.Thread(target=self._serve, args=(sock,))
            self._threads.append(thread)
            self._open.append(sock)
            thread.start()

    def _serve(self, sock: socket.socket) -> None:
        with suppress(OSError):
            if self._context is not None:
                sock = self._context.wrap_socket(sock, server_side=True)
                self._open.append(sock)
            self._talk(sock)

    def _talk(self, sock: socket.socket) -> None:
        talk, stream = Talk(sock, TESTER), b""
        while more := sock.recv(0x1_0000):
            stream += more
            while len(stream) >= 8 and len(stream) >= (end := 8 + int.from_bytes(stream[4:8], "big")):
                self._take(talk, stream[:end])
                stream = stream[end:]

    def _take(self, talk: Talk, message: bytes) -> None:
        kind, body = message[2:4].hex(), message[8:]
        if kind == "0005":
            talk.tester = int.from_bytes(body[:2], "big")
            self.said.append(message.hex().upper())
            self.activate(talk)
        elif kind == "8001":
            unit, data = int.from_bytes(body[2:4], "big"), body[4:]
            self.requests.append((unit, data))
            self.script(talk, unit, data)
        else:
            self.said.append(message.hex().upper())


@contextmanager
def speaking(script: Script) -> Iterator[tuple[FakeEntity, Link]]:
    """An entity with this script, and a link to it."""
    with FakeEntity(script) as entity, connect(entity.link) as link:
        yield entity, link


def refused(entity: FakeEntity, options: str = "", limits: Limits = SOON) -> MendproofError:
    """Why a link to it cannot be opened, told soon and with a next step."""
    begun_s = time.perf_counter()
    with pytest.raises(LinkError) as caught:
        connect(entity.link + options, limits)
    assert time.perf_counter() - begun_s < 10
    assert caught.value.next_step
    assert entity.link.removeprefix("doip:") in caught.value.message
    return caught.value


def connect(text: str, limits: Limits = LIMITS) -> Link:
    """Open a link by its address."""
    return open_doip(parse_link(text), text, limits)


def plan(target: str, *requests: bytes) -> Plan:
    for request in requests:
        yield Request(target, request)


def ask(link: Link, *requests: bytes, target: str = "doip:1010", limits: Limits = LIMITS) -> list[Exchange]:
    """Ask one unit or group one thing after another."""
    return ask_all(link, {target: requests}, limits=limits)


def ask_all(link: Link, wanted: dict[str, Iterable[bytes]], *, limits: Limits = LIMITS) -> list[Exchange]:
    """Ask several units, each its own things."""
    kept: list[Exchange] = []
    plans = {target: plan(target, *requests) for target, requests in wanted.items()}
    link.run(plans, kept.append, threading.Event(), limits)
    return kept


def wait_for(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait until something is so."""
    until_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until_s, "it never came to that"
        time.sleep(0.005)

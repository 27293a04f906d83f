"""What several DoIP tests share: headers spelt out, a car, a hand-moved clock, and a plain client on a socket."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Self

from simulators.desk import Desk, Reply
from simulators.doip import DoipDoor
from simulators.doip_entity import DoipLimits, Entity, Line, logical_addresses
from simulators.scenarios import SCENARIOS

EVERYONE = 0xE400


def new_desk() -> Desk:
    return Desk(SCENARIOS["warning-lamps"].new_car(1))


class ScriptedDesk(Desk):
    """A car whose units all say the same, when the script says so."""

    def __init__(self, *script: Reply) -> None:
        super().__init__(SCENARIOS["warning-lamps"].new_car(1))
        self._script = script
        self.asked: list[tuple[str, bytes, bool]] = []

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        self.asked.append((unit, request, functional))
        return self._script


def packet(kind: str, body: str = "", version: str = "02FD") -> str:
    """A whole message in hex. Source: ISO 13400-2, generic header."""
    body = body.replace(" ", "")
    return f"{version}{kind}{len(body) // 2:08X}{body}"


def activation_request(tester: int = 0x0E00, kind: int = 0) -> str:
    """A routing activation request."""
    return packet("0005", f"{tester:04X} {kind:02X} 00000000")


def split(stream: bytes) -> list[str]:
    """The messages in a stream, each in hex, found by code of its own; a cut one is an error."""
    found = []
    while stream:
        length = 8 + int.from_bytes(stream[4:8], "big")
        if len(stream) < length:
            raise ValueError(f"cut message {stream.hex()}")
        found.append(stream[:length].hex().upper())
        stream = stream[length:]
    return found


@dataclass
class Clocked:
    """An entity whose time a test moves by hand."""

    desk: Desk = field(default_factory=new_desk)
    addresses: Mapping[int, str] | None = None
    limits: DoipLimits = field(default_factory=DoipLimits)
    now_s: float = 1000.0

    def __post_init__(self) -> None:
        units = logical_addresses(self.desk.units) if self.addresses is None else self.addresses
        self.entity = Entity(self.desk, units, self.limits)

    def connect(self, tester: int | None = None) -> Line:
        """A new line; activated where a tester's address is given."""
        line = self.entity.opened(self.now_s)
        if tester is not None:
            assert [packet("0006", f"{tester:04X} 1000 10 00000000")] == self.say(line, activation_request(tester))
        return line

    def say(self, line: Line, data: str) -> list[str]:
        """Bytes on a line, and what comes back at once."""
        self.entity.received(line, bytes.fromhex(data), self.now_s)
        self.entity.tick(self.now_s)
        return self.heard(line)

    def heard(self, line: Line) -> list[str]:
        """What a line was told since it was last looked at."""
        out = split(bytes(line.out))
        line.out.clear()
        return out

    def wait(self, seconds: float) -> None:
        """Let time pass, waking the entity when it asks to be woken."""
        end_s = self.now_s + seconds
        while (wake_s := self.entity.wake_s()) is not None and wake_s <= end_s:
            self.now_s = max(self.now_s, wake_s)
            self.entity.tick(self.now_s)
        self.now_s = end_s


class Tester:
    """A plain client on TCP. Reads message by message; None stands for a closed connection."""

    __test__ = False

    def __init__(self, door: DoipDoor, tester: int | None = None) -> None:
        self._sock = socket.create_connection(("127.0.0.1", door.port), timeout=10)
        if tester is not None:
            self.send(activation_request(tester))
            assert packet("0006", f"{tester:04X} 1000 10 00000000") == self.receive()

    def send(self, data: str) -> None:
        self._sock.sendall(bytes.fromhex(data))

    def receive(self) -> str | None:
        header = self._exactly(8)
        return (
            None
            if header is None
            else (header + (self._exactly(int.from_bytes(header[4:], "big")) or b"")).hex().upper()
        )

    def ask(self, target: int, data: str, tester: int = 0x0E00) -> str | None:
        """What a unit says, behind the confirmation that it was asked."""
        self.send(packet("8001", f"{tester:04X} {target:04X} {data}"))
        assert packet("8002", f"{target:04X} {tester:04X} 00 {data[:32]}") == self.receive()
        return self.receive()

    def close(self) -> None:
        self._sock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _exactly(self, count: int) -> bytes | None:
        got = b""
        while len(got) < count:
            more = self._sock.recv(count - len(got))
            if not more:
                return None
            got += more
        return got


def ask_udp(door: DoipDoor, data: str, wait_s: float = 5.0) -> str | None:
    """The answer to a datagram, or None where none came."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(wait_s)
        sock.sendto(bytes.fromhex(data), ("127.0.0.1", door.udp_port))
        try:
            return sock.recv(0x1_0000).hex().upper()
        except TimeoutError:
            return None

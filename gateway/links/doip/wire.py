"""Messages of ISO 13400-2: bytes in and out, nothing else. doipclient's classes read and write the payloads.

Its stream parser is not used: it looks for the next header in whatever follows a wrong one, and so makes messages
out of rubble.

Source: ISO 13400-2, generic header and payload tables.
"""

from __future__ import annotations

import importlib
import struct
from collections import deque
from collections.abc import Container, Mapping
from dataclasses import dataclass
from typing import Any

VERSIONS = (0x02, 0x03, 0x04)
"""The 2012, 2019 and 2025 editions (the last from memory)."""
ANY_VERSION = 0xFF
"""For a vehicle identification request, when nobody has said yet which version is spoken."""
USUAL_VERSION = VERSIONS[0]
HEADER_LENGTH = 8
LONGEST_PAYLOAD = 0x2_0000  # our own choice: no unit's answer is longer, and rubble mostly announces more

HEADER_REFUSED, IDENTIFICATION, ACTIVATION, ALIVE_CHECK = 0x0000, 0x0004, 0x0006, 0x0007
DIAGNOSTIC, ACKNOWLEDGED, REFUSED = 0x8001, 0x8002, 0x8003

_LENGTHS: Mapping[int, Container[int]] = {
    HEADER_REFUSED: {1},
    IDENTIFICATION: {32, 33},  # without and with the synchronisation status
    ACTIVATION: {9, 13},  # without and with the four bytes of the maker's own
    ALIVE_CHECK: {0},
    DIAGNOSTIC: range(4, LONGEST_PAYLOAD + 1),  # an answer without any byte is kept as a damaged one
    ACKNOWLEDGED: range(5, LONGEST_PAYLOAD + 1),
    REFUSED: range(5, LONGEST_PAYLOAD + 1),
}


class WireError(Exception):
    """What came is no message that anybody can take; what follows it cannot be trusted either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One whole message.

    Args:
        version: protocol version of its header.
        kind: payload type.
        body: payload.
        first_ns: `time.perf_counter_ns` when its first byte was read.
        last_ns: the same for its last byte.
    """

    version: int
    kind: int
    body: bytes
    first_ns: int = 0
    last_ns: int = 0


@dataclass(frozen=True, slots=True)
class Diagnostic:
    """8001: what a unit says, from its logical address to the one it means."""

    source: int
    target: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """8002: a request to `unit` is on its way; `echo` is how much of it is repeated, often nothing."""

    unit: int
    tester: int
    echo: bytes


@dataclass(frozen=True, slots=True)
class Refused:
    """8003: a request to `unit` is not on its way, for the reason `code`; `echo` as in `Acknowledged`."""

    unit: int
    tester: int
    code: int
    echo: bytes


@dataclass(frozen=True, slots=True)
class Activation:
    """0006: what became of a routing activation of `tester`."""

    tester: int
    entity: int
    code: int


@dataclass(frozen=True, slots=True)
class AliveCheck:
    """0007: is this connection still in use?"""


@dataclass(frozen=True, slots=True)
class HeaderRefused:
    """0000: the header of something sent is not accepted, for the reason `code`."""

    code: int


Said = Diagnostic | Acknowledged | Refused | Activation | AliveCheck | HeaderRefused


class Stream:
    """Finds the messages in what comes in on a connection, however it was cut.

    Attributes:
        found: whole messages, oldest first; whoever reads takes them out.
        last_ns: when the last byte came.
    """

    def __init__(self) -> None:
        self.found: deque[Message] = deque()
        self.last_ns = 0
        self._buffer = bytearray()
        self._first_ns = 0

    @property
    def partial(self) -> bool:
        """True in the middle of a message."""
        return bool(self._buffer)

    def feed(self, data: bytes, now_ns: int) -> None:
        """Take bytes; messages that they make whole are added to `found`.

        Raises:
            WireError: no message begins like this, or one is too long; nothing more can be found.
        """
        if not self._buffer:
            self._first_ns = now_ns
        self._buffer += data
        self.last_ns = now_ns
        at = 0
        try:
            while (end := _end_of_message(self._buffer, at)) is not None:
                body = bytes(self._buffer[at + HEADER_LENGTH : end])
                kind = int.from_bytes(self._buffer[at + 2 : at + 4], "big")
                version = self._buffer[at]
                self.found.append(
                    Message(version=version, kind=kind, body=body, first_ns=self._first_ns, last_ns=now_ns)
                )
                at, self._first_ns = end, now_ns
        finally:
            del self._buffer[:at]


def _end_of_message(buffer: bytearray, at: int) -> int | None:
    """Where the message that begins here ends; None while it is not whole."""
    begin = buffer[at : at + HEADER_LENGTH]
    if len(begin) >= 1 and begin[0] not in VERSIONS:
        raise WireError(f"what it sends begins with {begin[:2].hex().upper()}, which is no DoIP version known here")
    if len(begin) >= 2 and begin[1] != begin[0] ^ 0xFF:
        raise WireError(f"what it sends begins with {begin[:2].hex().upper()}, which is no DoIP header")
    if len(begin) < HEADER_LENGTH:
        return None
    length = int.from_bytes(begin[4:], "big")
    if length > LONGEST_PAYLOAD:
        raise WireError(f"it announces a message of {length} bytes, more than this link takes")
    end = at + HEADER_LENGTH + length
    return end if len(buffer) >= end else None


def read_datagram(data: bytes, now_ns: int) -> Message:
    """The one message that a datagram holds.

    Raises:
        WireError: it holds no message, or not exactly one.
    """
    stream = Stream()
    stream.feed(data, now_ns)
    if len(stream.found) != 1 or stream.partial:
        raise WireError("the datagram does not hold one message")
    return stream.found[0]


def read(message: Message) -> Said | None:
    """What a message says; None if it is of a kind that says nothing to a tester.

    Raises:
        WireError: its payload has a length that its kind cannot have.
    """
    kind, body = message.kind, message.body
    if kind in _LENGTHS and len(body) not in _LENGTHS[kind]:
        raise WireError(f"it sent a message of type {kind:04X} with {len(body)} bytes, which says nothing")
    known = _classes()
    if kind == DIAGNOSTIC:
        said = known.DiagnosticMessage.unpack(body, len(body))
        return Diagnostic(said.source_address, said.target_address, bytes(said.user_data))
    if kind == ACKNOWLEDGED:
        said = known.DiagnosticMessagePositiveAcknowledgement.unpack(body, len(body))
        return Acknowledged(said.source_address, said.target_address, bytes(said.previous_message_data or b""))
    if kind == REFUSED:
        said = known.DiagnosticMessageNegativeAcknowledgement.unpack(body, len(body))
        # The class knows no reserved codes and raises on them: the code is taken from where the table puts it.
        return Refused(said.source_address, said.target_address, body[4], bytes(said.previous_message_data or b""))
    if kind == ACTIVATION:
        said = known.RoutingActivationResponse.unpack(body, len(body))
        return Activation(said.client_logical_address, said.logical_address, body[4])
    if kind == ALIVE_CHECK:
        return AliveCheck()
    return HeaderRefused(body[0]) if kind == HEADER_REFUSED else None


def activation_request(version: int, tester: int) -> bytes:
    """0005: routing activation of the default type 00."""
    return _frame(version, _classes().RoutingActivationRequest(tester, 0x00))


def diagnostic(version: int, tester: int, target: int, data: bytes) -> bytes:
    """8001: a request to a unit or a group."""
    return _frame(version, _classes().DiagnosticMessage(tester, target, data))


def alive(version: int, tester: int) -> bytes:
    """0008: this connection is in use."""
    return _frame(version, _classes().AliveCheckResponse(tester))


def identification_request() -> bytes:
    """0001: who is there?"""
    return _frame(ANY_VERSION, _classes().VehicleIdentificationRequest())


def _frame(version: int, message: Any) -> bytes:
    """A payload behind its generic header."""
    body = bytes(message.pack())
    return struct.pack("!BBHL", version, version ^ 0xFF, message.payload_type, len(body)) + body


def _classes() -> Any:
    """The messages of doipclient. It is loaded when a link is opened, and has no annotations."""
    return importlib.import_module("doipclient.messages")

"""The messages of ISO 13400-2 as the bench writes and reads them: header, payloads, codes. No sockets.

Layouts: ISO 13400-2:2012, generic header and payload tables; which refusal ends a connection: the same, from memory.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass

HEADER_LENGTH = 8
# 01 was a draft with other layouts. A client that does not know the version asks for identification as FF.
VERSIONS, ANY_VERSION, USUAL_VERSION = (0x02, 0x03, 0x04), 0xFF, 0x02
LONGEST_PAYLOAD = 0x1_0000  # our own choice; the entity status tells it

# Payload types.
NOT_ACCEPTED = 0x0000
IDENTIFY, IDENTIFY_BY_EID, IDENTIFY_BY_VIN, ANNOUNCEMENT = 0x0001, 0x0002, 0x0003, 0x0004
ACTIVATE, ACTIVATION = 0x0005, 0x0006
ALIVE_CHECK, ALIVE = 0x0007, 0x0008
ASK_STATUS, STATUS, ASK_POWER_MODE, POWER_MODE = 0x4001, 0x4002, 0x4003, 0x4004
DIAGNOSTIC, DIAGNOSTIC_TAKEN, DIAGNOSTIC_REFUSED = 0x8001, 0x8002, 0x8003

# Why a header is not accepted; the first and the last end a connection, because what follows cannot be found.
BAD_PATTERN, UNKNOWN_TYPE, TOO_LARGE, BAD_LENGTH = 0x00, 0x01, 0x02, 0x04
# What becomes of a routing activation; everything below `ACTIVATED` ends the connection.
UNKNOWN_SOURCE, ALL_IN_USE, OTHER_SOURCE, SOURCE_IN_USE, UNKNOWN_ACTIVATION = 0x00, 0x01, 0x02, 0x03, 0x06
ACTIVATED = 0x10
# Why a diagnostic message is refused; the first ends the connection.
WRONG_SOURCE, UNKNOWN_TARGET, REQUEST_TOO_LARGE = 0x02, 0x03, 0x04

Lengths = Mapping[int, Container[int]]
_ANY_LENGTH = range(LONGEST_PAYLOAD + 1)
# Payload lengths that an entity takes. A refusal is taken and never answered, or two entities would never end.
ON_UDP: Lengths = {
    NOT_ACCEPTED: _ANY_LENGTH,
    IDENTIFY: {0},
    IDENTIFY_BY_EID: {6},
    IDENTIFY_BY_VIN: {17},
    ASK_STATUS: {0},
    ASK_POWER_MODE: {0},
}
ON_TCP: Lengths = {
    NOT_ACCEPTED: _ANY_LENGTH,
    ACTIVATE: {7, 11},  # without and with the four bytes of the maker's own
    ALIVE_CHECK: {0},
    ALIVE: {2},
    DIAGNOSTIC: range(5, LONGEST_PAYLOAD + 1),  # two addresses and at least a service
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A message whose type and length are right.

    Args:
        version: protocol version of its header.
        kind: payload type.
        body: payload.
    """

    version: int
    kind: int
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A header that is not accepted.

    Args:
        version: protocol version to answer in.
        code: negative acknowledge code of the generic header.
    """

    version: int
    code: int

    @property
    def is_final(self) -> bool:
        """True if a connection on which it came is to be closed."""
        return self.code in (BAD_PATTERN, BAD_LENGTH)


class Stream:
    """Finds the messages in what comes in on a connection, however it was cut.

    After a final refusal nothing more can be found: whoever reads it must stop feeding.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._skip = 0

    def feed(self, data: bytes) -> Iterator[Message | Refusal]:
        """The messages that these bytes make whole, and what is wrong with them, in order."""
        self._buffer += data
        while (found := self._next()) is not None:
            yield found

    def _next(self) -> Message | Refusal | None:
        skipped = min(self._skip, len(self._buffer))
        del self._buffer[:skipped]
        self._skip -= skipped
        if not _fits_pattern(self._buffer):
            return Refusal(version=USUAL_VERSION, code=BAD_PATTERN)
        if len(self._buffer) < HEADER_LENGTH:
            return None
        version, kind, length = _header(self._buffer)
        code = _judge(kind, length, ON_TCP)
        if code is not None:
            self._skip = HEADER_LENGTH + length
            return Refusal(version=version, code=code)
        if len(self._buffer) < HEADER_LENGTH + length:
            return None
        body = bytes(self._buffer[HEADER_LENGTH : HEADER_LENGTH + length])
        del self._buffer[: HEADER_LENGTH + length]
        return Message(version=version, kind=kind, body=body)


def read_datagram(data: bytes) -> Message | Refusal:
    """The one message that a datagram holds."""
    if len(data) < HEADER_LENGTH:
        return Refusal(version=USUAL_VERSION, code=BAD_PATTERN)
    version, kind, length = _header(data)
    if data[:2] == b"\xff\x00" and kind in (IDENTIFY, IDENTIFY_BY_EID, IDENTIFY_BY_VIN):
        version = USUAL_VERSION
    elif not _fits_pattern(data):
        return Refusal(version=USUAL_VERSION, code=BAD_PATTERN)
    code = _judge(kind, length, ON_UDP)
    if code is None and HEADER_LENGTH + length != len(data):
        code = BAD_LENGTH
    if code is not None:
        return Refusal(version=version, code=code)
    return Message(version=version, kind=kind, body=bytes(data[HEADER_LENGTH:]))


def _fits_pattern(data: bytes | bytearray) -> bool:
    """True unless what is there of version and inverse version is already wrong."""
    return not data or (data[0] in VERSIONS and data[1:2] in (b"", bytes([data[0] ^ 0xFF])))


def _header(data: bytes | bytearray) -> tuple[int, int, int]:
    """Version, payload type and payload length."""
    return data[0], int.from_bytes(data[2:4], "big"), int.from_bytes(data[4:8], "big")


def _judge(kind: int, length: int, lengths: Lengths) -> int | None:
    """Why the header is not accepted, checked in the standard's order: type, size, length."""
    if kind not in lengths:
        return UNKNOWN_TYPE
    if length > LONGEST_PAYLOAD:
        return TOO_LARGE
    return None if length in lengths[kind] else BAD_LENGTH


def message(version: int, kind: int, *parts: bytes) -> bytes:
    """A whole message: the generic header before its payload."""
    body = b"".join(parts)
    return bytes([version, version ^ 0xFF]) + kind.to_bytes(2, "big") + len(body).to_bytes(4, "big") + body


def address(number: int) -> bytes:
    """A logical address."""
    return number.to_bytes(2, "big")


def not_accepted(version: int, code: int) -> bytes:
    """0000: the header of what came is not accepted."""
    return message(version, NOT_ACCEPTED, bytes([code]))


def announcement(version: int, vin: bytes, entity: int, eid: bytes) -> bytes:
    """0004: who is here; no further action needed, VIN and group in step. The group is the entity itself."""
    return message(version, ANNOUNCEMENT, vin, address(entity), eid, eid, b"\x00\x00")


def activation(version: int, tester: int, entity: int, code: int) -> bytes:
    """0006: what became of a routing activation."""
    return message(version, ACTIVATION, address(tester), address(entity), bytes([code]), bytes(4))


def alive_check(version: int) -> bytes:
    """0007: is this connection still in use?"""
    return message(version, ALIVE_CHECK)


def alive(version: int, own: int) -> bytes:
    """0008: it is."""
    return message(version, ALIVE, address(own))


def status(version: int, most: int, now: int) -> bytes:
    """4002: a gateway, how many connections it serves at most and now, and the longest payload it takes."""
    counts = bytes([0x00, min(most, 0xFF), min(now, 0xFF)])
    return message(version, STATUS, counts, LONGEST_PAYLOAD.to_bytes(4, "big"))


def power_mode(version: int, *, ready: bool) -> bytes:
    """4004: whether the car is ready for diagnostics."""
    return message(version, POWER_MODE, bytes([ready]))


def diagnostic(version: int, source: int, target: int, data: bytes) -> bytes:
    """8001: what a unit says."""
    return message(version, DIAGNOSTIC, address(source), address(target), data)


def taken(version: int, source: int, target: int, request: bytes) -> bytes:
    """8002: the request is on its way to the unit; its begin is repeated."""
    return message(version, DIAGNOSTIC_TAKEN, address(source), address(target), b"\x00", request)


def refused(version: int, source: int, target: int, code: int, request: bytes) -> bytes:
    """8003: the request goes nowhere; its begin is repeated."""
    return message(version, DIAGNOSTIC_REFUSED, address(source), address(target), bytes([code]), request)

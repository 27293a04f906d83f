"""The same OBD values by two services: PID xx by service 01, identifier F4xx by service 22.

A value is numbered by how it is asked for: 00..FF by service 01, F400..F4FF by service 22.
Source: SAE J1979, service 01; SAE J1979-2 / ISO 27145-2, identifiers F400 to F4FF.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from decoders import Cursor, decode_identifier, decode_supported, read_support

OBD_PAGE = 0xF400
_LAST_PID = 0xFF


def value_request(number: int) -> bytes:
    """The request for one value."""
    return bytes([0x01, number]) if number <= _LAST_PID else b"\x22" + number.to_bytes(2, "big")


def asked_alike(pids: Iterable[int], number: int) -> tuple[int, ...]:
    """The numbers of these PIDs by the service that this number goes by."""
    return tuple(number & ~_LAST_PID | pid for pid in pids)


def supported_values(data: bytes) -> frozenset[int]:
    """The numbers that a support bitmap names: an answer 41 00, 20, ... or 62 F400, F420, ...

    Raises:
        DecodeError: another answer, or a cut one.
    """
    if data[:1] != b"\x62":
        return decode_supported(data)
    group = decode_identifier(data)
    pids = read_support(Cursor(bytes([group.number & _LAST_PID]) + group.data))
    return frozenset(OBD_PAGE | pid for pid in pids)


def asked_value(request: bytes) -> int | None:
    """The number of the one value that a request asks for, or None if it asks for anything else."""
    if request[:1] == b"\x01" and len(request) == 2:
        return request[1]
    if request[:2] == b"\x22\xf4" and len(request) == 3:
        return OBD_PAGE | request[2]
    return None


def offered(pids: Iterable[int], supported: Collection[int]) -> tuple[int, ...]:
    """The numbers by which a unit tells these PIDs; by service 01 where it offers both."""
    found = []
    for pid in pids:
        number = next((number for number in (pid, OBD_PAGE | pid) if number in supported), None)
        if number is not None:
            found.append(number)
    return tuple(found)

"""Requests of the OBD services 01 to 0A, as a recording or a guard meets them, and answers of service 08.

Service 08 moves parts: it is read here and never sent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.cursor import Cursor
from decoders.obd_data import support_bits

_GROUP = 0x20
_SUPPORT_BYTES = 4
_FREEZE_FRAME, _OXYGEN_TESTS, _CONTROL = 0x02, 0x05, 0x08

_MOST: Mapping[int, int] = MappingProxyType(
    {0x01: 6, _FREEZE_FRAME: 3, 0x03: 0, 0x04: 0, _OXYGEN_TESTS: 1, 0x06: 6, 0x07: 0, _CONTROL: 1, 0x09: 6, 0x0A: 0}
)
"""Service -> most identifiers in one request. Source: SAE J1979 / ISO 15031-5 on CAN (02: from memory)."""

CONTROL_NAMES: Mapping[int, str] = MappingProxyType({0x01: "evaporative system leak test"})
"""What service 08 controls, in our own words. Source: SAE J1979-DA (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObdRequest:
    """One request.

    Args:
        service: 01 to 0A.
        identifiers: PIDs, tests, monitors or infotypes asked for, in the order sent. Padding cannot be told from
            them as long as the service allows one more.
        frames: 02: the number of the freeze frame of each identifier; else empty.
        sensor: 05: the sensor asked for; else None.
        data: 08: the bytes behind the test; else empty.
        leftover: fill bytes behind it, else empty.
        raw: the whole request.
    """

    service: int
    identifiers: tuple[int, ...]
    frames: tuple[int, ...]
    sensor: int | None
    data: bytes
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlAnswer:
    """One answer of service 08.

    Args:
        test: number of what was controlled.
        test_name: what it is, or that it is unknown.
        supported: the numbers that a support bitmap names; None where it is none.
        data: the bytes behind the number. Padding cannot be told from them.
        raw: the whole answer.
    """

    test: int
    test_name: str
    supported: frozenset[int] | None
    data: bytes
    raw: bytes


def decode_obd_request(data: bytes) -> ObdRequest:
    """Read a request of the services 01 to 0A.

    Raises:
        DecodeError: another service, a cut request, or other bytes than padding behind the most identifiers that
            the service allows.

    Source: SAE J1979 / ISO 15031-5, request formats on CAN.
    """
    cursor = Cursor(data)
    service = cursor.one_of(_MOST, "service")
    identifiers: list[int] = []
    frames: list[int] = []
    sensor: int | None = None
    while len(identifiers) < _MOST[service] and (cursor.remaining or not identifiers):
        identifiers.append(cursor.u8("identifier"))
        if service == _FREEZE_FRAME:
            frames.append(cursor.u8("frame number"))
        elif service == _OXYGEN_TESTS:
            sensor = cursor.u8("sensor")
    return ObdRequest(
        service=service,
        identifiers=tuple(identifiers),
        frames=tuple(frames),
        sensor=sensor,
        data=cursor.rest() if service == _CONTROL else b"",
        leftover=cursor.padding("end of request"),
        raw=data,
    )


def decode_control(data: bytes) -> ControlAnswer:
    """Read an answer 48.

    Raises:
        DecodeError: another answer, or a cut one.

    Source: SAE J1979 / ISO 15031-5, service 08 on CAN.
    """
    cursor = Cursor(data)
    cursor.one_of((0x48,), "service")
    test = cursor.u8("test")
    is_group = test % _GROUP == 0
    supported = support_bits(test, cursor.peek(_SUPPORT_BYTES, "support bits")) if is_group else None
    name = "supported tests" if is_group else CONTROL_NAMES.get(test, f"unknown test {test:02X}")
    return ControlAnswer(test=test, test_name=name, supported=supported, data=cursor.rest(), raw=data)

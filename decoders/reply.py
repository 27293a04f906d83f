"""What one message is to the request it came back for: by service identifier and echo alone.

Time, sender and repetition (late, duplicate) are for the link to judge; here is no clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from decoders.cursor import is_padding
from decoders.services import NEGATIVE_RESPONSE, POSITIVE_OFFSET, RESPONSE_PENDING, Service
from decoders.values import AnswerKind

_SUPPRESS_BIT = 0x80
_NEGATIVE_LENGTH = 3

_SUB_FUNCTION_ECHO: Mapping[int, int] = MappingProxyType(
    {
        Service.SESSION_CONTROL: 1,
        Service.ECU_RESET: 1,
        Service.READ_DTC: 1,
        Service.SECURITY_ACCESS: 1,
        Service.COMMUNICATION_CONTROL: 1,
        Service.AUTHENTICATION: 1,
        Service.DEFINE_DATA: 1,
        Service.ROUTINE_CONTROL: 3,
        Service.TESTER_PRESENT: 1,
        Service.TIMING_PARAMETERS: 1,
        Service.DTC_SETTING: 1,
        Service.RESPONSE_ON_EVENT: 1,
        Service.LINK_CONTROL: 1,
    }
)
"""Bytes echoed, the first of them a sub-function. Source: ISO 14229-1, positive response formats."""

_REPORT_ECHO: Mapping[int, tuple[int, ...]] = MappingProxyType(
    {
        **dict.fromkeys((0x04, 0x06, 0x10), (0, 1, 2, 3)),
        0x16: (0, 1),
        0x17: (0, 2),
        **dict.fromkeys((0x18, 0x19), (0, 5, 1, 2, 3)),
        **dict.fromkeys((0x42, 0x55, 0x56), (0, 1)),
    }
)
"""Reports of service 19 that echo more than their sub-function -> which bytes of the request, in this order.

The sub-function is byte 0. Echoed are the code asked for (04, 06, 10), the record number (16), the memory
(17) and the code in it (18, 19), the functional group (42, 55, 56). Source: ISO 14229-1, positive response formats.
"""

_PARAMETER_ECHO: Mapping[int, int] = MappingProxyType(
    {Service.OBD_OXYGEN_SENSOR_TESTS: 2, Service.WRITE_DATA: 2, Service.IO_CONTROL: 3}
)
"""Bytes echoed by services without a sub-function. Source: ISO 14229-1; SAE J1979."""

_ITEM_ECHO: Mapping[int, int] = MappingProxyType(
    {
        Service.OBD_CURRENT_DATA: 1,
        Service.OBD_FREEZE_FRAME: 2,
        Service.OBD_MONITOR_TESTS: 1,
        Service.OBD_VEHICLE_INFORMATION: 1,
        Service.READ_DATA: 2,
    }
)
"""Services that ask for one or several items of this many bytes.

A unit leaves out items it does not have, so the answer may begin with any of those asked.
Source: ISO 14229-1, ReadDataByIdentifier; SAE J1979, several PIDs in one request.
"""


def _echoes(request: bytes) -> tuple[bytes, ...]:
    """What may follow the service identifier of the positive answer; nothing matches a request cut short."""
    sid, body = request[0], request[1:]
    if sid in _ITEM_ECHO:
        size = _ITEM_ECHO[sid]
        return tuple(body[at : at + size] for at in range(0, len(body) - size + 1, size))
    if sid in _SUB_FUNCTION_ECHO:
        body = bytes(byte & ~_SUPPRESS_BIT for byte in body[:1]) + body[1:]
    places: Sequence[int] = range(_SUB_FUNCTION_ECHO.get(sid, _PARAMETER_ECHO.get(sid, 0)))
    if sid == Service.READ_DTC and body:
        places = _REPORT_ECHO.get(body[0], places)
    return (bytes(body[place] for place in places),) if len(body) > max(places, default=-1) else ()


def matches(request: bytes, data: bytes) -> bool:
    """True if `data` is the positive answer to `request`: its service identifier and the whole echo.

    Source: ISO 14229-1, positive response formats; SAE J1979 / ISO 15031-5 on CAN.
    """
    if not request or not data or data[0] != request[0] + POSITIVE_OFFSET:
        return False
    return any(data[1 : 1 + len(echo)] == echo for echo in _echoes(request))


def classify(request: bytes, data: bytes) -> AnswerKind:
    """Say what `data` is to `request`: positive, negative, pending, stray or damaged.

    Damaged is an answer of the right service that is cut before its echo or its refusal code is complete,
    or a refusal with other bytes than padding behind it. Whether the content behind a complete echo can
    be read is for its decoder to say.
    """
    if not data:
        return AnswerKind.DAMAGED
    if data[0] == NEGATIVE_RESPONSE:
        return _classify_negative(request, data)
    if matches(request, data):
        return AnswerKind.POSITIVE
    if request and data[0] == request[0] + POSITIVE_OFFSET:
        begun = data[1:]
        if any(len(begun) < len(echo) and echo.startswith(begun) for echo in _echoes(request)):
            return AnswerKind.DAMAGED
    return AnswerKind.STRAY


def _classify_negative(request: bytes, data: bytes) -> AnswerKind:
    if len(data) > 1 and data[1:2] != request[:1]:
        return AnswerKind.STRAY
    tail = data[_NEGATIVE_LENGTH:]
    if len(data) < _NEGATIVE_LENGTH or (tail and not is_padding(tail)):
        return AnswerKind.DAMAGED
    return AnswerKind.PENDING if data[2] == RESPONSE_PENDING else AnswerKind.NEGATIVE

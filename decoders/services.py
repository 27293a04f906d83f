"""Service identifiers and negative response codes, with short names in our own words.

Unknown numbers are no error: they are named as unknown and keep their number.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum, StrEnum
from types import MappingProxyType

NEGATIVE_RESPONSE = 0x7F
POSITIVE_OFFSET = 0x40
RESPONSE_PENDING = 0x78


class Service(IntEnum):
    """Request service identifiers.

    Source: ISO 14229-1, service identifier table (10 to 87); SAE J1979 / ISO 15031-5 (01 to 0A).
    """

    OBD_CURRENT_DATA = 0x01
    OBD_FREEZE_FRAME = 0x02
    OBD_STORED_CODES = 0x03
    OBD_CLEAR = 0x04
    OBD_OXYGEN_SENSOR_TESTS = 0x05
    OBD_MONITOR_TESTS = 0x06
    OBD_PENDING_CODES = 0x07
    OBD_CONTROL = 0x08
    OBD_VEHICLE_INFORMATION = 0x09
    OBD_PERMANENT_CODES = 0x0A
    SESSION_CONTROL = 0x10
    ECU_RESET = 0x11
    CLEAR_DTC = 0x14
    READ_DTC = 0x19
    READ_DATA = 0x22
    READ_MEMORY = 0x23
    READ_SCALING = 0x24
    SECURITY_ACCESS = 0x27
    COMMUNICATION_CONTROL = 0x28
    AUTHENTICATION = 0x29
    READ_PERIODIC = 0x2A
    DEFINE_DATA = 0x2C
    WRITE_DATA = 0x2E
    IO_CONTROL = 0x2F
    ROUTINE_CONTROL = 0x31
    REQUEST_DOWNLOAD = 0x34
    REQUEST_UPLOAD = 0x35
    TRANSFER_DATA = 0x36
    TRANSFER_EXIT = 0x37
    FILE_TRANSFER = 0x38
    WRITE_MEMORY = 0x3D
    TESTER_PRESENT = 0x3E
    TIMING_PARAMETERS = 0x83
    SECURED_DATA = 0x84
    DTC_SETTING = 0x85
    RESPONSE_ON_EVENT = 0x86
    LINK_CONTROL = 0x87


_SERVICE_NAMES: Mapping[int, str] = MappingProxyType(
    {
        Service.OBD_CURRENT_DATA: "OBD current data",
        Service.OBD_FREEZE_FRAME: "OBD freeze frame",
        Service.OBD_STORED_CODES: "OBD stored codes",
        Service.OBD_CLEAR: "OBD clear",
        Service.OBD_OXYGEN_SENSOR_TESTS: "OBD oxygen sensor tests",
        Service.OBD_MONITOR_TESTS: "OBD monitor tests",
        Service.OBD_PENDING_CODES: "OBD pending codes",
        Service.OBD_CONTROL: "OBD control of a system",
        Service.OBD_VEHICLE_INFORMATION: "OBD vehicle information",
        Service.OBD_PERMANENT_CODES: "OBD permanent codes",
        Service.SESSION_CONTROL: "session control",
        Service.ECU_RESET: "unit reset",
        Service.CLEAR_DTC: "clear codes",
        Service.READ_DTC: "read codes",
        Service.READ_DATA: "read data by identifier",
        Service.READ_MEMORY: "read memory",
        Service.READ_SCALING: "read scaling",
        Service.SECURITY_ACCESS: "security access",
        Service.COMMUNICATION_CONTROL: "communication control",
        Service.AUTHENTICATION: "authentication",
        Service.READ_PERIODIC: "read data periodically",
        Service.DEFINE_DATA: "define data identifier",
        Service.WRITE_DATA: "write data by identifier",
        Service.IO_CONTROL: "input and output control",
        Service.ROUTINE_CONTROL: "routine control",
        Service.REQUEST_DOWNLOAD: "request download",
        Service.REQUEST_UPLOAD: "request upload",
        Service.TRANSFER_DATA: "transfer data",
        Service.TRANSFER_EXIT: "end of transfer",
        Service.FILE_TRANSFER: "file transfer",
        Service.WRITE_MEMORY: "write memory",
        Service.TESTER_PRESENT: "tester present",
        Service.TIMING_PARAMETERS: "timing parameters",
        Service.SECURED_DATA: "secured data transmission",
        Service.DTC_SETTING: "code setting control",
        Service.RESPONSE_ON_EVENT: "response on event",
        Service.LINK_CONTROL: "link control",
    }
)


def service_name(sid: int) -> str:
    """The name of a request service identifier, 0..FF; ``unknown service 21`` for any other."""
    return _SERVICE_NAMES.get(sid, f"unknown service {sid:02X}")


class RefusalClass(StrEnum):
    """What kind of no a negative response code is: our own grouping, for deciding what to do next."""

    RETRY_LATER = "retry later"
    NOT_SUPPORTED = "not supported"
    NOT_NOW = "not now"
    SECURITY = "security"
    WRONG_REQUEST = "wrong request"
    UNKNOWN = "unknown"


_BY_CLASS: Mapping[RefusalClass, Mapping[int, str]] = {
    RefusalClass.UNKNOWN: {0x10: "refused without a reason"},
    RefusalClass.NOT_SUPPORTED: {
        0x11: "service not supported",
        0x12: "sub-function not supported",
        0x31: "request out of range",
    },
    RefusalClass.WRONG_REQUEST: {
        0x13: "wrong length or format",
        0x14: "answer would be too long",
        0x24: "wrong order of requests",
        0x71: "transfer suspended",
        0x73: "wrong block number",
    },
    RefusalClass.RETRY_LATER: {
        0x21: "busy, ask again",
        0x25: "unit behind it does not answer",
        0x78: "answer pending",
        0x94: "resource taken for the moment",
    },
    RefusalClass.SECURITY: {
        0x33: "security access denied",
        0x34: "authentication required",
        0x35: "wrong key",
        0x36: "too many attempts",
        0x37: "waiting time not over",
        0x38: "secured transmission required",
        0x39: "secured transmission not allowed",
        0x3A: "secured transmission failed its check",
        0x50: "certificate out of its time",
        0x51: "certificate with a wrong signature",
        0x52: "certificate without a chain of trust",
        0x53: "certificate of a wrong type",
        0x54: "certificate of a wrong format",
        0x55: "certificate with wrong content",
        0x56: "certificate of a wrong scope",
        0x57: "certificate not valid",
        0x58: "ownership not shown",
        0x59: "challenge could not be computed",
        0x5A: "rights could not be set",
        0x5B: "session key could not be made",
        0x5C: "configuration data could not be used",
        0x5D: "authentication could not be ended",
    },
    RefusalClass.NOT_NOW: {
        0x22: "conditions not correct",
        0x26: "a failure prevents it",
        0x70: "upload or download not accepted",
        0x72: "programming failure",
        0x7E: "sub-function not in this session",
        0x7F: "service not in this session",
        0x81: "engine speed too high",
        0x82: "engine speed too low",
        0x83: "engine is running",
        0x84: "engine is not running",
        0x85: "engine run time too short",
        0x86: "temperature too high",
        0x87: "temperature too low",
        0x88: "vehicle speed too high",
        0x89: "vehicle speed too low",
        0x8A: "pedal pressed too far",
        0x8B: "pedal not pressed far enough",
        0x8C: "gear not in neutral",
        0x8D: "no gear engaged",
        0x8F: "brake not pressed",
        0x90: "lever not in park",
        0x91: "converter clutch locked",
        0x92: "voltage too high",
        0x93: "voltage too low",
    },
}

REFUSALS: Mapping[int, tuple[str, RefusalClass]] = MappingProxyType(
    {code: (name, kind) for kind, names in _BY_CLASS.items() for code, name in names.items()}
)
"""Negative response code -> our words and its class. Source: ISO 14229-1, Annex A."""


_MAKERS_CONDITIONS = range(0xF0, 0xFF)
"""Conditions that each maker defines. Source: ISO 14229-1, Annex A (from memory)."""


def refusal_name(code: int) -> str:
    """A negative response code in words; ``unknown refusal 0xNN`` for a code that the standard does not give away."""
    if code in _MAKERS_CONDITIONS:
        return f"the maker's own condition 0x{code:02X} not correct"
    return REFUSALS[code][0] if code in REFUSALS else f"unknown refusal 0x{code:02X}"


def refusal_class(code: int) -> RefusalClass:
    """The class of a negative response code; `RefusalClass.UNKNOWN` where the code gives no reason."""
    if code in _MAKERS_CONDITIONS:
        return RefusalClass.NOT_NOW
    return REFUSALS[code][1] if code in REFUSALS else RefusalClass.UNKNOWN

"""The third byte of a trouble code: how the thing failed, in our own words.

Source: SAE J2012-DA, failure type byte, values as published. ISO 14229-1 lets a unit with another code format use
the byte otherwise; common practice is that it does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

NO_DETAIL = 0x00
"""The failure type that tells nothing beyond the code itself."""

FAILURE_TYPES: Mapping[int, str] = MappingProxyType(
    {
        NO_DETAIL: "no further detail",
        0x01: "electrical failure",
        0x02: "signal failure",
        0x03: "frequency or pulse width failure",
        0x04: "failure inside the system",
        0x05: "programming failure of the system",
        0x06: "failure found by an algorithm",
        0x07: "mechanical failure",
        0x08: "failure of a bus signal or message",
        0x09: "failure of a part",
        0x11: "short to ground",
        0x12: "short to battery",
        0x13: "open circuit",
        0x14: "short to ground or open circuit",
        0x15: "short to battery or open circuit",
        0x16: "voltage too low",
        0x17: "voltage too high",
        0x18: "current too low",
        0x19: "current too high",
        0x1A: "resistance too low",
        0x1B: "resistance too high",
        0x1C: "voltage out of range",
        0x1D: "current out of range",
        0x1E: "resistance out of range",
        0x1F: "intermittent connection",
        0x21: "signal swing too small",
        0x22: "signal swing too large",
        0x23: "signal stays low",
        0x24: "signal stays high",
        0x25: "wrong shape of signal",
        0x26: "signal changes too slowly",
        0x27: "signal changes too fast",
        0x28: "signal offset out of range or zero point not set",
        0x29: "signal not valid",
        0x2F: "signal erratic",
        0x31: "no signal",
        0x32: "signal low too briefly",
        0x33: "signal low too long",
        0x34: "signal high too briefly",
        0x35: "signal high too long",
        0x36: "frequency too low",
        0x37: "frequency too high",
        0x38: "wrong frequency",
        0x39: "too few pulses",
        0x3A: "too many pulses",
        0x41: "checksum failure",
        0x42: "memory failure",
        0x43: "failure of a special memory",
        0x44: "failure of the data memory",
        0x45: "failure of the program memory",
        0x46: "failure of the calibration memory",
        0x47: "failure of the watchdog or safety processor",
        0x48: "failure of the monitoring software",
        0x49: "electronics failed inside the unit",
        0x4A: "wrong part fitted",
        0x4B: "too hot inside the unit",
        0x51: "not programmed",
        0x52: "not activated",
        0x53: "deactivated",
        0x54: "calibration missing",
        0x55: "not configured",
        0x61: "signal could not be calculated rightly",
        0x62: "signals do not agree",
        0x63: "protection time ran out",
        0x64: "signal not plausible",
        0x65: "too few changes or events of a signal",
        0x66: "too many changes or events of a signal",
        0x67: "wrong signal after an event",
        0x68: "information on an event",
        0x71: "actuator stuck",
        0x72: "actuator stuck open",
        0x73: "actuator stuck closed",
        0x74: "actuator slips",
        0x75: "emergency position not reached",
        0x76: "mounted in the wrong position",
        0x77: "commanded position not reached",
        0x78: "alignment or adjustment wrong",
        0x79: "failure of the linkage",
        0x7A: "leak or failed seal",
        0x7B: "fluid level too low",
        0x81: "invalid data in a bus message",
        0x82: "message counter wrong or not counting",
        0x83: "protection value of a bus signal wrong",
        0x84: "bus signal below its range",
        0x85: "bus signal above its range",
        0x86: "bus signal marked invalid",
        0x87: "bus message missing",
        0x88: "bus off",
        0x8F: "bus erratic",
        0x91: "value of the part off its mark",
        0x92: "works poorly or wrongly",
        0x93: "does not work",
        0x94: "works without being told to",
        0x95: "assembled wrongly",
        0x96: "failed inside the part",
        0x97: "obstructed or blocked",
        0x98: "part or system too hot",
    }
)

_GROUPS = (
    "general",
    "electrical",
    "signal",
    "frequency or pulse width",
    "inside the unit",
    "programming",
    "algorithm",
    "mechanical",
    "bus",
    "part",
)
"""What the high half of the byte groups, 0 to 9."""


def failure_type_name(byte: int) -> str:
    """A failure type, 00..FF, in words; ``unknown failure type 9F`` for a byte without a published value."""
    return FAILURE_TYPES.get(byte, f"unknown failure type {byte:02X}")


def failure_type_group(byte: int) -> str:
    """What kind of failure the byte's high half stands for; ``unknown group A`` where none is published.

    A byte may belong to a group and still have no published value of its own.
    """
    half = byte >> 4
    return _GROUPS[half] if half < len(_GROUPS) else f"unknown group {half:X}"

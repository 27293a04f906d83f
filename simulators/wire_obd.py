"""Meaning to bytes: the bench's own encoders of SAE J1979 values, freeze frames, test results and counters.

Written from the layouts of SAE J1979-DA (from memory) without the project's decoders, so that mistakes cannot
cancel out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import NamedTuple

from simulators.wire import code_bytes


class Coding(NamedTuple):
    """How one number is sent: value = raw * `step` + `zero`, in `size` bytes, high byte first."""

    size: int
    step: Fraction = Fraction(1)
    zero: Fraction = Fraction(0)
    signed: bool = False

    def encode(self, value: float | Fraction) -> bytes:
        """The nearest raw number; OverflowError where it does not fit."""
        return round((Fraction(value) - self.zero) / self.step).to_bytes(self.size, "big", signed=self.signed)


def _coding(text: str) -> Coding:
    """Read ``size:step:zero``; a leading minus marks a signed number, step and zero may be left out."""
    size, _, rest = text.partition(":")
    step, _, zero = rest.partition(":")
    return Coding(abs(int(size)), Fraction(step or "1"), Fraction(zero or "0"), size.startswith("-"))


_LAMBDA, _OF_255, _CENTRED, _HOT = "2:1/32768", "1:100/255", "1:100/128:-100", "2:1/10:-40"
_COLD, _TORQUE, _TENS = "1:1:-40", "1:1:-125", "2:10"

_PLAIN: Mapping[int, str] = (
    dict.fromkeys((0x04, 0x11, 0x2C, 0x2E, 0x2F, *range(0x47, 0x4D), 0x45, 0x52, 0x5A, 0x5B, 0x8D), _OF_255)
    | dict.fromkeys((0x05, 0x0F, 0x46, 0x5C, 0x84), _COLD)
    | dict.fromkeys((0x06, 0x07, 0x08, 0x09, 0x2D), _CENTRED)
    | dict.fromkeys((0x0B, 0x0D, 0x12, 0x1C, 0x30, 0x33, 0x51, 0x5F), "1")
    | dict.fromkeys((0x02, 0x1F, 0x21, 0x31, 0x4D, 0x4E, 0x63), "2")
    | dict.fromkeys((0x23, 0x59), _TENS)
    | dict.fromkeys((0x3C, 0x3D, 0x3E, 0x3F), _HOT)
    | dict.fromkeys(range(0x14, 0x1C), f"1:0.005 {_CENTRED}")
    | dict.fromkeys(range(0x24, 0x2C), f"{_LAMBDA} 2:1/8192")
    | dict.fromkeys(range(0x34, 0x3C), f"{_LAMBDA} 2:1/256:-128")
    | dict.fromkeys(range(0x55, 0x59), f"{_CENTRED} {_CENTRED}")
    | dict.fromkeys((0x61, 0x62, 0x8E), _TORQUE)
    | {
        0x03: "1 1",
        0x0A: "1:3",
        0x0C: "2:0.25",
        0x0E: "1:0.5:-64",
        0x10: "2:0.01",
        0x22: "2:0.079",
        0x32: "-2:0.25",
        0x42: "2:0.001",
        0x43: "2:100/255",
        0x44: _LAMBDA,
        0x4F: "1 1 1 1:10",
        0x53: "2:0.005",
        0x54: "-2",
        0x5D: "2:1/128:-210",
        0x5E: "2:0.05",
        0x64: " ".join([_TORQUE] * 5),
        0x9D: "2:0.02 2:0.02",
        0x9E: "2:0.2",
        0xA2: "2:1/32",
        0xA6: "4:0.1",
        0xC4: "4 4",
    }
)
"""Parameter -> its numbers, one behind the other."""

_OXYGEN = " ".join(["2:100/65536"] * 4 + ["2:1/8192"] * 4)
_TURBO = f"{_COLD} {_COLD} {_HOT} {_HOT}"
_SOOT_FILTER = "-2:0.01 2:0.01 2:0.01"

_GUARDED: Mapping[int, str] = (
    dict.fromkeys((0x78, 0x79, 0x7C, 0x98, 0x99), " ".join([_HOT] * 4))
    | dict.fromkeys((0x6A, 0x6C, 0x72), " ".join([_OF_255] * 4))
    | dict.fromkeys((0x6B, 0x77), " ".join([_COLD] * 4))
    | dict.fromkeys((0x83, 0xA1), "2 2 2 2")
    | dict.fromkeys((0x66, 0x87), "2:1/32 2:1/32")
    | dict.fromkeys((0x75, 0x76), _TURBO)
    | dict.fromkeys((0x7A, 0x7B), _SOOT_FILTER)
    | dict.fromkeys((0x8C, 0x9C), _OXYGEN)
    | {
        0x67: f"{_COLD} {_COLD}",
        0x68: " ".join([_COLD] * 6),
        0x69: f"{_OF_255} {_OF_255} {_CENTRED} {_OF_255} {_OF_255} {_CENTRED}",
        0x6D: f"{_TENS} {_TENS} {_COLD} {_TENS} {_TENS} {_COLD}",
        0x6E: " ".join([_TENS] * 4),
        0x6F: "1 1",
        0x73: "2:0.01 2:0.01",
        0x74: "2:10 2:10",
        0x7F: "4 4 4",
        0x85: f"2:0.005 2:0.005 {_OF_255} 4",
        0x86: "2:0.0125 2:0.0125",
        0x9F: " ".join([_OF_255] * 8),
        0xA3: "-2:0.25 -2:2 -2:0.25 -2:2",
        0xA5: "1:0.5 2:0.0005",
    }
)
"""Parameter -> its numbers behind a byte whose bits, the lowest first, say which of them the unit has."""


def numbers_of(number: int) -> int:
    """How many numbers a parameter has room for; 0 for one that is not encoded here."""
    return len((_PLAIN.get(number) or _GUARDED.get(number) or "").split())


def parameter(number: int, *values: float | Fraction | None) -> bytes:
    """The data bytes of one parameter.

    Args:
        number: the parameter; KeyError where it is not encoded here.
        values: its numbers; None, where a support byte stands in front, for one that the unit has not.
    """
    guarded = number not in _PLAIN
    codings = [_coding(text) for text in (_GUARDED if guarded else _PLAIN)[number].split()]
    parts = [
        bytes(coding.size) if value is None else coding.encode(value)
        for coding, value in zip(codings, values, strict=True)
    ]
    head = flags(bit for bit, value in enumerate(values) if value is not None) if guarded else b""
    return head + b"".join(parts)


def flags(bits: Iterable[int]) -> bytes:
    """One byte with these bits set, 0 the lowest."""
    return bytes([sum(1 << bit for bit in set(bits))])


def freeze_code(code: str | None) -> bytes:
    """The data of parameter 02: the code that stored the freeze frame, zeros where none is stored."""
    return bytes(2) if code is None else code_bytes(code[:5])


def freeze_frame(items: Iterable[tuple[int, int, bytes]]) -> bytes:
    """Service 02 answered: each parameter with the number of its frame and its data."""
    return bytes([0x42]) + b"".join(bytes([number, frame]) + data for number, frame, data in items)


class Result(NamedTuple):
    """One test result of service 06: numbers as the unit keeps them, negative ones where its scaling is signed."""

    test: int
    scaling: int
    value: int
    low: int
    high: int

    @property
    def data(self) -> bytes:
        """Eight bytes, without the number of the monitor."""
        words = (number & 0xFFFF for number in (self.value, self.low, self.high))
        return bytes([self.test, self.scaling]) + b"".join(word.to_bytes(2, "big") for word in words)


def monitor_results(monitor: int, results: Sequence[Result]) -> bytes:
    """Service 06 answered: the monitor's number stands in front of each result. Source: SAE J1979 on CAN."""
    return bytes([0x46]) + b"".join(bytes([monitor]) + result.data for result in results)


def monitor_identifier(monitor: int, results: Sequence[Result]) -> bytes:
    """Identifier F6xx answered: the results alone. Source: SAE J1979-2."""
    return bytes([0x62, 0xF6, monitor]) + b"".join(result.data for result in results)


def monitor_support(bitmaps: Iterable[tuple[int, bytes]]) -> bytes:
    """Service 06 asked for 00, 20, ... and answered: each base with its bitmap."""
    return bytes([0x46]) + b"".join(bytes([base]) + bitmap for base, bitmap in bitmaps)


def performance_counters(number: int, counters: Sequence[int]) -> bytes:
    """Service 09 08 or 0B answered: how many counters, then two bytes each."""
    return bytes([0x49, number, len(counters)]) + b"".join(counter.to_bytes(2, "big") for counter in counters)

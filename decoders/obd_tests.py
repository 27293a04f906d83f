"""Test results of the OBD services 06 (monitors) and 05 (oxygen sensors, which CAN vehicles have no more)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from decoders.cursor import Cursor, is_padding
from decoders.layout import Number
from decoders.obd_data import read_support, support_bits
from decoders.obd_units import UNIT_SCALINGS, scaled_number, signed_number

_GROUP = 0x20
_SUPPORT_BYTES = 4
_RESULT_BYTES = 8
_FIRST_MAKER_TEST = 0x80

_PLACES = tuple((bank, sensor) for bank in (1, 2, 3, 4) for sensor in (1, 2, 3, 4))


def _banks(first: int, what: str, count: int = 4) -> dict[int, str]:
    return {first + at: f"{what}, bank {at + 1}" for at in range(count)}


MONITOR_NAMES: Mapping[int, str] = MappingProxyType(
    {0x01 + at: f"oxygen sensor, bank {bank} sensor {sensor}" for at, (bank, sensor) in enumerate(_PLACES)}
    | _banks(0x21, "catalyst")
    | _banks(0x31, "EGR")
    | _banks(0x35, "variable valve timing")
    | {
        0x39: "evaporative system, cap off or 3.8 mm leak",
        0x3A: "evaporative system, 2.3 mm leak",
        0x3B: "evaporative system, 1.0 mm leak",
        0x3C: "evaporative system, 0.5 mm leak",
        0x3D: "purge flow",
    }
    | {0x41 + at: f"oxygen sensor heater, bank {bank} sensor {sensor}" for at, (bank, sensor) in enumerate(_PLACES)}
    | _banks(0x61, "heated catalyst")
    | {0x71 + at: f"secondary air {at + 1}" for at in range(4)}
    | _banks(0x81, "fuel system")
    | _banks(0x85, "boost pressure control", 2)
    | _banks(0x90, "NOx adsorber", 2)
    | _banks(0x98, "NOx catalyst", 2)
    | {0xA1: "misfire, whole engine"}
    | {0xA2 + at: f"misfire, cylinder {at + 1}" for at in range(12)}
    | _banks(0xB0, "particulate filter", 2)
)
"""Monitors of service 06, in our own words. Source: SAE J1979-DA, OBDMID (from memory)."""

TEST_NAMES: Mapping[int, str] = MappingProxyType(
    {
        0x01: "threshold voltage, rich to lean",
        0x02: "threshold voltage, lean to rich",
        0x03: "low voltage for the switch time",
        0x04: "high voltage for the switch time",
        0x05: "switch time, rich to lean",
        0x06: "switch time, lean to rich",
        0x07: "lowest voltage of the test",
        0x08: "highest voltage of the test",
        0x09: "time between transitions",
        0x0A: "sensor period",
        0x0B: "misfires, mean of ten cycles",
        0x0C: "misfires, this or last cycle",
    }
)
"""Tests that the standard defines. Source: SAE J1979-DA, test identifiers (from memory)."""

_OXYGEN_MONITORS, _OXYGEN_TESTS = range(0x01, 0x11), range(0x01, 0x0B)
"""Monitors of oxygen sensors, and the tests that only they have. Source: SAE J1979-DA (from memory)."""


class MonitorResult(StrEnum):
    """How a test ended."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_COMPLETED = "not completed"


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorTest:
    """One test of one monitor.

    Args:
        monitor: number of the monitor.
        monitor_name: what it watches, or that it is unknown.
        test: number of the test.
        test_name: what it measures, that it is the maker's own, or that it is unknown.
        scaling: number that says unit and scale.
        scaling_name: empty, or that the scaling is unknown.
        value: what was measured, in `unit`; None where the scaling is unknown.
        low: lower bound, likewise.
        high: upper bound, likewise.
        unit: unit of the three, empty where they have none.
        result: the raw numbers compared; None where the scaling is reserved and does not tell their sign.
        bounded: True if a bound is not zero. A test passed within bounds of zero is weak evidence.
        raw: test, scaling and the three numbers as sent.
    """

    monitor: int
    monitor_name: str
    test: int
    test_name: str
    scaling: int
    scaling_name: str
    value: Number | None
    low: Number | None
    high: Number | None
    unit: str
    result: MonitorResult | None
    bounded: bool
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorTests:
    """One answer of service 06.

    Args:
        supported: the monitors that support bitmaps name; None where the answer holds results.
        tests: the results in the order sent.
        leftover: fill bytes behind them, else empty.
        raw: the whole answer.
    """

    supported: frozenset[int] | None
    tests: tuple[MonitorTest, ...]
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class OxygenSensorTest:
    """One answer of service 05, as far as it is certain.

    Args:
        test: number of the test.
        test_name: what it measures, that it is the maker's own, or that it is unknown.
        sensor: bit or number of the sensor, as sent.
        data: the other bytes: result and bounds. Padding cannot be told from them.
        raw: the whole answer.
    """

    test: int
    test_name: str
    sensor: int
    data: bytes
    raw: bytes


def monitor_name(monitor: int) -> str:
    """What a monitor of service 06 watches; ``unknown monitor 7F`` for any that is not known here."""
    if monitor % _GROUP == 0:
        return "supported monitors"
    return MONITOR_NAMES.get(monitor, f"unknown monitor {monitor:02X}")


def decode_monitor_tests(data: bytes) -> MonitorTests:
    """Read an answer 46: support bitmaps, or results of nine bytes each.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: SAE J1979 / ISO 15031-5, service 06 on CAN.
    """
    cursor = Cursor(data)
    cursor.one_of((0x46,), "service")
    if cursor.peek(1, "monitor")[0] % _GROUP == 0:
        supported = read_support(cursor)
        return MonitorTests(supported=supported, tests=(), leftover=cursor.padding("end of groups"), raw=data)
    tests: list[MonitorTest] = []
    while not tests or not _at_end(cursor):
        monitor = cursor.u8("monitor")
        if monitor % _GROUP == 0:
            raise cursor.error("monitor", cursor.offset - 1, f"a support group {monitor:02X} stands among results")
        tests.append(_test(monitor, cursor, f"result {len(tests) + 1}"))
    return MonitorTests(supported=None, tests=tuple(tests), leftover=cursor.padding("end of results"), raw=data)


def read_monitor_did(monitor: int, data: bytes) -> MonitorTests:
    """Read the data of an identifier F6xx: a support bitmap, or results that leave the monitor's number out.

    Raises:
        DecodeError: no result is there, one is cut, or other bytes than padding stand behind them.

    Source: SAE J1979-2 / ISO 27145-2, identifiers F600 to F6FF (from memory).
    """
    cursor = Cursor(data)
    if monitor % _GROUP == 0:
        supported = support_bits(monitor, cursor.take(_SUPPORT_BYTES, "support bits"))
        return MonitorTests(supported=supported, tests=(), leftover=cursor.padding("end of bits"), raw=data)
    tests: list[MonitorTest] = []
    while not tests or not _at_end(cursor):
        tests.append(_test(monitor, cursor, f"result {len(tests) + 1}"))
    return MonitorTests(supported=None, tests=tuple(tests), leftover=cursor.padding("end of results"), raw=data)


def _at_end(cursor: Cursor) -> bool:
    # A result of one byte repeated would be of no monitor and no scaling: such bytes are fill bytes.
    rest = cursor.peek(cursor.remaining, "rest")
    return not rest or is_padding(rest)


def _test(monitor: int, cursor: Cursor, field: str) -> MonitorTest:
    raw = cursor.take(_RESULT_BYTES, field)
    test, scaling = raw[0], raw[1]
    words = [int.from_bytes(raw[at : at + 2], "big") for at in (2, 4, 6)]
    value, low, high = (scaled_number(scaling, word) for word in words)
    known = UNIT_SCALINGS.get(scaling)
    return MonitorTest(
        monitor=monitor,
        monitor_name=monitor_name(monitor),
        test=test,
        test_name=_test_name(test, of_oxygen_sensor=monitor in _OXYGEN_MONITORS),
        scaling=scaling,
        scaling_name="" if known else f"unknown scaling {scaling:02X}",
        value=value,
        low=low,
        high=high,
        unit=known.unit if known else "",
        result=_result(scaling, words),
        bounded=words[1:] != [0, 0],
        raw=raw,
    )


def _result(scaling: int, words: list[int]) -> MonitorResult | None:
    if not any(words):
        return MonitorResult.NOT_COMPLETED
    numbers = [number for word in words if (number := signed_number(scaling, word)) is not None]
    if not numbers:
        return None
    value, low, high = numbers
    return MonitorResult.PASSED if low <= value <= high else MonitorResult.FAILED


def _test_name(test: int, *, of_oxygen_sensor: bool) -> str:
    if test >= _FIRST_MAKER_TEST:
        return f"maker's test {test:02X}"
    if test not in TEST_NAMES or (test in _OXYGEN_TESTS and not of_oxygen_sensor):
        return f"unknown test {test:02X}"
    return TEST_NAMES[test]


def decode_oxygen_test(data: bytes) -> OxygenSensorTest:
    """Read an answer 45: test, sensor and bytes that stay as sent. On CAN service 06 has taken its place.

    Raises:
        DecodeError: another answer, or a cut one.

    Source: SAE J1979 / ISO 15031-5, service 05 (from memory).
    """
    cursor = Cursor(data)
    cursor.one_of((0x45,), "service")
    test, sensor = cursor.u8("test"), cursor.u8("sensor")
    name = _test_name(test, of_oxygen_sensor=True)
    return OxygenSensorTest(test=test, test_name=name, sensor=sensor, data=cursor.rest(), raw=data)

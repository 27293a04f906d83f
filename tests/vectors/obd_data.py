"""Answers and requests of SAE J1979 services 01, 02, 05, 06, 08 and 09, and the same data by identifiers."""

from functools import partial
from types import SimpleNamespace
from typing import Any

from vectors.obd_requests import OBD_REQUEST_VECTORS
from vectors.vector import Vector

from decoders.obd_data import PidBlock, decode_current_data
from decoders.obd_dids import read_obd_did
from decoders.obd_freeze import decode_freeze_frame
from decoders.obd_info import InfoCounter, decode_info
from decoders.obd_requests import decode_control
from decoders.obd_tests import MonitorTests, decode_monitor_tests, decode_oxygen_test
from decoders.values import Dtc

EXAMPLE = "ISO 15031-5, worked example (from memory)"
RECORDED = "recorded from a vehicle"
ANSWER = "a real reply, shown in public"
LAYOUT = "SAE J1979, answer format on CAN"
APPENDIX = "SAE J1979-DA (from memory)"
FILL = "common practice, fill bytes behind an answer"


def told(block: PidBlock) -> tuple[object, ...]:
    """PID, then what each of its parts says: the meaning where it has one, else the number."""
    return (block.pid, *(item.label or item.value for item in block.values))


def current(data: bytes) -> Any:
    """An answer of service 01 as rows show it."""
    found = decode_current_data(data)
    return SimpleNamespace(raw=found.raw, leftover=found.leftover, told=[told(block) for block in found.blocks])


def frozen(data: bytes) -> Any:
    """An answer of service 02 as rows show it."""
    found = decode_freeze_frame(data)
    blocks = [(block.frame, *told(block)) for block in found.blocks]
    return SimpleNamespace(raw=found.raw, leftover=found.leftover, codes=found.codes, told=blocks)


def results(found: MonitorTests) -> list[tuple[object, ...]]:
    """Monitor, test, value, bounds, unit, result and whether the bounds say anything."""
    return [
        (item.monitor, item.test, item.value, item.low, item.high, item.unit, item.result, item.bounded)
        for item in found.tests
    ]


def tested(data: bytes) -> Any:
    """An answer of service 06 as rows show it."""
    found = decode_monitor_tests(data)
    return SimpleNamespace(raw=found.raw, leftover=found.leftover, supported=found.supported, results=results(found))


def by_did(data: bytes, did: int) -> Any:
    """The data of an identifier as rows show it: that of a row is what stands behind the identifier."""
    found = read_obd_did(did, data)
    if found is None:
        raise LookupError(f"{did:04X} carries no OBD data")
    return SimpleNamespace(
        raw=found.raw,
        name=found.name,
        told=found.value and told(found.value),
        supported=(found.value and found.value.supported) or (found.tests and found.tests.supported),
        results=found.tests and results(found.tests),
        items=found.information and found.information.items,
    )


PASSED, FAILED, NOT_COMPLETED = "passed", "failed", "not completed"

OBD_DATA_VECTORS = (
    *OBD_REQUEST_VECTORS,
    Vector("engine speed", "41 0C 1B E4", current, {"told": [(0x0C, 1785.0)], "leftover": b""}, RECORDED),
    Vector("coolant temperature", "41 05 86", current, {"told": [(0x05, 94)]}, RECORDED),
    Vector("supply voltage", "41 42 2F EA", current, {"told": [(0x42, 12.266)]}, RECORDED),
    Vector("distance since clear, before the drive", "41 31 51 B0", current, {"told": [(0x31, 20912)]}, RECORDED),
    Vector("distance since clear", "41 31 51 CB", current, {"told": [(0x31, 20939)]}, RECORDED),
    Vector("OBD type", "41 1C 06", current, {"told": [(0x1C, "EOBD")]}, RECORDED),
    Vector(
        "fuel system off",
        "41 03 00 00",
        current,
        {"told": [(0x03, "off or not fitted", "off or not fitted")]},
        RECORDED,
    ),
    Vector("odometer", "41 A6 00 01 E2 40", current, {"told": [(0xA6, 12345.6)]}, "SAE J1979-DA, recomputed"),
    Vector(
        "readiness and a bitmap among values",
        "41 0D 32 01 00 27 E1 00 00 BE 3F A8 13 0C 1B E4 55 55",
        current,
        {"told": [(0x0D, 50), (0x01,), (0x00,), (0x0C, 1785.0)], "leftover": b"\x55\x55"},
        LAYOUT,
    ),
    Vector(
        "an unsupported sensor has no number, whatever stands there",
        "41 66 01 01 00 FF FF",
        current,
        {"told": [(0x66, 8.0)], "leftover": b""},
        APPENDIX,
    ),
    Vector(
        "a sensor without trim",
        "41 14 5A FF",
        current,
        {"told": [(0x14, 0.45)]},
        "SAE J1979, PID 14: FF means that the sensor is not used for the trim (from memory)",
    ),
    Vector(
        "fill bytes that could be one more identifier are fill bytes",
        "41 0D 32 55 55 55",
        current,
        {"told": [(0x0D, 50)], "leftover": b"\x55" * 3},
        FILL,
    ),
    Vector(
        "fill bytes that could be one more group",
        "41 0D 32 00 00 00 00 00",
        current,
        {"told": [(0x0D, 50)], "leftover": bytes(5)},
        FILL,
    ),
    Vector(
        "an identifier whose data repeat its number",
        "41 55 55 55",
        current,
        {"told": [(0x55, -33.59375, -33.59375)], "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "fill bytes behind a freeze frame that could be one more identifier",
        "42 0D 00 32 55 55 55 55",
        frozen,
        {"told": [(0, 0x0D, 50)], "leftover": b"\x55" * 4},
        FILL,
    ),
    Vector(
        "freeze frame of a code",
        "42 02 00 01 43 0C 00 1B E4 0D 00 32",
        frozen,
        {
            "codes": ((0, Dtc.parse("P0143")),),
            "told": [(0, 0x02, "P0143"), (0, 0x0C, 1785.0), (0, 0x0D, 50)],
            "leftover": b"",
        },
        LAYOUT,
    ),
    Vector(
        "no freeze frame stored",
        "42 02 00 00 00 AA",
        frozen,
        {"codes": ((0, None),), "told": [(0, 0x02, "none")], "leftover": b"\xaa"},
        "SAE J1979, service 02: code 0000 means no frame",
    ),
    Vector(
        "values that a frame holds",
        "42 00 00 7E 1F A8 03",
        frozen,
        {"codes": (), "told": [(0, 0x00)], "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "monitor results",
        "46 01 01 0A 0B B0 0B B0 0B B0 01 05 10 00 48 00 00 00 60 01 85 24 00 96 00 4B FF FF",
        tested,
        {
            "supported": None,
            "results": [
                (1, 0x01, 365.024, 365.024, 365.024, "mV", PASSED, True),
                (1, 0x05, 72, 0, 96, "ms", PASSED, True),
                (1, 0x85, 150, 75, 65535, "counts", PASSED, True),
            ],
            "leftover": b"",
        },
        EXAMPLE,
    ),
    Vector(
        "monitor results of a car",
        "46 01 01 0A 0E 66 0E 66 0E 66 01 02 0A 0E 66 0E 66 0E 66 01 07 0A 00 00 00 00 0C D8"
        "01 08 0A 1D 70 13 18 22 90 01 09 10 00 78 00 78 05 F0 01 0A 10 00 00 00 00 00 00",
        tested,
        {
            "results": [
                (1, 0x01, 449.692, 449.692, 449.692, "mV", PASSED, True),
                (1, 0x02, 449.692, 449.692, 449.692, "mV", PASSED, True),
                (1, 0x07, 0, 0, 401.136, "mV", PASSED, True),
                (1, 0x08, 919.392, 596.336, 1079.456, "mV", PASSED, True),
                (1, 0x09, 120, 120, 1520, "ms", PASSED, True),
                (1, 0x0A, 0, 0, 0, "ms", NOT_COMPLETED, False),
            ],
            "leftover": b"",
        },
        ANSWER,
    ),
    Vector(
        "signed result below its lower bound, and fill bytes",
        "46 21 80 96 FF 9C FF 9D 00 64 CC CC CC",
        tested,
        {
            "results": [(0x21, 0x80, -10.0, -9.9, 10.0, "C", FAILED, True)],
            "leftover": b"\xcc\xcc\xcc",
        },
        "SAE J1979-DA, scaling 96 is signed and has no offset",
    ),
    Vector(
        "result above bounds of zero",
        "46 A2 0C 24 00 01 00 00 00 00",
        tested,
        {"results": [(0xA2, 0x0C, 1, 0, 0, "counts", FAILED, False)]},
        LAYOUT,
    ),
    Vector(
        "unknown scaling",
        "46 01 81 7F 00 02 00 01 00 03",
        tested,
        {"results": [(0x01, 0x81, None, None, None, "", PASSED, True)]},
        "SAE J1979-DA, scaling 7F is not assigned and unsigned",
    ),
    Vector(
        "reserved scaling",
        "46 01 81 FF 00 02 00 01 00 03",
        tested,
        {"results": [(0x01, 0x81, None, None, None, "", None, True)]},
        "SAE J1979-DA, scaling FF is reserved (from memory)",
    ),
    Vector(
        "supported monitors",
        "46 00 80 00 00 01",
        tested,
        {"supported": frozenset({0x01, 0x20}), "results": [], "leftover": b""},
        ANSWER,
    ),
    Vector(
        "supported monitors of two groups",
        "46 00 C0 00 00 01 20 80 00 00 00 55",
        tested,
        {"supported": frozenset({0x01, 0x02, 0x20, 0x21}), "leftover": b"\x55"},
        LAYOUT,
    ),
    Vector(
        "oxygen sensor test",
        "45 01 02 5A",
        decode_oxygen_test,
        {"test": 1, "test_name": "threshold voltage, rich to lean", "sensor": 2, "data": b"\x5a"},
        "SAE J1979, service 05 (from memory)",
    ),
    Vector(
        "control carried out",
        "48 01 00 00 00 00 00",
        decode_control,
        {"test": 1, "test_name": "evaporative system leak test", "supported": None, "data": bytes(5)},
        "SAE J1979, service 08 (from memory)",
    ),
    Vector(
        "controls supported",
        "48 00 80 00 00 00",
        decode_control,
        {"test": 0, "test_name": "supported tests", "supported": frozenset({1}), "data": b"\x80\0\0\0"},
        LAYOUT,
    ),
    Vector(
        "unknown control",
        "48 7E 01",
        decode_control,
        {"test": 0x7E, "test_name": "unknown test 7E", "supported": None, "data": b"\x01"},
        LAYOUT,
    ),
    Vector(
        "performance counters of a spark engine",
        "49 08 04 00 64 01 2C 00 0A 00 0F",
        decode_info,
        {
            "name": "performance counters, spark ignition",
            "items": (),
            "counters": (
                InfoCounter(name="OBD conditions", value=100),
                InfoCounter(name="ignition cycles", value=300),
                InfoCounter(name="catalyst bank 1, completions", value=10),
                InfoCounter(name="catalyst bank 1, conditions", value=15),
            ),
        },
        APPENDIX,
    ),
    Vector(
        "engine serial number",
        "49 0D 01" + b"ZZ9-ENGINE-000023".hex(),
        decode_info,
        {"name": "engine serial number", "items": ("ZZ9-ENGINE-000023",)},
        APPENDIX,
    ),
    Vector("message count", "49 01 05 AA", decode_info, {"items": ("5",), "leftover": b"\xaa"}, APPENDIX),
    Vector(
        "unknown infotype",
        "49 7E 01 02 03",
        decode_info,
        {"name": "unknown infotype 7E", "items": (), "data": b"\x01\x02\x03", "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "values by identifier",
        "BE 3E B8 13",
        partial(by_did, did=0xF400),
        {
            "name": "supported PIDs 01 to 20",
            "supported": frozenset(
                {1, 3, 4, 5, 6, 7, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x11, 0x13, 0x14, 0x15, 0x1C, 0x1F, 0x20}
            ),
        },
        f"{RECORDED}, identifier F400",
    ),
    Vector(
        "monitors by identifier F600",
        "C0 00 00 01",
        partial(by_did, did=0xF600),
        {"name": "supported monitors", "supported": frozenset({1, 2, 0x20})},
        RECORDED,
    ),
    Vector(
        "infotypes by identifier",
        "55 40 00 00",
        partial(by_did, did=0xF800),
        {"name": "supported infotypes", "items": ("02", "04", "06", "08", "0A")},
        f"{RECORDED}, identifier F800",
    ),
    Vector("engine speed by identifier", "1B E4", partial(by_did, did=0xF40C), {"told": (0x0C, 1785.0)}, LAYOUT),
    Vector(
        "monitor results by identifier",
        "05 10 00 48 00 00 00 60 0A 10 00 00 00 00 00 00 55",
        partial(by_did, did=0xF601),
        {
            "results": [
                (1, 0x05, 72, 0, 96, "ms", PASSED, True),
                (1, 0x0A, 0, 0, 0, "ms", NOT_COMPLETED, False),
            ]
        },
        "SAE J1979-2, identifiers F6xx (from memory)",
    ),
    Vector(
        "VIN by identifier F802",
        b"1G1JC5444R7252367".hex(),
        partial(by_did, did=0xF802),
        {"name": "VIN", "items": ("1G1JC5444R7252367",)},
        "SAE J1979-2, identifier F802 (from memory)",
    ),
    Vector(
        "a counted VIN by identifier F802",
        "01" + b"1G1JC5444R7252367".hex(),
        partial(by_did, did=0xF802),
        {"items": ("1G1JC5444R7252367",)},
        "ISO 27145-2, identifier F802 (from memory)",
    ),
    Vector(
        "protocol by identifier",
        "01",
        partial(by_did, did=0xF810),
        {"name": "protocol identification", "items": ("01",)},
        "ISO 27145-2, identifier F810 (from memory)",
    ),
    Vector(
        "further value by identifier",
        "01 02",
        partial(by_did, did=0xF50C),
        {"name": "unknown further OBD value F50C", "told": None, "items": None},
        "SAE J1979-2, identifiers F5xx (from memory)",
    ),
)

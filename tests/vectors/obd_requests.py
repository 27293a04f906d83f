"""Requests of the OBD services with their meaning."""

from vectors.vector import Vector

from decoders.obd_requests import decode_obd_request

EXAMPLE = "ISO 15031-5, worked example (from memory)"
RECORDED = "recorded from a vehicle"
ANSWER = "a real reply, shown in public"
LAYOUT = "SAE J1979, answer format on CAN"
APPENDIX = "SAE J1979-DA (from memory)"
FILL = "common practice, fill bytes behind an answer"

OBD_REQUEST_VECTORS = (
    Vector(
        "six identifiers asked for",
        "01 0C 0D 1F 42 31 04",
        decode_obd_request,
        {"service": 0x01, "identifiers": (0x0C, 0x0D, 0x1F, 0x42, 0x31, 0x04), "leftover": b""},
        "SAE J1979, request format on CAN",
    ),
    Vector(
        "freeze frame asked for",
        "02 02 00 0C 01",
        decode_obd_request,
        {"service": 0x02, "identifiers": (0x02, 0x0C), "frames": (0, 1), "leftover": b""},
        "SAE J1979, request format on CAN",
    ),
    Vector(
        "codes asked for, with fill bytes",
        "0A 55 55",
        decode_obd_request,
        {"service": 0x0A, "identifiers": (), "frames": (), "leftover": b"\x55\x55"},
        "SAE J1979, request format on CAN",
    ),
    Vector(
        "oxygen sensor test asked for",
        "05 01 02",
        decode_obd_request,
        {"service": 0x05, "identifiers": (1,), "sensor": 2, "leftover": b""},
        "SAE J1979, service 05 (from memory)",
    ),
    Vector(
        "control asked for",
        "08 01 00 00 00 00 00",
        decode_obd_request,
        {"service": 0x08, "identifiers": (1,), "data": bytes(5), "leftover": b""},
        "SAE J1979, service 08 (from memory)",
    ),
)

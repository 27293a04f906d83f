"""Answers of SAE J1979 services on CAN with their meaning."""

from vectors.obd_data import OBD_DATA_VECTORS
from vectors.vector import Vector

from decoders import decode_info, decode_monitor_status, decode_obd_codes
from decoders.values import Dtc

EXAMPLE = "ISO 15031-5, worked example (from memory)"
RECORDED = "recorded from a vehicle"
LAYOUT = "SAE J1979, answer format on CAN"


def codes(text: str) -> tuple[Dtc, ...]:
    return tuple(Dtc.parse(code) for code in text.split())


OBD_VECTORS = (
    Vector(
        "six stored codes",
        "43 06 01 43 01 96 02 34 02 CD 03 57 0A 24",
        decode_obd_codes,
        {
            "service": 0x03,
            "codes": codes("P0143 P0196 P0234 P02CD P0357 P0A24"),
            "zero_entries": 0,
            "leftover": b"",
        },
        EXAMPLE,
    ),
    Vector("no stored code", "43 00", decode_obd_codes, {"service": 0x03, "codes": (), "leftover": b""}, RECORDED),
    Vector(
        "pending codes of all four letters",
        "47 04 01 43 40 35 9A 01 C1 00",
        decode_obd_codes,
        {"service": 0x07, "codes": codes("P0143 C0035 B1A01 U0100")},
        "SAE J2012 / ISO 15031-6, code structure",
    ),
    Vector(
        "permanent code with padding",
        "4A 01 04 20 00 00",
        decode_obd_codes,
        {"service": 0x0A, "codes": codes("P0420"), "zero_entries": 0, "leftover": b"\x00\x00"},
        LAYOUT,
    ),
    Vector(
        "a counted entry of zeros is no code",
        "43 02 04 20 00 00",
        decode_obd_codes,
        {"codes": codes("P0420"), "zero_entries": 1, "leftover": b""},
        "SAE J2012, 0000 names no code",
    ),
    Vector(
        "fuel monitor incomplete",
        "41 01 00 27 E1 00",
        decode_monitor_status,
        {"pid": 0x01, "mil": False, "code_count": 0, "ignition": "spark", "leftover": b""},
        RECORDED,
    ),
    Vector(
        "monitors by identifier",
        "62 F4 01 00 07 65 00",
        decode_monitor_status,
        {"pid": 0x01, "mil": False, "code_count": 0, "ignition": "spark", "leftover": b""},
        RECORDED,
    ),
    Vector(
        "lamp on, three codes, compression engine",
        "41 01 83 0F EB 02 CC",
        decode_monitor_status,
        {"pid": 0x01, "mil": True, "code_count": 3, "ignition": "compression", "leftover": b"\xcc"},
        LAYOUT,
    ),
    Vector(
        "monitors of this cycle say nothing of lamp and count",
        "41 41 00 77 65 65",
        decode_monitor_status,
        {"pid": 0x41, "mil": None, "code_count": None, "ignition": "spark"},
        LAYOUT,
    ),
    Vector(
        "VIN",
        "49 02 01" + b"1G1JC5444R7252367".hex(),
        decode_info,
        {"infotype": 0x02, "items": ("1G1JC5444R7252367",), "leftover": b""},
        EXAMPLE,
    ),
    Vector(
        "VIN from a car",
        "49 02 01 5A 5A 39 5A 5A 39 5A 5A 36 4E 5A 30 30 30 30 32 33",
        decode_info,
        {"items": ("ZZ9ZZ9ZZ6NZ000023",)},
        "recorded from a vehicle, VIN replaced",
    ),
    Vector(
        "two calibrations, the second blank",
        "49 04 02" + b"CAL-0001".ljust(16, b"\0").hex() + bytes(16).hex(),
        decode_info,
        {"infotype": 0x04, "items": ("CAL-0001", ""), "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "verification numbers",
        "49 06 02 17 91 BC 82 00 00 00 01 00",
        decode_info,
        {"infotype": 0x06, "items": ("1791BC82", "00000001"), "leftover": b"\x00"},
        LAYOUT,
    ),
    Vector(
        "unit name with zero bytes inside",
        "49 0A 01" + (b"ECM\0-" + b"EngineControl".ljust(15, b"\0")).hex(),
        decode_info,
        {"infotype": 0x0A, "items": ("ECM-EngineControl",), "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "supported infotypes",
        "49 00 55 40 00 00",
        decode_info,
        {"infotype": 0x00, "items": ("02", "04", "06", "08", "0A"), "leftover": b""},
        "recorded from a vehicle as identifier F800",
    ),
    *OBD_DATA_VECTORS,
)

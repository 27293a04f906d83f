"""Requests of ISO 14229-1 services, and the answers around the codes, with their meaning."""

from functools import partial

from vectors.vector import Vector

from decoders.services import RefusalClass
from decoders.uds_data import (
    decode_dtc_setting,
    decode_identifiers,
    decode_refusal,
    decode_routine,
)
from decoders.uds_dtc_requests import decode_clear_request, decode_dtc_request
from decoders.uds_requests import (
    decode_dtc_setting_request,
    decode_identifier_request,
    decode_routine_request,
    decode_session_request,
    decode_tester_present_request,
)
from decoders.values import Dtc

EXAMPLE = "ISO 14229-1, worked example (from memory)"
RECORDED = "recorded from a vehicle"
REQUEST = "ISO 14229-1, request format"
ANSWER = "ISO 14229-1, answer format"
FIXED = "ISO 14229-1, Annex C: F186 has one byte (from memory); ISO 3779: a VIN has 17 characters"
WITHDRAWN = "ISO 14229-1:2013, request format; withdrawn in 2020"
MEMORY = "ISO 14229-1:2020, request format (from memory); the field table of py-uds 4.0.0 says the same"
P1234, P0420 = Dtc.parse("P1234-56"), Dtc.parse("P0420-00")
NOTHING = {
    "suppress": False,
    "dtc": None,
    "mask": None,
    "severity_mask": None,
    "record_number": None,
    "memory": None,
    "group": None,
    "readiness_group": None,
    "leftover": b"",
}


def asks(name: str, hex_text: str, source: str, **expected: object) -> Vector:
    """A request of service 19 that has these parameters and no others."""
    return Vector(name, hex_text, decode_dtc_request, NOTHING | expected, source)


DTC_REQUEST_VECTORS = (
    asks("asks for the number by status", "19 01 08", EXAMPLE, subfunction=0x01, mask=0x08),
    asks("asks by status", "19 02 84", EXAMPLE, subfunction=0x02, mask=0x84),
    asks("asks by status, recorded", "19 02 8F", RECORDED, subfunction=0x02, mask=0x8F),
    asks("asks and wants no answer", "19 82 8F", REQUEST, subfunction=0x02, mask=0x8F, suppress=True),
    asks("asks with padding", "19 02 8F 55 55", REQUEST, subfunction=0x02, mask=0x8F, leftover=b"\x55\x55"),
    asks("asks which snapshots there are", "19 03", EXAMPLE, subfunction=0x03),
    asks("asks for a snapshot", "19 04 12 34 56 02", EXAMPLE, subfunction=0x04, dtc=P1234, record_number=2),
    asks("asks for stored data", "19 05 01", REQUEST, subfunction=0x05, record_number=1),
    asks("asks for extended data", "19 06 12 34 56 05", EXAMPLE, subfunction=0x06, dtc=P1234, record_number=5),
    asks(
        "asks for all extended data",
        "19 06 C0 64 87 FF",
        RECORDED,
        subfunction=0x06,
        dtc=Dtc.parse("U0064-87"),
        record_number=0xFF,
    ),
    asks("asks for the number by severity", "19 07 C0 01", REQUEST, subfunction=0x07, severity_mask=0xC0, mask=1),
    asks("asks by severity", "19 08 C0 01", EXAMPLE, subfunction=0x08, severity_mask=0xC0, mask=1),
    asks("asks for a severity", "19 09 12 34 56", REQUEST, subfunction=0x09, dtc=P1234),
    asks("asks for supported codes", "19 0A", EXAMPLE, subfunction=0x0A),
    asks("asks what failed first", "19 0B", REQUEST, subfunction=0x0B),
    asks("asks what was confirmed first", "19 0C", REQUEST, subfunction=0x0C),
    asks("asks what failed last", "19 0D", REQUEST, subfunction=0x0D),
    asks("asks what was confirmed last", "19 0E", REQUEST, subfunction=0x0E),
    asks("asks for the mirror memory", "19 0F FF", WITHDRAWN, subfunction=0x0F, mask=0xFF),
    asks("asks for mirror data", "19 10 04 20 00 FF", WITHDRAWN, subfunction=0x10, dtc=P0420, record_number=0xFF),
    asks("asks for the number in the mirror", "19 11 FF", WITHDRAWN, subfunction=0x11, mask=0xFF),
    asks("asks for the number of emissions codes", "19 12 FF", WITHDRAWN, subfunction=0x12, mask=0xFF),
    asks("asks for emissions codes", "19 13 FF", WITHDRAWN, subfunction=0x13, mask=0xFF),
    asks("asks for counters", "19 14", REQUEST, subfunction=0x14),
    asks("asks for permanent codes", "19 15", REQUEST, subfunction=0x15),
    asks("asks for one extended data record", "19 16 02", REQUEST, subfunction=0x16, record_number=2),
    asks("asks for a user-defined memory", "19 17 FF 18", REQUEST, subfunction=0x17, mask=0xFF, memory=0x18),
    asks(
        "asks for a snapshot in a memory",
        "19 18 04 20 00 FF 18",
        REQUEST,
        subfunction=0x18,
        dtc=P0420,
        record_number=0xFF,
        memory=0x18,
    ),
    asks(
        "asks for extended data in a memory",
        "19 19 04 20 00 FE 18",
        REQUEST,
        subfunction=0x19,
        dtc=P0420,
        record_number=0xFE,
        memory=0x18,
    ),
    asks("asks which codes have a record", "19 1A 91", MEMORY, subfunction=0x1A, record_number=0x91),
    asks(
        "asks for confirmed emissions codes",
        "19 42 33 08 1E",
        MEMORY,
        subfunction=0x42,
        group=0x33,
        mask=0x08,
        severity_mask=0x1E,
    ),
    asks("asks for permanent emissions codes", "19 55 33", MEMORY, subfunction=0x55, group=0x33),
    asks("asks for a readiness group", "19 56 33 01", MEMORY, subfunction=0x56, group=0x33, readiness_group=1),
)

OTHER_REQUEST_VECTORS = (
    Vector(
        "clear all",
        "14 FF FF FF",
        decode_clear_request,
        {"group": 0xFFFFFF, "name": "all codes", "dtc": None, "memory": None, "leftover": b""},
        EXAMPLE,
    ),
    Vector(
        "clear the emissions group",
        "14 FF FF 33",
        decode_clear_request,
        {"name": "emissions group", "dtc": None, "memory": None},
        "ISO 14229-1, Annex D, groupOfDTC",
    ),
    Vector(
        "clear one code",
        "14 04 20 11",
        decode_clear_request,
        {"name": "P0420-11", "dtc": Dtc.parse("P0420-11"), "memory": None},
        REQUEST,
    ),
    Vector(
        "clear a user-defined memory",
        "14 FF FF FF 18",
        decode_clear_request,
        {"name": "all codes", "memory": 0x18, "leftover": b""},
        "ISO 14229-1:2020, MemorySelection",
    ),
    Vector(
        "clear with padding",
        "14 FF FF D0 CC CC CC CC",
        decode_clear_request,
        {"name": "safety group", "memory": None, "leftover": b"\xcc" * 4},
        REQUEST,
    ),
    Vector(
        "ask for a session",
        "10 03",
        decode_session_request,
        {"session": 3, "suppress": False, "leftover": b""},
        RECORDED,
    ),
    Vector(
        "leave a session quietly",
        "10 81",
        decode_session_request,
        {"session": 1, "suppress": True},
        REQUEST,
    ),
    Vector("ask for the VIN", "22 F1 90", decode_identifier_request, {"identifiers": (0xF190,)}, RECORDED),
    Vector(
        "ask for two identifiers with a fill byte",
        "22 F1 90 F1 87 00",
        decode_identifier_request,
        {"identifiers": (0xF190, 0xF187), "leftover": b"\x00"},
        REQUEST,
    ),
    Vector(
        "start a routine",
        "31 01 02 03 04 05",
        decode_routine_request,
        {"subfunction": 1, "suppress": False, "routine": 0x0203, "option": b"\x04\x05"},
        REQUEST,
    ),
    Vector(
        "stop a routine quietly",
        "31 82 02 03",
        decode_routine_request,
        {"subfunction": 2, "suppress": True, "routine": 0x0203, "option": b""},
        REQUEST,
    ),
    Vector(
        "switch status updates off quietly",
        "85 82",
        decode_dtc_setting_request,
        {"setting": 2, "is_on": False, "suppress": True, "option": b""},
        RECORDED,
    ),
    Vector(
        "switch status updates on, with an option",
        "85 01 FF FF FF",
        decode_dtc_setting_request,
        {"setting": 1, "is_on": True, "suppress": False, "option": b"\xff\xff\xff"},
        REQUEST,
    ),
    Vector(
        "a maker's own setting",
        "85 40",
        decode_dtc_setting_request,
        {"setting": 0x40, "is_on": None},
        REQUEST,
    ),
    Vector(
        "tester present, quietly",
        "3E 80",
        decode_tester_present_request,
        {"suppress": True, "leftover": b""},
        REQUEST,
    ),
    Vector("say that a tester is there", "3E 00", decode_tester_present_request, {"suppress": False}, REQUEST),
)

ANSWER_VECTORS = (
    Vector(
        "routine started",
        "71 01 02 03 10 00",
        decode_routine,
        {"subfunction": 1, "routine": 0x0203, "status": b"\x10\x00"},
        ANSWER,
    ),
    Vector(
        "routine stopped, no more said",
        "71 02 02 03",
        decode_routine,
        {"subfunction": 2, "routine": 0x0203, "status": b""},
        ANSWER,
    ),
    Vector("status updates off", "C5 02", decode_dtc_setting, {"setting": 2, "leftover": b""}, RECORDED),
    Vector(
        "answer pending",
        "7F 19 78",
        decode_refusal,
        {"service": 0x19, "code": 0x78, "name": "answer pending", "kind": RefusalClass.RETRY_LATER, "leftover": b""},
        RECORDED,
    ),
    Vector(
        "refused for security",
        "7F 31 33 AA AA AA AA",
        decode_refusal,
        {"service": 0x31, "code": 0x33, "kind": RefusalClass.SECURITY, "leftover": b"\xaa" * 4},
        ANSWER,
    ),
    Vector(
        "refused for an unknown reason",
        "7F 22 A5",
        decode_refusal,
        {"code": 0xA5, "name": "unknown refusal 0xA5", "kind": RefusalClass.UNKNOWN},
        ANSWER,
    ),
    Vector(
        "two identifiers with a fill byte",
        "62 F1 86 01 F1 8B 20 26 01 02 00",
        partial(decode_identifiers, lengths={0xF186: 1, 0xF18B: 4}),
        {
            "values": ((0xF186, b"\x01"), (0xF18B, bytes.fromhex("20260102"))),
            "undecoded": b"",
            "leftover": b"\x00",
        },
        ANSWER,
    ),
    Vector(
        "identifiers with padding",
        "62 F1 86 01 AA AA AA",
        partial(decode_identifiers, lengths={0xF186: 1}),
        {"values": ((0xF186, b"\x01"),), "undecoded": b"", "leftover": b"\xaa\xaa\xaa"},
        ANSWER,
    ),
    Vector(
        "identifiers from one of unknown length on",
        "62 F1 86 01 F1 87 41 42 F1 86 01",
        partial(decode_identifiers, lengths={0xF186: 1}),
        {"values": ((0xF186, b"\x01"),), "undecoded": bytes.fromhex("F1874142F18601"), "leftover": b""},
        ANSWER,
    ),
    Vector(
        "identifiers whose length the standard fixes",
        "62 F1 86 03 F1 90 5A 5A 39 5A 5A 39 5A 5A 36 4E 5A 30 30 30 30 32 33 F1 87 41",
        partial(decode_identifiers, lengths={}),
        {
            "values": ((0xF186, b"\x03"), (0xF190, b"ZZ9ZZ9ZZ6NZ000023")),
            "undecoded": bytes.fromhex("F18741"),
            "leftover": b"",
        },
        FIXED,
    ),
    Vector(
        "an identifier shorter than the standard fixes",
        "62 F1 90 31 32 33",
        partial(decode_identifiers, lengths={}),
        {"values": (), "undecoded": bytes.fromhex("F190313233"), "leftover": b""},
        FIXED,
    ),
    Vector(
        "a length of the unit comes before the one that the standard fixes",
        "62 F1 86 01 02 F1 86 03 04",
        partial(decode_identifiers, lengths={0xF186: 2}),
        {"values": ((0xF186, b"\x01\x02"), (0xF186, b"\x03\x04")), "undecoded": b"", "leftover": b""},
        FIXED,
    ),
    Vector(
        "supported parameters by identifier",
        "62 F4 00 BE 3E B8 13",
        partial(decode_identifiers, lengths={0xF400: 4}),
        {"values": ((0xF400, bytes.fromhex("BE3EB813")),), "undecoded": b"", "leftover": b""},
        RECORDED,
    ),
    Vector(
        "supported monitor tests by identifier",
        "62 F6 00 C0 00 00 01",
        partial(decode_identifiers, lengths={0xF600: 4}),
        {"values": ((0xF600, bytes.fromhex("C0000001")),), "undecoded": b"", "leftover": b""},
        RECORDED,
    ),
)

UDS_REQUEST_VECTORS = DTC_REQUEST_VECTORS + OTHER_REQUEST_VECTORS + ANSWER_VECTORS

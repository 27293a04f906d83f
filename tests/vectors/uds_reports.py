"""Answers of service 19 beside the plain lists, with their meaning."""

from functools import partial

from vectors.uds_records import RECORD_VECTORS
from vectors.vector import Vector

from decoders.uds_dtc import (
    DtcEntry,
    ListScope,
    decode_dtc_count,
    decode_dtc_list,
    decode_fault_counters,
    decode_snapshot_index,
)
from decoders.uds_records import (
    decode_extended_by_number,
)
from decoders.uds_severity import Severity, SeverityEntry, decode_group_list, decode_severity_list
from decoders.values import Dtc

EXAMPLE = "ISO 14229-1, worked example (from memory)"
LAYOUT = "ISO 14229-1, answer format"
WITHDRAWN = "ISO 14229-1:2013, answer format; withdrawn in 2020"
MEMORY = "ISO 14229-1:2020, answer format (from memory); the field table of py-uds 4.0.0 says the same"
FILL = "common practice, fill bytes behind an answer"
P0420, P0805 = Dtc.parse("P0420-00"), Dtc.parse("P0805-11")


def listed(*entries: tuple[str, int]) -> tuple[DtcEntry, ...]:
    return tuple(DtcEntry(dtc=Dtc.parse(text), status=status) for text, status in entries)


def graded(text: str, status: int, severity: int, functional_unit: int | None = None) -> SeverityEntry:
    return SeverityEntry(
        dtc=Dtc.parse(text), status=status, severity=Severity(severity), functional_unit=functional_unit
    )


LIST_VECTORS = (
    Vector(
        "number of codes by severity",
        "59 07 7F 01 00 02",
        decode_dtc_count,
        {"subfunction": 0x07, "mask": 0x7F, "format_id": 1, "count": 2, "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "number of codes in the mirror memory",
        "59 11 7F 04 01 00",
        decode_dtc_count,
        {"subfunction": 0x11, "format_id": 4, "count": 256},
        WITHDRAWN,
    ),
    Vector(
        "code that failed first",
        "59 0B FF 08 05 11 2F",
        decode_dtc_list,
        {"subfunction": 0x0B, "entries": listed(("P0805-11", 0x2F)), "scope": ListScope()},
        LAYOUT,
    ),
    Vector("no code was confirmed", "59 0E FF", decode_dtc_list, {"subfunction": 0x0E, "entries": ()}, LAYOUT),
    Vector(
        "mirror memory",
        "59 0F FF 08 05 11 28",
        decode_dtc_list,
        {"subfunction": 0x0F, "entries": listed(("P0805-11", 0x28))},
        WITHDRAWN,
    ),
    Vector(
        "emissions codes",
        "59 13 FF 04 20 00 28",
        decode_dtc_list,
        {"subfunction": 0x13, "entries": listed(("P0420-00", 0x28))},
        WITHDRAWN,
    ),
    Vector(
        "user-defined memory",
        "59 17 18 FF 08 05 11 2F",
        decode_dtc_list,
        {"subfunction": 0x17, "mask": 0xFF, "entries": listed(("P0805-11", 0x2F)), "scope": ListScope(memory=0x18)},
        LAYOUT,
    ),
    Vector(
        "codes with extended data record 91",
        "59 1A FF 91 04 20 00 28 08 05 11 2F",
        decode_dtc_list,
        {
            "mask": 0xFF,
            "entries": listed(("P0420-00", 0x28), ("P0805-11", 0x2F)),
            "scope": ListScope(record_number=0x91),
        },
        MEMORY,
    ),
    Vector(
        "no code has the extended data record",
        "59 1A FF",
        decode_dtc_list,
        {"mask": 0xFF, "entries": (), "scope": ListScope(), "leftover": b""},
        MEMORY,
    ),
    Vector(
        "no code has the extended data record, with fill bytes",
        "59 1A FF 00 00",
        decode_dtc_list,
        {"entries": (), "scope": ListScope(), "leftover": b"\x00\x00"},
        MEMORY,
    ),
    Vector(
        "permanent codes of the emissions group",
        "59 55 33 FF 04 04 20 00 08",
        decode_dtc_list,
        {"mask": 0xFF, "entries": listed(("P0420-00", 0x08)), "scope": ListScope(group=0x33, format_id=4)},
        MEMORY,
    ),
    Vector(
        "no permanent code in the emissions group",
        "59 55 33 FF 02",
        decode_dtc_list,
        {"entries": (), "scope": ListScope(group=0x33, format_id=2)},
        MEMORY,
    ),
    Vector(
        "codes of a readiness group",
        "59 56 33 FF 04 01 04 20 00 50 CC",
        decode_dtc_list,
        {
            "mask": 0xFF,
            "entries": listed(("P0420-00", 0x50)),
            "scope": ListScope(group=0x33, readiness_group=1, format_id=4),
            "leftover": b"\xcc",
        },
        MEMORY,
    ),
    Vector(
        "which snapshots there are",
        "59 03 12 34 56 01 12 34 56 02 78 9A BC 01",
        decode_snapshot_index,
        {
            "records": ((Dtc.parse("P1234-56"), 1), (Dtc.parse("P1234-56"), 2), (Dtc.parse("C389A-BC"), 1)),
            "zero_entries": 0,
            "leftover": b"",
        },
        EXAMPLE,
    ),
    Vector(
        "no snapshot at all, with padding",
        "59 03 00 00 00 00 00",
        decode_snapshot_index,
        {"records": (), "zero_entries": 1, "leftover": b"\x00"},
        LAYOUT,
    ),
    Vector(
        "fault detection counters",
        "59 14 04 20 00 7F 08 05 11 80 C1 00 87 FF",
        decode_fault_counters,
        {
            "counters": ((P0420, 127), (P0805, -128), (Dtc.parse("U0100-87"), -1)),
            "zero_entries": 0,
            "leftover": b"",
        },
        f"{LAYOUT}; the counter as one signed byte: from memory, py-uds 4.0.0 says the same",
    ),
    Vector(
        "codes by severity",
        "59 08 7F 40 10 08 05 11 2F",
        decode_severity_list,
        {
            "subfunction": 0x08,
            "mask": 0x7F,
            "entries": (graded("P0805-11", 0x2F, 0x40, 0x10),),
            "group": None,
            "severity_mask": None,
            "format_id": None,
            "leftover": b"",
        },
        EXAMPLE,
    ),
    Vector(
        "severity of one code, with padding",
        "59 09 7F 40 10 08 05 11 2F 55 55",
        decode_severity_list,
        {"subfunction": 0x09, "entries": (graded("P0805-11", 0x2F, 0x40, 0x10),), "leftover": b"\x55\x55"},
        LAYOUT,
    ),
    Vector("severity of no code", "59 09 7F", decode_severity_list, {"entries": (), "zero_entries": 0}, LAYOUT),
    Vector(
        "codes of the emissions group",
        "59 42 33 FF 1E 04 82 04 20 00 08 04 01 43 00 0C",
        decode_group_list,
        {
            "subfunction": 0x42,
            "group": 0x33,
            "mask": 0xFF,
            "severity_mask": 0x1E,
            "format_id": 4,
            "entries": (graded("P0420-00", 0x08, 0x82), graded("P0143-00", 0x0C, 0x04)),
            "leftover": b"",
        },
        MEMORY,
    ),
    Vector(
        "no code in the emissions group, with padding",
        "59 42 33 FF 1E 04 00 00 00 00 00 00",
        decode_group_list,
        {"entries": (), "zero_entries": 1, "leftover": b"\x00"},
        MEMORY,
    ),
)

FILL_VECTORS = (
    Vector(
        "fill bytes that could be a code",
        "59 02 FF AA AA AA AA",
        decode_dtc_list,
        {"entries": (), "zero_entries": 0, "leftover": b"\xaa" * 4},
        FILL,
    ),
    Vector(
        "fill bytes that could be a code and more",
        "59 0A FF 55 55 55 55 55",
        decode_dtc_list,
        {"entries": (), "leftover": b"\x55" * 5},
        FILL,
    ),
    Vector(
        "fill bytes behind a code whose status is the same byte",
        "59 02 FF 04 20 00 CC CC CC CC CC CC",
        decode_dtc_list,
        {"entries": listed(("P0420-00", 0xCC)), "leftover": b"\xcc" * 5},
        FILL,
    ),
    Vector(
        "fill bytes behind an empty record",
        "59 02 FF 00 00 00 00 FF FF FF FF",
        decode_dtc_list,
        {"entries": (), "zero_entries": 1, "leftover": b"\xff" * 4},
        FILL,
    ),
    Vector(
        "a code of one byte repeated, with others behind it",
        "59 02 FF AA AA AA AA 04 20 00 2F",
        decode_dtc_list,
        {"entries": listed(("B2AAA-AA", 0xAA), ("P0420-00", 0x2F)), "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "no code has the extended data record, fill bytes of 00",
        "59 1A FF 00 00 00 00 00",
        decode_dtc_list,
        {"entries": (), "zero_entries": 0, "scope": ListScope(), "leftover": bytes(5)},
        FILL,
    ),
    Vector(
        "no code has the extended data record, fill bytes that could be a code",
        "59 1A 01 FF FF FF FF",
        decode_dtc_list,
        {"mask": 1, "entries": (), "scope": ListScope(), "leftover": b"\xff" * 4},
        FILL,
    ),
    Vector(
        "fill bytes behind the number of an extended data record",
        "59 1A FF 91 55 55 55 55",
        decode_dtc_list,
        {"entries": (), "scope": ListScope(record_number=0x91), "leftover": b"\x55" * 4},
        FILL,
    ),
    Vector(
        "fill bytes that could be a snapshot",
        "59 03 04 20 00 01 AA AA AA AA AA",
        decode_snapshot_index,
        {"records": ((P0420, 1),), "zero_entries": 0, "leftover": b"\xaa" * 5},
        FILL,
    ),
    Vector(
        "fill bytes that could be a counter",
        "59 14 55 55 55 55",
        decode_fault_counters,
        {"counters": (), "zero_entries": 0, "leftover": b"\x55" * 4},
        FILL,
    ),
    Vector(
        "fill bytes that could be a code with a severity",
        "59 08 FF CC CC CC CC CC CC",
        decode_severity_list,
        {"entries": (), "zero_entries": 0, "leftover": b"\xcc" * 6},
        FILL,
    ),
    Vector(
        "fill bytes that could be a code of a group",
        "59 42 33 FF 1E 04 AA AA AA AA AA",
        decode_group_list,
        {"entries": (), "zero_entries": 0, "leftover": b"\xaa" * 5},
        FILL,
    ),
    Vector(
        "fill bytes that could be an extended data record of a code",
        "59 16 02 55 55 55 55 55 55",
        partial(decode_extended_by_number, sizes={2: 2}),
        {"entries": (), "zero_entries": 0, "leftover": b"\x55" * 6},
        FILL,
    ),
)

UDS_REPORT_VECTORS = LIST_VECTORS + FILL_VECTORS + RECORD_VECTORS

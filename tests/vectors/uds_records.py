"""Answers of service 19 that hold what a unit stored with a code."""

from functools import partial

from vectors.vector import Vector

from decoders.uds_dtc import (
    DtcEntry,
)
from decoders.uds_records import (
    ExtendedEntry,
    SnapshotRecord,
    StoredDataRecord,
    decode_extended,
    decode_extended_by_number,
    decode_snapshots,
    decode_stored_data,
)
from decoders.uds_severity import Severity, SeverityEntry
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


RECORD_VECTORS = (
    Vector(
        "snapshot in a user-defined memory",
        "59 18 18 12 34 56 24 02 01 47 11 A6 66 07 50 20",
        partial(decode_snapshots, lengths={0x4711: 5}),
        {
            "subfunction": 0x18,
            "memory": 0x18,
            "dtc": Dtc.parse("P1234-56"),
            "status": 0x24,
            "records": (SnapshotRecord(number=2, values=((0x4711, bytes.fromhex("A666075020")),), whole=True),),
            "undecoded": b"",
            "leftover": b"",
        },
        LAYOUT,
    ),
    Vector(
        "uncounted snapshot with nothing but fill bytes behind",
        "59 04 04 20 00 2F 01 00 AA AA",
        partial(decode_snapshots, lengths={}),
        {
            "memory": None,
            "records": (SnapshotRecord(number=1, values=(), whole=True),),
            "undecoded": b"",
            "leftover": b"\xaa\xaa",
        },
        LAYOUT,
    ),
    Vector(
        "stored data of two records",
        "59 05 01 04 20 00 2F 01 F4 0D 32 02 08 05 11 28 02 F4 0C 0B B8 F4 0D 28",
        partial(decode_stored_data, lengths={0xF40C: 2, 0xF40D: 1}),
        {
            "records": (
                StoredDataRecord(number=1, dtc=P0420, status=0x2F, values=((0xF40D, b"\x32"),), whole=True),
                StoredDataRecord(
                    number=2,
                    dtc=P0805,
                    status=0x28,
                    values=((0xF40C, b"\x0b\xb8"), (0xF40D, b"\x28")),
                    whole=True,
                ),
            ),
            "undecoded": b"",
            "leftover": b"",
        },
        LAYOUT,
    ),
    Vector(
        "nothing stored under the number, with padding",
        "59 05 03 CC CC",
        partial(decode_stored_data, lengths={}),
        {
            "records": (StoredDataRecord(number=3, dtc=None, status=None, values=(), whole=True),),
            "undecoded": b"",
            "leftover": b"\xcc\xcc",
        },
        LAYOUT,
    ),
    Vector(
        "stored data with an identifier of unknown length",
        "59 05 01 04 20 00 2F 02 F4 0D 32 DD 00 22 02",
        partial(decode_stored_data, lengths={0xF40D: 1}),
        {
            "records": (StoredDataRecord(number=1, dtc=P0420, status=0x2F, values=((0xF40D, b"\x32"),), whole=False),),
            "undecoded": bytes.fromhex("DD002202"),
            "leftover": b"",
        },
        LAYOUT,
    ),
    Vector(
        "extended data of mixed size",
        "59 06 04 20 00 2F 01 05 02 00 11 22 33 10 07 D0",
        partial(decode_extended, sizes={1: 1, 2: 4, 0x10: 2}),
        {
            "subfunction": 0x06,
            "memory": None,
            "records": ((1, b"\x05"), (2, bytes.fromhex("00112233")), (0x10, b"\x07\xd0")),
            "undecoded": b"",
            "leftover": b"",
        },
        LAYOUT,
    ),
    Vector(
        "extended data with fill bytes that number no record",
        "59 06 04 20 00 2F 01 05 00 00",
        partial(decode_extended, sizes={1: 1}),
        {"records": ((1, b"\x05"),), "undecoded": b"", "leftover": b"\x00\x00"},
        LAYOUT,
    ),
    Vector(
        "extended data with bytes that may be a record or padding",
        "59 06 04 20 00 2F 01 05 55 55",
        partial(decode_extended, sizes={1: 1}),
        {"records": ((1, b"\x05"),), "undecoded": b"\x55\x55", "leftover": b""},
        LAYOUT,
    ),
    Vector(
        "extended data in the mirror memory",
        "59 10 04 20 00 2F 01 05",
        partial(decode_extended, sizes={1: 1}),
        {"subfunction": 0x10, "memory": None, "dtc": P0420, "status": 0x2F, "records": ((1, b"\x05"),)},
        WITHDRAWN,
    ),
    Vector(
        "extended data in a user-defined memory",
        "59 19 18 04 20 00 2F 01 05 02 07 D0",
        partial(decode_extended, sizes={1: 1, 2: 2}),
        {
            "subfunction": 0x19,
            "memory": 0x18,
            "dtc": P0420,
            "status": 0x2F,
            "records": ((1, b"\x05"), (2, b"\x07\xd0")),
        },
        LAYOUT,
    ),
    Vector(
        "one extended data record of all codes",
        "59 16 02 04 20 00 2F 07 D0 08 05 11 28 00 01 00 00 00",
        partial(decode_extended_by_number, sizes={2: 2}),
        {
            "number": 2,
            "entries": (
                ExtendedEntry(dtc=P0420, status=0x2F, data=b"\x07\xd0"),
                ExtendedEntry(dtc=P0805, status=0x28, data=b"\x00\x01"),
            ),
            "zero_entries": 0,
            "undecoded": b"",
            "leftover": b"\x00\x00\x00",
        },
        LAYOUT,
    ),
    Vector(
        "an extended data record of unknown size",
        "59 16 02 04 20 00 2F 07 D0 08 05 11 28 00 01",
        partial(decode_extended_by_number, sizes={}),
        {
            "number": 2,
            "entries": (ExtendedEntry(dtc=P0420, status=0x2F, data=None),),
            "undecoded": bytes.fromhex("07D0080511280001"),
            "leftover": b"",
        },
        LAYOUT,
    ),
    Vector(
        "no code has the extended data record of unknown size",
        "59 16 02 AA AA AA AA",
        partial(decode_extended_by_number, sizes={}),
        {"number": 2, "entries": (), "zero_entries": 0, "undecoded": b"", "leftover": b"\xaa" * 4},
        LAYOUT,
    ),
)

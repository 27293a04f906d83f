"""Answers of ISO 14229-1 services with their meaning."""

from functools import partial

from vectors.vector import Vector

from decoders import (
    DtcEntry,
    SnapshotRecord,
    decode_clear,
    decode_dtc_count,
    decode_dtc_list,
    decode_extended,
    decode_identifier,
    decode_session,
    decode_snapshots,
    decode_tester_present,
)
from decoders.values import Dtc

EXAMPLE = "ISO 14229-1, worked example (from memory)"
RECORDED = "recorded from a vehicle"
LAYOUT = "ISO 14229-1, answer format"


def listed(*entries: tuple[str, int]) -> tuple[DtcEntry, ...]:
    return tuple(DtcEntry(dtc=Dtc.parse(text), status=status) for text, status in entries)


UDS_VECTORS = (
    Vector(
        "count",
        "59 01 2F 01 00 01",
        decode_dtc_count,
        {"subfunction": 0x01, "mask": 0x2F, "format_id": 1, "count": 1, "leftover": b""},
        EXAMPLE,
    ),
    Vector(
        "count with a fill byte",
        "59 12 FF 00 01 02 AA",
        decode_dtc_count,
        {"subfunction": 0x12, "mask": 0xFF, "format_id": 0, "count": 0x102, "leftover": b"\xaa"},
        LAYOUT,
    ),
    Vector(
        "list by mask",
        "59 02 7F 0A 9B 17 24 08 05 11 2F",
        decode_dtc_list,
        {
            "subfunction": 0x02,
            "mask": 0x7F,
            "entries": listed(("P0A9B-17", 0x24), ("P0805-11", 0x2F)),
            "zero_entries": 0,
            "leftover": b"",
        },
        EXAMPLE,
    ),
    Vector(
        "supported codes, one with status 00",
        "59 0A 7F 12 34 56 24 23 45 05 00 AB CD 01 2F",
        decode_dtc_list,
        {
            "subfunction": 0x0A,
            "mask": 0x7F,
            "entries": listed(("P1234-56", 0x24), ("P2345-05", 0x00), ("B2BCD-01", 0x2F)),
        },
        "ISO 14229-1, worked example as found on a secondary page",
    ),
    Vector(
        "two failure types of one code",
        "59 02 FF C0 64 87 28 0E 31 01 28 C0 64 88 6C",
        decode_dtc_list,
        {"mask": 0xFF, "entries": listed(("U0064-87", 0x28), ("P0E31-01", 0x28), ("U0064-88", 0x6C))},
        RECORDED,
    ),
    Vector(
        "bits outside the mask are kept as sent",
        "59 02 8F C0 64 88 28",
        decode_dtc_list,
        {"mask": 0x8F, "entries": listed(("U0064-88", 0x28))},
        RECORDED,
    ),
    Vector("empty list", "59 02 FB", decode_dtc_list, {"mask": 0xFB, "entries": (), "leftover": b""}, RECORDED),
    Vector(
        "empty list after a pending answer",
        "59 02 FF",
        decode_dtc_list,
        {"mask": 0xFF, "entries": (), "leftover": b""},
        RECORDED,
    ),
    Vector(
        "list, one code",
        "59 02 FF C0 64 88 2E",
        decode_dtc_list,
        {"entries": listed(("U0064-88", 0x2E))},
        RECORDED,
    ),
    Vector(
        "mask 09 lists by any bit",
        "59 02 FF E1 43 81 68 1B B1 08 28",
        decode_dtc_list,
        {"entries": listed(("U2143-81", 0x68), ("P1BB1-08", 0x28))},
        "a published note with recorded bytes",
    ),
    Vector(
        "permanent codes",
        "59 15 FF 04 20 00 08",
        decode_dtc_list,
        {"subfunction": 0x15, "entries": listed(("P0420-00", 0x08))},
        LAYOUT,
    ),
    Vector(
        "zero records name no code",
        "59 02 FF 04 20 00 2F 00 00 00 00 00",
        decode_dtc_list,
        {"entries": listed(("P0420-00", 0x2F)), "zero_entries": 1, "leftover": b"\x00"},
        LAYOUT,
    ),
    Vector(
        "snapshot",
        "59 04 12 34 56 24 02 01 47 11 A6 66 07 50 20",
        partial(decode_snapshots, lengths={0x4711: 5}),
        {
            "dtc": Dtc.parse("P1234-56"),
            "status": 0x24,
            "records": (SnapshotRecord(number=2, values=((0x4711, bytes.fromhex("A666075020")),), whole=True),),
            "undecoded": b"",
        },
        EXAMPLE,
    ),
    Vector(
        "snapshot of two records",
        "59 04 04 20 00 2F 01 02 F4 0C 0B B8 F4 0D 32 02 01 F4 0D 28",
        partial(decode_snapshots, lengths={0xF40C: 2, 0xF40D: 1}),
        {
            "records": (
                SnapshotRecord(number=1, values=((0xF40C, b"\x0b\xb8"), (0xF40D, b"\x32")), whole=True),
                SnapshotRecord(number=2, values=((0xF40D, b"\x28"),), whole=True),
            ),
            "undecoded": b"",
        },
        LAYOUT,
    ),
    Vector(
        "snapshot with an identifier of unknown length",
        "59 04 C0 64 87 28 10 0C DD 00 22 69 51 58 DD 01 00 38 24 DD 02 3A",
        partial(decode_snapshots, lengths={0xDD00: 4, 0xDD01: 3}),
        {
            "status": 0x28,
            "records": (
                SnapshotRecord(
                    number=0x10,
                    values=((0xDD00, bytes.fromhex("22695158")), (0xDD01, bytes.fromhex("003824"))),
                    whole=False,
                ),
            ),
            "undecoded": bytes.fromhex("DD023A"),
        },
        f"{RECORDED}, cut here after the third of its 12 identifiers",
    ),
    Vector(
        "snapshot record of unknown content",
        "59 04 C0 64 87 28 10 01 DD 00 22",
        partial(decode_snapshots, lengths={}),
        {
            "records": (SnapshotRecord(number=0x10, values=(), whole=False),),
            "undecoded": bytes.fromhex("DD0022"),
        },
        LAYOUT,
    ),
    Vector(
        "snapshot with an uncounted number of identifiers",
        "59 04 04 20 00 2F 01 00 F4 0D 32",
        partial(decode_snapshots, lengths={0xF40D: 1}),
        {
            "records": (SnapshotRecord(number=1, values=(), whole=False),),
            "undecoded": bytes.fromhex("F40D32"),
        },
        "ISO 14229-1, DTCSnapshotRecordNumberOfIdentifiers (from memory)",
    ),
    Vector(
        "snapshot without identifiers",
        "59 04 04 20 00 2F 01 00",
        partial(decode_snapshots, lengths={}),
        {"records": (SnapshotRecord(number=1, values=(), whole=True),), "undecoded": b""},
        LAYOUT,
    ),
    Vector(
        "no snapshot",
        "59 04 04 20 00 2F",
        partial(decode_snapshots, lengths={}),
        {"dtc": Dtc.parse("P0420-00"), "status": 0x2F, "records": (), "undecoded": b""},
        LAYOUT,
    ),
    Vector(
        "fill bytes behind a snapshot",
        "59 04 04 20 00 2F 01 01 F4 0D 32 55 55",
        partial(decode_snapshots, lengths={0xF40D: 1}),
        {
            "records": (SnapshotRecord(number=1, values=((0xF40D, b"\x32"),), whole=True),),
            "undecoded": b"",
            "leftover": b"\x55\x55",
        },
        LAYOUT,
    ),
    Vector(
        "extended data",
        "59 06 12 34 56 24 05 17 79",
        partial(decode_extended, sizes={5: 2}),
        {
            "dtc": Dtc.parse("P1234-56"),
            "status": 0x24,
            "records": ((5, b"\x17\x79"),),
            "undecoded": b"",
        },
        EXAMPLE,
    ),
    Vector(
        "extended data of five records",
        "59 06 C0 64 87 28 01 0C 02 0A 03 0D 04 02 10 80",
        partial(decode_extended, sizes={1: 1, 2: 1, 3: 1, 4: 1, 0x10: 1}),
        {
            "status": 0x28,
            "records": ((1, b"\x0c"), (2, b"\x0a"), (3, b"\x0d"), (4, b"\x02"), (0x10, b"\x80")),
            "undecoded": b"",
        },
        RECORDED,
    ),
    Vector(
        "extended data of unknown size",
        "59 06 C0 64 87 28 01 0C 02 0A 03 0D",
        partial(decode_extended, sizes={1: 1}),
        {"records": ((1, b"\x0c"),), "undecoded": bytes.fromhex("020A030D")},
        LAYOUT,
    ),
    Vector(
        "no extended data",
        "59 06 04 20 00 2F",
        partial(decode_extended, sizes={}),
        {"dtc": Dtc.parse("P0420-00"), "status": 0x2F, "records": (), "undecoded": b""},
        EXAMPLE,
    ),
    Vector("clear", "54", decode_clear, {"service": 0x14, "leftover": b""}, EXAMPLE),
    Vector("OBD clear", "44", decode_clear, {"service": 0x04, "leftover": b""}, "SAE J1979, service 04"),
    Vector(
        "extended session",
        "50 03 00 32 01 F4",
        decode_session,
        {"session": 3, "p2_ms": 50, "p2_star_ms": 5000, "leftover": b""},
        RECORDED,
    ),
    Vector(
        "session without times",
        "50 01",
        decode_session,
        {"session": 1, "p2_ms": None, "p2_star_ms": None, "leftover": b""},
        "ISO 14229-1:2006, sessionParameterRecord is optional (from memory)",
    ),
    Vector("tester present", "7E 00", decode_tester_present, {"subfunction": 0, "leftover": b""}, LAYOUT),
    Vector(
        "active session",
        "62 F1 86 01",
        decode_identifier,
        {"number": 0xF186, "data": b"\x01"},
        "ISO 14229-1, Annex C, active session identifier",
    ),
    Vector(
        "VIN by identifier",
        "62 F1 90" + b"ZZ9ZZ9ZZ6NZ000023".hex(),
        decode_identifier,
        {"number": 0xF190, "data": b"ZZ9ZZ9ZZ6NZ000023"},
        "recorded from a vehicle, VIN replaced",
    ),
    Vector(
        "VIN by its OBD identifier",
        "62 F8 02" + b"ZZ9ZZ9ZZ6NZ000023".hex(),
        decode_identifier,
        {"number": 0xF802, "data": b"ZZ9ZZ9ZZ6NZ000023"},
        "SAE J1979-2, identifier F802 (from memory)",
    ),
)

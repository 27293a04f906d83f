"""Messages of ISO 14229-1 services cut into parts and explained by hand."""

from __future__ import annotations

EXAMPLE = "ISO 14229-1, worked example (from memory)"
RECORDED = "recorded from a vehicle"
FORMATS = "ISO 14229-1, message formats"

EXPLAINED_UDS: tuple[tuple[str, tuple[str, ...], str], ...] = (
    (
        "59|02|7F|0A 9B 17|24|08 05 11|2F|AA AA",
        (
            "service: answer to 19: read codes",
            "sub-function: codes by status",
            "status mask of the unit: the unit supports: test failed, failed this cycle, pending, confirmed, not tested"
            " since clear, failed since clear, not tested this cycle; not supported, so they say nothing: warning lamp"
            " requested",
            "code: P0A9B-17: generic range: hybrid or electric drive (failure type: voltage too high)",
            "status: pending, failed since clear",
            "code: P0805-11: generic range: transmission (failure type: short to ground)",
            "status: test failed, failed this cycle, pending, confirmed, failed since clear",
            "padding: fill bytes, no data",
        ),
        f"{EXAMPLE}, two fill bytes added",
    ),
    (
        "59|02|00|00 00 00 00",
        (
            "service: answer to 19: read codes",
            "sub-function: codes by status",
            "status mask of the unit: the unit supports none; not supported, so they say nothing: test failed, failed"
            " this cycle, pending, confirmed, not tested since clear, failed since clear, not tested this cycle,"
            " warning lamp requested",
            "empty record: zero bytes only: names no code",
        ),
        "SAE J2012, 0000 names no code",
    ),
    (
        "59|01|2F|01|00 01",
        (
            "service: answer to 19: read codes",
            "sub-function: number of codes by status",
            "status mask of the unit: the unit supports: test failed, failed this cycle, pending, confirmed, failed"
            " since clear; not supported, so they say nothing: not tested since clear, not tested this cycle, warning"
            " lamp requested",
            "format of the codes: ISO 14229-1",
            "count: 1 code",
        ),
        EXAMPLE,
    ),
    (
        "59|08|FF|40|10|08 05 11|2F",
        (
            "service: answer to 19: read codes",
            "sub-function: codes by severity and status",
            "status mask of the unit: the unit supports all eight status bits",
            "severity: check at next halt",
            "functional unit: 10, by the maker's own numbering",
            "code: P0805-11: generic range: transmission (failure type: short to ground)",
            "status: test failed, failed this cycle, pending, confirmed, failed since clear",
        ),
        f"{EXAMPLE}, with mask FF",
    ),
    (
        "59|55|33|FF|02|B8 04 03|08",
        (
            "service: answer to 19: read codes",
            "sub-function: permanent codes of a functional group",
            "functional group: emissions",
            "status mask of the unit: the unit supports all eight status bits",
            "format of the codes: SAE J1939-73",
            "code: SPN1208-FMI3: text not known",
            "status: confirmed",
        ),
        "ISO 27145-3; SAE J1939-73, SPN low byte first (both from memory)",
    ),
    (
        "59|42|33|FF|1E|04|42|04 20 00|08|02|04 20 11|08",
        (
            "service: answer to 19: read codes",
            "sub-function: codes of a functional group by status and severity",
            "functional group: emissions",
            "status mask of the unit: the unit supports all eight status bits",
            "severity mask of the unit: the unit supports: class A, class B1, class B2, class C",
            "format of the codes: SAE J2012-DA, format 04",
            "severity: class A; sent but not supported: check at next halt",
            "code: P0420-00: generic range: auxiliary emission controls",
            "status: confirmed",
            "severity: class A",
            "code: P0420-11: generic range: auxiliary emission controls (failure type: short to ground)",
            "status: confirmed",
        ),
        "ISO 27145-3 (from memory)",
    ),
    (
        "59|14|04 20 00|7F|08 05 11|80|08 05 12|FF|08 05 13|05|08 05 14|00",
        (
            "service: answer to 19: read codes",
            "sub-function: fault detection counters",
            "code: P0420-00: generic range: auxiliary emission controls",
            "fault detection counter: 127: failed",
            "code: P0805-11: generic range: transmission (failure type: short to ground)",
            "fault detection counter: -128: passed",
            "code: P0805-12: generic range: transmission (failure type: short to battery)",
            "fault detection counter: -1: on the way to passed",
            "code: P0805-13: generic range: transmission (failure type: open circuit)",
            "fault detection counter: 5: on the way to failed",
            "code: P0805-14: generic range: transmission (failure type: short to ground or open circuit)",
            "fault detection counter: 0: no tendency",
        ),
        "ISO 14229-1, fault detection counter (from memory)",
    ),
    (
        "59|04|04 20 00|2F|01|02|F4 0C|0B B8|DD 00|11 22",
        (
            "service: answer to 19: read codes",
            "sub-function: snapshots of a code",
            "code: P0420-00: generic range: auxiliary emission controls",
            "status: sent, support not read: test failed, failed this cycle, pending, confirmed, failed since clear",
            "record number: record 01",
            "number of identifiers: 2",
            "identifier: F40C, OBD value: engine speed",
            "engine speed: 750 rpm = 3000 / 4",
            "identifier: DD00, no standard identifier: a profile can name it; its length is not known here, what"
            " follows may be more than its data",
            "data: layout not known here: a profile can give it",
        ),
        FORMATS,
    ),
    (
        "59|06|C0 64 87|28|01|0C 02 0A",
        (
            "service: answer to 19: read codes",
            "sub-function: extended data of a code",
            "code: U0064-87: generic meaning: vehicle bus E: failure (failure type: bus message missing)",
            "status: sent, support not read: confirmed, failed since clear",
            "record number: record 01",
            "data: its size is not known here, a profile can give it; it may hold further records",
        ),
        f"{RECORDED}, cut here after the second of its five records",
    ),
    (
        "59|05|03",
        (
            "service: answer to 19: read codes",
            "sub-function: stored data by record number",
            "record number: record 03: nothing is stored under it",
        ),
        FORMATS,
    ),
    (
        "19|82|FF",
        (
            "service: request: read codes",
            "sub-function: codes by status; no positive answer is wanted",
            "status mask: codes with any status bit set",
        ),
        "ISO 14229-1, suppressPosRspMsgIndicationBit",
    ),
    (
        "19|42|33|08|1E",
        (
            "service: request: read codes",
            "sub-function: codes of a functional group by status and severity",
            "functional group: emissions",
            "status mask: codes with any of these: confirmed",
            "severity mask: codes with any of these: class A, class B1, class B2, class C",
        ),
        "ISO 27145-3 (from memory)",
    ),
    (
        "19|08|00|00",
        (
            "service: request: read codes",
            "sub-function: codes by severity and status",
            "severity mask: no bit: no code can be meant",
            "status mask: no bit: no code can be meant",
        ),
        "ISO 14229-1, a code is meant if any of the bits is set",
    ),
    (
        "19|06|00 00 00|FE",
        (
            "service: request: read codes",
            "sub-function: extended data of a code",
            "code: zero bytes only: names no code",
            "record number: all records of emissions",
        ),
        "ISO 14229-1, DTCExtDataRecordNumber FE (from memory)",
    ),
    (
        "14|FF FF 33",
        ("service: request: clear codes", "group of codes: emissions group"),
        "ISO 14229-1, Annex D, groupOfDTC",
    ),
    (
        "14|04 20 11|18",
        (
            "service: request: clear codes",
            "group of codes: P0420-11: generic range: auxiliary emission controls (failure type: short to ground)",
            "memory: user-defined memory 18",
        ),
        "ISO 14229-1:2020, MemorySelection",
    ),
    (
        "14|40 00 00",
        (
            "service: request: clear codes",
            "group of codes: C0000-00: generic range: brakes, wheels, steering and vehicle dynamics; a single code, or"
            " in older editions a group",
        ),
        "ISO 14229-1, groupOfDTC; groups of older editions: from memory",
    ),
    (
        "50|03|00 32|01 F4",
        (
            "service: answer to 10: session control",
            "sub-function: extended session",
            "P2: 50 ms",
            "P2*: 5000 ms (raw * 10)",
        ),
        RECORDED,
    ),
    (
        "7F|19|78",
        (
            "service: negative response",
            "service refused: read codes",
            "reason: answer pending (class: retry later)",
        ),
        RECORDED,
    ),
    (
        "C5|02",
        (
            "service: answer to 85: code setting control",
            "sub-function: status updates off: until they are on again a reading proves nothing",
        ),
        RECORDED,
    ),
    (
        "62|F1 90|5A 5A 39 5A 5A 39 5A 5A 36 4E 5A 30 30 30 30 32 33|55 55",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F190, VIN",
            "data: ZZ9ZZ9ZZ6NZ000023 (Europe): check digit right",
            "padding: fill bytes, no data",
        ),
        "recorded from a vehicle, VIN replaced; fill bytes added. ISO 3779: a VIN has 17 characters",
    ),
    (
        "62|F1 86|03|F1 90|5A 5A 39 5A 5A 39 5A 5A 36 4E 5A 30 30 30 30 32 33|F1 87|31 32 33",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F186, active session",
            "data: extended session",
            "identifier: F190, VIN",
            "data: ZZ9ZZ9ZZ6NZ000023 (Europe): check digit right",
            "identifier: F187, spare part number; its length is not known here, what follows may be more than its data",
            'data: text "123"',
        ),
        "ISO 14229-1, Annex C: F186 has one byte (from memory); ISO 3779: a VIN has 17 characters",
    ),
    (
        "62|F1 90|31 32 33",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F190, VIN; its length is not known here, what follows may be more than its data",
            "data: 123: not well formed: 3 characters, a VIN has 17",
        ),
        FORMATS,
    ),
    (
        "22|F0 00|F1 00|F1 A0|F1 F0|F2 01|F3 00|F9 00|FA 00|FA 10|FD 00|FF 00|DD 00",
        (
            "service: request: read data by identifier",
            "identifier: F000, network of tractor and trailer: a profile can name it",
            "identifier: F100, identification, the maker's own: a profile can name it",
            "identifier: F1A0, identification, the maker's own: a profile can name it",
            "identifier: F1F0, identification, the supplier's own: a profile can name it",
            "identifier: F201, periodic identifier: a profile can name it",
            "identifier: F300, dynamically defined identifier: a profile can name it",
            "identifier: F900, tachograph: a profile can name it",
            "identifier: FA00, airbag deployment: a profile can name it",
            "identifier: FA10, safety system: a profile can name it",
            "identifier: FD00, the supplier's own: a profile can name it",
            "identifier: FF00, version of ISO 14229-1 that the unit follows",
            "identifier: DD00, no standard identifier: a profile can name it",
        ),
        "ISO 14229-1, Annex C (FF00 from memory)",
    ),
    (
        "31|01|FF 00|01",
        (
            "service: request: routine control",
            "sub-function: start",
            "routine: routine FF00, erase memory",
            "option: layout not known here",
        ),
        "ISO 14229-1, Annex F, routine identifiers",
    ),
    (
        "71|03|02 03|00",
        (
            "service: answer to 31: routine control",
            "sub-function: results",
            "routine: routine 0203, the maker's own",
            "status: the maker's own",
        ),
        "ISO 14229-1, Annex F, routine identifiers",
    ),
    (
        "62|F1 87|31 32 33",
        (
            "service: answer to 22: read data by identifier",
            "identifier: F187, spare part number; its length is not known here, what follows may be more than its data",
            'data: text "123"',
        ),
        FORMATS,
    ),
    (
        "2E|F1 86|03",
        (
            "service: request: write data by identifier",
            "identifier: F186, active session",
            "data: extended session",
        ),
        FORMATS,
    ),
    (
        "28|04|01|00 05",
        (
            "service: request: communication control",
            "sub-function: receive, do not send, for one node",
            "messages: normal messages",
            "node: node 0005",
        ),
        "ISO 14229-1, CommunicationControl (from memory)",
    ),
    (
        "28|01|F3",
        (
            "service: request: communication control",
            "sub-function: receive, do not send",
            "messages: normal messages and network management, the network of this request",
        ),
        "ISO 14229-1, communicationType (from memory)",
    ),
    (
        "28|81|2D",
        (
            "service: request: communication control",
            "sub-function: receive, do not send; no positive answer is wanted",
            "messages: normal messages, subnet 2; reserved bits 0C",
        ),
        "ISO 14229-1, communicationType (from memory)",
    ),
    (
        "51|04|0F|00 00",
        (
            "service: answer to 11: unit reset",
            "sub-function: fast power-down on",
            "power-down time: 15 s",
            "padding: fill bytes, no data",
        ),
        "ISO 14229-1, ECUReset, powerDownTime",
    ),
    (
        "67|02",
        ("service: answer to 27: security access", "sub-function: key of level 01"),
        "ISO 14229-1, SecurityAccess: odd sub-functions ask for a seed, the next even one sends the key",
    ),
    (
        "34|00 44",
        ("service: request: request download", "rest: layout not known here"),
        FORMATS,
    ),
)
"""Message with its parts between bars, what each says as ``field: meaning``, and who says so."""

"""The list: every request that may reach a vehicle. What is not here is refused; this file holds nothing else.

A row says how a payload begins, what it is for, and how many bytes follow (fewest, most). Sources of the forms:
SAE J1979 / ISO 15031-5 on CAN (services 01 to 0A), ISO 14229-1 (all others).
"""

from __future__ import annotations

from collections.abc import Mapping

from gateway.guard.forms import Form

# Always: reading. One unit or everyone may be asked.

READ_FORMS: tuple[Form, ...] = (
    Form("01", "current data: up to six identifiers", 1, 6),
    Form("02", "freeze frame: up to three identifiers, each with its frame number", 2, 6, step=2),
    Form("03", "stored codes"),
    Form("05", "oxygen sensor test: test, sensor", 2, 2),
    Form("06", "monitor tests: up to six", 1, 6),
    Form("07", "pending codes"),
    Form("09", "vehicle information: up to six", 1, 6),
    Form("0A", "permanent codes"),
    Form("1901", "number of codes: status mask", 1, 1),
    Form("1902", "codes: status mask", 1, 1),
    Form("1903", "which snapshots there are"),
    Form("1904", "snapshots of a code: code, record", 4, 4),
    Form("1905", "stored data: record", 1, 1),
    Form("1906", "extended data of a code: code, record", 4, 4),
    Form("1907", "number of codes by severity: severity mask, status mask", 2, 2),
    Form("1908", "codes by severity: severity mask, status mask", 2, 2),
    Form("1909", "severity of a code: code", 3, 3),
    Form("190A", "supported codes"),
    Form("190B", "first code that failed a test"),
    Form("190C", "first confirmed code"),
    Form("190D", "latest code that failed a test"),
    Form("190E", "latest confirmed code"),
    Form("190F", "codes of the mirror memory: status mask", 1, 1),
    Form("1910", "extended data of a code of the mirror memory: code, record", 4, 4),
    Form("1911", "number of codes of the mirror memory: status mask", 1, 1),
    Form("1912", "number of emissions-related codes: status mask", 1, 1),
    Form("1913", "emissions-related codes: status mask", 1, 1),
    Form("1914", "fault detection counters"),
    Form("1915", "permanent codes"),
    Form("1916", "extended data of every code: record", 1, 1),
    Form("1917", "codes of a user-defined memory: status mask, memory", 2, 2),
    Form("1918", "snapshots of a code there: code, record, memory", 5, 5),
    Form("1919", "extended data of a code there: code, record, memory", 5, 5),
    Form("191A", "codes that have an extended data record: record", 1, 1),
    Form("1942", "codes of a functional group: group, status mask, severity mask", 3, 3),
    Form("1955", "permanent codes of a functional group: group", 1, 1),
    Form("1956", "codes of a readiness group: functional group, readiness group", 2, 2),
    Form("22", "data identifiers; each one is in IDENTIFIERS or declared by the profile", 2, 64, step=2),
    Form("3E00", "tester present, to find units"),
)

IDENTIFIERS: Mapping[range, str] = {
    range(0xF100, 0xF200): "identification",
    range(0xF400, 0xF900): "what services 01 to 09 tell, by service 22",
}
"""Data identifiers of service 22 that need no profile."""

# While `watch` runs or the car moves: of the forms above these services only, one request at a time, default session.

MOVING_SERVICES = frozenset({0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22})

# Standing car, one unit, by a permit: a session in which the unit says more, and keeping it.

SESSION_FORM = Form("10", "begin the session: one of SESSIONS", 1, 1)
KEEP_ALIVE_FORM = Form("3E80", "tester present without an answer: keep the session that this program began")

SESSIONS: Mapping[range, str] = {
    range(0x03, 0x04): "extended: where the unit refused with 7E or 7F, or the profile asks for it",
    range(0x40, 0x7F): "the maker's and the supplier's: only as the profile declares",
}

# At any time, whatever else is refused: what ends a thing that this program began.

STOP_FORMS: tuple[Form, ...] = (
    Form("1001", "back to the default session"),
    Form("3102", "stop the routine: routine, what the profile declares", 2, 4093),
    Form("2F", "give the control back: identifier, 00, what the profile declares", 3, 4094),
)

# Only through the clear flow: one unit.

CLEAR_FORMS: tuple[Form, ...] = (
    Form("04", "clear emissions-related information"),
    Form("14FFFFFF", "clear all codes; with a memory number where that memory was read", 0, 1),
    Form("14FFFF33", "clear the emissions-related codes; with a memory number likewise", 0, 1),
)
CLEAR_CODE_FORM = Form("14", "clear one code that a scan listed; with a memory number likewise", 3, 4)

# Only through the routine flow: one unit, the exact bytes that the profile declares.

ROUTINE_FORMS: tuple[Form, ...] = (
    Form("3101", "start: routine, option bytes", 2, 4093),
    Form("3102", "stop: routine, option bytes", 2, 4093),
    Form("3103", "ask for the result: routine, option bytes", 2, 4093),
    Form("2E", "write: identifier, data", 3, 4094),
    Form("2F", "control an input or output: identifier, kind of control, state", 3, 4094),
)

# Never, whatever a profile says or a permit holds.

NEVER: Mapping[int, str] = {
    0x08: "it operates parts of the vehicle",
    0x11: "it restarts the unit",
    0x23: "it reads raw memory",
    0x24: "it belongs to raw scaling access",
    0x27: "it unlocks the unit",
    0x28: "it silences units, and with them the evidence",
    0x29: "it unlocks the unit",
    0x2A: "it makes the unit send by itself",
    0x2C: "it redefines what the unit reports",
    0x34: "it reprograms the unit",
    0x35: "it reads raw memory",
    0x36: "it reprograms the unit",
    0x37: "it reprograms the unit",
    0x38: "it writes files",
    0x3D: "it writes raw memory",
    0x83: "it changes the unit's timing",
    0x84: "it hides the request from this guard",
    0x85: "it stops the unit from storing faults",
    0x86: "it makes the unit send by itself",
    0x87: "it changes the bus speed",
}
"""Services."""

NEVER_SESSIONS: Mapping[int, str] = {
    0x02: "in it a unit waits to be reprogrammed",
    0x04: "in it a unit arms its safety system",
}
"""Sub-functions of service 10."""

NEVER_ROUTINES: Mapping[range, str] = {
    range(0x0100, 0x0200): "it tests a tachograph",
    range(0xE200, 0xE300): "it deploys or tests a safety system",
    range(0xFF00, 0x10000): "it erases memory or belongs to programming",
}
"""Routine identifiers of service 31. Source: ISO 14229-1, Annex F."""

NEVER_WRITES: Mapping[range, str] = {
    range(0xF100, 0xF200): "it would change who the unit says it is",
    range(0xF900, 0xFA00): "it belongs to a tachograph",
    range(0xFA00, 0xFB00): "it belongs to a safety system",
}
"""Data identifiers of service 2E. Source: ISO 14229-1, Annex C."""

# Who may be reached.

FUNCTIONAL_TARGETS: Mapping[str, str] = {
    "functional:7DF": "everyone by 11-bit identifiers (ISO 15765-4)",
    "functional:18DB33F1": "everyone by 29-bit identifiers (ISO 15765-4)",
    "functional:doip:E400": "the maker's first functional group over DoIP (ISO 13400-2, from memory)",
}

FUNCTIONAL_29_BIT_FORMATS: Mapping[int, str] = {
    0xDB: "normal fixed addressing, functional (ISO 15765-2)",
    0xCD: "mixed addressing, functional (ISO 15765-2)",
}
"""The byte at bits 16 to 23 of a 29-bit identifier that everyone hears."""

FUNCTIONAL_DOIP = range(0xE000, 0xF000)
"""Logical addresses that several units hear. Source: ISO 13400-2 (from memory)."""

# A sweep for unknown units: only when asked, car standing, engine off.

SWEEP_FORM = Form("3E00", "tester present: is anybody there?")
SWEEP_11_BIT = range(0x700, 0x7F0)
SWEEP_29_BIT = ("18DA{unit}F1", "18DAF1{unit}")
"""Request and response of a unit by normal fixed addressing. Source: ISO 15765-2."""

"""The list: every request that may reach a vehicle. What is not here is refused; `guard.py` only reads it.

A row is how a payload begins and how many bytes may follow. Source of the forms: SAE J1979 / ISO 15031-5 on
CAN (services 01 to 0A), ISO 14229-1 (14, 19, 22, 3E).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Form:
    """Payloads that begin with `head` and go on for `least` to `most` bytes, in steps of `step`."""

    head: str
    least: int = 0
    most: int = 0
    step: int = 1

    def fits(self, data: bytes) -> bool:
        """True if the payload has this form."""
        head = bytes.fromhex(self.head)
        tail = len(data) - len(head)
        return data.startswith(head) and self.least <= tail <= self.most and tail % self.step == 0


READ_FORMS: tuple[Form, ...] = (
    Form("01", 1, 6),  # current data: up to six identifiers
    Form("02", 2, 6, step=2),  # freeze frame: up to three identifiers, each with its frame number
    Form("03"),  # stored codes
    Form("05", 2, 2),  # oxygen sensor tests
    Form("06", 1, 6),  # monitor tests
    Form("07"),  # pending codes
    Form("09", 1, 6),  # vehicle information
    Form("0A"),  # permanent codes
    Form("1901", 1, 1),  # number of codes by status mask
    Form("1902", 1, 1),  # codes by status mask
    Form("1903"),  # snapshot identification
    Form("1904", 4, 4),  # snapshots of a code: code, record
    Form("1905", 1, 1),  # stored data by record
    Form("1906", 4, 4),  # extended data of a code: code, record
    Form("1907", 2, 2),  # number of codes by severity and status mask
    Form("1908", 2, 2),  # codes by severity and status mask
    Form("1909", 3, 3),  # severity of a code
    Form("190A"),  # supported codes
    Form("190B"),  # first test failed
    Form("190C"),  # first confirmed
    Form("190D"),  # most recent test failed
    Form("190E"),  # most recent confirmed
    Form("190F", 1, 1),  # mirror memory by status mask
    Form("1910", 4, 4),  # mirror memory, extended data: code, record
    Form("1911", 1, 1),  # number of codes in mirror memory
    Form("1912", 1, 1),  # number of emissions-related codes
    Form("1913", 1, 1),  # emissions-related codes
    Form("1914"),  # fault detection counters
    Form("1915"),  # permanent codes
    Form("1916", 1, 1),  # extended data by record
    Form("1917", 2, 2),  # user-defined memory: mask, memory
    Form("1918", 5, 5),  # its snapshots: code, record, memory
    Form("1919", 5, 5),  # its extended data: code, record, memory
    Form("191A", 1, 1),  # codes that support an extended data record
    Form("1942", 3, 3),  # WWH-OBD codes: group, status mask, severity mask
    Form("1955", 1, 1),  # WWH-OBD permanent codes: group
    Form("1956", 2, 2),  # codes by readiness group: group, readiness group
    Form("22", 2, 64, step=2),  # data identifiers, each of them also in IDENTIFIERS or declared by the profile
    Form("3E00"),  # tester present, to find units
)

IDENTIFIERS: tuple[range, ...] = (range(0xF100, 0xF200), range(0xF400, 0xF900))
"""Data identifiers of service 22 that need no profile."""

MOVING_SERVICES = frozenset({0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22})
"""Of the forms above, what may be asked while the car moves or is watched."""

CLEAR_FORMS: tuple[Form, ...] = (
    Form("04"),  # clear emissions-related information
    Form("14FFFFFF"),  # clear all groups
    Form("14FFFF33"),  # clear the emissions-related group
)
"""What the clear flow may send to its one unit; 14 with one listed code comes from its permit."""

NEVER: dict[int, str] = {
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
"""Services that no profile and no flow opens, and why."""

FUNCTIONAL_IDS = frozenset({"7DF", "18DB33F1"})
"""Identifiers that everyone hears. Source: ISO 15765-4, legislated functional identifiers."""

FUNCTIONAL_29_BIT_PREFIXES = ("18DB", "18CD")
"""How functional 29-bit identifiers begin. Source: ISO 15765-2, normal fixed and mixed addressing."""

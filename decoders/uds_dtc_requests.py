"""Requests about trouble codes: service 19 (ReadDTCInformation) and service 14 (ClearDiagnosticInformation)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from decoders.cursor import Cursor
from decoders.values import Dtc

_SUPPRESS_BIT = 0x80
_FIRST_GROUP = 0xFFFF00

_FIELDS: Mapping[str, str] = MappingProxyType(
    {
        "mask": "status mask",
        "severity_mask": "severity mask",
        "record_number": "record number",
        "memory": "memory selection",
        "group": "functional group",
        "readiness_group": "readiness group",
    }
)
"""Parameters of one byte: our name -> name in errors."""


class Report(NamedTuple):
    """One sub-function of service 19.

    Args:
        name: what it asks for, in our own words.
        parameters: what follows the sub-function in a request, in this order.
        withdrawn: True if the 2020 edition no longer has it.
    """

    name: str
    parameters: tuple[str, ...] = ()
    withdrawn: bool = False


_MASK = ("mask",)
_RECORD_OF_CODE = ("dtc", "record_number")
_RECORD_IN_MEMORY = ("dtc", "record_number", "memory")

REPORTS: Mapping[int, Report] = MappingProxyType(
    {
        0x01: Report("number of codes by status", _MASK),
        0x02: Report("codes by status", _MASK),
        0x03: Report("which snapshots there are"),
        0x04: Report("snapshots of a code", _RECORD_OF_CODE),
        0x05: Report("stored data by record number", ("record_number",)),
        0x06: Report("extended data of a code", _RECORD_OF_CODE),
        0x07: Report("number of codes by severity and status", ("severity_mask", "mask")),
        0x08: Report("codes by severity and status", ("severity_mask", "mask")),
        0x09: Report("severity of a code", ("dtc",)),
        0x0A: Report("all codes the unit supports"),
        0x0B: Report("code that failed first"),
        0x0C: Report("code that was confirmed first"),
        0x0D: Report("code that failed last"),
        0x0E: Report("code that was confirmed last"),
        0x0F: Report("codes of the mirror memory by status", _MASK, withdrawn=True),
        0x10: Report("extended data of a code in the mirror memory", _RECORD_OF_CODE, withdrawn=True),
        0x11: Report("number of codes of the mirror memory by status", _MASK, withdrawn=True),
        0x12: Report("number of emissions codes by status", _MASK, withdrawn=True),
        0x13: Report("emissions codes by status", _MASK, withdrawn=True),
        0x14: Report("fault detection counters"),
        0x15: Report("permanent codes"),
        0x16: Report("extended data by record number", ("record_number",)),
        0x17: Report("codes of a user-defined memory by status", ("mask", "memory")),
        0x18: Report("snapshots of a code in a user-defined memory", _RECORD_IN_MEMORY),
        0x19: Report("extended data of a code in a user-defined memory", _RECORD_IN_MEMORY),
        0x1A: Report("codes that support an extended data record", ("record_number",)),
        0x42: Report("codes of a functional group by status and severity", ("group", "mask", "severity_mask")),
        0x55: Report("permanent codes of a functional group", ("group",)),
        0x56: Report("codes of a readiness group", ("group", "readiness_group")),
    }
)
"""Sub-function of service 19 -> what it asks.

Source: ISO 14229-1:2020, ReadDTCInformation request; 0F to 13 ISO 14229-1:2013, withdrawn since; 1A, 42, 55
and 56 from memory.
"""

_GROUP_NAMES: Mapping[int, str] = MappingProxyType({0x33: "emissions", 0xD0: "safety", 0xFE: "VOBD", 0xFF: "all"})


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcRequest:
    """A request of service 19; a parameter that its sub-function does not have is None.

    Args:
        subfunction: which report is asked for, without the suppress bit.
        suppress: True if no positive answer is wanted.
        dtc: the code asked about.
        mask: status bits of which a code must have any, 0..FF.
        severity_mask: severity bits of which a code must have any, 0..FF.
        record_number: number of a stored record, 0..FF; FF asks for all, FE for all emissions records (06).
        memory: number of the user-defined memory, 0..FF.
        group: functional group, 0..FF: see `functional_group_name`.
        readiness_group: readiness group, 0..FF.
        leftover: fill bytes behind the request, else empty.
        raw: the whole request.
    """

    subfunction: int
    suppress: bool
    dtc: Dtc | None = None
    mask: int | None = None
    severity_mask: int | None = None
    record_number: int | None = None
    memory: int | None = None
    group: int | None = None
    readiness_group: int | None = None
    leftover: bytes
    raw: bytes

    @property
    def report(self) -> Report:
        """What this sub-function asks for."""
        return REPORTS[self.subfunction]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearRequest:
    """A request of service 14.

    Args:
        group: the three bytes as a number, 0..FFFFFF: a group of codes or a single one.
        memory: number of the user-defined memory, 0..FF, or None: then the primary memory is meant.
        leftover: fill bytes behind the request, else empty. A single byte is the memory.
        raw: the whole request.
    """

    group: int
    memory: int | None
    leftover: bytes
    raw: bytes

    @property
    def dtc(self) -> Dtc | None:
        """The single code to be cleared, or None for a group, known or not.

        Source: ISO 14229-1, Annex D, groupOfDTC: FFFF00 to FFFFFE are functional groups (from memory);
            SAE J2012, 0000 names no code.
        """
        return Dtc.from_bytes(self.group.to_bytes(3, "big")) if 0 < self.group < _FIRST_GROUP else None

    @property
    def name(self) -> str:
        """What is to be cleared: ``all codes``, ``emissions group``, ``P0420-11``, ``unknown group FFFF10``."""
        if self.dtc is not None:
            return self.dtc.text
        if self.group == 0xFFFFFF:
            return "all codes"
        known = _GROUP_NAMES.get(self.group & 0xFF)
        return f"unknown group {self.group:06X}" if known is None else f"{known} group"


def functional_group_name(group: int) -> str:
    """A functional group, 0..FF, in words: emissions, safety, VOBD or all; ``unknown group 7B`` for any other.

    Source: ISO 14229-1, Annex D, functional group identifier; FF ISO 27145-3 (from memory).
    """
    return _GROUP_NAMES.get(group, f"unknown group {group:02X}")


def decode_dtc_request(data: bytes) -> DtcRequest:
    """Read a request 19.

    Raises:
        DecodeError: another service, an unknown sub-function, a cut request, or other bytes than padding
            behind it.

    Source: ISO 14229-1, ReadDTCInformation request.
    """
    cursor = Cursor(data)
    cursor.one_of((0x19,), "service")
    byte = cursor.u8("sub-function")
    subfunction = byte & ~_SUPPRESS_BIT
    if subfunction not in REPORTS:
        raise cursor.error("sub-function", 1, f"{byte:02X} is not expected here")
    dtc = None
    found: dict[str, int] = {}
    for name in REPORTS[subfunction].parameters:
        if name == "dtc":
            dtc = Dtc.from_bytes(cursor.take(3, "code"))
        else:
            found[name] = cursor.u8(_FIELDS[name])
    return DtcRequest(
        subfunction=subfunction,
        suppress=byte != subfunction,
        dtc=dtc,
        leftover=cursor.padding("end of request"),
        raw=data,
        **found,
    )


def decode_clear_request(data: bytes) -> ClearRequest:
    """Read a request 14.

    Raises:
        DecodeError: another service, a cut group, or other bytes than a memory or padding behind it.

    Source: ISO 14229-1, ClearDiagnosticInformation request; MemorySelection since the 2020 edition.
    """
    cursor = Cursor(data)
    cursor.one_of((0x14,), "service")
    group = cursor.u24("group of codes")
    memory = cursor.u8("memory selection") if cursor.remaining == 1 else None
    return ClearRequest(group=group, memory=memory, leftover=cursor.padding("end of request"), raw=data)

"""Meaning to bytes: the bench's own encoders of every answer of ReadDTCInformation, and of requests for them.

Written from the layouts of ISO 14229-1 without the project's decoders, so that mistakes cannot cancel out.
A code is three bytes here, as sent: what they mean depends on the format that the unit states.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

READ_DTC = 0x19
ANSWER = 0x59

Listed = tuple[bytes, int]
"""A code and its status byte; or a code and another byte that goes with it."""

Items = Sequence[tuple[int, bytes]]
"""Data identifiers, or record numbers, each with its bytes."""


class Graded(NamedTuple):
    """A code with its severity, and the functional unit where the report has one."""

    severity: int
    code: bytes
    status: int
    functional_unit: int | None = None


class Stored(NamedTuple):
    """A record of stored data: its number, and what is kept under it, if anything is."""

    number: int
    code: bytes = b""
    status: int = 0
    items: Items = ()


def spn_code(spn: int, fmi: int) -> bytes:
    """A code of DTC format 02. Source: SAE J1939-73, bytes 1 to 3 of a DTC (from memory)."""
    low, middle, high = spn % 256, spn // 256 % 256, spn // 65536
    return bytes([low, middle, high * 32 + fmi])


def counted(report: int, mask: int, code_format: int, count: int) -> bytes:
    """01, 07, 11, 12: the mask, the format of the codes, how many match."""
    return bytes([ANSWER, report, mask, code_format, count // 256, count % 256])


def listed(report: int, mask: int, codes: Iterable[Listed]) -> bytes:
    """02, 0A to 0F, 13, 15: the mask, then each code with its status."""
    return bytes([ANSWER, report, mask]) + _listed(codes)


def listed_in_memory(memory: int, mask: int, codes: Iterable[Listed]) -> bytes:
    """17: the memory, the mask, then each code with its status."""
    return bytes([ANSWER, 0x17, memory, mask]) + _listed(codes)


def listed_with_record(mask: int, record: int, codes: Sequence[Listed]) -> bytes:
    """1A: the mask, then, where any code has such a record, its number and each code with its status."""
    return bytes([ANSWER, 0x1A, mask]) + (bytes([record]) + _listed(codes) if codes else b"")


def listed_permanent_of_group(group: int, mask: int, code_format: int, codes: Iterable[Listed]) -> bytes:
    """55: the group, the mask, the format, then each code with its status."""
    return bytes([ANSWER, 0x55, group, mask, code_format]) + _listed(codes)


def listed_by_readiness(group: int, mask: int, code_format: int, readiness: int, codes: Iterable[Listed]) -> bytes:
    """56: the group, the mask, the format, the readiness group, then each code with its status."""
    return bytes([ANSWER, 0x56, group, mask, code_format, readiness]) + _listed(codes)


def snapshots_kept(records: Iterable[Listed]) -> bytes:
    """03: each code with the number of a snapshot it has; no mask, no status."""
    return bytes([ANSWER, 0x03]) + _listed(records)


def counters(codes: Iterable[tuple[bytes, int]]) -> bytes:
    """14: each code with its counter, -128 to 127, as one signed byte."""
    return bytes([ANSWER, 0x14]) + _listed((code, counter % 256) for code, counter in codes)


def graded(report: int, mask: int, codes: Iterable[Graded]) -> bytes:
    """08, 09: the mask, then for each code severity, functional unit, code, status."""
    body = b"".join(bytes([c.severity, c.functional_unit or 0]) + c.code + bytes([c.status]) for c in codes)
    return bytes([ANSWER, report, mask]) + body


def graded_of_group(group: int, mask: int, severities: int, code_format: int, codes: Iterable[Graded]) -> bytes:
    """42: the group, both masks, the format, then for each code severity, code, status."""
    body = b"".join(bytes([c.severity]) + c.code + bytes([c.status]) for c in codes)
    return bytes([ANSWER, 0x42, group, mask, severities, code_format]) + body


def snapshots(code: bytes, status: int, records: Iterable[tuple[int, Items]], memory: int | None = None) -> bytes:
    """04, or 18 with a memory in front: code, status, then each record with its identifiers."""
    body = b"".join(bytes([number]) + _counted_items(items) for number, items in records)
    return _head(0x04, 0x18, memory) + code + bytes([status]) + body


def stored_data(records: Iterable[Stored]) -> bytes:
    """05: for each record its number and, where something is kept, code, status and identifiers."""
    body = b""
    for record in records:
        kept = record.code + bytes([record.status]) + _counted_items(record.items) if record.code else b""
        body += bytes([record.number]) + kept
    return bytes([ANSWER, 0x05]) + body


def extended(code: bytes, status: int, records: Items, memory: int | None = None, *, mirror: bool = False) -> bytes:
    """06, 10 for the mirror memory, or 19 with a memory in front: code, status, then number and data of each."""
    body = b"".join(bytes([number]) + data for number, data in records)
    return _head(0x10 if mirror else 0x06, 0x19, memory) + code + bytes([status]) + body


def extended_by_number(number: int, codes: Iterable[tuple[bytes, int, bytes]]) -> bytes:
    """16: the number of the record, then each code with its status and that record."""
    return bytes([ANSWER, 0x16, number]) + b"".join(code + bytes([status]) + data for code, status, data in codes)


def asked(report: int, *parameters: int | bytes, quiet: bool = False) -> bytes:
    """A request of service 19: the report, and its parameters in the order of the standard."""
    body = b"".join(part if isinstance(part, bytes) else bytes([part]) for part in parameters)
    return bytes([READ_DTC, report + 0x80 if quiet else report]) + body


def _head(report: int, in_memory: int, memory: int | None) -> bytes:
    return bytes([ANSWER, report]) if memory is None else bytes([ANSWER, in_memory, memory])


def _listed(codes: Iterable[Listed]) -> bytes:
    return b"".join(code + bytes([byte]) for code, byte in codes)


def _counted_items(items: Items) -> bytes:
    return bytes([len(items)]) + b"".join(number.to_bytes(2, "big") + data for number, data in items)

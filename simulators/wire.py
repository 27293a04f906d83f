"""Meaning to bytes: the bench's own encoders of ISO 14229-1 and SAE J1979 messages.

Written from the standards' layouts without the project's decoders, so that mistakes cannot cancel out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

POSITIVE = 0x40
GENERAL_PARAMETERS = bytes.fromhex("003201F4")  # 50 ms, 500 x 10 ms: ISO 14229-2 default P2 and P2*
FORMAT_ISO_14229_1 = 0x01

SERVICE_NOT_SUPPORTED = 0x11
SUB_FUNCTION_NOT_SUPPORTED = 0x12
WRONG_LENGTH = 0x13
CONDITIONS_NOT_CORRECT = 0x22
OUT_OF_RANGE = 0x31

Record = tuple[int, Sequence[tuple[int, bytes]]]
"""A snapshot record: its number and (data identifier, bytes)."""


def code_bytes(text: str) -> bytes:
    """``C0035-13`` as three bytes, ``P0353`` as two. Source: SAE J2012, code structure."""
    head, _, failure_type = text.partition("-")
    system = {"P": 0b00, "C": 0b01, "B": 0b10, "U": 0b11}[head[0]]
    first = system << 6 | int(head[1]) << 4 | int(head[2], 16)
    return bytes([first, int(head[3:5], 16)]) + bytes.fromhex(failure_type)


def negative(service: int, reason: int) -> bytes:
    """A refusal. Source: ISO 14229-1, negative response message."""
    return bytes([0x7F, service, reason])


def session(kind: int) -> bytes:
    """DiagnosticSessionControl accepted."""
    return bytes([0x50, kind]) + GENERAL_PARAMETERS


def tester_present() -> bytes:
    """TesterPresent answered."""
    return bytes([0x7E, 0x00])


def cleared() -> bytes:
    """ClearDiagnosticInformation accepted."""
    return bytes([0x54])


def code_count(mask: int, count: int) -> bytes:
    """19 01: the mask, the format of the codes, how many match."""
    return bytes([0x59, 0x01, mask, FORMAT_ISO_14229_1]) + count.to_bytes(2, "big")


def code_list(sub_function: int, mask: int, codes: Iterable[tuple[str, int]]) -> bytes:
    """19 02, 0A, 15: the mask, then each code with its status."""
    body = b"".join(code_bytes(code) + bytes([status]) for code, status in codes)
    return bytes([0x59, sub_function, mask]) + body


def snapshot_index(records: Iterable[tuple[str, int]]) -> bytes:
    """19 03: each code with the number of a snapshot it has; no mask, no status."""
    return bytes([0x59, 0x03]) + b"".join(code_bytes(code) + bytes([number]) for code, number in records)


def snapshots(code: str, status: int, records: Iterable[Record]) -> bytes:
    """19 04: code, status, then for each record its number, how many identifiers, and these."""
    body = b"".join(bytes([number, len(items)]) + _identifiers(items) for number, items in records)
    return bytes([0x59, 0x04]) + code_bytes(code) + bytes([status]) + body


def extended_data(code: str, status: int, records: Iterable[tuple[int, bytes]]) -> bytes:
    """19 06: code, status, then for each record its number and data."""
    body = b"".join(bytes([number]) + data for number, data in records)
    return bytes([0x59, 0x06]) + code_bytes(code) + bytes([status]) + body


def identifiers(items: Sequence[tuple[int, bytes]]) -> bytes:
    """ReadDataByIdentifier answered: each identifier with its data."""
    return bytes([0x62]) + _identifiers(items)


def _identifiers(items: Iterable[tuple[int, bytes]]) -> bytes:
    return b"".join(number.to_bytes(2, "big") + data for number, data in items)


def current_data(items: Iterable[tuple[int, bytes]]) -> bytes:
    """Service 01 answered: each parameter with its data. Source: SAE J1979, service 01 on CAN."""
    return bytes([0x41]) + b"".join(bytes([number]) + data for number, data in items)


def emission_codes(service: int, codes: Sequence[str]) -> bytes:
    """Services 03, 07, 0A answered: how many, then two bytes each. Source: SAE J1979 on CAN."""
    return bytes([service + POSITIVE, len(codes)]) + b"".join(code_bytes(code[:5]) for code in codes)


def emission_cleared() -> bytes:
    """Service 04 answered."""
    return bytes([0x44])


def vehicle_information(number: int, items: Sequence[bytes]) -> bytes:
    """Service 09 answered: the number of the information, how many items, and these."""
    return bytes([0x49, number, len(items)]) + b"".join(items)


def vehicle_information_support(bitmap: bytes) -> bytes:
    """Service 09 00 answered: the bitmap follows without a count."""
    return bytes([0x49, 0x00]) + bitmap


def support_bitmap(base: int, numbers: Iterable[int]) -> bytes:
    """Which of base+1 .. base+20 hex are supported, most significant bit first.

    The last bit says whether anything above is; so that a reader finds it, the next bitmap's own number
    must be among `numbers`.
    """
    bits = sum(1 << (0x20 - (number - base)) for number in set(numbers) if base < number <= base + 0x20)
    return bits.to_bytes(4, "big")

"""Service 09, vehicle information: VIN, calibrations, unit name, performance counters and what else a unit tells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from decoders.cursor import Cursor
from decoders.obd_data import read_support, support_bits
from decoders.uds_data import text_of

_POSITIVE = 0x49
_SUPPORT = 0x00
_GROUP = 0x20
_SUPPORT_BYTES = 4
_VERIFICATION_NUMBER = 0x06
_UNIT_NAME = 0x0A
_PROTOCOL = 0x10
_COUNTER_BYTES = 2
_BLANK = b"\x00\xff "

_ITEM_SIZES: Mapping[int, int] = MappingProxyType(
    {0x02: 17, 0x04: 16, _VERIFICATION_NUMBER: 4, _UNIT_NAME: 20, 0x0D: 17, 0x0F: 17}
)
"""Infotype -> bytes of one item. Source: SAE J1979-DA / ISO 15031-5, service 09 on CAN (0D, 0F: from memory)."""

INFOTYPE_NAMES: Mapping[int, str] = MappingProxyType(
    {
        _SUPPORT: "supported infotypes",
        0x01: "messages of the VIN",
        0x02: "VIN",
        0x03: "messages of the calibration identification",
        0x04: "calibration identification",
        0x05: "messages of the calibration verification number",
        _VERIFICATION_NUMBER: "calibration verification number",
        0x07: "messages of the performance counters",
        0x08: "performance counters, spark ignition",
        0x09: "messages of the unit name",
        _UNIT_NAME: "unit name",
        0x0B: "performance counters, compression ignition",
        0x0D: "engine serial number",
        0x0F: "exhaust regulation or type approval number",
        _PROTOCOL: "protocol identification",
    }
)

_MESSAGE_COUNTS = (0x01, 0x03, 0x05, 0x07, 0x09)


def _ratio(*monitors: str) -> tuple[str, ...]:
    return tuple(f"{monitor}, {what}" for monitor in monitors for what in ("completions", "conditions"))


_COUNTERS: Mapping[int, tuple[str, ...]] = MappingProxyType(
    {
        0x08: (
            "OBD conditions",
            "ignition cycles",
            *_ratio("catalyst bank 1", "catalyst bank 2", "oxygen sensor bank 1", "oxygen sensor bank 2"),
            *_ratio("EGR or VVT", "secondary air", "evaporative system"),
            *_ratio("rear oxygen sensor bank 1", "rear oxygen sensor bank 2"),
            *_ratio("mixture imbalance bank 1", "mixture imbalance bank 2"),
            *_ratio("particulate filter bank 1", "particulate filter bank 2"),
        ),
        0x0B: (
            "OBD conditions",
            "ignition cycles",
            *_ratio("NMHC catalyst", "NOx catalyst", "NOx adsorber", "particulate filter", "exhaust gas sensor"),
            *_ratio("EGR or VVT", "boost pressure", "fuel system"),
        ),
    }
)
"""Infotype -> its two-byte counters in order. Source: SAE J1979-DA, in-use performance tracking (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InfoCounter:
    """One counter, 0..FFFF: how often a monitor ran to its end, or met its conditions."""

    name: str
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleInfo:
    """One piece of vehicle information.

    Args:
        infotype: what was asked.
        name: what it is, or that it is unknown.
        items: the texts in the order sent; verification numbers as eight hex digits, supported infotypes and the
            protocol identification as two, counts of messages in decimal. A blank item is the empty text. One that
            should be text and is not is its bytes in hex behind ``0x``, which no text of the same size can be.
        unreadable: places of such items, from 0.
        counters: the performance counters in the order sent.
        data: the bytes behind an infotype that is unknown, where padding cannot be told from data; else empty.
        leftover: fill bytes behind the items, else empty.
        raw: what it was read from: the whole answer, or the data of the identifier.
    """

    infotype: int
    name: str
    items: tuple[str, ...] = ()
    unreadable: tuple[int, ...] = ()
    counters: tuple[InfoCounter, ...] = ()
    data: bytes = b""
    leftover: bytes
    raw: bytes


def infotype_name(infotype: int) -> str:
    """What an infotype is; ``unknown infotype 7F`` for any that is not known here."""
    if infotype % _GROUP == 0:
        return INFOTYPE_NAMES[_SUPPORT]
    return INFOTYPE_NAMES.get(infotype, f"unknown infotype {infotype:02X}")


def decode_info(data: bytes) -> VehicleInfo:
    """Read an answer 49. The bytes of an unknown infotype stay as they are.

    Raises:
        DecodeError: another answer, fewer items than counted, or more bytes that are not padding.

    Source: SAE J1979 / ISO 15031-5, service 09 on CAN.
    """
    cursor = Cursor(data)
    cursor.one_of((_POSITIVE,), "service")
    infotype = cursor.peek(1, "infotype")[0]
    if infotype % _GROUP == 0:
        return _info(infotype, data, cursor, items=_numbers(read_support(cursor)))
    cursor.u8("infotype")
    if infotype in _MESSAGE_COUNTS:
        return _info(infotype, data, cursor, items=(str(cursor.u8("number of messages")),))
    if infotype in _COUNTERS or infotype in _ITEM_SIZES:
        return _read_items(infotype, cursor.u8("number of items"), cursor, data)
    return _unknown(infotype, cursor.rest(), data)


def read_info_did(infotype: int, data: bytes) -> VehicleInfo:
    """Read the data of an identifier F8xx, which carries infotype xx.

    The count of items may stand in front of them or be left out; the number of bytes tells which.

    Raises:
        DecodeError: like `decode_info`.

    Source: SAE J1979-2 / ISO 27145-2, identifiers F800 to F8FF (from memory).
    """
    cursor = Cursor(data)
    if infotype % _GROUP == 0:
        bits = cursor.take(_SUPPORT_BYTES, "support bits")
        return _info(infotype, data, cursor, items=_numbers(support_bits(infotype, bits)))
    if infotype == _PROTOCOL:
        return _info(infotype, data, cursor, items=(f"{cursor.u8('protocol'):02X}",))
    size = _COUNTER_BYTES if infotype in _COUNTERS else _ITEM_SIZES.get(infotype)
    if size is None:
        return _unknown(infotype, data, data)
    uncounted = bool(data) and len(data) % size == 0
    count = len(data) // size if uncounted else cursor.u8("number of items")
    return _read_items(infotype, count, cursor, data)


def _info(infotype: int, raw: bytes, cursor: Cursor, *, items: tuple[str, ...]) -> VehicleInfo:
    leftover = cursor.padding("end of items")
    return VehicleInfo(infotype=infotype, name=infotype_name(infotype), items=items, leftover=leftover, raw=raw)


def _unknown(infotype: int, data: bytes, raw: bytes) -> VehicleInfo:
    return VehicleInfo(infotype=infotype, name=infotype_name(infotype), data=data, leftover=b"", raw=raw)


def _numbers(found: frozenset[int]) -> tuple[str, ...]:
    return tuple(f"{number:02X}" for number in sorted(found))


def _read_items(infotype: int, count: int, cursor: Cursor, raw: bytes) -> VehicleInfo:
    if infotype in _ITEM_SIZES:
        parts = [cursor.take(_ITEM_SIZES[infotype], f"{INFOTYPE_NAMES[infotype]} {at + 1}") for at in range(count)]
        texts = [_item(infotype, part) for part in parts]
        items = tuple(
            f"0x{part.hex().upper()}" if text is None else text for part, text in zip(parts, texts, strict=True)
        )
        unreadable = tuple(at for at, text in enumerate(texts) if text is None)
        return replace(_info(infotype, raw, cursor, items=items), unreadable=unreadable)
    names = _COUNTERS[infotype]
    counters = tuple(
        InfoCounter(
            name=names[index] if index < len(names) else f"unknown counter {index + 1}",
            value=cursor.u16(f"counter {index + 1} of {count}"),
        )
        for index in range(count)
    )
    leftover = cursor.padding("end of counters")
    return VehicleInfo(infotype=infotype, name=infotype_name(infotype), counters=counters, leftover=leftover, raw=raw)


def _item(infotype: int, raw: bytes) -> str | None:
    """The text of one item; None if it is not text."""
    if infotype == _VERIFICATION_NUMBER:
        return raw.hex().upper()
    if not raw.strip(_BLANK):
        return ""
    # A unit name has zero bytes inside as well: its acronym is filled up to four bytes.
    return text_of(raw.replace(b"\x00", b"") if infotype == _UNIT_NAME else raw)

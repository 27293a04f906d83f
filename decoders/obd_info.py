"""Service 09, vehicle information: VIN, calibration identifications and verification numbers, unit name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.cursor import Cursor
from decoders.obd_data import read_support
from decoders.uds_data import text_of

_POSITIVE = 0x49
_SUPPORT = 0x00
_VERIFICATION_NUMBER = 0x06
_UNIT_NAME = 0x0A
_BLANK = b"\x00\xff "

_ITEM_SIZES: Mapping[int, int] = MappingProxyType({0x02: 17, 0x04: 16, _VERIFICATION_NUMBER: 4, _UNIT_NAME: 20})
"""Infotype -> bytes of one item. Source: SAE J1979-DA / ISO 15031-5, service 09 on CAN."""

INFOTYPE_NAMES: Mapping[int, str] = MappingProxyType(
    {
        _SUPPORT: "supported infotypes",
        0x02: "VIN",
        0x04: "calibration identification",
        _VERIFICATION_NUMBER: "calibration verification number",
        _UNIT_NAME: "unit name",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleInfo:
    """One answer of service 09.

    Args:
        infotype: what was asked: 00, 02, 04, 06 or 0A.
        items: the texts in the order sent; verification numbers as eight hex digits, supported infotypes as
            two. A blank item is the empty text.
        leftover: fill bytes behind the items, else empty.
        raw: the whole answer.
    """

    infotype: int
    items: tuple[str, ...]
    leftover: bytes
    raw: bytes


def decode_info(data: bytes) -> VehicleInfo:
    """Read an answer 49 00, 02, 04, 06 or 0A.

    Raises:
        DecodeError: another answer, fewer items than counted, more bytes that are not padding, or an item
            that should be text and is not.

    Source: SAE J1979 / ISO 15031-5, service 09 on CAN.
    """
    cursor = Cursor(data)
    cursor.one_of((_POSITIVE,), "service")
    infotype = cursor.peek(1, "infotype")[0]
    if infotype == _SUPPORT:
        found = sorted(read_support(cursor))
        return VehicleInfo(infotype=infotype, items=tuple(f"{number:02X}" for number in found), leftover=b"", raw=data)
    cursor.one_of(_ITEM_SIZES, "infotype")
    count = cursor.u8("number of items")
    items = tuple(_item(cursor, infotype, index + 1) for index in range(count))
    return VehicleInfo(infotype=infotype, items=items, leftover=cursor.padding("end of items"), raw=data)


def _item(cursor: Cursor, infotype: int, number: int) -> str:
    field = f"{INFOTYPE_NAMES[infotype]} {number}"
    start = cursor.offset
    raw = cursor.take(_ITEM_SIZES[infotype], field)
    if infotype == _VERIFICATION_NUMBER:
        return raw.hex().upper()
    if not raw.strip(_BLANK):
        return ""
    # A unit name has zero bytes inside as well: its acronym is filled up to four bytes.
    text = text_of(raw.replace(b"\x00", b"") if infotype == _UNIT_NAME else raw)
    if text is None:
        raise cursor.error(field, start, f"{raw.hex(' ').upper()} is not text")
    return text

"""Code lists of the OBD services 03 (stored), 07 (pending) and 0A (permanent) on CAN."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.cursor import Cursor
from decoders.values import Dtc

_POSITIVE = frozenset({0x43, 0x47, 0x4A})


@dataclass(frozen=True, slots=True, kw_only=True)
class ObdCodes:
    """The two-byte codes one unit lists.

    Args:
        service: the service asked: 03, 07 or 0A.
        codes: the codes in the order sent.
        zero_entries: number of entries 00 00 among those counted; they name no code.
        leftover: fill bytes behind the counted entries, else empty.
        raw: the whole answer.
    """

    service: int
    codes: tuple[Dtc, ...]
    zero_entries: int
    leftover: bytes
    raw: bytes


def decode_obd_codes(data: bytes) -> ObdCodes:
    """Read an answer 43, 47 or 4A: a count byte, then that many codes.

    Raises:
        DecodeError: another answer, fewer bytes than the count says, or more that are not padding.

    Source: SAE J1979 / ISO 15031-5, services 03, 07 and 0A on CAN.
    """
    cursor = Cursor(data)
    service = cursor.one_of(_POSITIVE, "service") - 0x40
    count = cursor.u8("number of codes")
    listed = [Dtc(cursor.u16(f"code {index + 1} of {count}")) for index in range(count)]
    codes = tuple(dtc for dtc in listed if dtc.base)
    return ObdCodes(
        service=service,
        codes=codes,
        zero_entries=count - len(codes),
        leftover=cursor.padding("end of codes"),
        raw=data,
    )

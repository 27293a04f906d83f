"""Code lists of the OBD services 03 (stored), 07 (pending) and 0A (permanent) on CAN."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from struct import Struct

from decoders.cursor import Cursor
from decoders.values import Dtc

_POSITIVE = frozenset({0x43, 0x47, 0x4A})
_CODE = Struct(">H")


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


@lru_cache(maxsize=4096)
def _code(base: int) -> Dtc:
    # A unit lists the same few codes each time it is asked: one value of each is enough.
    return Dtc(base)


def decode_obd_codes(data: bytes) -> ObdCodes:
    """Read an answer 43, 47 or 4A: a count byte, then that many codes.

    Raises:
        DecodeError: another answer, fewer bytes than the count says, or more that are not padding.

    Source: SAE J1979 / ISO 15031-5, services 03, 07 and 0A on CAN.
    """
    cursor = Cursor(data)
    service = cursor.one_of(_POSITIVE, "service") - 0x40
    count = cursor.u8("number of codes")
    whole = cursor.remaining // _CODE.size
    if whole < count:
        cursor.take(whole * _CODE.size, "codes")
        cursor.take(_CODE.size, f"code {whole + 1} of {count}")
    codes = tuple([_code(base) for (base,) in _CODE.iter_unpack(cursor.take(count * _CODE.size, "codes")) if base])
    return ObdCodes(
        service=service,
        codes=codes,
        zero_entries=count - len(codes),
        leftover=cursor.padding("end of codes"),
        raw=data,
    )

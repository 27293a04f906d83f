"""Service 01 values that serve as evidence, and the same values under the identifiers F4xx.

A scaled value is raw * scale_num / scale_den + offset, in the unit of its table row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.cursor import Cursor
from decoders.errors import DecodeError

_SUPPORT_PIDS = tuple(range(0x00, 0x100, 0x20))
_DID_PAGE = 0xF400


@dataclass(frozen=True, slots=True, kw_only=True)
class PidSpec:
    """One PID: its length in bytes and its scaling. `scale_den` is not 0."""

    pid: int
    name: str
    length: int
    scale_num: int
    scale_den: int
    offset: int
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveValue:
    """One value as read: `value` in `unit`, `raw` the bytes it was made of."""

    pid: int
    name: str
    value: float
    unit: str
    raw: bytes


_ROWS: tuple[tuple[int, str, int, int, int, int, str], ...] = (
    (0x04, "engine load", 1, 100, 255, 0, "%"),
    (0x05, "coolant temperature", 1, 1, 1, -40, "C"),
    (0x06, "short-term fuel trim, bank 1", 1, 100, 128, -100, "%"),
    (0x07, "long-term fuel trim, bank 1", 1, 100, 128, -100, "%"),
    (0x0B, "intake manifold pressure", 1, 1, 1, 0, "kPa"),
    (0x0C, "engine speed", 2, 1, 4, 0, "rpm"),
    (0x0D, "road speed", 1, 1, 1, 0, "km/h"),
    (0x0F, "intake air temperature", 1, 1, 1, -40, "C"),
    (0x11, "throttle position", 1, 100, 255, 0, "%"),
    (0x1C, "OBD type", 1, 1, 1, 0, ""),
    (0x1F, "run time since engine start", 2, 1, 1, 0, "s"),
    (0x21, "distance with the lamp on", 2, 1, 1, 0, "km"),
    (0x2F, "fuel level", 1, 100, 255, 0, "%"),
    (0x30, "warm-ups since clear", 1, 1, 1, 0, ""),
    (0x31, "distance since clear", 2, 1, 1, 0, "km"),
    (0x33, "barometric pressure", 1, 1, 1, 0, "kPa"),
    (0x42, "supply voltage", 2, 1, 1000, 0, "V"),
    (0x46, "outside temperature", 1, 1, 1, -40, "C"),
    (0x4D, "engine time with the lamp on", 2, 1, 1, 0, "min"),
    (0x4E, "engine time since clear", 2, 1, 1, 0, "min"),
    (0xA6, "odometer", 4, 1, 10, 0, "km"),
)

PIDS: Mapping[int, PidSpec] = MappingProxyType(
    {
        pid: PidSpec(
            pid=pid,
            name=name,
            length=length,
            scale_num=scale_num,
            scale_den=scale_den,
            offset=offset,
            unit=unit,
        )
        for pid, name, length, scale_num, scale_den, offset, unit in _ROWS
    }
)
"""The PIDs used as evidence. Source: SAE J1979-DA / ISO 15031-5, Annex B."""

_UNSCALED_LENGTHS: Mapping[int, int] = MappingProxyType(
    dict.fromkeys(_SUPPORT_PIDS, 4) | {0x01: 4, 0x02: 2, 0x03: 2, 0x41: 4}
)
"""PIDs of known length that are no single number: support, readiness, freeze frame code, fuel system."""


def scale(pid: int, raw: bytes) -> float:
    """The value of one PID in the unit of its row in `PIDS`.

    Raises:
        DecodeError: the PID is not in the table, or `raw` has not its length.
    """
    spec = PIDS.get(pid)
    if spec is None:
        raise DecodeError("PID", 0, raw, f"PID {pid:02X} has no known scaling")
    if len(raw) != spec.length:
        raise DecodeError(
            f"PID {pid:02X}",
            min(len(raw), spec.length),
            raw,
            f"{spec.length} bytes expected, {len(raw)} found",
        )
    return int.from_bytes(raw, "big") * spec.scale_num / spec.scale_den + spec.offset


def _live_value(pid: int, raw: bytes) -> LiveValue:
    value = scale(pid, raw)
    spec = PIDS[pid]
    return LiveValue(pid=pid, name=spec.name, value=value, unit=spec.unit, raw=raw)


def decode_live(data: bytes) -> tuple[LiveValue, ...]:
    """Read an answer 41 with one or several PIDs.

    Raises:
        DecodeError: another answer, a cut one, or a PID that is not in the table (its length, and so the
            place of all that follows, is unknown).

    Source: SAE J1979 / ISO 15031-5, service 01 on CAN.
    """
    cursor = Cursor(data)
    cursor.one_of((0x41,), "service")
    values: list[LiveValue] = []
    while cursor.remaining or not values:
        pid = cursor.one_of(PIDS, "PID")
        values.append(_live_value(pid, cursor.take(PIDS[pid].length, f"PID {pid:02X}")))
    return tuple(values)


def read_support(cursor: Cursor) -> frozenset[int]:
    """Read one or several (00, 20, ... E0; four bytes) groups to the end and give the numbers they name.

    Raises:
        DecodeError: none is there, or one is cut or begins with another number.

    Source: SAE J1979 / ISO 15031-5, support bitmaps: the high bit of the first byte is the next number.
    """
    found: set[int] = set()
    first = True
    while cursor.remaining or first:
        first = False
        base = cursor.one_of(_SUPPORT_PIDS, "support group")
        bits = cursor.u32(f"support bits of group {base:02X}")
        found.update(base + 1 + index for index in range(32) if bits >> (31 - index) & 1)
    return frozenset(found)


def decode_supported(data: bytes) -> frozenset[int]:
    """Read an answer 41 00, 41 20, ... and give the PIDs that the unit says it supports.

    Raises:
        DecodeError: another answer, or a cut one.
    """
    cursor = Cursor(data)
    cursor.one_of((0x41,), "service")
    return read_support(cursor)


def _pid_of(did: int) -> int | None:
    return did & 0xFF if did & 0xFF00 == _DID_PAGE else None


def pid_did_length(did: int) -> int | None:
    """Number of data bytes of an identifier F4xx that carries PID xx; None where it is not known here.

    Source: SAE J1979-2 / ISO 27145-2, identifiers F400 to F4FF.
    """
    pid = _pid_of(did)
    if pid is None:
        return None
    return PIDS[pid].length if pid in PIDS else _UNSCALED_LENGTHS.get(pid)


def scale_did(did: int, raw: bytes) -> LiveValue | None:
    """The value of an identifier F4xx; None if it carries no PID of the table.

    Raises:
        DecodeError: `raw` has not the PID's length.
    """
    pid = _pid_of(did)
    return None if pid is None or pid not in PIDS else _live_value(pid, raw)

"""Readiness monitors: PID 01 (since the codes were cleared) and PID 41 (in this driving cycle)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from decoders.cursor import Cursor

SINCE_CLEAR = 0x01
THIS_CYCLE = 0x41

CONTINUOUS_MONITORS = ("misfire", "fuel system", "components")
"""Bits 0 to 2 of byte B. Source: SAE J1979 / ISO 15031-5, PID 01."""

SPARK_MONITORS = (
    "catalyst",
    "heated catalyst",
    "evaporative system",
    "secondary air",
    "A/C refrigerant or particulate filter",
    "oxygen sensor",
    "oxygen sensor heater",
    "EGR or VVT",
)
"""Bits 0 to 7 of bytes C and D of a spark-ignition engine. Source: SAE J1979 / ISO 15031-5, PID 01."""

COMPRESSION_MONITORS = (
    "NMHC catalyst",
    "NOx aftertreatment",
    None,
    "boost pressure",
    None,
    "exhaust gas sensor",
    "particulate filter",
    "EGR or VVT",
)
"""The same of a compression-ignition engine; None marks reserved bits."""

_COMPRESSION_BIT = 0x08
_MIL_BIT = 0x80


@dataclass(frozen=True, slots=True, kw_only=True)
class Monitor:
    """One monitor.

    Args:
        name: what it watches.
        supported: PID 01: the unit has it. PID 41: it is enabled in this driving cycle.
        complete: True if it is supported and has run to its end; always False where it is not supported.
    """

    name: str
    supported: bool
    complete: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorStatus:
    """Lamp, count and monitors of one unit.

    Args:
        pid: 01, since the codes were cleared, or 41, in this driving cycle.
        mil: True if the unit asks for the malfunction lamp; None for PID 41, which does not say.
        code_count: number of stored emission codes, 0..127; None for PID 41.
        ignition: which monitor table the unit uses.
        monitors: continuous ones first, then in the order of the bits.
        leftover: fill bytes behind the answer, else empty.
        raw: what it was read from: the whole answer, or the data bytes of the PID.
    """

    pid: int
    mil: bool | None
    code_count: int | None
    ignition: Literal["spark", "compression"]
    monitors: tuple[Monitor, ...]
    leftover: bytes
    raw: bytes


def decode_monitor_status(data: bytes) -> MonitorStatus:
    """Read an answer 41 01, 41 41, 62 F4 01 or 62 F4 41.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: SAE J1979 / ISO 15031-5, PIDs 01 and 41; SAE J1979-2 / ISO 27145-2 for the identifiers F4xx.
    """
    cursor = Cursor(data)
    if cursor.one_of((0x41, 0x62), "service") == 0x62:
        cursor.one_of((0xF4,), "identifier")
    pid = cursor.one_of((SINCE_CLEAR, THIS_CYCLE), "PID")
    status = _read(pid, cursor)
    return replace(status, leftover=cursor.padding("end of answer"), raw=data)


def read_monitors(pid: int, raw: bytes) -> MonitorStatus:
    """Read the four data bytes of PID 01 or 41.

    Raises:
        DecodeError: there are fewer, or other bytes than padding behind them.

    Source: SAE J1979 / ISO 15031-5, PIDs 01 and 41.
    """
    cursor = Cursor(raw)
    return replace(_read(pid, cursor), leftover=cursor.padding("end of monitors"))


def _read(pid: int, cursor: Cursor) -> MonitorStatus:
    raw = cursor.peek(cursor.remaining, "monitors")
    lamp, continuous = cursor.u8("lamp and count"), cursor.u8("continuous monitors")
    supported, incomplete = cursor.u8("supported monitors"), cursor.u8("incomplete monitors")
    is_compression = bool(continuous & _COMPRESSION_BIT)
    names = COMPRESSION_MONITORS if is_compression else SPARK_MONITORS
    return MonitorStatus(
        pid=pid,
        mil=bool(lamp & _MIL_BIT) if pid == SINCE_CLEAR else None,
        code_count=lamp & ~_MIL_BIT if pid == SINCE_CLEAR else None,
        ignition="compression" if is_compression else "spark",
        monitors=_monitors(CONTINUOUS_MONITORS, continuous, continuous >> 4) + _monitors(names, supported, incomplete),
        leftover=b"",
        raw=raw,
    )


def _monitors(names: tuple[str | None, ...], supported: int, incomplete: int) -> tuple[Monitor, ...]:
    # A "not complete" bit means something only where the monitor is supported.
    return tuple(
        Monitor(
            name=name,
            supported=bool(supported >> bit & 1),
            complete=bool(supported & ~incomplete & 0xFF & 1 << bit),
        )
        for bit, name in enumerate(names)
        if name is not None
    )

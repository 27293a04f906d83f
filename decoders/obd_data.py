"""Values of the OBD services 01 and 02, and the same values under the identifiers F4xx."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from decoders.cursor import Cursor, is_padding
from decoders.errors import DecodeError
from decoders.layout import Field, FieldValue, Layout, read_layout, whole_bytes
from decoders.obd_monitors import SINCE_CLEAR, THIS_CYCLE, MonitorStatus, read_monitors
from decoders.obd_pids import PIDS_TO_5F
from decoders.obd_pids_more import PIDS_FROM_60
from decoders.values import Dtc

_GROUP = 0x20
_SUPPORT_PIDS = tuple(range(0x00, 0x100, _GROUP))
_SUPPORT_BYTES = 4
_CURRENT_DATA = frozenset({0x41})
_FREEZE_CODE = 0x02
_DID_PAGE = 0xF400

PIDS: Mapping[int, Layout] = MappingProxyType({**PIDS_TO_5F, **PIDS_FROM_60})
"""Every PID whose length is known. Support bitmaps, readiness and what is not certain have no fields."""


def _is_plain(layout: Layout) -> bool:
    first = next(iter(layout.fields), None)
    return first is not None and layout.fields == (
        whole_bytes(first.name, 0, layout.length, scale=first.scale, unit=first.unit),
    )


_PLAIN: Mapping[int, Field] = {pid: layout.fields[0] for pid, layout in PIDS.items() if _is_plain(layout)}
"""PIDs that are one number and nothing else: read without a look at what a layout can have beside that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PidBlock:
    """One PID as answered.

    Args:
        pid: its number.
        name: what it is.
        frame: number of the freeze frame it belongs to; None for the value of now.
        values: the numbers it carries; none where it is a bitmap, readiness, or bytes of no certain meaning.
        absent: names of the parts that the unit says it does not have.
        monitors: readiness, for 01 and 41.
        supported: the PIDs that a support bitmap names; None where it is none.
        raw: the data bytes.
    """

    pid: int
    name: str
    frame: int | None
    values: tuple[FieldValue, ...]
    absent: tuple[str, ...]
    monitors: MonitorStatus | None
    supported: frozenset[int] | None
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentData:
    """One answer of service 01.

    Args:
        blocks: the PIDs in the order sent.
        leftover: fill bytes behind them, else empty; see `read_blocks`.
        raw: the whole answer.
    """

    blocks: tuple[PidBlock, ...]
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveValue:
    """One number as read.

    Args:
        pid: where it stood.
        name: what it is.
        value: in `unit`.
        unit: unit of the value, empty where it has none.
        label: what this number means, where it has a meaning of its own.
        raw: all data bytes of the PID.
    """

    pid: int
    name: str
    value: float
    unit: str
    label: str | None = None
    raw: bytes


def support_bits(base: int, bits: bytes) -> frozenset[int]:
    """The numbers that the four bytes of one support bitmap name: the highest bit is `base` + 1.

    Source: SAE J1979 / ISO 15031-5, support bitmaps.
    """
    word = int.from_bytes(bits, "big")
    return frozenset(base + 1 + index for index in range(_GROUP) if word >> (_GROUP - 1 - index) & 1)


def read_pid(pid: int, raw: bytes, frame: int | None = None) -> PidBlock:
    """Read the data bytes of one PID.

    Raises:
        DecodeError: the PID is not in the table, or `raw` has not its length.

    Source: SAE J1979-DA / ISO 15031-5, Annex B.
    """
    layout = PIDS.get(pid)
    if layout is None:
        raise DecodeError("PID", 0, raw, f"the length of PID {pid:02X} is not known")
    if len(raw) != layout.length:
        reason = f"{layout.length} bytes expected, {len(raw)} found"
        raise DecodeError(f"PID {pid:02X}", min(len(raw), layout.length), raw, reason)
    reading = read_layout(layout, raw)
    values = reading.values
    if pid == _FREEZE_CODE:
        values = tuple(replace(value, label=Dtc(value.raw).text if value.raw else "none") for value in values)
    return PidBlock(
        pid=pid,
        name=layout.name,
        frame=frame,
        values=values,
        absent=reading.absent,
        monitors=read_monitors(pid, raw) if pid in (SINCE_CLEAR, THIS_CYCLE) else None,
        supported=None if pid % _GROUP else support_bits(pid, raw),
        raw=raw,
    )


def read_blocks(cursor: Cursor, *, framed: bool = False) -> tuple[PidBlock, ...]:
    """Read PIDs with their data up to the end or to fill bytes, which are left in front of the cursor.

    Behind a whole PID one fill byte repeated to the end is fill, also where it could be one more PID with its data;
    a first PID that is one byte repeated is that PID.

    Args:
        cursor: in front of the first PID.
        framed: True if a frame number stands behind each PID: service 02.

    Raises:
        DecodeError: none is there, one is cut, or the length of one, and so the place of all that follows, is not
            known.
    """
    return tuple(read_pid(pid, raw, frame) for pid, frame, raw in _split(cursor, framed=framed))


def _split(cursor: Cursor, *, framed: bool) -> list[tuple[int, int | None, bytes]]:
    """PID, frame number and data bytes of each, like `read_blocks`."""
    found: list[tuple[int, int | None, bytes]] = []
    while not found or not _at_end(cursor):
        pid = cursor.u8("PID")
        layout = PIDS.get(pid)
        if layout is None:
            raise cursor.error("PID", cursor.offset - 1, f"the length of PID {pid:02X} is not known")
        frame = cursor.u8("frame number") if framed else None
        found.append((pid, frame, cursor.take(layout.length, layout.name)))
    return found


def _at_end(cursor: Cursor) -> bool:
    """True in front of nothing or of fill bytes, behind a whole PID."""
    return not cursor.remaining or is_padding(cursor.peek(cursor.remaining, "rest"))


def decode_current_data(data: bytes) -> CurrentData:
    """Read an answer 41 with one or several PIDs, readiness and support bitmaps among them.

    Raises:
        DecodeError: another answer, a cut one, other bytes than padding behind it, or a PID of unknown length.

    Source: SAE J1979 / ISO 15031-5, service 01 on CAN.
    """
    cursor = Cursor(data)
    cursor.one_of(_CURRENT_DATA, "service")
    blocks = read_blocks(cursor)
    return CurrentData(blocks=blocks, leftover=cursor.padding("end of answer"), raw=data)


def decode_live(data: bytes) -> tuple[LiveValue, ...]:
    """Give the numbers of an answer 41; readiness and support bitmaps have none.

    Raises:
        DecodeError: like `decode_current_data`.
    """
    cursor = Cursor(data)
    cursor.one_of(_CURRENT_DATA, "service")
    found: list[LiveValue] = []
    for pid, _frame, raw in _split(cursor, framed=False):
        field = _PLAIN.get(pid)
        if field is None:
            found += live_values(read_pid(pid, raw))
        else:
            value = field.scale.apply(int.from_bytes(raw, "big"))
            found.append(LiveValue(pid=pid, name=field.name, value=value, unit=field.unit, raw=raw))
    cursor.padding("end of answer")
    return tuple(found)


def live_values(block: PidBlock) -> tuple[LiveValue, ...]:
    """The numbers of one PID, one for each part the unit has."""
    return tuple(
        LiveValue(pid=block.pid, name=item.name, value=item.value, unit=item.unit, label=item.label, raw=block.raw)
        for item in block.values
        if isinstance(item.value, int | float)
    )


def scale(pid: int, raw: bytes) -> float:
    """The value of a PID that carries exactly one number, in its unit.

    Raises:
        DecodeError: the PID is not in the table or carries another count of numbers, or `raw` has not its length.
    """
    values = live_values(read_pid(pid, raw))
    if len(values) != 1:
        raise DecodeError(f"PID {pid:02X}", 0, raw, f"it carries {len(values)} numbers")
    return values[0].value


def read_support(cursor: Cursor) -> frozenset[int]:
    """Read one or several (00, 20, ... E0; four bytes) groups up to the end or to fill bytes.

    Raises:
        DecodeError: none is there, or one is cut or begins with another number.

    Source: SAE J1979 / ISO 15031-5, support bitmaps.
    """
    found = _support_group(cursor)
    while cursor.remaining and not is_padding(cursor.peek(cursor.remaining, "rest")):
        found |= _support_group(cursor)
    return found


def _support_group(cursor: Cursor) -> frozenset[int]:
    base = cursor.one_of(_SUPPORT_PIDS, "support group")
    return support_bits(base, cursor.take(_SUPPORT_BYTES, f"support bits of group {base:02X}"))


def decode_supported(data: bytes) -> frozenset[int]:
    """Read an answer 41 00, 41 20, ... and give the PIDs that the unit says it supports.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.
    """
    cursor = Cursor(data)
    cursor.one_of((0x41,), "service")
    found = read_support(cursor)
    cursor.padding("end of answer")
    return found


def _pid_of(did: int) -> int | None:
    return did & 0xFF if did & 0xFF00 == _DID_PAGE else None


def pid_did_length(did: int) -> int | None:
    """Number of data bytes of an identifier F4xx that carries PID xx; None where it is not known here.

    Source: SAE J1979-2 / ISO 27145-2, identifiers F400 to F4FF.
    """
    pid = _pid_of(did)
    return PIDS[pid].length if pid is not None and pid in PIDS else None


def scale_did(did: int, raw: bytes) -> LiveValue | None:
    """The value of an identifier F4xx that carries one number; None if it carries none, several, or no known PID.

    Raises:
        DecodeError: `raw` has not the PID's length.
    """
    pid = _pid_of(did)
    if pid is None or pid not in PIDS:
        return None
    values = live_values(read_pid(pid, raw))
    return values[0] if len(values) == 1 else None

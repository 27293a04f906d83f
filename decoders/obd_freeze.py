"""Service 02: the values that a unit froze when it stored a code."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.cursor import Cursor
from decoders.obd_data import PidBlock, read_blocks
from decoders.values import Dtc

_CODE_PID = 0x02


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezeFrame:
    """One answer of service 02.

    Args:
        blocks: the PIDs in the order sent, each with the number of its frame.
        codes: (frame, the code that stored it) for each PID 02 among them; None where no frame is stored.
        leftover: fill bytes behind them, else empty; see `read_blocks`.
        raw: the whole answer.
    """

    blocks: tuple[PidBlock, ...]
    codes: tuple[tuple[int, Dtc | None], ...]
    leftover: bytes
    raw: bytes


def decode_freeze_frame(data: bytes) -> FreezeFrame:
    """Read an answer 42 with one or several PIDs of freeze frames.

    Raises:
        DecodeError: another answer, a cut one, other bytes than padding behind it, or a PID of unknown length.

    Source: SAE J1979 / ISO 15031-5, service 02 on CAN; code 0000 means that no frame is stored.
    """
    cursor = Cursor(data)
    cursor.one_of((0x42,), "service")
    blocks = read_blocks(cursor, framed=True)
    codes = tuple(
        (block.frame, Dtc.from_bytes(block.raw) if any(block.raw) else None)
        for block in blocks
        if block.pid == _CODE_PID and block.frame is not None
    )
    return FreezeFrame(blocks=blocks, codes=codes, leftover=cursor.padding("end of answer"), raw=data)

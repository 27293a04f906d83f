"""Reads a bench's frame log as an outsider would: ISO 15765-2 put together again by code of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

FUNCTIONAL_IDS = {(0x7DF, False), (0x18DB33F1, True)}  # ISO 15765-4, legislated functional identifiers


class LoggedFrame(Protocol):
    """One frame as the bench saw it."""

    @property
    def direction(self) -> str: ...

    @property
    def arbitration_id(self) -> int: ...

    @property
    def is_extended(self) -> bool: ...

    @property
    def data(self) -> bytes: ...


@dataclass(frozen=True)
class Message:
    """One message on the bus: `to_car` is True for what the tester sent."""

    to_car: bool
    can_id: int
    is_29_bit: bool
    data: bytes

    @property
    def id_text(self) -> str:
        return f"{self.can_id:08X}" if self.is_29_bit else f"{self.can_id:03X}"

    @property
    def functional(self) -> bool:
        return (self.can_id, self.is_29_bit) in FUNCTIONAL_IDS


class BrokenMessageError(Exception):
    """Frames that do not make a message."""


def reassemble(frames: Iterable[LoggedFrame]) -> list[Message]:
    """The messages in the order in which they became whole. Source: ISO 15765-2, N_PDU formats.

    Raises:
        BrokenMessageError: a frame is out of place, or a message stays unfinished.
    """
    whole: list[Message] = []
    parts: dict[tuple[bool, int, bool], tuple[int, int, bytes]] = {}
    for frame in frames:
        key = (frame.direction == "rx", frame.arbitration_id, frame.is_extended)
        kind, low = frame.data[0] >> 4, frame.data[0] & 0x0F
        if kind == 3:  # flow control
            continue
        if key in parts and kind != 2:
            raise BrokenMessageError(f"{key}: {frame.data.hex()} inside another message")
        if kind == 0 and 1 <= low <= 7:
            whole.append(Message(*key, frame.data[1 : 1 + low]))
        elif kind == 1:
            parts[key] = (low << 8 | frame.data[1], 1, frame.data[2:])
        elif kind == 2 and key in parts:
            length, expected, data = parts.pop(key)
            if low != expected % 16:
                raise BrokenMessageError(f"{key}: consecutive frame {low:X} instead of {expected % 16:X}")
            data += frame.data[1:]
            if len(data) < length:
                parts[key] = (length, expected + 1, data)
            else:
                whole.append(Message(*key, data[:length]))
        else:
            raise BrokenMessageError(f"{key}: {frame.data.hex()} belongs to no message")
    if parts:
        raise BrokenMessageError(f"unfinished: {sorted(parts)}")
    return whole

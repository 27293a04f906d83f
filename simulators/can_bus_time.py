"""What frames cost on the wire: their bits, who goes first, how busy the bus is. No thread, no clock: time is told.

Source: ISO 11898-1 (frame formats, bit stuffing, arbitration); layouts and polynomials from memory.
"""

from __future__ import annotations

import heapq
from collections import deque
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import count
from typing import Generic, TypeVar

from simulators.chance import draw

_S = 1_000_000_000
_CRC_15 = 0x4599
_AFTER_CRC = 13  # delimiter, ACK slot and delimiter, 7 of the frame's end, 3 between frames
_STUFF_AFTER = 5
_FD_SIZES = (*range(9), 12, 16, 20, 24, 32, 48, 64)
_LONGEST_WITH_CRC_17 = 16
# Stuff count with parity, checksum, and a fixed stuff bit before every four of them: 4 + 17 + 6 and 4 + 21 + 7.
_FD_CRC_17, _FD_CRC_21 = 27, 32

Item = TypeVar("Item")
_Key = tuple[int, int, int]
_Entry = tuple[_Key, int, "Frame", Item]


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame: `direction` is ``rx`` (to the car) or ``tx`` (from it).

    Args:
        direction: see above.
        arbitration_id: its identifier.
        is_extended: True if that has 29 bits.
        data: its bytes.
        is_fd: True for a CAN FD frame.
        bitrate_switch: True if its data go at the data bit rate.
    """

    direction: str
    arbitration_id: int
    is_extended: bool
    data: bytes
    is_fd: bool = False
    bitrate_switch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How a unit sends and takes messages of several frames.

    Args:
        block_size: after so many frames it wants to be asked for more; 0 for never.
        stmin: what it asks senders to wait between two frames, as ISO 15765-2 writes it: 0 to 7F hex are ms.
        gap_us: what it takes itself between two frames, whatever the receiver allows.
    """

    block_size: int = 0
    stmin: int = 0
    gap_us: int = 0


_BLOCK_SIZES, _STMINS_MS = (0, 0, 8, 4), (0, 0, 1, 5)
_LEAST_GAP_US, _GAP_SPREAD_US = 400, 4_600  # a recorded bus: about 4.9 ms between two consecutive frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Physics:
    """A bus that takes its time.

    Args:
        bitrate: bits a second.
        data_bitrate: the same for the data of CAN FD frames that switch it.
    """

    bitrate: int = 500_000
    data_bitrate: int = 2_000_000

    def frame_ns(self, frame: Frame) -> int:
        """Nanoseconds from the frame's first bit until the next frame may begin."""
        nominal, fast = frame_bits(frame)
        return nominal * _S // self.bitrate + fast * _S // self.data_bitrate

    def manner(self, *, seed: int, unit: str) -> Manner:
        """How this unit of this car does it: always the same."""

        def drawn(below: int, cause: str) -> int:
            return draw(below, seed=seed, unit=unit, cause=cause, nth=0)

        return Manner(
            block_size=_BLOCK_SIZES[drawn(len(_BLOCK_SIZES), "block size")],
            stmin=_STMINS_MS[drawn(len(_STMINS_MS), "separation time")],
            gap_us=_LEAST_GAP_US + drawn(_GAP_SPREAD_US, "gap between frames"),
        )


@lru_cache(maxsize=4096)
def frame_bits(frame: Frame) -> tuple[int, int]:
    """Its bits at the nominal and at the data bit rate, stuff bits and the space before the next frame included."""
    return _fd_bits(frame) if frame.is_fd else (_classic_bits(frame), 0)


def _classic_bits(frame: Frame) -> int:
    size = len(frame.data)
    head = (size, 4)
    # Start of frame, identifier, then one-bit fields: RTR IDE r0, or SRR IDE and RTR r1 r0 about the longer half.
    if frame.is_extended:
        base, rest = frame.arbitration_id >> 18, frame.arbitration_id & 0x3FFFF
        bits = _joined((0, 1), (base, 11), (0b11, 2), (rest, 18), (0, 3), head)
    else:
        bits = _joined((0, 1), (frame.arbitration_id, 11), (0, 3), head)
    body = bits + (_joined((int.from_bytes(frame.data, "big"), 8 * size)) if size else "")
    checked = body + _joined((crc_15(body), 15))
    return len(checked) + stuff_bits(checked) + _AFTER_CRC


def _fd_bits(frame: Frame) -> tuple[int, int]:
    code = next(code for code, size in enumerate(_FD_SIZES) if len(frame.data) <= size)
    size = _FD_SIZES[code]
    data = int.from_bytes(frame.data.ljust(size, b"\0"), "big")
    # RRS IDE FDF res BRS, or SRR IDE and RRS FDF res BRS about the longer half; ESI and the length follow.
    switch = int(frame.bitrate_switch)
    if frame.is_extended:
        base, rest = frame.arbitration_id >> 18, frame.arbitration_id & 0x3FFFF
        slow = _joined((0, 1), (base, 11), (0b11, 2), (rest, 18), (0b0100 | switch, 4))
    else:
        slow = _joined((0, 1), (frame.arbitration_id, 11), (0b00100 | switch, 5))
    fast = _joined((code, 5)) + (_joined((data, 8 * size)) if size else "")
    checksum = _FD_CRC_17 if size <= _LONGEST_WITH_CRC_17 else _FD_CRC_21
    slow_count = len(slow) + stuff_bits(slow) + _AFTER_CRC
    # A stuff bit behind the last bit of the data is the first fixed one of the checksum: it is counted there.
    fast_count = len(fast) + stuff_bits(slow + fast[:-1]) - stuff_bits(slow) + checksum
    return (slow_count, fast_count) if frame.bitrate_switch else (slow_count + fast_count, 0)


def _joined(*fields: tuple[int, int]) -> str:
    return "".join(f"{value:0{width}b}" for value, width in fields)


def stuff_bits(bits: str) -> int:
    """How many bits are put in between: one of the other kind after five alike, which counts for the next five."""
    stuffed, alike, last = 0, 0, ""
    for bit in bits:
        alike = alike + 1 if bit == last else 1
        last = bit
        if alike == _STUFF_AFTER:
            stuffed += 1
            alike, last = 1, "0" if bit == "1" else "1"
    return stuffed


def crc_15(bits: str) -> int:
    """The checksum of a classic frame over the bits from its start to the end of its data."""
    table, crc = _crc_table(), 0
    for byte in int(bits, 2).to_bytes(-(-len(bits) // 8), "big"):  # leading zeros change nothing
        crc = table[crc >> 7 ^ byte] ^ crc << 8 & 0x7FFF
    return crc


@cache
def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte << 7
        for _ in range(8):
            crc = crc << 1 & 0x7FFF ^ (_CRC_15 if crc & 0x4000 else 0)
        table.append(crc)
    return tuple(table)


def arbitration_key(frame: Frame) -> _Key:
    """Who goes first: the lower key. Of two with the same first eleven bits the short identifier wins."""
    if frame.is_extended:
        return (frame.arbitration_id >> 18, 1, frame.arbitration_id & 0x3FFFF)
    return (frame.arbitration_id, 0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BusLoad:
    """How busy a bus is, in percent of the time.

    Args:
        last_second: over the last second.
        whole: since the bus began.
    """

    last_second: float
    whole: float


class Wire(Generic[Item]):
    """One frame at a time, and of those that wait the one with the lowest identifier.

    Args:
        physics: how long frames take.
        now_ns: when the bus begins.
    """

    def __init__(self, physics: Physics, now_ns: int) -> None:
        self._physics = physics
        self._began_ns = self._free_ns = now_ns
        self._order = count()
        self._coming: list[tuple[int, int, Frame, Item]] = []
        self._ready: list[_Entry[Item]] = []
        self._now: tuple[int, Frame, Item] | None = None
        self._sent: deque[tuple[int, int]] = deque()
        self._busy_ns = 0

    def put(self, frame: Frame, item: Item, ready_ns: int) -> None:
        """A controller has a frame to send from then on; `item` comes back with it."""
        heapq.heappush(self._coming, (ready_ns, next(self._order), frame, item))

    def __len__(self) -> int:
        return len(self._coming) + len(self._ready) + (self._now is not None)

    def take(self, now_ns: int) -> tuple[int, Frame, Item] | None:
        """The next frame whose last bit is out by now, with when that was; None if there is none yet."""
        if self._now is None:
            self._begin(now_ns)
        if self._now is None or self._now[0] > now_ns:
            return None
        done, self._now = self._now, None
        return done

    def due_ns(self) -> int | None:
        """When something happens next, if nothing is put before; None while nobody has anything to send."""
        if self._now is not None:
            return self._now[0]
        if self._ready:
            return self._free_ns
        return max(self._free_ns, self._coming[0][0]) if self._coming else None

    @property
    def is_taken(self) -> bool:
        """True while a frame is on the wire: nothing else happens before `due_ns` then, whatever is put."""
        return self._now is not None

    def load(self, now_ns: int) -> BusLoad:
        """How busy the bus is and was."""
        self._forget(now_ns)
        spans = [(begin_ns, min(end_ns, now_ns)) for begin_ns, end_ns in self._sent]
        recent_ns = sum(end_ns - max(begin_ns, now_ns - _S) for begin_ns, end_ns in spans)
        whole_ns = self._busy_ns + sum(end_ns - begin_ns for begin_ns, end_ns in spans)
        spent_ns = max(1, now_ns - self._began_ns)
        return BusLoad(
            last_second=round(100 * recent_ns / min(spent_ns, _S), 1), whole=round(100 * whole_ns / spent_ns, 1)
        )

    def _begin(self, now_ns: int) -> None:
        """Let the frame begin that won the bus when it last came free."""
        at_ns = self.due_ns()
        if at_ns is None or at_ns > now_ns:
            return
        while self._coming and self._coming[0][0] <= at_ns:
            _, order, frame, item = heapq.heappop(self._coming)
            heapq.heappush(self._ready, (arbitration_key(frame), order, frame, item))
        _, _, frame, item = heapq.heappop(self._ready)
        self._free_ns = at_ns + self._physics.frame_ns(frame)
        self._now = (self._free_ns, frame, item)
        self._sent.append((at_ns, self._free_ns))
        self._forget(now_ns)

    def _forget(self, now_ns: int) -> None:
        while self._sent and self._sent[0][1] <= now_ns - _S:
            begin_ns, end_ns = self._sent.popleft()
            self._busy_ns += end_ns - begin_ns

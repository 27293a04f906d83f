"""What can go wrong with the frames of an answer on a CAN bus, one table of kinds. Source: ISO 15765-2, N_PCI."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from simulators.actions import Argument, Arguments
from simulators.can_bus_time import Frame

SUPPLY_DROP = "supply_drop"
_SINGLE, _FIRST, _CONSECUTIVE = 0, 1, 2


@dataclass(frozen=True, slots=True)
class FrameFault:
    """A kind of `FRAME_FAULTS` with what it was told."""

    kind: str
    arguments: Arguments

    def number(self, name: str) -> int:
        """One of its arguments."""
        return int(self.arguments[name])


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """A frame of an answer, about to be sent.

    Args:
        frame: the frame.
        nth: which one of its message, 1 for the first.
        pci_at: where its control information begins: behind the address byte, if it has one.
    """

    frame: Frame
    nth: int
    pci_at: int

    @property
    def kind(self) -> int:
        """Which kind of frame it is."""
        return self.frame.data[self.pci_at] >> 4

    def with_bytes(self, at: int, new: bytes) -> Frame:
        """The frame with other bytes at a place counted from its control information."""
        begin = self.pci_at + at
        data = self.frame.data
        return replace(self.frame, data=data[:begin] + new + data[begin + len(new) :])


def _lost(_out: Outgoing, _fault: FrameFault) -> tuple[Frame, ...]:
    return ()


def _duplicated(out: Outgoing, _fault: FrameFault) -> tuple[Frame, ...]:
    return (out.frame, out.frame)


def _wrong_sequence(out: Outgoing, _fault: FrameFault) -> tuple[Frame, ...]:
    if out.kind != _CONSECUTIVE:
        return (out.frame,)
    number = out.frame.data[out.pci_at] + 1 & 0x0F
    return (out.with_bytes(0, bytes([_CONSECUTIVE << 4 | number])),)


def _wrong_length(out: Outgoing, fault: FrameFault) -> tuple[Frame, ...]:
    data = out.frame.data[out.pci_at :]
    if out.kind == _SINGLE:
        new = b"\x0f" if data[0] else b"\x00\xff"  # the second is CAN FD's longer form
    elif out.kind == _FIRST:
        length = (int.from_bytes(data[:2], "big") & 0xFFF) + fault.number("more")
        new = (_FIRST << 12 | min(length, 0xFFF)).to_bytes(2, "big")
    else:
        return (out.frame,)
    return (out.with_bytes(0, new),)


def _foreign(out: Outgoing, fault: FrameFault) -> tuple[Frame, ...]:
    """Where the tester's address is in the frame it is another one; else the identifier is another one."""
    tester, frame = fault.number("tester"), out.frame
    if out.pci_at:
        return (replace(frame, data=bytes([tester]) + frame.data[1:]),)
    if frame.is_extended:
        return (replace(frame, arbitration_id=frame.arbitration_id & ~0xFF00 | tester << 8),)
    return (replace(frame, arbitration_id=frame.arbitration_id ^ 0x100),)


def _supply_drop(out: Outgoing, fault: FrameFault) -> tuple[Frame, ...]:
    return () if out.kind == _SINGLE or out.nth > fault.number("frames") else (out.frame,)


def _always(_out: Outgoing, _fault: FrameFault) -> bool:
    return True


def _at_nth(out: Outgoing, fault: FrameFault) -> bool:
    return out.nth == fault.number("nth")


Change = Callable[[Outgoing, FrameFault], tuple[Frame, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameKind:
    """One thing that can go wrong with a frame.

    Args:
        says: what it is, one sentence.
        change: which frames are sent instead of one.
        concerns: True for the frames that it is about.
        takes: what it can be told, by name.
    """

    says: str
    change: Change
    concerns: Callable[[Outgoing, FrameFault], bool] = _always
    takes: Mapping[str, Argument] = field(default_factory=dict)


_NTH = {"nth": Argument(about="which frame of the answer, 1 for the first", least=1, most=4096, default=2)}

FRAME_FAULTS: Mapping[str, FrameKind] = {
    "lost_frame": FrameKind(says="Loses one frame of an answer (CAN).", change=_lost, concerns=_at_nth, takes=_NTH),
    "duplicated_frame": FrameKind(
        says="Sends one frame of an answer twice (CAN).", change=_duplicated, concerns=_at_nth, takes=_NTH
    ),
    "wrong_sequence": FrameKind(
        says="Gives one consecutive frame of an answer the number of the next (CAN).",
        change=_wrong_sequence,
        concerns=_at_nth,
        takes=_NTH,
    ),
    "wrong_length": FrameKind(
        says="Announces an answer longer than it is (CAN).",
        change=_wrong_length,
        takes={"more": Argument(about="so many bytes more than there are", least=1, most=0xFFF, default=20)},
    ),
    "foreign": FrameKind(
        says="Sends its answers to another tester (CAN): with its address, or under another 11-bit identifier.",
        change=_foreign,
        takes={"tester": Argument(about="that tester's address", least=0, most=0xFF, default=0xFB)},
    ),
    SUPPLY_DROP: FrameKind(
        says="Loses its supply in the middle of an answer (CAN): it forgets what it holds only while it has power.",
        change=_supply_drop,
        takes={
            "frames": Argument(about="after so many frames; an answer of one is not sent", least=1, default=1),
            "away_ms": Argument(about="milliseconds until it is back", least=0, most=600_000, default=3000),
        },
    ),
}
"""Every kind by name."""


def spoiled(out: Outgoing, faults: tuple[FrameFault, ...]) -> tuple[Frame, ...]:
    """The frames that are sent instead of this one."""
    frames: tuple[Frame, ...] = (out.frame,)
    for fault in faults:
        kind = FRAME_FAULTS[fault.kind]
        if kind.concerns(out, fault):
            frames = tuple(new for frame in frames for new in kind.change(replace(out, frame=frame), fault))
    return frames


def away_ms(out: Outgoing, faults: tuple[FrameFault, ...]) -> int | None:
    """For how long the unit is without supply once this frame is out; None if it keeps it."""
    for fault in faults:
        if fault.kind == SUPPLY_DROP and (out.kind == _SINGLE or out.nth == fault.number("frames")):
            return fault.number("away_ms")
    return None

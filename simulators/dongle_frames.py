"""A dongle's request on the bus, and the frames it hears until it stops waiting."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from decoders.values import UnitAddress
from simulators.desk import Desk, Reply

FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT = 0x7DF, 0x18DB33F1  # ISO 15765-4
PENDING_WAIT_US = 5_000_000  # P2*: ISO 14229-2
_FRAME_GAP_US = 1000
_PADDING = b"\xaa"
_LONGEST_SHORT_MESSAGE = 0xFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One frame of an answer.

    Args:
        number: its identifier.
        at_us: when it was whole, microseconds from the end of the request.
        data: its eight bytes.
        is_pending: True if it says that the answer is still to come.
    """

    number: int
    at_us: int
    data: bytes
    is_pending: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowControl:
    """The frame with which a dongle asks for the rest of a message.

    Args:
        data: its bytes; a first byte other than 30 does not let the unit go on.
        number: the identifier it is sent under; None for the one that belongs to the answer's.
    """

    data: bytes = b"\x30\x00\x00"
    number: int | None = None

    def reaches(self, address: UnitAddress) -> bool:
        """True if the unit hears it and may go on. Source: ISO 15765-2, FlowControl, ContinueToSend."""
        number = self.number
        if number is None:
            answer = address.response.number
            swapped = answer & ~0xFFFF | (answer & 0xFF) << 8 | answer >> 8 & 0xFF
            number = swapped if address.response.is_29_bit else answer - 8
        return self.data[:1] == b"\x30" and number == address.request.number


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a dongle sends and how it listens.

    Args:
        number: identifier of the request.
        is_29_bit: its width.
        extension: the address byte before the PCI, or None.
        request: the payload.
        accept: identifiers it listens to: an answer's, masked by `accept_mask`, must equal this one's.
        accept_mask: which bits of them count.
        flow_control: what it sends for more frames; None if it sends nothing.
        first_wait_us: how long it waits for the first frame.
        next_wait_us: how long after each frame for another.
        pending_wait_us: how long for the answer of a unit that said that it is still to come.
        most_frames: after so many it stops to listen; None for no such number.
    """

    number: int
    is_29_bit: bool
    request: bytes
    accept: int
    accept_mask: int
    flow_control: FlowControl | None
    first_wait_us: int
    next_wait_us: int
    pending_wait_us: int
    extension: int | None = None
    most_frames: int | None = None


def put(desk: Desk, question: Question) -> tuple[tuple[Heard, ...], int]:
    """Send the request and listen; the frames, and when the dongle stops to wait (microseconds)."""
    with desk.lock:
        sent = [frame for text in desk.units for frame in _answers(desk, text, question)]
    # Of frames that are ready at one time the lower identifier wins the bus. Source: ISO 11898-1, arbitration.
    return _while_waiting(sorted(sent, key=lambda frame: (frame.at_us, frame.number)), question)


def segments(payload: bytes, extension: int | None = None) -> Iterator[bytes]:
    """A message as frames of eight bytes. Source: ISO 15765-2, N_PCI of SF, FF and CF; padding as bus users do."""
    lead = b"" if extension is None else bytes([extension])
    room = 8 - len(lead)
    if len(payload) < room:
        yield (lead + bytes([len(payload)]) + payload).ljust(8, _PADDING)
        return
    length = len(payload)
    short = length <= _LONGEST_SHORT_MESSAGE
    head = (0x1000 | length).to_bytes(2, "big") if short else b"\x10\x00" + length.to_bytes(4, "big")
    first = room - len(head)
    yield lead + head + payload[:first]
    for nth, at in enumerate(range(first, length, room - 1), start=1):
        yield (lead + bytes([0x20 | nth & 0x0F]) + payload[at : at + room - 1]).ljust(8, _PADDING)


def _answers(desk: Desk, text: str, question: Question) -> Iterator[Heard]:
    if text.startswith("doip:"):
        return
    address = UnitAddress.parse(text)
    asked = address.request
    here = (question.number, question.is_29_bit, question.extension)
    functional = here == (FUNCTIONAL_29_BIT if asked.is_29_bit else FUNCTIONAL_11_BIT, asked.is_29_bit, asked.extension)
    if functional or here == (asked.number, asked.is_29_bit, asked.extension):
        replies = desk.ask(text, question.request, functional=functional)
        # The unit has answered, also where the dongle's filter lets none of it through.
        if not (address.response.number ^ question.accept) & question.accept_mask:
            yield from _frames(replies, address, question)


def _frames(replies: Iterable[Reply], address: UnitAddress, question: Question) -> Iterator[Heard]:
    free_us = 0
    goes_on = question.flow_control is not None and question.flow_control.reaches(address)
    for reply in replies:
        at_us = max(free_us, reply.after_us)
        is_pending = reply.data[:1] == b"\x7f" and reply.data[2:3] == b"\x78"
        for nth, data in enumerate(segments(reply.data, address.response.extension)):
            if nth and not goes_on:
                break
            yield Heard(number=address.response.number, at_us=at_us, data=data, is_pending=is_pending)
            at_us += _FRAME_GAP_US
        free_us = at_us


def _while_waiting(frames: Iterable[Heard], question: Question) -> tuple[tuple[Heard, ...], int]:
    heard: list[Heard] = []
    pending: dict[int, int] = {}
    until_us = question.first_wait_us
    for frame in frames:
        if frame.at_us > until_us:
            break
        heard.append(frame)
        if len(heard) == question.most_frames:
            return tuple(heard), frame.at_us
        pending.pop(frame.number, None)
        if frame.is_pending:
            pending[frame.number] = frame.at_us + question.pending_wait_us
        until_us = max(frame.at_us + question.next_wait_us, *pending.values(), 0)
    return tuple(heard), until_us

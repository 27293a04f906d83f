"""What a CAN link can send, and who may answer a request to everybody.

Source: ISO 15765-4 (functional identifiers, single frames), ISO 15765-2 (protocol control information).
"""

from __future__ import annotations

from collections.abc import Iterable

from decoders.errors import UsageError
from decoders.reply import classify
from decoders.values import AnswerKind, CanId, Request, UnitAddress, is_doip, is_functional
from gateway.links.can.bus import Frame
from gateway.links.channel import MAX_PAYLOAD, Arrival

FUNCTIONAL_TARGETS = ("functional:7DF", "functional:18DB33F1")
SWEPT_IDS = range(0x700, 0x7F0)
"""Request identifiers of an address sweep. Source: common practice; ISO 15765-4 keeps the last sixteen for others."""

_MOST_FUNCTIONAL = 7
_NARROW_SOURCES, _WIDE_SOURCES = range(0x700, 0x800), range(0x18DAF100, 0x18DAF200)
"""Where answers come from; of 29 bits those to F1, under which we ask: what goes to another tester is not for us."""

_SINGLE_FRAME, _FIRST_FRAME = 0, 1
_SUPPORT_ANSWER, _SUPPORT_BYTES = 0x41, 6
"""Everybody is asked by service 01 for support bitmaps alone: 41, the number, four bytes. Source: SAE J1979."""

_ANSWERS = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE, AnswerKind.PENDING)


def unsendable(request: Request) -> str | None:
    """Why a CAN link cannot send a request at all, in words, or None if it can."""
    if not request.data:
        return "the request is empty"
    if is_doip(request.target):
        return "this link reaches units by their CAN identifiers"
    if is_functional(request.target):
        if request.target not in FUNCTIONAL_TARGETS and not is_swept(request.target):
            return f"this link knows who answers to {' and '.join(FUNCTIONAL_TARGETS)} only"
        if len(request.data) > _MOST_FUNCTIONAL:
            return "a functional request fits one frame: at most 7 bytes"
        return None
    if len(request.data) > MAX_PAYLOAD:
        return f"a request has at most {MAX_PAYLOAD} bytes"
    try:
        UnitAddress.parse(request.target)
    except UsageError as error:
        return error.message
    return None


def is_swept(target: str) -> bool:
    """True for one step of an address sweep, e.g. ``functional:7A0``: whoever answers to that identifier."""
    digits = target.partition(":")[2]
    try:
        asked = CanId.parse(digits)
    except UsageError:
        return False
    return not asked.is_29_bit and asked.extension is None and asked.number in SWEPT_IDS


def stranger(frame: Frame, asked: Iterable[bytes]) -> Arrival | None:
    """The answer of a unit that nobody knows yet to a request to everybody, or None if the frame is no such thing.

    Only what begins like an answer to one of these very requests counts, and only on identifiers that diagnostics
    use: the bus is full of other frames. A longer answer stays without the rest, for no flow control is sent to
    somebody whose request identifier is not known; its beginning is kept as damaged, for it shows that a unit is
    there.

    Args:
        frame: what came, on an identifier of no unit that is asked.
        asked: what everybody was asked lately.
    """
    sources = _WIDE_SOURCES if frame.is_29_bit else _NARROW_SOURCES
    if frame.number not in sources or len(frame.data) < 2:
        return None
    kind, length = frame.data[0] >> 4, frame.data[0] & 0x0F
    damage = None
    if kind == _SINGLE_FRAME and 0 < length < len(frame.data):
        data = frame.data[1 : 1 + length]
    elif kind == _FIRST_FRAME:
        data, damage = frame.data[2:], "a longer answer of a unit whose request identifier is not known"
    else:
        return None
    if not any(classify(request, data) in _ANSWERS for request in asked):
        return None
    if data[0] == _SUPPORT_ANSWER and damage is None and len(data) < _SUPPORT_BYTES:
        return None
    source = CanId(frame.number, frame.is_29_bit).text
    return Arrival(source=source, data=data, first_ns=frame.read_ns, last_ns=frame.read_ns, damage=damage)

"""What other testers on the same bus ask, so that an answer to them is not taken for one to us. No bus, no clock.

An answer names its service, and a refusal nothing else: whoever asks a unit for the same service as we do, but for
something else, may get an answer that nobody can tell from ours.
"""

from __future__ import annotations

from typing import TypeVar

from decoders.values import CanId

_EVERYBODY = (CanId(0x7DF, False), CanId(0x18DB33F1, True))  # ISO 15765-4
_KEPT, _KEPT_EACH = 4096, 16
"""Identifiers, and requests under each. A bus carries some thousand frames a second, and each of them may look like a
request; what counts is of the last tenth of one."""

_SINGLE_FRAME, _FIRST_FRAME = 0, 1
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


class OtherTesters:
    """Requests of others, by the identifier they were sent under."""

    def __init__(self) -> None:
        self._asked_ns: dict[CanId, dict[bytes, int]] = {}

    def heard(self, number: int, is_29_bit: bool, frame: bytes, now_ns: int) -> list[tuple[CanId, bytes]]:
        """Take a frame that is no answer of a unit we ask; gives the requests that it may be the beginning of.

        Args:
            number: its identifier.
            is_29_bit: its width.
            frame: its data bytes.
            now_ns: when it was read.
        """
        found = []
        for can_id, body in ((CanId(number, is_29_bit), frame), _extended(number, is_29_bit, frame)):
            data = _beginning(body)
            if data:
                found.append((can_id, data))
        for can_id, data in found:
            requests = self._asked_ns.pop(can_id, {})
            requests.pop(data, None)
            requests[data] = now_ns
            self._asked_ns[can_id] = requests  # the newest stand last, of both
            _shorten(requests, _KEPT_EACH)
        _shorten(self._asked_ns, _KEPT)
        return found

    def confusing(self, can_id: CanId, request: bytes, since_ns: int) -> bool:
        """True if somebody asked this unit since then for what its answer could be mistaken with."""
        return any(
            at_ns >= since_ns and confuses(data, request)
            for asked in (can_id, *_EVERYBODY)
            if reaches(asked, can_id)
            for data, at_ns in self._asked_ns.get(asked, {}).items()
        )


def reaches(asked: CanId, can_id: CanId) -> bool:
    """True if what was sent under one identifier reaches the unit that is asked under the other."""
    return asked == can_id or (asked in _EVERYBODY and asked.is_29_bit == can_id.is_29_bit)


def confuses(other: bytes, request: bytes) -> bool:
    """True if an answer to the other request may look like one to ours, and may say something else."""
    return other[:1] == request[:1] and other != request


def _shorten(kept: dict[_Key, _Value], most: int) -> None:
    while len(kept) > most:
        del kept[next(iter(kept))]


def _extended(number: int, is_29_bit: bool, frame: bytes) -> tuple[CanId, bytes]:
    return CanId(number, is_29_bit, frame[0] if frame else 0), frame[1:]


def _beginning(body: bytes) -> bytes:
    """The payload of a single frame, or what a first frame holds of one. Source: ISO 15765-2, N_PCI."""
    if len(body) < 2:
        return b""
    kind, length = body[0] >> 4, body[0] & 0x0F
    if kind == _SINGLE_FRAME and 0 < length < len(body):
        return body[1 : 1 + length]
    return body[2:] if kind == _FIRST_FRAME else b""

"""What a unit was asked and left open: its answer may still come, and then it must not pass for another one.

A list of codes does not tell which mask was asked, nor a refusal anything but the service. Source: ISO 14229-1,
positive and negative response formats.
"""

from __future__ import annotations

from collections import deque

from decoders.reply import classify
from decoders.values import AnswerKind

_KEPT = 16
_FINAL = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


class Unanswered:
    """The requests that one unit has left without an answer since it last gave one. No clock: time is told.

    Args:
        for_ns: for so long an answer may still come.
    """

    def __init__(self, for_ns: int) -> None:
        self._for_ns = for_ns
        self._waiting: deque[tuple[bytes, int]] = deque(maxlen=_KEPT)

    def ended(self, request: bytes, now_ns: int, *, answered: bool) -> None:
        """A request is over.

        A unit that has answered owes nothing from before, unless the same was asked twice: then it owes one of them.
        """
        owes_one = not answered or any(asked == request for asked, _since_ns in self._waiting)
        if answered:
            self._waiting.clear()
        if owes_one:
            self._waiting.append((request, now_ns))

    def doubt(self, request: bytes, data: bytes, now_ns: int) -> str | None:
        """Why an answer may belong to an earlier request, in words; None if it cannot.

        Each earlier request raises a doubt once: after that it has had its answer, or none will come.

        Args:
            request: what was asked last.
            data: what came.
            now_ns: when it came.
        """
        if not self._waiting or classify(request, data) not in _FINAL:
            return None
        for before in tuple(self._waiting):
            asked, since_ns = before
            if now_ns - since_ns > self._for_ns:
                self._waiting.remove(before)
            elif asked != request and classify(asked, data) in _FINAL:
                self._waiting.remove(before)
                return f"it may be the late answer to {asked[:16].hex(' ').upper()}"
        return None

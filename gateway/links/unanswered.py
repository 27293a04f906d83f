"""What a unit was asked and left open: its answer may still come, and then it must not pass for another one.

A list of codes does not tell which mask was asked, nor a refusal anything but the service. Source: ISO 14229-1,
positive and negative response formats.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from decoders.reply import classify
from decoders.values import AnswerKind, Exchange, Outcome

_KEPT = 16
_MARGIN = 5  # quarters: a unit is not quite as late each time
_FINAL = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


@dataclass(frozen=True, slots=True)
class _Open:
    request: bytes
    sent_ns: int
    until_ns: int
    unit: str

    def is_same(self, request: bytes, unit: str) -> bool:
        """True if it is this request to this unit, to which the late answer is as good as the other."""
        return (self.request, self.unit) == (request, unit)


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why an answer may not be the one to the last request.

    Args:
        words: for a person.
        until_ns: until when the answer to the last request may still come, if this was not it.
    """

    words: str
    until_ns: int


class Unanswered:
    """The requests that one unit has left without an answer since it last gave one. No clock: time is told.

    Args:
        for_ns: for so long after its exchange ended an answer may still come.
        pending_ns: the same where the unit had said that its answer is to come (78).
        unit: the unit, where several answer under one identifier.
    """

    def __init__(self, for_ns: int, pending_ns: int, unit: str = "") -> None:
        self._for_ns = for_ns
        self._pending_ns = pending_ns
        self._unit = unit
        self._open: deque[_Open] = deque(maxlen=_KEPT)

    def for_another(self, unit: str) -> Unanswered:
        """The same for another unit that answers under the same identifier: nobody can tell their answers apart."""
        other = Unanswered(self._for_ns, self._pending_ns, unit)
        other._open.extend(self._open)
        return other

    def ended(self, exchange: Exchange, sent_ns: int, now_ns: int, *, doubted: bool) -> None:
        """An exchange with the unit is over. One that has answered owes nothing from before: it answers in order.

        Only where the same was asked twice it may owe one of the two. An exchange that raised a doubt leaves nothing
        open: it has waited until the answer in question would have had its second.

        Args:
            exchange: the exchange.
            sent_ns: when its request was sent.
            now_ns: the time.
            doubted: True if one of its answers raised a doubt.
        """
        if exchange.outcome in (None, Outcome.UNSENT):
            return
        answered = exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED)
        alike = [
            before
            for before in self._open
            if before.is_same(exchange.request, self._unit) and now_ns <= before.until_ns
        ]
        if answered or doubted:
            self._open.clear()
        if answered:
            self._open.extend(alike[-1:])
        elif not doubted:
            pending = any(answer.kind is AnswerKind.PENDING for answer in exchange.answers)
            until_ns = now_ns + (self._pending_ns if pending else self._for_ns)
            self._open.append(_Open(exchange.request, sent_ns, until_ns, self._unit))

    def doubt(self, request: bytes, data: bytes, sent_ns: int, came_ns: int) -> Doubt | None:
        """Why an answer may belong to an earlier request for something else; None if it cannot.

        Args:
            request: what was asked last.
            data: what came.
            sent_ns: when it was asked.
            came_ns: when it came.
        """
        if not self._open or classify(request, data) not in _FINAL:
            return None
        for before in self._open:
            late = came_ns <= before.until_ns and not before.is_same(request, self._unit)
            if late and classify(before.request, data) in _FINAL:
                whose = " of another unit with this identifier" if before.unit != self._unit else ""
                words = f"it may be the late answer to {before.request[:16].hex(' ').upper()}{whose}"
                return Doubt(words, came_ns + self._apart_ns(before, sent_ns))
        return None

    def second_due_ns(self, request: bytes, sent_ns: int, answered_ns: int) -> int:
        """Until when a second answer may come to a request that was sent twice; 0 if it was sent once.

        Args:
            request: what was asked last.
            sent_ns: when.
            answered_ns: when its answer came.
        """
        alike = [
            before for before in self._open if before.is_same(request, self._unit) and answered_ns <= before.until_ns
        ]
        return answered_ns + self._apart_ns(alike[-1], sent_ns) if alike else 0

    def _apart_ns(self, before: _Open, sent_ns: int) -> int:
        """How far two answers are apart at most: as far as their requests, for the unit is about as late each time."""
        return min(sent_ns - before.sent_ns, self._for_ns) * _MARGIN // 4

"""What one request gets back, judged as it comes in. No bus, no clock: time is an argument (nanoseconds).

An answer is taken as a result only if it is whole, came after the request's last frame, and is of the
request's service and echo. Everything else is kept as evidence and changes nothing, except that damage
spoils the outcome: a whole answer beside a damaged one may belong to an earlier request.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, replace

from decoders.reply import classify
from decoders.values import Answer, AnswerKind, Exchange, Outcome, Request
from gateway.links.base import Limits
from gateway.links.channel import Arrival
from gateway.links.unanswered import Unanswered

_MS = 1_000_000
_FINAL = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


LeftOpen = Callable[[str], Unanswered | None]
"""What the unit with this source has left without an answer; None where nothing is known of it."""


def _nothing_left_open(_source: str) -> None:
    """No unit has been asked before."""


@dataclass(slots=True)
class _Heard:
    arrival: Arrival
    kind: AnswerKind


@dataclass(slots=True)
class _Responder:
    """What one source has said so far; `due_ns` is until when it may say more."""

    due_ns: int = 0
    final: _Heard | None = None
    pending: bool = False
    damage: str | None = None


class Conversation(ABC):
    """One request and its answers.

    Args:
        link: the link's address, for the exchange.
        request: what is asked.
        limits: the time-outs.
        previous: what the same unit, or everybody, was asked before, to tell late answers from stray ones.
        left_open: what a source left without an answer before, to doubt answers that may belong there.
    """

    def __init__(
        self,
        *,
        link: str,
        request: Request,
        limits: Limits,
        previous: bytes | None = None,
        left_open: LeftOpen = _nothing_left_open,
    ) -> None:
        self.request = request
        self.begun = False
        self.sent_ns: int | None = None
        self._link = link
        self._limits = limits
        self._previous = previous
        self._left_open = left_open
        self._doubt_until_ns = 0
        self._refused: str | None = None
        self._heard: list[_Heard] = []
        self._begun_ns = 0

    def begin(self, now_ns: int) -> None:
        """The first frame of the request is on the bus."""
        self.begun = True
        self._begun_ns = now_ns

    def sent(self, now_ns: int) -> None:
        """The last frame of the request is on the bus: from here on times count."""
        self.sent_ns = now_ns
        self._on_sent(now_ns)

    def arrived(self, arrival: Arrival) -> None:
        """Take what came in. A continuation without a beginning is joined to the broken answer before it."""
        last = next((h for h in reversed(self._heard) if h.arrival.source == arrival.source), None)
        if arrival.orphan and last is not None and self._is_rest_of(arrival, last):
            last.arrival = replace(last.arrival, data=last.arrival.data + arrival.data, last_ns=arrival.last_ns)
            self._on_more_damage(arrival)
            return
        responder = self._responder(arrival.source)
        waiting = self._left_open(arrival.source)
        if waiting is not None and self.sent_ns is not None and arrival.first_ns >= self.sent_ns:
            doubt = waiting.doubt(self.request.data, arrival.data, self.sent_ns, arrival.first_ns)
            if doubt is not None:
                arrival = replace(arrival, damage=arrival.damage or doubt.words)
                self._doubt_until_ns = doubt.until_ns
        heard = _Heard(arrival, self._kind(arrival, responder))
        self._heard.append(heard)
        self._on_heard(heard, responder)

    @property
    def heard(self) -> bool:
        """True if anything came."""
        return bool(self._heard)

    @property
    def doubted(self) -> bool:
        """True if an answer came that may belong to an earlier request."""
        return bool(self._doubt_until_ns)

    @property
    def doubt_until_ns(self) -> int:
        """Until when the answer to this very request may still come, if one came that raised a doubt; else 0."""
        return self._doubt_until_ns

    def refused(self, reason: str) -> None:
        """A frame was not taken, and it may have been this request's: if nothing is heard, that is no silence.

        Args:
            reason: what was seen, for `Exchange.trouble`.
        """
        self._refused = reason

    @abstractmethod
    def disturbed(self, reason: str) -> None:
        """Something came between: whatever is answered, it cannot be told to which request.

        Args:
            reason: what, for `Exchange.trouble`.
        """

    def due_ns(self, *, receiving: bool) -> int:
        """When this ends if nothing more comes; while a message is coming in, only the ceiling holds."""
        start_ns = self._begun_ns if self.sent_ns is None else self.sent_ns
        ceiling_ns = start_ns + self._limits.ceiling_ms * _MS
        if receiving or self.sent_ns is None:
            return ceiling_ns
        return min(self._quiet_ns(), ceiling_ns)

    @abstractmethod
    def finish(self, broken: str | None = None) -> Exchange:
        """The exchange as it stands.

        Args:
            broken: what cut the conversation short, or None if it ran its time.
        """

    @abstractmethod
    def _responder(self, source: str) -> _Responder: ...

    @abstractmethod
    def _quiet_ns(self) -> int: ...

    @abstractmethod
    def _on_sent(self, now_ns: int) -> None: ...

    @abstractmethod
    def _on_more_damage(self, arrival: Arrival) -> None: ...

    def _on_heard(self, heard: _Heard, responder: _Responder) -> None:
        last_ns = heard.arrival.last_ns
        if heard.kind is AnswerKind.DAMAGED:
            responder.damage = responder.damage or heard.arrival.damage or "the answer is cut short"
            responder.due_ns = max(last_ns + self._limits.settle_ms * _MS, self._doubt_until_ns)
        elif heard.kind is AnswerKind.PENDING:
            responder.pending = True
            responder.due_ns = last_ns + self._limits.p2_star_ms * _MS
        elif heard.kind in _FINAL:
            responder.final = heard
            responder.due_ns = max(last_ns + self._limits.linger_ms * _MS, self._second_due_ns(heard.arrival))
        else:
            # While this message was coming in the unit could not begin its answer.
            responder.due_ns += last_ns - heard.arrival.first_ns
            again = responder.final is not None and classify(self.request.data, heard.arrival.data) in _FINAL
            if heard.kind is AnswerKind.STRAY and again:
                responder.damage = responder.damage or "two different answers came to one request"

    def _second_due_ns(self, arrival: Arrival) -> int:
        waiting = self._left_open(arrival.source)
        if waiting is None or self.sent_ns is None:
            return 0
        return waiting.second_due_ns(self.request.data, self.sent_ns, arrival.last_ns)

    def _is_rest_of(self, arrival: Arrival, last: _Heard) -> bool:
        if last.arrival.damage is None:
            return False
        # After the request the rest of a late answer and of this one look alike: it counts against this one.
        return last.kind is AnswerKind.DAMAGED or self.sent_ns is None or arrival.first_ns < self.sent_ns

    def _kind(self, arrival: Arrival, responder: _Responder) -> AnswerKind:
        if self.sent_ns is None or arrival.first_ns < self.sent_ns:
            return AnswerKind.LATE
        if arrival.damage is not None:
            return AnswerKind.DAMAGED
        if responder.final is not None:
            same = arrival.data == responder.final.arrival.data
            return AnswerKind.DUPLICATE if same else AnswerKind.STRAY
        kind = classify(self.request.data, arrival.data)
        if kind is AnswerKind.STRAY and self._previous is not None:
            was = classify(self._previous, arrival.data)
            return AnswerKind.LATE if was in (*_FINAL, AnswerKind.PENDING) else kind
        return kind

    def _exchange(self, outcome: Outcome | None, trouble: str | None, refusal: int | None = None) -> Exchange:
        start_ns = self._begun_ns if self.sent_ns is None else self.sent_ns
        answers = tuple(
            Answer(
                source=heard.arrival.source,
                data=heard.arrival.data,
                first_us=(heard.arrival.first_ns - start_ns) // 1000,
                last_us=(heard.arrival.last_ns - start_ns) // 1000,
                kind=heard.kind,
            )
            for heard in self._heard
        )
        return Exchange(
            link=self._link,
            target=self.request.target,
            request=self.request.data,
            answers=answers,
            outcome=outcome,
            refusal=refusal,
            trouble=trouble,
        )


class UnitConversation(Conversation):
    """A request to one unit by its own address: it ends answered, refused, silent, damaged or unsent.

    Args:
        crowd: how many other units are asked at the same time.

    Attributes:
        over: True if the request could not be delivered.
    """

    def __init__(
        self,
        *,
        link: str,
        request: Request,
        limits: Limits,
        previous: bytes | None = None,
        left_open: LeftOpen = _nothing_left_open,
        crowd: int = 0,
    ) -> None:
        super().__init__(link=link, request=request, limits=limits, previous=previous, left_open=left_open)
        self._unit = _Responder()
        self._p2_ns = (limits.p2_ms + crowd * limits.p2_crowd_ms) * _MS
        self.over = False

    def failed(self, reason: str) -> None:
        """The unit did not take the whole request: nothing is to be awaited."""
        self._unit.damage = reason
        self.over = True

    def disturbed(self, reason: str) -> None:
        """Whatever the unit answers, it may belong to something else."""
        self._unit.damage = self._unit.damage or reason

    def finish(self, broken: str | None = None) -> Exchange:
        """The exchange as it stands; anything but a whole answer or true silence is damaged."""
        unit = self._unit
        if not self.begun:
            return self._exchange(Outcome.UNSENT, broken)
        if unit.damage is not None:
            return self._exchange(Outcome.DAMAGED, unit.damage)
        if unit.final is not None:
            if unit.final.kind is AnswerKind.POSITIVE:
                return self._exchange(Outcome.ANSWERED, None)
            return self._exchange(Outcome.REFUSED, None, refusal=unit.final.arrival.data[2])
        if broken is not None:
            return self._exchange(Outcome.DAMAGED, broken)
        if unit.pending:
            return self._exchange(Outcome.DAMAGED, "response pending without an end")
        if self._refused is not None:
            return self._exchange(Outcome.DAMAGED, self._refused)
        stray = any(heard.kind is AnswerKind.STRAY for heard in self._heard)
        return self._exchange(Outcome.SILENT, "only answers to something else came" if stray else None)

    def _responder(self, source: str) -> _Responder:  # noqa: ARG002 - one unit, one responder
        return self._unit

    def _quiet_ns(self) -> int:
        return self._unit.due_ns

    def _on_sent(self, now_ns: int) -> None:
        self._unit.due_ns = now_ns + self._p2_ns

    def _on_more_damage(self, arrival: Arrival) -> None:
        self._unit.due_ns = max(self._unit.due_ns, arrival.last_ns + self._limits.settle_ms * _MS)


class FunctionalConversation(Conversation):
    """A request to everyone: it collects whoever answers and has no outcome of its own."""

    def __init__(
        self,
        *,
        link: str,
        request: Request,
        limits: Limits,
        previous: bytes | None = None,
        left_open: LeftOpen = _nothing_left_open,
    ) -> None:
        super().__init__(link=link, request=request, limits=limits, previous=previous, left_open=left_open)
        self._responders: dict[str, _Responder] = {}
        self._disturbance: str | None = None
        self._collect_until_ns = 0

    def finish(self, broken: str | None = None) -> Exchange:
        """The exchange as it stands; `trouble` names the sources whose answer is damaged or never ended."""
        if not self.begun:
            return self._exchange(Outcome.UNSENT, broken)
        troubles = [text for text in (broken, self._disturbance, self._refused) if text is not None]
        for source, responder in self._responders.items():
            if responder.damage is not None:
                troubles.append(f"{source}: {responder.damage}")
            elif responder.pending and responder.final is None:
                troubles.append(f"{source}: response pending without an end")
        return self._exchange(None, "; ".join(troubles) or None)

    def disturbed(self, reason: str) -> None:
        """Whatever is answered, it may belong to something else."""
        self._disturbance = self._disturbance or reason

    def _responder(self, source: str) -> _Responder:
        return self._responders.setdefault(source, _Responder())

    def _quiet_ns(self) -> int:
        waiting = [r.due_ns for r in self._responders.values() if r.pending and r.final is None]
        return max([self._collect_until_ns, *waiting])

    def _on_sent(self, now_ns: int) -> None:
        self._collect_until_ns = now_ns + self._limits.functional_ms * _MS

    def _on_more_damage(self, arrival: Arrival) -> None:
        """Nothing to do: the collecting time ends by itself."""

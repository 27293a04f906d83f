"""The atom of evidence: one request and everything that came back for it.

Silence, refusal, damage and "never sent" are outcomes of their own; only `answered` can show that
nothing is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from decoders.values.address import is_functional, source_of


class AnswerKind(StrEnum):
    """What one answer is to the request it came back for."""

    POSITIVE = "positive"
    NEGATIVE = "negative"
    PENDING = "pending"
    STRAY = "stray"
    LATE = "late"
    DUPLICATE = "duplicate"
    DAMAGED = "damaged"


class Outcome(StrEnum):
    """How a request ended, for one unit."""

    ANSWERED = "answered"
    REFUSED = "refused"
    SILENT = "silent"
    DAMAGED = "damaged"
    UNSENT = "unsent"


@dataclass(frozen=True, slots=True)
class Request:
    """What a plan wants asked: a unit address or functional target, and the payload."""

    target: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One message that came back.

    Args:
        source: who sent it: the response identifier of a unit.
        data: the reassembled payload; of a damaged answer, whatever bytes arrived.
        first_us: microseconds from the request's last frame to this answer's first frame.
        last_us: the same, to its last frame.
        kind: what it is to this request.
    """

    source: str
    data: bytes
    first_us: int
    last_us: int
    kind: AnswerKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One request with all its answers.

    Args:
        link: the link address it went over.
        target: the unit address or functional target.
        request: the payload asked.
        answers: everything that came back, in order of arrival.
        outcome: None for a functional request that was sent (see `outcome_of`).
        refusal: the negative response code if the outcome is refused.
        trouble: a short text on what went wrong, where something did.
    """

    link: str
    target: str
    request: bytes
    answers: tuple[Answer, ...] = ()
    outcome: Outcome | None = None
    refusal: int | None = None
    trouble: str | None = None

    @property
    def positive(self) -> bytes | None:
        """The payload of the final positive answer of a unit asked by its own address, else None."""
        if self.outcome is not Outcome.ANSWERED:
            return None
        found = [a.data for a in self.answers if a.kind is AnswerKind.POSITIVE]
        return found[-1] if found else None


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceOutcome:
    """How one source fared in an exchange; `outcome` is None where nothing can be said."""

    outcome: Outcome | None
    refusal: int | None = None
    data: bytes | None = None


def outcome_of(exchange: Exchange, source: str) -> SourceOutcome:
    """Say how the exchange ended for one source.

    A source that did not answer a functional request has outcome None: units may stay quiet when they have
    nothing to say, so only a unit asked by its own address can be `silent`.
    Source: ISO 14229-1, suppression of negative responses to functional requests.
    """
    if exchange.outcome is Outcome.UNSENT:
        return SourceOutcome(outcome=Outcome.UNSENT)
    if not is_functional(exchange.target):
        if source_of(exchange.target) != source:
            return SourceOutcome(outcome=None)
        return SourceOutcome(outcome=exchange.outcome, refusal=exchange.refusal, data=exchange.positive)
    for answer in exchange.answers:
        if answer.source != source:
            continue
        if answer.kind is AnswerKind.POSITIVE:
            return SourceOutcome(outcome=Outcome.ANSWERED, data=answer.data)
        if answer.kind is AnswerKind.NEGATIVE:
            return SourceOutcome(outcome=Outcome.REFUSED, refusal=answer.data[2])
        if answer.kind is AnswerKind.DAMAGED:
            return SourceOutcome(outcome=Outcome.DAMAGED)
    return SourceOutcome(outcome=None)

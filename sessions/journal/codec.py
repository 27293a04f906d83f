"""Exchanges to journal payloads and back: bytes as upper-case hex, no key without a value."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from decoders.values import Answer, AnswerKind, Exchange, Outcome


def exchange_to_payload(exchange: Exchange) -> dict[str, Any]:
    """The payload of an `exchange` entry."""
    payload: dict[str, Any] = {
        "link": exchange.link,
        "target": exchange.target,
        "request": exchange.request.hex().upper(),
        "answers": [
            {
                "source": answer.source,
                "data": answer.data.hex().upper(),
                "first_us": answer.first_us,
                "last_us": answer.last_us,
                "kind": answer.kind.value,
            }
            for answer in exchange.answers
        ],
    }
    if exchange.outcome is not None:
        payload["outcome"] = exchange.outcome.value
    if exchange.refusal is not None:
        payload["refusal"] = exchange.refusal
    if exchange.trouble is not None:
        payload["trouble"] = exchange.trouble
    return payload


def exchange_from_payload(payload: Mapping[str, Any]) -> Exchange:
    """The exchange of an `exchange` entry's payload."""
    outcome = payload.get("outcome")
    return Exchange(
        link=payload["link"],
        target=payload["target"],
        request=bytes.fromhex(payload["request"]),
        answers=tuple(
            Answer(
                source=answer["source"],
                data=bytes.fromhex(answer["data"]),
                first_us=answer["first_us"],
                last_us=answer["last_us"],
                kind=AnswerKind(answer["kind"]),
            )
            for answer in payload["answers"]
        ),
        outcome=None if outcome is None else Outcome(outcome),
        refusal=payload.get("refusal"),
        trouble=payload.get("trouble"),
    )

"""What every link promises: it runs plans, keeps every exchange, interprets only what an outcome needs."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from decoders.values import Exchange, Request

Plan = Generator[Request, Exchange, None]
"""A plan yields requests and is sent one exchange for each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Every time-out and ceiling of a link; all times are milliseconds.

    Args:
        p2_ms: from a request's last frame to the first frame of an answer. ISO 15765-4 allows a unit 50 ms;
            the rest is for adapters and gateways between.
        p2_star_ms: the same after each "response pending" (ISO 14229-2: 5000 ms, plus the way).
        n_cr_ms: between two frames of one answer (ISO 15765-2, N_Cr).
        n_bs_ms: from our frame to the unit's flow control (ISO 15765-2, N_Bs).
        ceiling_ms: one request altogether, whatever the unit sends meanwhile.
        functional_ms: how long answers to a functional request are collected after its last frame.
        settle_ms: how long to let the rest of a damaged answer go by before the next request.
        linger_ms: how long an exchange stays open after its final answer, to catch repeated ones.
        window: most units asked at once.
    """

    p2_ms: int = 100
    p2_star_ms: int = 5200
    n_cr_ms: int = 1000
    n_bs_ms: int = 1000
    ceiling_ms: int = 30_000
    functional_ms: int = 110
    settle_ms: int = 150
    linger_ms: int = 0
    window: int = 8


DEFAULT_LIMITS = Limits()


class Link(Protocol):
    """A way to the vehicle. `address` is its text as the journal writes it."""

    @property
    def address(self) -> str:
        """The link address, ``KIND:REST``."""

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run every plan to its end, on the calling thread.

        Each exchange goes to `keep` before it is sent into its plan. When `stop` is set, a request under way
        that was sent is kept as damaged and one that never was as unsent; the remaining plans are closed.
        When the way to the vehicle breaks, each further request is kept and answered as unsent at once.
        """

    def close(self) -> None:
        """Give the way to the vehicle back; closing twice is harmless."""

    def __enter__(self) -> Self:
        """The link itself."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the link."""

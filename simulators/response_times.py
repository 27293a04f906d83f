"""How long units think before they answer, and that they say so where it takes longer than they may."""

from __future__ import annotations

from dataclasses import dataclass

from simulators.chance import draw


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseTimes:
    """A distribution of response times, microseconds of the machine clock.

    The figures of a quick answer are those of a recorded car: 1.55, 4.4 and 7.45 ms.

    Args:
        least_us: the quickest answer.
        spread_us: how much longer a quick answer may take: twice a draw below half of it, so that most lie between.
        slow_one_in: one request in so many is slow; 0 for none.
        slow_least_us: the quickest slow answer.
        slow_spread_us: how much longer a slow answer may take.
        pending_after_us: when a slow unit first says that its answer is to come: before P2 (50 ms) is over.
        pending_every_us: how often it says so again: before P2* (5 s) is over. Source: ISO 14229-2.
    """

    least_us: int = 1_550
    spread_us: int = 5_900
    slow_one_in: int = 50
    slow_least_us: int = 120_000
    slow_spread_us: int = 900_000
    pending_after_us: int = 35_000
    pending_every_us: int = 3_000_000

    def of(self, *, seed: int, unit: str, nth: int) -> tuple[tuple[int, ...], int]:
        """When a unit says that its answer is to come, and when it answers its n-th request."""

        def drawn(below: int, cause: str) -> int:
            return draw(below, seed=seed, unit=unit, cause=cause, nth=nth) if below else 0

        if not self.slow_one_in or drawn(self.slow_one_in, "slow answer"):
            half = self.spread_us // 2
            return (), self.least_us + drawn(half, "response time") + drawn(half, "response time again")
        answer_us = self.slow_least_us + drawn(self.slow_spread_us, "slow response time")
        return tuple(range(self.pending_after_us, answer_us, self.pending_every_us)), answer_us

"""How many units are asked at once. No bus, no clock: a window learns from how requests end, and how soon."""

from __future__ import annotations

from decoders.values import AnswerKind, Exchange, Outcome

_MS = 1_000_000
_LATE = 0.5
_NEWEST = 0.125
_GIVEN_WAY, _HALVED = 0.875, 0.5
_STEPS_A_ROUND = 2
_FULL = 0.8
EASILY = 32
"""So many units with common answer times fill a bus of 500 kbit/s: 25 ms, and 1.3 ms of frames for each request."""

_WORDS = (AnswerKind.POSITIVE, AnswerKind.NEGATIVE, AnswerKind.PENDING)


class Window:
    """Opens on answers, halves when one is lost, gives way a little when answers begin to come late.

    They come late when it takes them half of P2 in the mean of the last ones: then the bus, or a gateway on the way,
    has as much in hand as it can carry, and asking more units would only let the last of them answer too late. A
    single unit that waits for others on the bus is no sign of that. Until the first sign the window opens by one with
    each answer up to `EASILY` units, afterwards and beyond by two for each window full of answers, and not at all while
    the bus is known to be full: more units would only make those with high identifiers wait, and end late. Whatever
    comes of requests that were sent into the same crowd counts once. (Our own rule, in the manner of TCP.)

    Args:
        begin: units asked at once at first.
        largest: the most that may be asked at once.
        p2_ms: how long an answer may take to begin.
    """

    def __init__(self, *, begin: int, largest: int, p2_ms: int) -> None:
        self._largest = max(1, largest)
        self._size = float(max(1, min(begin, self._largest)))
        self._p2_ns = p2_ms * _MS
        self._found_its_size = False
        self._deaf_until_ns = 0
        self._mean_lag_ns = 0.0

    @property
    def size(self) -> int:
        """Units that may be asked at once now."""
        return int(self._size)

    def learn(
        self,
        outcome: Outcome | None,
        *,
        heard_before: bool,
        lag_ns: int | None,
        now_ns: int,
        bus_load: float | None = None,
    ) -> None:
        """Take into account how a request ended.

        Args:
            outcome: its outcome; None for a functional request, which says nothing here.
            heard_before: True if the unit has shown itself before: only then does its silence mean a loss.
            lag_ns: from the request's last frame to the answer's first, where there is an answer.
            now_ns: the time.
            bus_load: the share of the last time in which the bus was busy, 0 to 1; None where nobody knows.
        """
        if outcome is Outcome.DAMAGED or (outcome is Outcome.SILENT and heard_before):
            self._narrow(_HALVED, now_ns)
        elif outcome in (Outcome.ANSWERED, Outcome.REFUSED) and lag_ns is not None:
            self._mean_lag_ns += (lag_ns - self._mean_lag_ns) * _NEWEST
            if self._mean_lag_ns > self._p2_ns * _LATE:
                self._narrow(_GIVEN_WAY, now_ns)
            elif not is_full(bus_load):
                slowly = self._found_its_size or self._size >= EASILY
                step = _STEPS_A_ROUND / self._size if slowly else 1.0
                self._size = min(float(self._largest), self._size + step)

    def _narrow(self, share: float, now_ns: int) -> None:
        self._found_its_size = True
        if now_ns >= self._deaf_until_ns:
            self._size = max(1.0, self._size * share)
            self._deaf_until_ns = now_ns + self._p2_ns


def is_full(bus_load: float | None) -> bool:
    """True of a bus that is known to have no room; stuff bits are not counted in its load."""
    return bus_load is not None and bus_load >= _FULL


def first_lag_ns(exchange: Exchange) -> int | None:
    """From the request to the first word of its answer, "pending" included; None without one."""
    return next((answer.first_us * 1000 for answer in exchange.answers if answer.kind in _WORDS), None)

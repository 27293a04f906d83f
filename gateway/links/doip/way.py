"""What stays from run to run of a DoIP link: its connection, and what is still owed on it.

Source: ISO 13400-2, diagnostic message acknowledgements.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

from decoders.errors import MendproofError
from decoders.values import Exchange, Outcome
from gateway.links.base import Limits
from gateway.links.channel import Arrival
from gateway.links.doip.connection import Connection
from gateway.links.doip.opening import StoppedError
from gateway.links.unanswered import Unanswered

_LEFTOVERS = 16  # of one unit
_SOURCES = 256
_OWED = 16  # to one address
_LATE_NS, _PENDING_NS = 1_500_000_000, 30_000_000_000  # an answer later than this belongs to nobody any more
Asked = TypeVar("Asked")

Opener = Callable[[Limits, threading.Event], Connection]
"""Opens a connection again; raises LinkError, or StoppedError when the event is set."""


class Owed(Generic[Asked]):
    """Which request an acknowledgement belongs to: a gateway answers those to one address in order.

    It may repeat the begin of the request. Those before the one it repeats were never answered.
    """

    def __init__(self) -> None:
        self._open: dict[int, deque[tuple[bytes, Asked]]] = {}

    def add(self, number: int, data: bytes, asked: Asked) -> None:
        """A request went to this address."""
        self._open.setdefault(number, deque(maxlen=_OWED)).append((data, asked))

    def settle(self, number: int, echo: bytes) -> Asked | None:
        """The request that is acknowledged; None if nothing is owed.

        Args:
            number: whose acknowledgement it is.
            echo: how much of the request it repeats; what repeats no known request is taken as no repetition.
        """
        waiting = self._open.get(number)
        if not waiting:
            return None
        fitting = (place for place, (data, _) in enumerate(waiting) if data.startswith(echo))
        for _ in range(next(fitting, 0)):
            waiting.popleft()
        return waiting.popleft()[1]


class Way(Generic[Asked]):
    """The way to the vehicle, and what came on it that nobody was waiting for.

    Args:
        name: the link's address.
        connection: activated.
        reopen: opens it again.

    Attributes:
        name: as above.
        connection: the connection; None while it must be opened again.
        down: why nothing can be sent any more, or None.
        owed: acknowledgements still to come on this connection.
        previous: what each unit was asked last, by source.
        asked_all: what everyone was asked last, where that is newer.
        unanswered: what each unit left without an answer since it last gave one, by source.
        heard: units that have answered or refused something.
        proved: True if the connection was of use since it was opened: then it may be opened again.
        ignored: how many requests it has answered with nothing at all, as long as it was of no use yet.
    """

    def __init__(self, name: str, connection: Connection, reopen: Opener) -> None:
        self.name = name
        self.connection: Connection | None = connection
        self.down: str | None = None
        self.owed: Owed[Asked] = Owed()
        self.previous: dict[str, bytes] = {}
        self.asked_all: bytes | None = None
        self.unanswered: dict[str, Unanswered] = {}
        self.heard: set[str] = set()
        self.proved = True
        self.ignored = 0
        self._is_of_use = False
        self._reopen = reopen
        self._leftovers: dict[str, deque[Arrival]] = {}
        self._lost = ""

    def fail(self, reason: str) -> None:
        """The way is of no use from now on; the first reason stays."""
        self.down = self.down or reason
        self.hang_up(reason)

    def hang_up(self, reason: str) -> None:
        """Close the connection, if there is one; it can be opened again."""
        if self.connection is not None:
            self.connection.close()
            self.connection = None
            self._lost = reason

    def open_again(self, limits: Limits, stop: threading.Event) -> None:
        """Try once to open the connection again. A way that was of no use since the last time is down."""
        if not self.proved:
            self.fail(f"{self._lost}, and again after it was opened once more")
            return
        self.proved = False
        try:
            self.connection = self._reopen(limits, stop)
        except StoppedError:
            self.proved = True  # it was no try: the next run may have its own
        except MendproofError as error:  # a file of certificates may have gone meanwhile
            self.fail(f"{self._lost}, and it cannot be opened again: {error.message}")
        self.owed = Owed()
        self.ignored, self._is_of_use = 0, False

    def was_of_use(self, is_of_use: bool) -> None:
        """A request is over; the gateway acknowledged it, or something came of it, or neither."""
        self._is_of_use = self._is_of_use or is_of_use
        self.proved = self.proved or is_of_use
        self.ignored = 0 if self._is_of_use else self.ignored + 1

    def keep(self, arrival: Arrival) -> None:
        """Nobody waits for this: keep it for the next exchange with its unit."""
        if arrival.source in self._leftovers or len(self._leftovers) < _SOURCES:
            self._leftovers.setdefault(arrival.source, deque(maxlen=_LEFTOVERS)).append(arrival)

    def leftovers(self, source: str) -> tuple[Arrival, ...]:
        """What a unit sent while nobody waited; taken out."""
        return tuple(self._leftovers.pop(source, ()))

    def all_leftovers(self) -> tuple[Arrival, ...]:
        """The same of every unit."""
        kept, self._leftovers = self._leftovers, {}
        return tuple(arrival for of_one in kept.values() for arrival in of_one)

    def asked_before(self, source: str) -> bytes | None:
        """What this unit was asked last, by its own address or with all others."""
        return self.previous.get(source, self.asked_all)

    def left_open(self, source: str) -> Unanswered:
        """What this unit was asked and has not answered."""
        return self.unanswered.setdefault(source, Unanswered(_LATE_NS, _PENDING_NS))

    def ended(self, exchange: Exchange, sent_ns: int, now_ns: int, *, doubted: bool) -> None:
        """An exchange with a unit is over."""
        if exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED):
            self.heard.add(exchange.target)
        self.left_open(exchange.target).ended(exchange, sent_ns, now_ns, doubted=doubted)

    def remember(self, source: str | None, data: bytes) -> None:
        """A unit was asked; or all of them, where `source` is None."""
        if source is None:
            self.previous.clear()
            self.asked_all = data
        else:
            self.previous[source] = data

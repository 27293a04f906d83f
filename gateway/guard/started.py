"""What this program has begun and not yet ended in the vehicle, and which requests end it."""

from __future__ import annotations

from collections.abc import Iterable

from decoders.values import Exchange, Outcome, Request

DEFAULT_SESSION = b"\x10\x01"
_START, _STOP = b"\x31\x01", b"\x31\x02"
_SESSION, _CONTROL, _RETURN = 0x10, 0x2F, b"\x00"
_SUBJECT = 4
"""So many bytes of a stop order tell what it stops: 31 02 and a routine, 2F and an identifier and 00, or 10 01."""


def stop_order(data: bytes) -> bytes | None:
    """The request that ends what this payload begins, or None if it begins nothing.

    Source: ISO 14229-1, DiagnosticSessionControl, RoutineControl and InputOutputControlByIdentifier.
    """
    if data[0] == _SESSION:
        return None if data == DEFAULT_SESSION else DEFAULT_SESSION
    if data[:2] == _START:
        return _STOP + data[2:4]
    if data[0] == _CONTROL and data[3:4] != _RETURN:
        return data[:3] + _RETURN
    return None


class Started:
    """Learns from what is sent and kept; it belongs to one link and to every guard in turn before it.

    What was sent counts as begun until the unit says otherwise: a lost answer may hide a routine that runs.
    """

    def __init__(self) -> None:
        self._stops: set[Request] = set()
        self._begun: dict[Request, frozenset[Request]] = {}

    @property
    def stops(self) -> frozenset[Request]:
        """The stop orders that may be sent now, each to its unit."""
        return frozenset(self._stops)

    def begin(self, request: Request, declared: Iterable[bytes] = ()) -> None:
        """A request is about to be sent.

        Args:
            request: what is sent.
            declared: the profile's own stop orders for this unit, e.g. with option bytes.
        """
        new = self._ends(request, declared) - self.stops
        self._stops |= new
        self._begun[request] = new

    def learn(self, exchange: Exchange, declared: Iterable[bytes] = ()) -> None:
        """An exchange was kept: what was refused or never sent has begun nothing, what was stopped has ended.

        Args:
            exchange: as kept, also by an earlier process.
            declared: see `begin`.
        """
        request = Request(exchange.target, exchange.request)
        new = self._begun.pop(request, frozenset())
        if exchange.outcome in (Outcome.REFUSED, Outcome.UNSENT):
            self._stops -= new
        elif request in self._stops and exchange.outcome is Outcome.ANSWERED:
            ended = (request.target, request.data[:_SUBJECT])
            self._stops = {stop for stop in self._stops if (stop.target, stop.data[:_SUBJECT]) != ended}
        else:
            self._stops |= self._ends(request, declared)

    @staticmethod
    def _ends(request: Request, declared: Iterable[bytes]) -> frozenset[Request]:
        plain = stop_order(request.data)
        if plain is None:
            return frozenset()
        longer = (data for data in declared if data.startswith(plain))
        return frozenset(Request(request.target, data) for data in (plain, *longer))

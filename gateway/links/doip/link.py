"""The DoIP link: one connection, on the calling thread, on which many units are asked at once.

Source: ISO 13400-2 (transport), ISO 14229-5 (services on it).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

from decoders.values import Exchange, doip_unit, functional_target
from gateway.links.base import OPENED_SILENTLY, Closing, HowOpened, Limits, Link, LinkAddress, Plan, Trace
from gateway.links.doip.asked import Asked
from gateway.links.doip.connection import Connection
from gateway.links.doip.opening import open_connection
from gateway.links.doip.place import Place, read_place
from gateway.links.doip.run import DoipRun
from gateway.links.doip.way import Way


def open_doip(address: LinkAddress, shown_as: str, limits: Limits) -> Link:
    """Open a DoIP link: connect and have the routing activated.

    Args:
        address: host, port and options.
        shown_as: the address the journal gets.
        limits: `connect_ms` holds for all of it.

    Raises:
        UsageError: the address cannot be read, or the file of certificates cannot be used.
        LinkError: nobody can be reached there, or the routing is not activated; says what to do next.
    """
    place = read_place(address)
    return DoipLink(open_connection(place, limits), place, shown_as)


class DoipLink(Closing):
    """A DoIP entity and the units behind it as a link.

    What a unit sends after its exchange ended is kept for its next one. A lost connection is opened again once; it
    must be of use before it is opened another time. Between two runs nothing is read: an entity that asks meanwhile
    whether this tester is still alive gets its answer with the next run.

    Args:
        connection: activated; the link owns it from here on.
        place: where it leads.
        address: the link's text, ``doip:HOST[:PORT]``.
    """

    def __init__(self, connection: Connection, place: Place, address: str) -> None:
        self.address = address
        self._place = place
        self._way: Way[Asked] = Way(address, connection, lambda limits, stop: open_connection(place, limits, stop))

    @property
    def functional_targets(self) -> tuple[str, ...]:
        """The functional group that reaches every unit, if the vehicle has one. Source: ISO 13400-2, E400 to EFFF."""
        return () if self._place.group is None else (functional_target(doip_unit(self._place.group)),)

    @property
    def how_opened(self) -> HowOpened:
        """Nothing is asked of a unit; who vouches for the way stands in the address."""
        return OPENED_SILENTLY

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run every plan to its end, several units at once; see `Link.run`."""
        run = DoipRun(self._way, self._place, plans, keep, stop, limits)
        try:
            run.to_the_end()
        finally:
            for plan in plans.values():
                plan.close()

    def set_trace(self, tell: Trace | None) -> bool:  # noqa: ARG002 - there are no frames to tell of
        """False: a DoIP entity shows no CAN frames."""
        return False

    def close(self) -> None:
        """Hang up; whatever is asked afterwards is unsent."""
        self._way.fail("the link is closed")

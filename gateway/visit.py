"""One process at one vehicle: the guarded link, the journal it writes, and the way to stop."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

from decoders.errors import LinkError
from decoders.values import Exchange
from gateway.guard import Guard, GuardedLink, Phase
from gateway.links import DEFAULT_LIMITS, Limits, Plan
from sessions.journal import Kind, exchange_to_payload
from sessions.profile import Profile
from sessions.record import JobRecord, read_record
from sessions.record.model import During
from sessions.store import JobWriter, Store

Notice = Callable[[Exchange], None]


def _quiet(_exchange: Exchange) -> None:
    """Tell nobody."""


class Visit:
    """Asks the vehicle and keeps every exchange before anyone looks at it.

    Args:
        store: where the job lives.
        writer: the job's one writer.
        link: the guarded way to the vehicle.
        profile: the vehicle's profile, for the identifiers it declares.
        limits: time-outs.
        stop: set it to end what is under way.

    Attributes:
        notice: told of each exchange after it was kept.
    """

    def __init__(
        self,
        store: Store,
        writer: JobWriter,
        link: GuardedLink,
        profile: Profile,
        *,
        limits: Limits = DEFAULT_LIMITS,
        stop: threading.Event | None = None,
    ) -> None:
        self.store = store
        self.writer = writer
        self.link = link
        self.profile = profile
        self.limits = limits
        self.stop = stop or threading.Event()
        self.notice: Notice = _quiet

    def record(self) -> JobRecord:
        """The job so far, read from its journal."""
        return read_record(self.store.journal(self.writer.job))

    def guard(self, phase: Phase) -> Guard:
        """The guard for a phase, with the identifiers the profile declares."""
        return Guard(phase=phase, declared_identifiers=frozenset(item.number for item in self.profile.identifiers))

    def go_on(self) -> None:
        """Call it between the steps of something long.

        Raises:
            LinkError: the visit was stopped by hand.
        """
        if self.stop.is_set():
            raise LinkError("stopped by hand", next_step="run the command again")

    def ask(
        self,
        plans: Mapping[str, Plan],
        *,
        during: During,
        scan: int | None = None,
        guard: Guard | None = None,
        to_the_end: bool = False,
    ) -> tuple[Exchange, ...]:
        """Run plans over the link and give back what was kept, in order.

        Args:
            plans: one plan for each name.
            during: what the exchanges belong to.
            scan: the scan's number, inside one.
            guard: what is allowed; by default reading.
            to_the_end: True for what must not be torn, a clear and its read-back: `stop` waits until it is over.
        """
        kept: list[Exchange] = []

        def keep(exchange: Exchange) -> None:
            payload = {**exchange_to_payload(exchange), "during": during}
            if scan is not None:
                payload["scan"] = scan
            self.writer.append(Kind.EXCHANGE, payload)
            kept.append(exchange)
            self.notice(exchange)

        stop = threading.Event() if to_the_end else self.stop
        self.link.under(guard or self.guard(Phase.READING)).run(plans, keep, stop, self.limits)
        return tuple(kept)

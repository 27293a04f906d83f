"""A link with the guard before it: what is refused never reaches the link and is kept as unsent."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import replace

from decoders.values import Exchange, Request
from gateway.guard.guard import Guard, Phase
from gateway.guard.started import Started
from gateway.links import DEFAULT_LIMITS, HowOpened, Limits, Link, Plan, Trace, open_link
from gateway.links.base import Closing, unsent

KEPT_BACK = "guard: "
"""How the trouble of a request begins that the guard did not let through."""


class GuardedLink(Closing):
    """A link with the guard before it: a refused request never reaches the link and is kept as unsent.

    Args:
        link: where allowed requests go.
        guard: what is allowed.
        started: what this program has begun over the link so far; by default nothing.
    """

    def __init__(self, link: Link, guard: Guard, *, started: Started | None = None) -> None:
        self._link = link
        self._guard = guard
        self._started = started or Started()

    @property
    def address(self) -> str:
        """The link's own address."""
        return self._link.address

    @property
    def functional_targets(self) -> tuple[str, ...]:
        """The link's own functional targets."""
        return self._link.functional_targets

    @property
    def how_opened(self) -> HowOpened:
        """What opening the link took and showed."""
        return self._link.how_opened

    @property
    def guard(self) -> Guard:
        """What is allowed on this link."""
        return self._guard

    @property
    def stops(self) -> frozenset[Request]:
        """The stop orders for what this program has begun and not ended; each may be sent in every phase."""
        return self._started.stops

    def learn(self, exchange: Exchange) -> None:
        """Learn what an earlier process of this program began, from an exchange that it kept; oldest first."""
        self._started.learn(exchange, self._declared(exchange.target))

    def under(self, guard: Guard) -> GuardedLink:
        """The same way to the vehicle under another guard, e.g. to clear after reading."""
        return GuardedLink(self._link, guard, started=self._started)

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run the plans as `Link.run` does; while the car moves, one request at a time."""
        if self._guard.phase is Phase.MOVING:
            limits = replace(limits, window=1, window_begin=1)

        def learn_and_keep(exchange: Exchange) -> None:
            self.learn(exchange)  # first: a record that cannot be written must not hide what is to be stopped
            keep(exchange)

        guarded = {name: self._guarded(plan, keep, stop) for name, plan in plans.items()}
        try:
            self._link.run(guarded, learn_and_keep, stop, limits)
        finally:
            # A guarded plan that was never begun does not close the one inside.
            for plan in plans.values():
                plan.close()

    def set_trace(self, tell: Trace | None) -> bool:
        """Tell of every frame from now on; see `Link.set_trace`."""
        return self._link.set_trace(tell)

    def close(self) -> None:
        """Close the link."""
        self._link.close()

    def _declared(self, target: str) -> frozenset[bytes]:
        """What the profile declares for this unit, so far as the routine flow has brought it along."""
        routine = self._guard.routine
        return routine.requests if routine is not None and routine.unit == target else frozenset()

    def _guarded(self, plan: Plan, keep: Callable[[Exchange], None], stop: threading.Event) -> Plan:
        try:
            request = next(plan)
            while True:
                reason = self._guard.refusal(request, self._started.stops)
                if reason is None:
                    self._started.begin(request, self._declared(request.target))
                    exchange = yield request
                else:
                    exchange = unsent(self.address, request, f"{KEPT_BACK}{reason}")
                    keep(exchange)
                    if stop.is_set():
                        return
                request = plan.send(exchange)
        except StopIteration:
            return


def open_guarded(
    text: str, guard: Guard, *, limits: Limits = DEFAULT_LIMITS, shown_as: str | None = None
) -> GuardedLink:
    """Open a link with the guard before it.

    Args:
        text: the link address.
        guard: what is allowed.
        limits: the time-outs that hold while it is opened.
        shown_as: the address the journal gets instead, for a simulated vehicle in this process.

    Raises:
        UsageError: the address cannot be read, or names a kind that only a demonstration uses.
        LinkError: the link cannot be opened.
    """
    return GuardedLink(open_link(text, limits=limits, shown_as=shown_as), guard)

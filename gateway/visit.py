"""One process at one vehicle: the guarded link, the journal it writes, and the way to stop."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from decoders.errors import LinkError, UsageError
from decoders.values import Exchange, Request, is_doip
from gateway.guard import Guard, GuardedLink, Phase
from gateway.links import DEFAULT_LIMITS, Limits, Plan
from sessions.journal import Kind, exchange_to_payload
from sessions.plan import retrying
from sessions.profile import Profile
from sessions.record import Asked, JobRecord, Moment, read_record
from sessions.record.model import During
from sessions.store import JobWriter, Store

_REPLAY = "replay:"
_ADDRESSES = {"can": "CAN identifiers", "dongle": "CAN identifiers", "doip": "DoIP addresses"}


@dataclass(frozen=True, slots=True)
class Begins:
    """Plans of these names are about to run.

    Args:
        names: their names; a unit's plan has its address.
        during: what their exchanges belong to.
        scan: the scan's number, inside one.
    """

    names: tuple[str, ...]
    during: During
    scan: int | None


@dataclass(frozen=True, slots=True)
class Asks:
    """A plan has its next request ready; it is sent as soon as the link has room for it."""

    name: str
    request: Request


@dataclass(frozen=True, slots=True)
class Kept:
    """An exchange is in the journal."""

    asked: Asked


@dataclass(frozen=True, slots=True)
class Ended:
    """A plan that had begun is over, or was closed because the visit was stopped."""

    name: str


@dataclass(frozen=True, slots=True)
class Over:
    """No plan is under way any more, also after an error."""


VisitEvent = Begins | Asks | Kept | Ended | Over
Onlooker = Callable[[VisitEvent], None]
"""Called on the thread that asks, between frames: what takes long holds up the vehicle's answers."""


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
        onlookers: who is told what is asked and kept, in this order.
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
        self.onlookers: list[Onlooker] = []

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
        limits: Limits | None = None,
        to_the_end: bool = False,
    ) -> tuple[Exchange, ...]:
        """Run plans over the link and give back what was kept, in order.

        Args:
            plans: one plan for each name.
            during: what the exchanges belong to.
            scan: the scan's number, inside one.
            guard: what is allowed; by default reading.
            limits: other time-outs than the visit's.
            to_the_end: True for what must not be torn, a clear and its read-back: `stop` waits until it is over.
        """
        kept: list[Exchange] = []
        repeated: set[Request] = set()

        def keep(exchange: Exchange) -> None:
            payload = {**exchange_to_payload(exchange), "during": during}
            if scan is not None:
                payload["scan"] = scan
            request = Request(exchange.target, exchange.request)
            again = request in repeated
            if again:
                payload["again"] = True
                repeated.discard(request)
            entry = self.writer.append(Kind.EXCHANGE, payload)
            kept.append(exchange)
            moment = Moment(seq=entry.seq, run=entry.run, mono_us=entry.mono_us, at=entry.at)
            asked = Asked(moment=moment, exchange=exchange, during=during, scan=scan, again=again)
            self._tell(Kept(asked))

        stop = threading.Event() if to_the_end else self.stop
        self._tell(Begins(tuple(plans), during, scan))
        followed = {name: self._followed(name, plan) for name, plan in plans.items()}
        allowed = guard or self.guard(Phase.READING)
        if not to_the_end:
            # A round of watching comes again soon, and a unit that sleeps is asked often enough without that.
            tries = 0 if allowed.phase is Phase.MOVING else self.limits.retries
            followed = {
                name: retrying(plan, retries=tries, busy_retries=self.limits.busy_retries, again=repeated.add)
                for name, plan in followed.items()
            }
        try:
            self.link.under(allowed).run(followed, keep, stop, limits or self.limits)
        finally:
            # A plan that was never begun is not closed by the one around it.
            for plan in plans.values():
                plan.close()
            self._tell(Over())
        return tuple(kept)

    def _followed(self, name: str, plan: Plan) -> Plan:
        """The same plan, with the onlookers told of its requests and its end."""
        try:
            request = next(plan)
            while True:
                self._tell(Asks(name, request))
                request = plan.send((yield request))
        except StopIteration:
            return
        finally:
            plan.close()
            self._tell(Ended(name))

    def _tell(self, event: VisitEvent) -> None:
        for onlooker in self.onlookers:
            onlooker(event)


def note_link(writer: JobWriter, link: GuardedLink) -> None:
    """Write which way to the vehicle this process has, what opening it showed, and what was asked for that."""
    writer.append(Kind.LINK, {"link": link.address, **link.how_opened.found})
    for exchange in link.how_opened.asked:
        writer.append(Kind.EXCHANGE, {**exchange_to_payload(exchange), "during": "open"})


def is_record(link: GuardedLink) -> bool:
    """True if the link answers from a recorded job: there is no vehicle at its end."""
    return link.address.startswith(_REPLAY)


def require_one_kind_of_address(units: Iterable[str], link: str) -> None:
    """Keep the kinds of addresses apart: a unit that a link can never reach would leave each scan incomplete.

    Args:
        units: the units that the job or its profile knows.
        link: the address of the link.

    Raises:
        UsageError: one of them has an address that this link cannot reach.
    """
    kind = link.strip().partition(":")[0]
    if kind not in _ADDRESSES:
        return
    there = next((unit for unit in units if is_doip(unit) is not (kind == "doip")), None)
    if there is not None:
        raise UsageError(
            f"This job knows a unit as {there}, and {link} reaches units by their {_ADDRESSES[kind]}",
            next_step="open a job of its own for this link, with a profile that names the units so",
        )


def require_one_kind_of_evidence(record: JobRecord, link: GuardedLink) -> None:
    """Keep records and vehicles apart: what a record once said proves nothing about the car that stands here.

    Raises:
        UsageError: the job holds answers of a vehicle and the link is a record, or the other way round.
    """
    from_record = is_record(link)
    others = {item.exchange.link for item in (*record.asked, *record.client)}
    other = next((text for text in sorted(others) if text.startswith(_REPLAY) is not from_record), None)
    if other is not None:
        here, there = ("a record", "a vehicle") if from_record else ("a vehicle", "a record")
        raise UsageError(
            f"This job holds answers of {there} ({other}), and {link.address} is {here}",
            next_step="open a job of its own for it: mendproof job open",
        )

"""What the contract of all links is tested with: each kind of link at its door, and who said what behind it."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import inspect
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Self, cast

import pytest

from decoders.values import Exchange, Outcome, Request
from gateway.links import Limits, Link, LinkAddress, Plan, open_link
from sessions.journal import Kind, exchange_to_payload
from sessions.store import Store
from simulators.desk import Reply
from simulators.doip_entity import logical_addresses
from simulators.door import Bench, RunningBench

SCENARIO = "warning-lamps"
ENGINE, GEARBOX, EXHAUST = "7E0/7E8", "7E1/7E9", "7E2/7EA"
BRAKES, STEERING, BODY, RIDE = "760/768", "730/738", "740/748", "18DA28F1/18DAF128"
NOBODY, EVERYONE = "7A0/7A8", "everyone"
# Enough for any unit of the bench on a busy machine; an answer in time costs nothing of it.
PATIENT = Limits(p2_ms=1500, p2_star_ms=2000, n_cr_ms=2000, n_bs_ms=1000, functional_ms=200, settle_ms=60)
# For what does not come: such a wait is waited to its end.
BRIEF = replace(PATIENT, p2_ms=100, p2_star_ms=300, n_cr_ms=100, ceiling_ms=3000)
Asked = tuple[str, str]
"""Who is asked, as on the CAN bus or `EVERYONE`, and the request in hex."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkKind:
    """One kind of link: how it is reached, how it writes its units, what it cannot do.

    Args:
        name: for the test's name.
        module: what must be there for it; until then its tests are skipped.
        door: the bench's door; None for the virtual bus.
        group: its functional target.
        faults: whose frames can be spoilt on the way: those on the CAN bus, the dongle's lines, or none.
        one_by_one: True if it never has two requests under way.
        when_gone: what may become of a request that is asked when the vehicle has just gone.
        wire: False for one that asks nobody, but tells what was recorded.
        form: its address, made of the door's link and of what stands behind its kind there.
    """

    name: str
    module: str
    door: str | None = None
    group: str = "functional:7DF"
    faults: str = "can"
    one_by_one: bool = False
    when_gone: frozenset[Outcome] = frozenset({Outcome.DAMAGED, Outcome.UNSENT})
    wire: bool = True
    form: str = "{link}"

    @property
    def patient(self) -> Limits:
        """Long enough for any answer. A dongle waits so long after each answer too, whatever the machine's load is."""
        return replace(PATIENT, p2_ms=32, functional_ms=32) if self.faults == "dongle" else PATIENT

    @property
    def is_doip(self) -> bool:
        """True if units have logical addresses here."""
        return self.door == "doip"

    def target(self, bench: RunningBench, unit: str) -> str:
        """A unit's address, or the functional target, as this kind writes it."""
        if unit == EVERYONE:
            return self.group
        if not self.is_doip or "/" not in unit:
            return unit
        numbers = {text: number for number, text in logical_addresses(bench.desk.units).items()}
        return f"doip:{numbers.get(unit, 0x1FFF):04X}"


_VIRTUAL = LinkKind(
    name="can virtual",
    module="gateway.links.can.link",
    # The bus is still there and takes the frame, and nobody is on it: that is silence.
    when_gone=frozenset({Outcome.SILENT}),
)
_DONGLE = LinkKind(name="dongle tcp", module="gateway.links.dongle", door="dongle", faults="dongle", one_by_one=True)
KINDS: tuple[LinkKind, ...] = (
    _VIRTUAL,
    # With the bit rate given nothing is tried out on the bus by an adapter that shows itself.
    LinkKind(name="can slcan", module="gateway.links.can.link", door="can", form="{link}?bitrate=500000"),
    _DONGLE,
    replace(_DONGLE, name="dongle pty", door="pty"),
    LinkKind(name="doip", module="gateway.links.doip", door="doip", group="functional:doip:E400", faults="none"),
    # What was recorded stays readable, whatever becomes of the vehicle.
    LinkKind(
        name="replay",
        module="gateway.links.replay",
        one_by_one=True,
        when_gone=frozenset({Outcome.ANSWERED}),
        wire=False,
    ),
    replace(_VIRTUAL, name="third party", module="gateway.links.third_party", form="wrapped:{rest}"),
)


def on_a_serial_port(kind: LinkKind) -> bool:
    """True for a dongle on a terminal: the same link as on TCP and as slow; a scan and its end are enough of it."""
    return kind.door == "pty"


def is_wrapped(kind: LinkKind) -> bool:
    """True for somebody else's link, which hands everything on to a CAN link that is tested as such."""
    return kind.form.startswith("wrapped:")


def params(but: Callable[[LinkKind], bool] = lambda _: False) -> list[object]:
    """The kinds as parameters of a fixture; one that is not there yet is skipped and says so.

    Args:
        but: which kinds to leave out.
    """
    return [
        pytest.param(
            kind,
            id=kind.name,
            marks=pytest.mark.skipif(not _is_there(kind.module), reason=f"there is no {kind.module} yet"),
        )
        for kind in KINDS
        if not but(kind)
    ]


def _is_there(module: str) -> bool:
    spec = importlib.util.find_spec(module)
    return spec is not None and spec.origin is not None


@dataclass(frozen=True, slots=True)
class Said:
    """What a unit was asked and what it gave out."""

    unit: str
    request: bytes
    functional: bool
    replies: tuple[Reply, ...]


@dataclass(slots=True)
class Listener:
    """Stands between every door and the desk: writes down who was asked, and may change what is said.

    Attributes:
        said: everything so far, in order.
        events: what a test wants in one order: ``asked`` and what it adds itself.
        script: replies instead of a unit's own: payload in hex (empty for its own answer) and milliseconds.
        stamps: True to put a running number behind each positive answer, so that no two are alike.
        when_asked: told of each request before the unit is.
    """

    bench: RunningBench
    said: list[Said] = field(default_factory=list)
    events: list[str] = field(default_factory=list)
    script: dict[tuple[str, bytes], tuple[tuple[str, int], ...]] = field(default_factory=dict)
    stamps: bool = False
    when_asked: Callable[[str], None] | None = None
    _ask: Callable[..., tuple[Reply, ...]] = field(init=False)

    def __post_init__(self) -> None:
        self._ask = self.bench.desk.ask
        vars(self.bench.desk)["ask"] = self._asked

    def reset(self) -> None:
        """Let everybody speak for himself, and forget."""
        self.said.clear()
        self.events.clear()
        self.script.clear()
        self.stamps, self.when_asked = False, None

    def truth(self, unit: str, request: str, *, functional: bool = False) -> bytes | None:
        """What the unit would say now, without anybody having asked it; None for nothing."""
        replies = self._ask(unit, bytes.fromhex(request), functional=functional)
        return replies[-1].data if replies else None

    def given(self, unit: str, request: str) -> set[bytes]:
        """Every payload that a unit gave out for a request."""
        data = bytes.fromhex(request)
        return {reply.data for said in self.said if (said.unit, said.request) == (unit, data) for reply in said.replies}

    def _asked(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        if self.when_asked is not None:
            self.when_asked(unit)
        replies = self._ask(unit, request, functional=functional)
        if (unit, request) in self.script and replies:
            replies = tuple(
                Reply(data=bytes.fromhex(data) or replies[-1].data, after_us=1000 * after_ms)
                for data, after_ms in self.script[unit, request]
            )
        if self.stamps:
            replies = tuple(self._stamped(reply, at) for at, reply in enumerate(replies))
        self.events.append("asked")
        self.said.append(Said(unit, request, functional, replies))
        return replies

    def _stamped(self, reply: Reply, at: int) -> Reply:
        if reply.data[:1] == b"\x7f":
            return reply
        return replace(reply, data=reply.data + (16 * len(self.said) + at).to_bytes(3, "big"))


class Contact:
    """A car and one kind of link to it.

    Attributes:
        kind: which kind.
        bench: the car.
        listener: what its units said.
    """

    def __init__(
        self, kind: LinkKind, bench: RunningBench, folder: Path, stack: ExitStack, *, shown_as: str | None, opened: bool
    ) -> None:
        self.kind = kind
        self.bench = bench
        self.listener = Listener(bench)
        door = bench.links[0] if kind.door is None else bench.open_door(kind.door)
        self.address = kind.form.format(link=door, rest=door.removeprefix("can:virtual:"))
        self._store_file = folder / "record.sqlite"
        self._stack = stack
        self._shown_as = shown_as
        # Of a record the first link is the way by which it is taken.
        if opened:
            self._first = stack.enter_context(open_link(self.address, shown_as=shown_as if kind.wire else None))

    def target(self, unit: str) -> str:
        """A unit's address, or the functional target, as this link writes it."""
        return self.kind.target(self.bench, unit)

    def link(self, *plans: Sequence[Asked], limits: Limits | None = None) -> Link:
        """The link, ready for these plans; for a replay they are recorded now, from the car as it is."""
        if self.kind.wire:
            return self._first
        told = open_link(self.recorded(*plans, limits=limits), shown_as=self._shown_as)
        return self._stack.enter_context(told)

    def recorded(self, *plans: Sequence[Asked], limits: Limits | None = None) -> str:
        """Ask by the car's own bus and keep it as a job; the address that tells it again."""
        with Store.open(self._store_file, create=True) as store:
            job = store.new_job().job
            with store.writer(job, actor="tester") as writer:
                writer.append(Kind.JOB, {"complaints": []})
                writer.append(Kind.LINK, {"link": self._first.address})
                writer.append(Kind.SCAN_BEGIN, {"scan": 1, "as": "before", "link": self._first.address})

                def keep(exchange: Exchange) -> None:
                    payload = {**exchange_to_payload(exchange), "during": "scan", "scan": 1}
                    writer.append(Kind.EXCHANGE, payload)

                self._first.run(self.plans(*plans), keep, threading.Event(), limits or PATIENT)
                writer.append(Kind.SCAN_END, {"scan": 1, "complete": True})
        self.listener.events.clear()
        return f"replay:{self._store_file}#{job}"

    def plans(self, *plans: Sequence[Asked], got: Mapping[str, list[Exchange]] | None = None) -> dict[str, Plan]:
        """A plan for each list of requests; what it is sent goes to `got`."""
        return {f"{at}": self.plan(asked, None if got is None else got[f"{at}"]) for at, asked in enumerate(plans)}

    def plan(self, asked: Sequence[Asked], got: list[Exchange] | None = None) -> Plan:
        """A plan that asks these one after the other."""
        return as_written([(self.target(unit), request) for unit, request in asked], got)

    def ask(self, *plans: Sequence[Asked], limits: Limits | None = None) -> list[list[Exchange]]:
        """What each plan was sent, after a run of all of them to their end."""
        link = self.link(*plans, limits=limits)
        got: dict[str, list[Exchange]] = {f"{at}": [] for at in range(len(plans))}
        kept: list[Exchange] = []
        link.run(self.plans(*plans, got=got), kept.append, threading.Event(), limits or self.kind.patient)
        told = list(got.values())
        assert [len(plan) for plan in plans] == [len(one) for one in told]
        assert sorted(map(id, kept)) == sorted(id(exchange) for one in told for exchange in one)
        return told

    def ask_one(self, unit: str, request: str, limits: Limits | None = None) -> Exchange:
        """One request to one unit."""
        ((exchange,),) = self.ask([(unit, request)], limits=limits)
        return exchange

    def disturb(self, unit: str, kind: str, **arguments: int | str) -> None:
        """Let a unit or the dongle misbehave."""
        self.bench.act("disturb", who=unit, kind=kind, **arguments)

    def wait_until_quiet(self) -> None:
        """Wait until no answer to an earlier request is still to come."""
        until_s = time.monotonic() + 5
        while self.bench.busy and time.monotonic() < until_s:
            time.sleep(0.02)
        time.sleep(0.1)  # doors that are not on the bus

    def settle(self) -> None:
        """Let all of them behave again."""
        for unit in self.bench.desk.units:
            self.bench.desk.settle(unit)
        if self.kind.faults == "dongle":
            self.bench.act("settle", who="dongle")
        self.listener.reset()


def as_written(asked: Sequence[Asked], got: list[Exchange] | None = None) -> Plan:
    """A plan that asks these one after the other, the targets as they stand."""
    for target, request in asked:
        exchange = yield Request(target, bytes.fromhex(request))
        if got is not None:
            got.append(exchange)


@contextmanager
def contact(
    kind: LinkKind, folder: Path, *, scenario: str = SCENARIO, shown_as: str | None = None, opened: bool = True
) -> Iterator[Contact]:
    """A new car with this link to it.

    Args:
        kind: which kind of link.
        folder: where it may keep a record.
        scenario: which car.
        shown_as: what the link is to call itself.
        opened: False for a car whose link somebody else opens.
    """
    with ExitStack() as stack:
        if is_wrapped(kind):
            stack.enter_context(with_wrapped_links())
        bench = stack.enter_context(Bench().start(scenario))
        yield Contact(kind, bench, folder, stack, shown_as=shown_as, opened=opened)


@dataclass(slots=True)
class Watched:
    """Plans that show how they end: what each got, in order, and that nothing of them is left open."""

    contact: Contact
    asked: tuple[Sequence[Asked], ...]
    got: dict[str, list[Exchange]] = field(init=False)
    plans: dict[str, Plan] = field(init=False)

    def __post_init__(self) -> None:
        self.got = {f"{at}": [] for at in range(len(self.asked))}
        self.plans = self.contact.plans(*self.asked, got=self.got)

    @property
    def all_closed(self) -> bool:
        """True if none of them could go on."""
        return all(inspect.getgeneratorstate(plan) == inspect.GEN_CLOSED for plan in self.plans.values())


class WrappedLink:
    """Somebody else's link, which leaves everything to the one inside."""

    def __init__(self, inner: Link) -> None:
        self._inner = inner

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self._inner.close()


def open_wrapped(address: LinkAddress, shown_as: str, limits: Limits) -> Link:
    """Opens ``wrapped:NAME``, as somebody else's package would."""
    return cast(Link, WrappedLink(open_link(f"can:virtual:{address.rest}", limits=limits, shown_as=shown_as)))


@contextmanager
def with_wrapped_links() -> Iterator[None]:
    """As if a package with that link were installed."""
    ours = importlib.metadata.EntryPoint("wrapped", f"{__name__}:open_wrapped", "mendproof.link")
    really = importlib.metadata.entry_points

    def found(**wanted: str) -> importlib.metadata.EntryPoints:
        there = [point for point in really(**wanted) if point != ours]
        return importlib.metadata.EntryPoints((*there, *importlib.metadata.EntryPoints((ours,)).select(**wanted)))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(importlib.metadata, "entry_points", found)
        yield

"""A recorded job that answers as the vehicle did then: each request with what was kept for it, in recorded order.

What it gives back carries the replay's own address: what is read from a record never passes for a car. Answers to
what changed the vehicle are not given: an erase that was accepted then must not count as one that was accepted now.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from decoders.errors import LinkError, RecordError, UsageError
from decoders.values import Exchange, Request, is_functional
from gateway.links.base import OPENED_SILENTLY, Closing, HowOpened, Limits, Link, LinkAddress, Plan, Trace, unsent
from sessions.journal import Entry, Kind, exchange_from_payload
from sessions.store import Store

_CLOSED = "the link is closed"
_NOT_SENT = "interrupted before it was sent"
_NEVER = "the record holds no answer to this: it was never asked there"
_CHANGES = frozenset({0x04, 0x14, 0x2E, 0x2F, 0x31})
"""Services that erase, write, control or start something. Source: SAE J1979; ISO 14229-1."""
_ONLY_READ = "a record is only read: nothing in the vehicle can be changed by it"
_USED_UP = "the record holds no further answer to this: it was not asked more often there"


class ReplayLink(Closing):
    """A link to what is recorded; nothing is sent anywhere, nothing waits, and nothing is changed.

    Args:
        address: the address the journal gets.
        recorded: the exchanges to answer from, in recorded order.
    """

    def __init__(self, address: str, recorded: Iterable[Exchange]) -> None:
        self.address = address
        self._closed = False
        self._left: dict[Request, deque[Exchange]] = {}
        for exchange in recorded:
            self._left.setdefault(Request(exchange.target, exchange.request), deque()).append(exchange)
        targets = (request.target for request in self._left if is_functional(request.target))
        self._functional_targets = tuple(dict.fromkeys(targets))

    @property
    def functional_targets(self) -> tuple[str, ...]:
        """Those that were asked in the record."""
        return self._functional_targets

    @property
    def how_opened(self) -> HowOpened:
        """A record is asked nothing when it is opened."""
        return OPENED_SILENTLY

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,  # noqa: ARG002 - nothing waits here
    ) -> None:
        """Run every plan to its end, in turn; see `Link.run`."""
        try:
            if not stop.is_set():
                self._run(plans, keep, stop)
        finally:
            for plan in plans.values():
                plan.close()

    def _run(self, plans: Mapping[str, Plan], keep: Callable[[Exchange], None], stop: threading.Event) -> None:
        waiting: deque[tuple[Plan, Request]] = deque()

        def advance(plan: Plan, exchange: Exchange | None) -> None:
            try:
                waiting.append((plan, next(plan) if exchange is None else plan.send(exchange)))
            except StopIteration:
                return

        for plan in plans.values():
            advance(plan, None)
        while waiting:
            plan, request = waiting.popleft()
            if stop.is_set():
                keep(unsent(self.address, request, _NOT_SENT))
                continue
            exchange = self._answer(request)
            keep(exchange)
            advance(plan, exchange)

    def _answer(self, request: Request) -> Exchange:
        if self._closed:
            return unsent(self.address, request, _CLOSED)
        if request.data[:1] and request.data[0] in _CHANGES:
            return unsent(self.address, request, _ONLY_READ)
        left = self._left.get(request)
        if not left:
            return unsent(self.address, request, _NEVER if left is None else _USED_UP)
        return replace(left.popleft(), link=self.address)

    def set_trace(self, tell: Trace | None) -> bool:  # noqa: ARG002 - a record of exchanges has no frames
        """False: a recorded exchange has no frames to tell of."""
        return False

    def close(self) -> None:
        """Forget the record; whatever is asked afterwards is unsent."""
        self._closed = True
        self._left.clear()


def open_replay(address: LinkAddress, shown_as: str, limits: Limits) -> Link:  # noqa: ARG001 - nothing waits here
    """Read a recorded job into memory; its store is closed again at once.

    Args:
        address: ``STORE#JOB``, with the option `scan` to answer from that scan alone.
        shown_as: the address the journal gets.
        limits: time-outs; none is needed.

    Raises:
        UsageError: the address names no job.
        LinkError: there is no such store, job or scan, it holds no exchange, or its journal is not whole.
    """
    store, mark, job = address.rest.rpartition("#")
    if not mark:
        raise UsageError(
            f"cannot read {address.text}: this version reads recorded jobs as STORE#JOB",
            next_step="write replay:STORE#JOB, e.g. replay:record.sqlite#7",
        )
    path = Path(store)
    if not path.is_file():
        raise LinkError(f"there is no record at {path}", next_step="give the path of a store, and behind # the job")
    entries = _journal(path, int(job))
    scan = address.options.get("scan")
    recorded = [
        exchange_from_payload(entry.payload)
        for entry in entries
        if entry.kind is Kind.EXCHANGE and scan in (None, entry.payload.get("scan"))
    ]
    if not recorded:
        raise LinkError(_nothing(entries, int(job), scan), next_step=_other_scans(entries, scan))
    return ReplayLink(shown_as, recorded)


def _journal(path: Path, job: int) -> tuple[Entry, ...]:
    try:
        with Store.open(path, create=False) as store:
            known = [row.job for row in store.jobs()]
            if job not in known:
                there = ", ".join(map(str, known)) or "none"
                raise LinkError(f"there is no job {job} in {path}", next_step=f"jobs in it: {there}")
            broken = store.check(job)
            if broken is not None:
                # What was altered must not be played as what a vehicle said.
                raise LinkError(
                    f"the journal of job {job} in {path} is not whole from entry {broken.seq} on: {broken.reason}",
                    next_step="use a copy of the record that is whole",
                )
            return store.journal(job)
    except RecordError as error:
        raise LinkError(error.message, next_step=error.next_step) from error


def _nothing(entries: Iterable[Entry], job: int, scan: int | None) -> str:
    if scan is None:
        return f"job {job} holds no exchange: nothing was asked in it"
    begun = any(entry.kind is Kind.SCAN_BEGIN and entry.payload["scan"] == scan for entry in entries)
    return f"scan {scan} of job {job} holds no exchange" if begun else f"job {job} has no scan {scan}"


def _other_scans(entries: Iterable[Entry], scan: int | None) -> str:
    if scan is None:
        return "name a job in which a vehicle was scanned"
    scans = [str(entry.payload["scan"]) for entry in entries if entry.kind is Kind.SCAN_BEGIN]
    return f"scans of that job: {', '.join(scans) or 'none'}"

"""The dongle as a link: plans in turn, one request at a time, and a new connection when one is lost."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, Request
from gateway.links.base import Closing, HowOpened, Limits, Plan, Trace, unsent
from gateway.links.dongle.hearing import Hearing
from gateway.links.dongle.process import CHILD, DongleProcess
from gateway.links.dongle.settings import FUNCTIONAL, RATES, settings_for
from gateway.links.dongle.talk import Talk

_PROBES = (bytes.fromhex("0100"), bytes.fromhex("22F810"), bytes.fromhex("3E00"))
"""Asked of everyone to find the car. Source: ISO 15765-4 and SAE J1979-2 initialisation; ISO 14229-1, TesterPresent."""
_TRIES = 3
"""So often a probe is sent whose reply cannot be read."""

_SLICE = 16
_REPLUG = "pull the dongle out, put it in again, then run the step again"
_RECONNECTIONS = 2
_PAUSE_S = 0.3
_NOT_SENT = "interrupted before it was sent"
_CLOSED = "the link is closed"


class DongleLink(Closing):
    """A dongle behind a port.

    Args:
        port: the port, as pyserial writes it.
        address: the link's text, ``dongle:PORT``.
        command: what runs python-OBD.

    Attributes:
        address: the same text.
    """

    def __init__(self, port: str, address: str, *, command: Sequence[str] = CHILD) -> None:
        self.address = address
        self._opening: tuple[Exchange, ...] = ()
        self._port = port
        self._command = command
        self._hearing = Hearing(address)
        self._talk: Talk | None = None
        self._rate = RATES[0]
        self._widths: tuple[bool, ...] = (False, True)
        self._reconnections = 0
        self._down: str | None = None
        self._gone = False
        self._closed = False

    @property
    def functional_targets(self) -> tuple[str, ...]:
        """The legislated functional identifiers of the widths that the dongle can be set to."""
        return tuple(FUNCTIONAL[width] for width in self._widths)

    @property
    def how_opened(self) -> HowOpened:
        """What was asked to find the car."""
        return HowOpened(asked=self._opening)

    def find_car(self, limits: Limits) -> None:
        """Wake the dongle and find the bit rate at which the car answers.

        Raises:
            LinkError: there is no dongle, or it reaches no car; says what to do next.
        """
        never = threading.Event()
        talk = self._talk = self._connected(limits, never)
        until_s = time.monotonic() + limits.connect_ms / 1000
        garbled = ""
        for rate in RATES:
            talk.rate = rate
            for width in (False, True):
                if time.monotonic() < until_s and self._answers(talk, width, limits):
                    self._rate = rate
                    self._widths = tuple(w for w in (False, True) if self._has(talk, w, width, limits))
                    return
                if talk.garbled:
                    garbled = garbled or self._opening[-1].trouble or ""
                if talk.over:
                    said = self._opening[-1].trouble or "the dongle is gone"
                    raise LinkError(f"{self.address}: {said}", next_step=_REPLUG)
        if garbled:
            raise LinkError(
                f"what the dongle at {self._port} writes does not arrive whole: {garbled}",
                next_step="bring this machine nearer to the dongle, or take another cable or dongle, then run the step "
                "again",
            )
        said = next((exchange.trouble for exchange in self._opening if exchange.trouble is not None), "nobody answers")
        raise LinkError(
            f"the dongle at {self._port} works but reaches no car: {said}",
            next_step="turn the key on and push the dongle firmly into the connector, then run the step again; "
            "a car without CAN cannot be read this way",
        )

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run every plan to its end, one request at a time; see `Link.run`."""
        self._reconnections = _RECONNECTIONS
        self._down = _CLOSED if self._closed else None
        try:
            if not stop.is_set():
                self._run(plans, keep, stop, limits)
        finally:
            for plan in plans.values():
                plan.close()

    def set_trace(self, tell: Trace | None) -> bool:  # noqa: ARG002 - a dongle shows no frames of the bus
        """False: a dongle shows only what it takes for answers."""
        return False

    def close(self) -> None:
        """End the dongle's process; whatever is asked afterwards is unsent."""
        self._closed = True
        if self._talk is not None:
            self._talk.close()
            self._talk = None

    def _run(
        self, plans: Mapping[str, Plan], keep: Callable[[Exchange], None], stop: threading.Event, limits: Limits
    ) -> None:
        # A plan gets its last exchange when its turn comes, so that what waits in line is not said to be asked.
        waiting: deque[tuple[Plan, Exchange | None]] = deque((plan, None) for plan in plans.values())
        while waiting and not stop.is_set():
            plan, exchange = waiting.popleft()
            # To turn to another unit takes commands of its own, so each plan has several requests at a time.
            for _ in range(_SLICE):
                request = _next_request(plan, exchange)
                if request is None:
                    break
                if stop.is_set():
                    keep(unsent(self.address, request, _NOT_SENT))
                    break
                exchange = self._ask(request, stop, limits)
                keep(exchange)
                if stop.is_set():
                    break
            else:
                waiting.append((plan, exchange))
        for plan, exchange in waiting:
            request = _next_request(plan, exchange)
            if request is not None:
                keep(unsent(self.address, request, _NOT_SENT))

    def _ask(self, request: Request, stop: threading.Event, limits: Limits) -> Exchange:
        """Ask, over a new connection where the old one is lost; a request that may have left is not repeated."""
        while True:
            talk = self._talk or self._reconnected(stop, limits)
            if talk is None:
                return unsent(self.address, request, self._down or _NOT_SENT)
            exchange = talk.ask(request, limits, stop)
            if not talk.over:
                return exchange
            talk.close()
            self._talk = None
            may_ask_again = exchange.outcome is Outcome.UNSENT and talk.nothing_sent
            if not may_ask_again or not self._reconnections or stop.is_set():
                return exchange

    def _reconnected(self, stop: threading.Event, limits: Limits) -> Talk | None:
        """A new connection; None, and why in `_down`, if there is none.

        It is tried for until `connect_ms` is over, but only once where an earlier run found the dongle gone.
        """
        if self._down is not None:
            return None
        if self._reconnections == 0:
            self._down = "the dongle was lost too often"
            return None
        self._reconnections -= 1
        until_s = time.monotonic() + (0 if self._gone else limits.connect_ms / 1000)
        while not stop.is_set():
            try:
                self._talk = self._connected(limits, stop)
            except LinkError as error:
                if time.monotonic() + _PAUSE_S >= until_s:
                    self._down, self._gone = error.message, True
                    return None
                stop.wait(_PAUSE_S)
            else:
                self._gone = False
                return self._talk
        return None

    def _connected(self, limits: Limits, stop: threading.Event) -> Talk:
        try:
            process = DongleProcess(self._port, self._command)
        except OSError as error:
            raise LinkError(f"no process for the dongle can be started: {error}", next_step="try again") from error
        try:
            process.connect(limits, stop)
        except BaseException:
            process.kill()
            raise
        talk = Talk(process, self._hearing, self.address, self._rate)
        trouble = talk.keep_memory(limits, stop)
        if trouble is not None:
            talk.close()
            raise LinkError(f"{self.address}: {trouble}", next_step=_REPLUG)
        return talk

    def _answers(self, talk: Talk, width: bool, limits: Limits) -> bool:
        """True if anybody answers with identifiers of this width at the talk's rate."""
        for probe in _PROBES:
            for _ in range(_TRIES):
                exchange = talk.ask(Request(FUNCTIONAL[width], probe), limits, threading.Event())
                self._opening += (exchange,)
                if any(answer.first_us >= 0 for answer in exchange.answers):
                    return True
                if not talk.garbled:
                    break
            if exchange.trouble is not None:
                return False
        return False

    def _has(self, talk: Talk, width: bool, found: bool, limits: Limits) -> bool:
        """True if identifiers of this width can be set; the car may have units of both."""
        if width == found:
            return True
        protocol = settings_for(FUNCTIONAL[width], self._rate)[0]
        return talk.choose(protocol, limits, threading.Event()) is None


def open_at(port: str, shown_as: str, limits: Limits, *, command: Sequence[str] = CHILD) -> DongleLink:
    """Open the dongle at a port and find its car; see `gateway.links.dongle.open_dongle`.

    Args:
        port: the port, as pyserial writes it.
        shown_as: the link's address.
        limits: time-outs.
        command: what runs python-OBD.

    Raises:
        LinkError: as `open_dongle`.
    """
    link = DongleLink(port, shown_as, command=command)
    try:
        link.find_car(limits)
    except BaseException:
        link.close()
        raise
    return link


def _next_request(plan: Plan, exchange: Exchange | None) -> Request | None:
    try:
        return next(plan) if exchange is None else plan.send(exchange)
    except StopIteration:
        return None

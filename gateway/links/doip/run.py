"""One run of plans over a DoIP link: what may start, what has come in, what is over."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace

from decoders.reply import classify
from decoders.values import AnswerKind, Exchange, Outcome, doip_number, doip_unit
from gateway.links.base import Limits, Plan, unsent
from gateway.links.channel import Arrival
from gateway.links.conversation import FunctionalConversation, UnitConversation
from gateway.links.doip import words
from gateway.links.doip.asked import Asked, unsendable
from gateway.links.doip.connection import Connection
from gateway.links.doip.place import Place
from gateway.links.doip.way import Way
from gateway.links.doip.wire import (
    Acknowledged,
    AliveCheck,
    Diagnostic,
    HeaderRefused,
    Message,
    Refused,
    WireError,
    alive,
    diagnostic,
    read,
)
from gateway.links.window import Window, first_lag_ns

_MS = 1_000_000
_STOP_POLL_NS = 50 * _MS
_NEVER_DRY_NS = 100 * _MS
_ROUNDS_AT_BEGIN = 200
_MOST_ARRIVALS = 1000  # for one request; far more than a unit that says "pending" every 20 ms until the ceiling
_MOST_IGNORED = 3  # requests in a row: a figure of our own
_INTERRUPTED = "interrupted before an answer"
_NOT_SENT = "interrupted before it was sent"
_CEILING = "the answer was still coming when the time for it ran out"
_NOT_TAKEN = "the gateway did not take the whole request"
_NEVER_ACKNOWLEDGED = "the gateway never acknowledged the request"
_FLOOD = "more came for one request than any unit has to say"


class DoipRun:
    """Steps all plans of one `DoipLink.run` call; used once."""

    def __init__(
        self,
        way: Way[Asked],
        place: Place,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        self._way = way
        self._place = place
        self._plans = plans
        self._keep = keep
        self._stop = stop
        self._limits = limits
        self._window = Window(begin=limits.window_begin, largest=limits.window, p2_ms=limits.p2_ms)
        self._waiting: deque[Asked] = deque()
        self._active: list[Asked] = []
        self._stuck_ns: int | None = None

    def to_the_end(self) -> None:
        """Run until every plan has ended or `stop` is set."""
        if self._stop.is_set():
            return
        for _ in range(_ROUNDS_AT_BEGIN):  # what came since the last run
            if self._way.connection is None or self._listen(self._way.connection, timeout_s=0.0):
                break
        for plan in self._plans.values():
            self._advance(plan, None)
        while (self._waiting or self._active) and not self._stop.is_set():
            if self._way.down is not None:
                self._end_unsent(self._way.down)
            elif self._way.connection is None:
                self._way.open_again(self._limits, self._stop)
            else:
                self._step(self._way.connection)
        if self._stop.is_set():
            self._interrupt()

    def _step(self, connection: Connection) -> None:
        if connection.lost is None:
            self._start_waiting(connection)
        if connection.lost is None and (self._waiting or self._active):
            dry = self._listen(connection, self._timeout_s(connection))
            self._look_for_a_halt(connection)
            if connection.lost is None:
                self._end_what_is_over(connection, dry=dry)
        if connection.lost is not None:
            self._end_broken(connection.lost)

    def _advance(self, plan: Plan, exchange: Exchange | None) -> None:
        try:
            request = next(plan) if exchange is None else plan.send(exchange)
        except StopIteration:
            return
        self._waiting.append(Asked(plan, request))

    def _end(self, asked: Asked, exchange: Exchange) -> None:
        self._keep(exchange)
        self._window.learn(
            exchange.outcome,
            heard_before=exchange.target in self._way.heard,
            lag_ns=first_lag_ns(exchange),
            now_ns=time.perf_counter_ns(),
        )
        self._remember_end(asked, exchange)
        self._advance(asked.plan, exchange)

    def _remember_end(self, asked: Asked, exchange: Exchange) -> None:
        if exchange.outcome is not None and asked.conversation is not None:
            now_ns = time.perf_counter_ns()
            sent_ns = asked.conversation.sent_ns or now_ns
            self._way.ended(exchange, sent_ns, now_ns, doubted=asked.conversation.doubted)

    # --- starting ---

    def _start_waiting(self, connection: Connection) -> None:
        """Start what the window, the units and the alone-rule of functional requests allow, oldest first."""
        if any(asked.functional for asked in self._active):
            return
        for asked in list(self._waiting):
            if len(self._active) >= self._window.size:
                return
            if asked.functional and self._active:
                return
            trouble = unsendable(asked.request, self._place)
            if trouble is not None:
                self._waiting.remove(asked)
                self._end(asked, unsent(self._way.name, asked.request, trouble))
                continue
            asked.number = doip_number(asked.request.target)
            if any(asked.number == other.number for other in self._active):
                continue
            if not self._start(asked, connection) or asked.functional:
                return

    def _start(self, asked: Asked, connection: Connection) -> bool:
        """Send a request; False if the gateway takes nothing right now, and nothing has happened."""
        request = asked.request
        now_ns = time.perf_counter_ns()
        if not connection.put(diagnostic(connection.version, self._place.tester, asked.number, request.data)):
            self._stuck_ns = now_ns if self._stuck_ns is None else self._stuck_ns
            return False
        self._stuck_ns = None
        self._waiting.remove(asked)
        self._active.append(asked)
        source = None if asked.functional else request.target
        if source is None:
            asked.conversation = FunctionalConversation(
                link=self._way.name, request=request, limits=self._limits, left_open=self._way.left_open
            )
            leftovers = self._way.all_leftovers()
        else:
            asked.conversation = UnitConversation(
                link=self._way.name,
                request=request,
                limits=self._limits,
                previous=self._way.asked_before(source),
                left_open=self._way.left_open,
                crowd=len(self._active) - 1,
            )
            leftovers = self._way.leftovers(source)
        for arrival in leftovers:
            asked.conversation.arrived(arrival)
        self._way.remember(source, request.data)
        self._way.owed.add(asked.number, request.data, asked)
        asked.conversation.begin(now_ns)
        self._follow_sending(connection)
        return True

    def _follow_sending(self, connection: Connection) -> None:
        """Tell the conversations whose request has left altogether."""
        if connection.sending:
            return
        for asked in self._active:
            if asked.conversation is not None and asked.conversation.sent_ns is None:
                asked.conversation.sent(connection.flushed_ns)

    # --- listening ---

    def _timeout_s(self, connection: Connection) -> float:
        now_ns = time.perf_counter_ns()
        wake_ns = now_ns + _STOP_POLL_NS
        for asked in self._active:
            wake_ns = min(wake_ns, self._due_ns(asked, connection))
        return max(0, wake_ns - now_ns) / 1e9

    def _listen(self, connection: Connection, timeout_s: float) -> bool:
        """Wait for something to come and take it; True if there was no more."""
        dry = connection.read(timeout_s)
        self._follow_sending(connection)
        while connection.messages:
            message = connection.messages.popleft()
            try:
                self._take(message, connection)
            except WireError as error:
                connection.lose(f"the gateway cannot be understood: {error}")
                connection.messages.clear()  # nothing behind it can be trusted
        return dry

    def _look_for_a_halt(self, connection: Connection) -> None:
        """Give up a connection on which nothing moves any more, so that no unit is called silent for it."""
        if connection.halted_ns >= self._limits.n_cr_ms * _MS > 0:
            connection.lose("the gateway stopped in the middle of a message")
        if self._stuck_ns is not None and connection.looked_ns >= self._stuck_ns + self._limits.ceiling_ms * _MS:
            connection.lose("the gateway takes nothing any more")

    def _take(self, message: Message, connection: Connection) -> None:
        match read(message):
            case AliveCheck():
                connection.say(alive(connection.version, self._place.tester))
            case Diagnostic(source, target, data):
                meant = target == self._place.tester
                damage = None if meant else f"the answer is meant for another tester ({target:04X})"
                self._hear(
                    Arrival(
                        source=doip_unit(source),
                        data=data,
                        first_ns=message.first_ns,
                        last_ns=message.last_ns,
                        damage=damage,
                    ),
                    source,
                )
            case Acknowledged(unit, tester, echo) if tester == self._place.tester:
                self._acknowledge(self._way.owed.settle(unit, echo), message.last_ns)
            case Refused(unit, tester, code, echo) if tester == self._place.tester:
                # Where none is owed, it takes back what it acknowledged before.
                self._refuse(self._way.owed.settle(unit, echo) or self._under_way(unit), code)
            case HeaderRefused(code):
                for asked in self._active:
                    if not (asked.acknowledged or asked.spoken):
                        asked.objection = f"the gateway refused a message: {words.header_refused(code)}"

    def _under_way(self, number: int) -> Asked | None:
        return next((asked for asked in self._active if asked.number == number), None)

    def _hear(self, arrival: Arrival, number: int) -> None:
        asked = next((a for a in self._active if a.functional or a.number == number), None)
        if asked is None or asked.conversation is None:
            self._way.keep(arrival)
            return
        asked.arrivals += 1
        asked.conversation.arrived(arrival)
        if classify(asked.request.data, arrival.data) is not AnswerKind.STRAY:
            asked.spoken = True

    def _acknowledge(self, asked: Asked | None, now_ns: int) -> None:
        if asked is None or asked not in self._active or asked.conversation is None:
            return
        asked.acknowledged = True
        if not asked.spoken and asked.conversation.sent_ns is not None:
            asked.conversation.sent(now_ns)  # from here on the unit's time counts

    def _refuse(self, asked: Asked | None, code: int) -> None:
        if asked is None or asked not in self._active or asked.conversation is None:
            return
        self._active.remove(asked)
        reason = words.refusal(code)
        exchange = asked.conversation.finish(reason)
        if code in words.NOT_FORWARDED and not (asked.acknowledged or asked.spoken):
            if asked.functional:
                reason += "; if the vehicle has no such group, add ?group=none to the link and name a profile"
            exchange = replace(exchange, outcome=Outcome.UNSENT, refusal=None, trouble=reason)
        self._way.was_of_use(True)
        self._end(asked, exchange)

    # --- ending ---

    def _due_ns(self, asked: Asked, connection: Connection) -> int:
        conversation = asked.conversation
        if conversation is None or asked.arrivals > _MOST_ARRIVALS:
            return 0
        # All units share one stream: while a message is on its way, none of them can be called silent.
        due_ns = conversation.due_ns(receiving=connection.partial)
        if conversation.sent_ns is None or asked.acknowledged or asked.spoken:
            return due_ns
        patience_ns = conversation.sent_ns + self._limits.n_bs_ms * _MS
        return min(max(due_ns, patience_ns), conversation.due_ns(receiving=True))

    def _end_what_is_over(self, connection: Connection, *, dry: bool) -> None:
        for asked in list(self._active):
            # A deadline counts only once everything that came before it has been read, however busy this machine is.
            due_ns = self._due_ns(asked, connection) + (0 if dry else _NEVER_DRY_NS)
            if connection.looked_ns < due_ns or asked.conversation is None:
                continue
            self._active.remove(asked)
            self._way.was_of_use(asked.acknowledged or asked.spoken or asked.objection is not None)
            self._end(asked, asked.conversation.finish(self._broken(asked, connection)))
        if self._way.ignored >= _MOST_IGNORED and self._stuck_ns is None and not connection.sending:
            connection.lose("the gateway acknowledges nothing")

    def _broken(self, asked: Asked, connection: Connection) -> str | None:
        """Why what came is not all that could have come; None if it is."""
        if asked.arrivals > _MOST_ARRIVALS:
            return _FLOOD
        if asked.conversation is not None and asked.conversation.sent_ns is None:
            return _NOT_TAKEN
        if connection.partial:
            return _CEILING
        if asked.acknowledged or asked.spoken:
            return None
        return asked.objection or _NEVER_ACKNOWLEDGED

    def _end_broken(self, reason: str) -> None:
        """The connection is gone: what was under way ends as it stands."""
        self._way.hang_up(reason)
        active, self._active = self._active, []
        for asked in active:
            if asked.conversation is not None:
                self._end(asked, asked.conversation.finish(reason))

    def _end_unsent(self, reason: str) -> None:
        asked = self._waiting.popleft()
        self._end(asked, unsent(self._way.name, asked.request, reason))

    def _interrupt(self) -> None:
        for asked in self._active:
            if asked.conversation is not None:
                exchange = asked.conversation.finish(_INTERRUPTED)
                self._keep(exchange)
                self._remember_end(asked, exchange)
        for asked in self._waiting:
            self._keep(unsent(self._way.name, asked.request, _NOT_SENT))

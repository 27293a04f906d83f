"""One run of plans over a CAN link: what may start, what has come in, what is over."""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Mapping
from itertools import count

from decoders.errors import LinkError
from decoders.values import CanId, Exchange, Outcome, UnitAddress, is_functional
from gateway.links.base import Limits, Plan, unsent
from gateway.links.can.asked import Asked, hand_over_leftovers, remember
from gateway.links.can.bus import Frame
from gateway.links.can.other_testers import confuses, reaches
from gateway.links.can.requests import stranger, unsendable
from gateway.links.can.table import CanTable
from gateway.links.channel import PADDING, Arrival, Channel
from gateway.links.conversation import FunctionalConversation, UnitConversation
from gateway.links.window import Window, first_lag_ns, is_full

_STOP_POLL_NS = 50_000_000
_LOOK_AGAIN_NS = 2_000_000
_MS = 1_000_000
_FRAMES_AT_ONCE = 64
_EMPTYING_NS = 1_000_000_000
_NEVER_DRY_NS = 100_000_000
_INTERRUPTED = "interrupted before an answer"
_NOT_SENT = "interrupted before it was sent"
_OTHER_TESTER = "another tester asks too: whose answer came cannot be told"
_NEVER_QUIET = "what is sent without being asked does not end"
_REFUSED = "the adapter refused a frame: this request may never have been sent"
_NOT_TAKEN = "the unit did not take the whole request"
_CEILING = "the answer was still coming when the time for it ran out"


class CanRun:
    """Steps all plans of one `CanLink.run` call; used once."""

    def __init__(
        self,
        table: CanTable,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        self._table = table
        self._plans = plans
        self._keep = keep
        self._stop = stop
        self._limits = limits
        self._window = Window(begin=limits.window_begin, largest=limits.window, p2_ms=limits.p2_ms)
        self._waiting: list[tuple[int, int, Asked]] = []
        self._order = count()
        self._active: dict[Channel, Asked] = {}
        self._functional: Asked | None = None
        self._responses: set[CanId] = set()
        self._gives_way = False
        self._refusals = 0
        self._wakes_ns: dict[Channel, int] = {}
        for channel in table.channels:
            self._note_busy(channel)

    def to_the_end(self) -> None:
        """Run until every plan has ended or `stop` is set."""
        if self._stop.is_set():
            return
        until_ns = time.perf_counter_ns() + _EMPTYING_NS
        while self._table.down is None and not self._read(0.0) and time.perf_counter_ns() < until_ns:
            pass
        self._refusals = self._table.bus.refusals
        for plan in self._plans.values():
            self._advance(plan, None, 0)
        while (self._waiting or self._under_way) and not self._stop.is_set():
            if self._table.down is not None:
                self._end_broken(self._table.down)
                continue
            self._start_waiting()
            if self._waiting or self._under_way:
                self._end_what_is_over(dry=self._listen())
        if self._stop.is_set():
            self._interrupt()

    @property
    def _under_way(self) -> list[Asked]:
        return [*self._active.values()] if self._functional is None else [self._functional]

    def _advance(self, plan: Plan, exchange: Exchange | None, turn: int) -> None:
        try:
            request = next(plan) if exchange is None else plan.send(exchange)
        except StopIteration:
            return
        asked = Asked(plan, request, turn, trouble=unsendable(request))
        if asked.trouble is None and not is_functional(request.target):
            asked.unit = self._table.unit(request.target)
        self._wait(asked)

    def _wait(self, asked: Asked) -> None:
        """Of those that wait the plan that has come the least far is served first: so all of them end together."""
        heapq.heappush(self._waiting, (asked.turn, next(self._order), asked))

    def _end(self, asked: Asked, exchange: Exchange) -> None:
        self._keep(exchange)
        now_ns = time.perf_counter_ns()
        source = None if asked.channel is None else asked.channel.address.source
        remember(asked, exchange, now_ns)
        self._window.learn(
            exchange.outcome,
            heard_before=source in self._table.heard,
            lag_ns=first_lag_ns(exchange),
            now_ns=now_ns,
            bus_load=self._table.bus.load(now_ns),
        )
        if source is not None and exchange.outcome in (Outcome.ANSWERED, Outcome.REFUSED):
            self._table.heard.add(source)
        self._advance(asked.plan, exchange, asked.turn + 1)

    # --- starting ---

    def _start_waiting(self) -> None:
        """Start what the window, the units and the alone-rule of functional requests allow."""
        if self._functional is not None:
            return
        held: list[Asked] = []
        while self._waiting and self._has_room() and self._table.down is None:
            asked = heapq.heappop(self._waiting)[-1]
            if asked.trouble is None and self._start(asked):
                if asked.unit is None:
                    break
                continue
            trouble = asked.trouble or self._held_too_long(asked)
            if trouble is not None:
                self._end(asked, unsent(self._table.bus.name, asked.request, trouble))
                continue
            held.append(asked)
            if asked.unit is None:
                break
        for asked in held:
            self._wait(asked)

    def _has_room(self) -> bool:
        """True if one more unit may be asked now.

        On a full bus those with high identifiers get no turn while others have something to say (ISO 11898-1,
        arbitration): while one that has shown itself waits for longer than P2, nobody more is asked.
        """
        self._gives_way = False
        if len(self._active) >= self._window.size:
            return False
        now_ns, p2_ns = time.perf_counter_ns(), self._limits.p2_ms * _MS
        self._gives_way = is_full(self._table.bus.load(now_ns)) and any(
            asked.waits_ns(now_ns) > p2_ns for asked in self._active.values()
        )
        return not self._gives_way

    def _start(self, asked: Asked) -> bool:
        """Ask; False while somebody sends what could be taken for an answer."""
        if asked.unit is not None:
            return self._start_unit(asked, asked.unit)
        if self._active or self._wakes_ns:
            return False
        self._start_functional(asked)
        return True

    def _held_too_long(self, asked: Asked) -> str | None:
        """Why a waiting request is given up, or None: what is under way has a ceiling, what comes unasked has none."""
        now_ns = time.perf_counter_ns()
        under_way = bool(self._active) if asked.unit is None else asked.unit.response in self._responses
        if under_way or not asked.held_ns:
            asked.held_ns = now_ns
        return _NEVER_QUIET if now_ns - asked.held_ns > self._limits.connect_ms * _MS else None

    def _start_unit(self, asked: Asked, unit: UnitAddress) -> bool:
        """Ask a unit; False while what it answers could be taken for somebody else's."""
        if unit.response in self._responses:
            return False
        channel = self._table.channel(unit)
        if channel is None or channel.receiving or channel.sending:
            return False
        conversation = UnitConversation(
            link=self._table.bus.name,
            request=asked.request,
            limits=self._limits,
            previous=channel.previous_request,
            left_open=lambda _source: channel.unanswered,
            crowd=len(self._active),
        )
        hand_over_leftovers(channel.leftovers, conversation)
        channel.previous_request = asked.request.data
        asked.channel, asked.conversation = channel, conversation
        asked.is_known = channel.address.source in self._table.heard
        self._active[channel] = asked
        self._responses.add(unit.response)
        since_ns = time.perf_counter_ns() - self._limits.p2_ms * _MS
        if self._table.others.confusing(unit.request, asked.request.data, since_ns):
            conversation.disturbed(_OTHER_TESTER)
        try:
            channel.send(asked.request.data)
        except LinkError as error:
            self._table.fail(error.message, error.next_step)
        self._deliver(channel, [])
        return True

    def _start_functional(self, asked: Asked) -> None:
        target = CanId.parse(asked.request.target.partition(":")[2])
        data = asked.request.data
        conversation = FunctionalConversation(
            link=self._table.bus.name,
            request=asked.request,
            limits=self._limits,
            previous=self._table.call(data, time.perf_counter_ns()),
            left_open=self._table.left_open,
        )
        hand_over_leftovers(self._table.strangers, conversation)
        for channel in self._table.channels:
            hand_over_leftovers(channel.leftovers, conversation)
            channel.previous_request = data
        asked.conversation = conversation
        self._functional = asked
        self._table.arm(is_29_bit=target.is_29_bit)
        frame = (bytes([len(data)]) + data).ljust(8, bytes([PADDING]))
        try:
            self._table.bus.put(target, frame)
        except LinkError as error:
            self._table.fail(error.message, error.next_step)
            return
        now_ns = time.perf_counter_ns()
        conversation.begin(now_ns)
        conversation.sent(now_ns)
        self._note_due(asked)

    def _follow_sending(self, asked: Asked) -> None:
        """Tell a conversation how far its request has got."""
        channel, conversation = asked.channel, asked.conversation
        if channel is None or not isinstance(conversation, UnitConversation):
            return
        if conversation.sent_ns is not None:
            return
        if channel.frames_sent and not conversation.begun:
            conversation.begin(channel.last_frame_ns)
        if channel.failure is not None:
            conversation.failed(channel.failure)
        elif conversation.begun and not channel.sending:
            conversation.sent(channel.last_frame_ns)

    # --- listening ---

    def _listen(self) -> bool:
        """Wait for the next frame or deadline; True if the bus then had no more to give."""
        now_ns = time.perf_counter_ns()
        due_ns = (asked.due_ns for asked in self._under_way)
        look_ns = _LOOK_AGAIN_NS if self._gives_way else _STOP_POLL_NS
        wake_ns = min((now_ns + look_ns, *due_ns, *self._wakes_ns.values()))
        dry = self._read(max(0, wake_ns - now_ns) / 1e9)
        self._note_refusals()
        self._tick()
        return dry

    def _read(self, timeout_s: float) -> bool:
        try:
            for count in range(_FRAMES_AT_ONCE):
                frame = self._table.bus.read(timeout_s if count == 0 else 0.0)
                if frame is None:
                    return self._table.bus.is_dry
                self._route(frame)
        except LinkError as error:
            self._table.fail(error.message, error.next_step)
            return True
        return False

    def _route(self, frame: Frame) -> None:
        channel = self._table.channel_of(frame)
        if channel is not None:
            arrivals = channel.feed(frame.data, frame.read_ns)
            # One frame of several changes nothing: its channel is looked at when the first one allowed it.
            if arrivals or channel.sending or not channel.receiving or channel not in self._wakes_ns:
                self._deliver(channel, arrivals)
            return
        self._note_other_tester(frame)
        self._note_stranger(frame)

    def _note_stranger(self, frame: Frame) -> None:
        """A unit that nobody knows answers a call to everybody: somebody is there, also if it comes late."""
        arrival = stranger(frame, self._table.called(frame.read_ns))
        if arrival is None:
            return
        if self._functional is None or self._functional.conversation is None:
            self._table.keep_stranger(arrival)
            return
        self._functional.conversation.arrived(arrival)
        self._note_due(self._functional)

    def _note_other_tester(self, frame: Frame) -> None:
        """Whoever asks a unit for the same service gets answers that look like ours: what is under way is spoilt."""
        for can_id, data in self._table.others.heard(frame.number, frame.is_29_bit, frame.data, frame.read_ns):
            for asked in self._under_way:
                conversation, unit = asked.conversation, asked.unit
                if conversation is None or not confuses(data, asked.request.data):
                    continue
                own_id = unit.request if unit is not None else CanId.parse(asked.request.target.partition(":")[2])
                if reaches(can_id, own_id):
                    conversation.disturbed(_OTHER_TESTER)
                    self._note_due(asked)

    def _note_refusals(self) -> None:
        """The adapter did not take a frame, and does not say which."""
        refusals = self._table.bus.refusals
        if refusals != self._refusals:
            self._refusals = refusals
            for asked in self._under_way:
                if asked.conversation is not None:
                    asked.conversation.refused(_REFUSED)

    def _tick(self) -> None:
        now_ns = time.perf_counter_ns()
        try:
            for channel in [channel for channel, wake_ns in self._wakes_ns.items() if wake_ns <= now_ns]:
                self._deliver(channel, channel.tick())
        except LinkError as error:
            self._table.fail(error.message, error.next_step)

    def _deliver(self, channel: Channel, arrivals: list[Arrival]) -> None:
        self._note_busy(channel)
        asked = self._functional or self._active.get(channel)
        if asked is None or asked.conversation is None:
            channel.leftovers.extend(arrivals)
            return
        self._follow_sending(asked)
        for arrival in arrivals:
            asked.conversation.arrived(arrival)
        self._note_due(asked)

    def _note_busy(self, channel: Channel) -> None:
        if channel.receiving or channel.sending:
            self._wakes_ns[channel] = channel.wake_ns(time.perf_counter_ns())
        else:
            self._wakes_ns.pop(channel, None)

    # --- ending ---

    def _is_receiving(self, asked: Asked) -> bool:
        if asked.channel is not None:
            return asked.channel.receiving
        return any(channel.receiving for channel in self._wakes_ns)

    def _note_due(self, asked: Asked) -> None:
        conversation = asked.conversation
        if conversation is None or (isinstance(conversation, UnitConversation) and conversation.over):
            asked.due_ns = 0
        else:
            asked.due_ns = conversation.due_ns(receiving=self._is_receiving(asked))

    def _end_what_is_over(self, *, dry: bool) -> None:
        # A deadline counts only once everything that came before it has been read.
        now_ns = time.perf_counter_ns() - (0 if dry else _NEVER_DRY_NS)
        for asked in self._under_way:
            if now_ns < asked.due_ns or asked.conversation is None or self._table.down is not None:
                continue
            channel = asked.channel
            if self._is_receiving(asked):
                asked.conversation.disturbed(_CEILING)
            elif channel is not None and channel.sending:
                asked.conversation.disturbed(_NOT_TAKEN)
            if channel is not None and (channel.receiving or channel.sending):
                channel.reset()
                self._note_busy(channel)
            self._forget(asked)
            self._end(asked, asked.conversation.finish())

    def _forget(self, asked: Asked) -> None:
        if asked.channel is None:
            self._functional = None
        else:
            del self._active[asked.channel]
            self._responses.discard(asked.channel.address.response)

    def _end_broken(self, reason: str) -> None:
        """The way is broken: what was under way ends as it stands, then one that waits was never sent."""
        for asked in self._under_way:
            self._forget(asked)
            if asked.conversation is not None:
                self._end(asked, asked.conversation.finish(reason))
        if self._waiting:
            asked = heapq.heappop(self._waiting)[-1]
            self._end(asked, unsent(self._table.bus.name, asked.request, reason))

    def _interrupt(self) -> None:
        now_ns = time.perf_counter_ns()
        for asked in self._under_way:
            if asked.conversation is None:
                continue
            exchange = asked.conversation.finish(_INTERRUPTED)
            remember(asked, exchange, now_ns)
            self._keep(exchange)
        for _turn, _order, asked in sorted(self._waiting, key=lambda entry: entry[:2]):
            self._keep(unsent(self._table.bus.name, asked.request, _NOT_SENT))

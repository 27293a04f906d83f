"""One run of plans over a CAN link: what may start, what has come in, what is over."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from decoders.errors import LinkError, UsageError
from decoders.values import CanId, Exchange, Outcome, Request, UnitAddress, is_functional
from gateway.links.base import Limits, Plan
from gateway.links.can_bus import Frame
from gateway.links.can_table import CanTable
from gateway.links.channel import MAX_PAYLOAD, PADDING, Arrival, Channel
from gateway.links.conversation import Conversation, FunctionalConversation, UnitConversation

_STOP_POLL_NS = 50_000_000
_FRAMES_AT_ONCE = 64
_ROUNDS_AT_BEGIN = 200
_NEVER_DRY_NS = 100_000_000
_FUNCTIONAL_IDS = ("7DF", "18DB33F1")
_INTERRUPTED = "interrupted before an answer"
_NOT_SENT = "interrupted before it was sent"
_CEILING = "the answer was still coming when the time for it ran out"


@dataclass(slots=True, eq=False)
class _Asked:
    """One request of one plan, waiting or under way; under way without a channel it is a functional one."""

    plan: Plan
    request: Request
    channel: Channel | None = None
    conversation: Conversation | None = None


class _Window:
    """How many units are asked at once: halved when an answer is lost, widened by one when one comes."""

    def __init__(self, largest: int) -> None:
        self._largest = max(1, largest)
        self.size = self._largest

    def learn(self, outcome: Outcome | None) -> None:
        if outcome is Outcome.DAMAGED:
            self.size = max(1, self.size // 2)
        elif outcome is Outcome.ANSWERED:
            self.size = min(self._largest, self.size + 1)


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
        self._window = _Window(limits.window)
        self._waiting: deque[_Asked] = deque()
        self._active: list[_Asked] = []
        self._busy = {c for c in table.channels if c.receiving or c.sending}

    def to_the_end(self) -> None:
        """Run until every plan has ended or `stop` is set."""
        if self._stop.is_set():
            return
        for _ in range(_ROUNDS_AT_BEGIN):
            if self._table.down is not None or self._read(0.0):
                break
        for plan in self._plans.values():
            self._advance(plan, None)
        while (self._waiting or self._active) and not self._stop.is_set():
            if self._table.down is not None:
                self._end_broken(self._table.down)
                continue
            self._start_waiting()
            if self._waiting or self._active:
                self._end_what_is_over(dry=self._listen())
        if self._stop.is_set():
            self._interrupt()

    def _advance(self, plan: Plan, exchange: Exchange | None) -> None:
        try:
            request = next(plan) if exchange is None else plan.send(exchange)
        except StopIteration:
            return
        self._waiting.append(_Asked(plan, request))

    def _end(self, asked: _Asked, exchange: Exchange) -> None:
        self._keep(exchange)
        self._window.learn(exchange.outcome)
        self._advance(asked.plan, exchange)

    # --- starting ---

    def _start_waiting(self) -> None:
        """Start what the window, the units and the alone-rule of functional requests allow, oldest first."""
        if any(asked.channel is None for asked in self._active):
            return
        for asked in list(self._waiting):
            if len(self._active) >= self._window.size or self._table.down is not None:
                return
            functional = is_functional(asked.request.target)
            if functional and (self._active or self._busy):
                return
            trouble = _unsendable(asked.request)
            if trouble is not None:
                self._waiting.remove(asked)
                self._end(asked, self._unsent(asked.request, trouble))
            elif functional:
                self._waiting.remove(asked)
                self._start_functional(asked)
                return
            else:
                self._start_unit(asked)

    def _start_unit(self, asked: _Asked) -> None:
        unit = UnitAddress.parse(asked.request.target)
        in_use = {other.channel.address.response for other in self._active if other.channel is not None}
        if unit.response in in_use:
            return
        channel = self._table.channel(unit)
        if channel is None or channel.receiving or channel.sending:
            return
        self._waiting.remove(asked)
        conversation = UnitConversation(
            link=self._table.bus.name,
            request=asked.request,
            limits=self._limits,
            previous=channel.previous_request,
        )
        _hand_over_leftovers(channel, conversation)
        channel.previous_request = asked.request.data
        asked.channel, asked.conversation = channel, conversation
        self._active.append(asked)
        try:
            channel.send(asked.request.data)
        except LinkError as error:
            self._table.fail(error.message)
        self._deliver(channel, [])

    def _start_functional(self, asked: _Asked) -> None:
        target = CanId.parse(asked.request.target.partition(":")[2])
        conversation = FunctionalConversation(link=self._table.bus.name, request=asked.request, limits=self._limits)
        for channel in self._table.channels:
            _hand_over_leftovers(channel, conversation)
            channel.previous_request = asked.request.data
        asked.conversation = conversation
        self._active.append(asked)
        self._table.arm(is_29_bit=target.is_29_bit)
        data = asked.request.data
        frame = (bytes([len(data)]) + data).ljust(8, bytes([PADDING]))
        try:
            self._table.bus.put(target, frame)
        except LinkError as error:
            self._table.fail(error.message)
            return
        now_ns = time.perf_counter_ns()
        conversation.begin(now_ns)
        conversation.sent(now_ns)

    def _follow_sending(self, asked: _Asked) -> None:
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
        wake_ns = now_ns + _STOP_POLL_NS
        for asked in self._active:
            wake_ns = min(wake_ns, self._due_ns(asked))
        for channel in self._busy:
            wake_ns = min(wake_ns, channel.wake_ns(now_ns))
        dry = self._read(max(0, wake_ns - now_ns) / 1e9)
        self._tick()
        return dry

    def _read(self, timeout_s: float) -> bool:
        try:
            for count in range(_FRAMES_AT_ONCE):
                frame = self._table.bus.read(timeout_s if count == 0 else 0.0)
                if frame is None:
                    return True
                self._route(frame)
        except LinkError as error:
            self._table.fail(error.message)
            return True
        return False

    def _route(self, frame: Frame) -> None:
        channel = self._table.channel_of(frame)
        if channel is not None:
            self._deliver(channel, channel.feed(frame.data, frame.read_ns))

    def _tick(self) -> None:
        try:
            for channel in list(self._busy):
                self._deliver(channel, channel.tick())
        except LinkError as error:
            self._table.fail(error.message)

    def _deliver(self, channel: Channel, arrivals: list[Arrival]) -> None:
        if channel.receiving or channel.sending:
            self._busy.add(channel)
        else:
            self._busy.discard(channel)
        asked = next((a for a in self._active if a.channel is channel or a.channel is None), None)
        if asked is None or asked.conversation is None:
            channel.leftovers.extend(arrivals)
            return
        self._follow_sending(asked)
        for arrival in arrivals:
            asked.conversation.arrived(arrival)

    # --- ending ---

    def _is_receiving(self, asked: _Asked) -> bool:
        if asked.channel is not None:
            return asked.channel.receiving
        return any(channel.receiving for channel in self._busy)

    def _due_ns(self, asked: _Asked) -> int:
        conversation = asked.conversation
        if conversation is None or (isinstance(conversation, UnitConversation) and conversation.over):
            return 0
        return conversation.due_ns(receiving=self._is_receiving(asked))

    def _end_what_is_over(self, *, dry: bool) -> None:
        now_ns = time.perf_counter_ns()
        for asked in list(self._active):
            # A deadline counts only once everything that came before it has been read.
            due_ns = self._due_ns(asked) + (0 if dry else _NEVER_DRY_NS)
            if now_ns < due_ns or asked.conversation is None or self._table.down is not None:
                continue
            broken = _CEILING if self._is_receiving(asked) else None
            if broken is not None and asked.channel is not None:
                asked.channel.reset()
            self._active.remove(asked)
            self._end(asked, asked.conversation.finish(broken))

    def _end_broken(self, reason: str) -> None:
        """The way is broken: what was under way ends as it stands, then one that waits was never sent."""
        active, self._active = self._active, []
        for asked in active:
            if asked.conversation is not None:
                self._end(asked, asked.conversation.finish(reason))
        if self._waiting:
            asked = self._waiting.popleft()
            self._end(asked, self._unsent(asked.request, reason))

    def _interrupt(self) -> None:
        for asked in self._active:
            if asked.conversation is not None:
                self._keep(asked.conversation.finish(_INTERRUPTED))
        for asked in self._waiting:
            self._keep(self._unsent(asked.request, _NOT_SENT))

    def _unsent(self, request: Request, trouble: str) -> Exchange:
        return Exchange(
            link=self._table.bus.name,
            target=request.target,
            request=request.data,
            outcome=Outcome.UNSENT,
            trouble=trouble,
        )


def _hand_over_leftovers(channel: Channel, conversation: Conversation) -> None:
    while channel.leftovers:
        conversation.arrived(channel.leftovers.popleft())


def _unsendable(request: Request) -> str | None:
    """Why this link cannot send a request at all, or None if it can."""
    if not request.data:
        return "the request is empty"
    if is_functional(request.target):
        if request.target.partition(":")[2] not in _FUNCTIONAL_IDS:
            return f"this link knows who answers on {' and '.join(_FUNCTIONAL_IDS)} only"
        if len(request.data) > 7:
            return "a functional request fits one frame: at most 7 bytes"
        return None
    if len(request.data) > MAX_PAYLOAD:
        return f"a request has at most {MAX_PAYLOAD} bytes"
    try:
        UnitAddress.parse(request.target)
    except UsageError as error:
        return error.message
    return None

"""What a reply of the dongle says of a request: lines become frames, frames messages, messages an exchange.

Three things are silence, damage and neither here: only ``NO DATA`` alone shows that a unit said nothing; whatever else
keeps an answer away (an error the dongle reports, a line cut, a reply that just ends) is damage and no evidence.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from decoders.values import AnswerKind, CanId, Exchange, Outcome, Request, UnitAddress, is_functional, iso_15765_4_unit
from gateway.links.base import Limits
from gateway.links.channel import Arrival, Channel
from gateway.links.conversation import Conversation, FunctionalConversation, UnitConversation
from gateway.links.dongle.process import Turn, TurnEnd
from gateway.links.dongle.reply import (
    NO_DATA,
    NOT_TAKEN,
    BadLine,
    FrameLine,
    Line,
    Read,
    WordLine,
    is_searching,
    lines_of,
    read_line,
)
from gateway.links.dongle.settings import LONGEST_WAIT_MS, width_of
from gateway.links.unanswered import Unanswered

_MOST_N_CR_MS = 250
_WAITED_TOO_SHORT = f"no answer within the {LONGEST_WAIT_MS} ms that a dongle waits at most, less than scan.p2_ms"
_GAVE_UP = "the dongle gave up after {:.0f} ms, before an answer was due ({} ms)"
_CLOCK = 0.9
"""A dongle's own clock is not exact: a tenth is let pass. A figure of our own."""

_MS = 1_000_000
_NO_FINAL_ANSWER = "the dongle ended its reply without an answer that is whole"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """An exchange, and what it tells of the dongle.

    Args:
        exchange: it.
        frames: how many frames its one whole answer had; None where anything else was written too.
        odd: True if lines came that no dongle set as this one writes: it may have restarted.
        garbled: True if a line came that cannot be read.
        sent_ns: when the request was out; None if it never was.
        doubt_until_ns: until when its own answer may still come, where one came that may belong to an earlier request;
            else 0. A dongle does not listen so long by itself.
    """

    exchange: Exchange
    frames: int | None = None
    odd: bool = False
    garbled: bool = False
    sent_ns: int | None = None
    doubt_until_ns: int = 0


class Hearing:
    """One transport per unit met; what a unit says outside its exchange is kept for its next one.

    Args:
        link: the link's address, for exchanges.
    """

    def __init__(self, link: str) -> None:
        self._link = link
        self._channels: dict[CanId, Channel] = {}

    def judge(self, request: Request, turn: Turn, limits: Limits, expected: int | None = None) -> Heard:
        """The exchange that a turn comes to.

        Args:
            request: what was asked.
            turn: what came of it.
            limits: the time-outs.
            expected: after how many frames the dongle was told to stop, or None.
        """
        return _Judgement(self, request, turn, limits, expected).heard()

    def conversation(self, request: Request, limits: Limits) -> Conversation:
        """A new exchange, with what was left over for it."""
        if is_functional(request.target):
            functional = FunctionalConversation(
                link=self._link, request=request, limits=limits, left_open=self._left_open
            )
            for channel in self._channels.values():
                _hand_over(channel, functional)
            return functional
        channel = self.channel(UnitAddress.parse(request.target), limits)
        previous = channel.previous_request
        conversation = UnitConversation(
            link=self._link, request=request, limits=limits, previous=previous, left_open=self._left_open
        )
        _hand_over(channel, conversation)
        return conversation

    def ended(self, heard: Heard, now_ns: int) -> None:
        """An exchange is over: what a unit left open may still come."""
        exchange = heard.exchange
        if exchange.outcome in (None, Outcome.UNSENT):
            return
        channel = self._channels.get(UnitAddress.parse(exchange.target).response)
        if channel is not None:
            channel.unanswered.ended(exchange, heard.sent_ns or now_ns, now_ns, doubted=bool(heard.doubt_until_ns))

    def _left_open(self, source: str) -> Unanswered | None:
        channel = self._channels.get(CanId.parse(source))
        return None if channel is None else channel.unanswered

    def channel(self, unit: UnitAddress, limits: Limits) -> Channel:
        """The transport from this unit."""
        known = self._channels.get(unit.response)
        if known is not None and known.address == unit:
            return known
        # A reply is fed at once, so that a frame missing from it is missing for good.
        hurried = replace(limits, n_cr_ms=min(limits.n_cr_ms, _MOST_N_CR_MS))
        # The dongle asks for further frames itself: what the transport would send goes nowhere.
        made = self._channels[unit.response] = Channel(unit, lambda _id, _data: None, hurried)
        if known is not None:
            made.take_over(known)
        return made

    def asked(self, request: Request, channel: Channel | None) -> None:
        """Remember the request, to tell late answers to it: of one unit, or of all met."""
        for those in self._channels.values() if channel is None else (channel,):
            those.previous_request = request.data

    def is_met(self, can_id: CanId) -> bool:
        """True for the identifier of a unit that was asked or has answered."""
        return can_id in self._channels

    def channel_of(self, frame: FrameLine, limits: Limits) -> Channel | None:
        """The transport that a frame belongs to, or None if it is of nobody known."""
        plain = frame.can_id
        for can_id in (plain, replace(plain, extension=frame.data[0])):
            if can_id in self._channels:
                return self._channels[can_id]
        unit = iso_15765_4_unit(plain.text)
        return None if unit is None else self.channel(UnitAddress.parse(unit), limits)

    def end_unfinished(self) -> list[tuple[Channel, Arrival]]:
        """Wait until every message under way is known to be broken; what came of each."""
        ended = []
        for channel in self._channels.values():
            while channel.receiving:
                now_ns = time.perf_counter_ns()
                time.sleep(max(0.001, (channel.wake_ns(now_ns) - now_ns) / 1e9))
                ended += [(channel, arrival) for arrival in channel.tick()]
        return ended


class _Judgement:
    """One request and its reply, read once."""

    def __init__(self, ears: Hearing, request: Request, turn: Turn, limits: Limits, expected: int | None) -> None:
        self._ears = ears
        self._request = request
        self._turn = turn
        self._limits = limits
        self._expected = expected
        self._is_29_bit = width_of(request.target)
        self._functional = is_functional(request.target)
        self._channel = None if self._functional else ears.channel(UnitAddress.parse(request.target), limits)
        self._conversation = ears.conversation(request, limits)
        self._frames = 0
        self._troubles: list[str] = []
        self._odd = False

    def heard(self) -> Heard:
        """Read everything and end the exchange."""
        for read in self._reads(self._turn.before):
            self._odd = self._odd or not isinstance(read, FrameLine)
            if isinstance(read, FrameLine):
                self._take_frame(read)
        reads = self._reads(self._turn.heard)
        if self._turn.begun_ns is None:
            return self._over(self._turn.reason)
        if [read.text for read in reads if isinstance(read, WordLine)] == [NOT_TAKEN] and len(reads) == 1:
            return self._over("the dongle did not take the request: it wrote ?")
        self._conversation.begin(self._turn.begun_ns)
        self._ears.asked(self._request, self._channel)
        if self._turn.written_ns is not None:
            self._conversation.sent(self._turn.written_ns)
        for read in reads:
            self._take(read)
        for channel, arrival in self._ears.end_unfinished():
            self._deliver(channel, arrival)
        return self._ended(reads)

    def _reads(self, chunks: Sequence[tuple[int, bytes]]) -> list[Read]:
        found = (read_line(line, is_29_bit=self._is_29_bit) for line in lines_of(chunks))
        return [read for read in found if not is_searching(read)]

    # --- taking lines ---

    def _take(self, read: Read) -> None:
        if isinstance(read, FrameLine):
            self._take_frame(read)
        elif isinstance(read, BadLine):
            self._odd = True
            self._take_bad(read)
        elif read.text != NO_DATA:
            self._odd = True
            self._troubles.append(f"the dongle says {read.text}")

    def _take_frame(self, frame: FrameLine) -> None:
        channel = self._ears.channel_of(frame, self._limits)
        if channel is None:
            return
        if channel is self._channel:
            self._frames += 1
        # The transport takes its times from the lines, since all of them are fed after the reply is whole.
        for arrival in channel.feed(frame.data, frame.line.last_ns):
            self._deliver(channel, arrival)

    def _take_bad(self, bad: BadLine) -> None:
        """A line that cannot be read counts against the unit asked, or against a known one that it seems to be from."""
        source = None if self._channel is None else self._channel.address.source
        if source is None and bad.can_id is not None and self._ears.is_met(bad.can_id):
            source = bad.can_id.text
        if source is None:
            self._troubles.append(bad.trouble)
            return
        self._conversation.arrived(_damaged(source, bad.data, bad.line, bad.trouble))

    def _deliver(self, channel: Channel, arrival: Arrival) -> None:
        if self._functional or channel is self._channel:
            self._conversation.arrived(arrival)
        else:
            channel.leftovers.append(arrival)

    # --- ending ---

    def _over(self, reason: str) -> Heard:
        """Ended before anything was sent."""
        return Heard(exchange=self._conversation.finish(reason), odd=True)

    def _ended(self, reads: Sequence[Read]) -> Heard:
        turn = self._turn
        no_data = [read for read in reads if isinstance(read, WordLine) and read.text == NO_DATA]
        if no_data and len(no_data) != len(reads):
            self._troubles.append(f"the dongle says {NO_DATA} beside other lines")
        if self._expected is not None and not no_data and self._frames != self._expected:
            self._troubles.append(f"{self._frames} frames came where {self._expected} were expected")
        broken = turn.reason if turn.end is not TurnEnd.PROMPT else None
        if isinstance(self._conversation, UnitConversation):
            if self._troubles:
                self._conversation.failed("; ".join(self._troubles))
        else:
            if broken is None and not reads:
                broken = "the dongle's reply is empty"
            broken = "; ".join([*self._troubles, *([broken] if broken else [])]) or None
        exchange = self._conversation.finish(broken)
        if exchange.outcome is Outcome.SILENT and not no_data:
            exchange = self._conversation.finish(_NO_FINAL_ANSWER)
        elif exchange.outcome is Outcome.SILENT and self._limits.p2_ms > LONGEST_WAIT_MS:
            exchange = self._conversation.finish(_WAITED_TOO_SHORT)
        elif exchange.outcome is Outcome.SILENT and self._waited_ms(no_data) < self._limits.p2_ms * _CLOCK:
            exchange = self._conversation.finish(_GAVE_UP.format(self._waited_ms(no_data), self._limits.p2_ms))
        whole = exchange.outcome is Outcome.ANSWERED and len(exchange.answers) == 1
        is_one = whole and exchange.answers[0].kind is AnswerKind.POSITIVE and len(reads) == self._frames
        return Heard(
            exchange=exchange,
            frames=self._frames if is_one else None,
            odd=self._odd,
            garbled=any(isinstance(read, BadLine) for read in reads),
            sent_ns=self._conversation.sent_ns,
            doubt_until_ns=self._conversation.doubt_until_ns,
        )

    def _waited_ms(self, no_data: Sequence[WordLine]) -> float:
        """How long the dongle waited at most before it said that nothing came."""
        begun_ns = self._turn.begun_ns or 0
        return max((word.line.last_ns - begun_ns) / _MS for word in no_data)


def _hand_over(channel: Channel, conversation: Conversation) -> None:
    while channel.leftovers:
        conversation.arrived(channel.leftovers.popleft())


def _damaged(source: str, data: bytes, line: Line, trouble: str) -> Arrival:
    return Arrival(source=source, data=data, first_ns=line.first_ns, last_ns=line.last_ns, damage=trouble)

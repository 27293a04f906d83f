"""One request of a CAN run, from its plan to the end of its conversation."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from decoders.values import Exchange, Request, UnitAddress
from gateway.links.base import Plan
from gateway.links.channel import Arrival, Channel
from gateway.links.conversation import Conversation


@dataclass(slots=True, eq=False)
class Asked:
    """One request of one plan, waiting or under way.

    Args:
        plan: the plan that wants it asked.
        request: what is asked.
        unit: who is asked; None for a functional request, or one that this link cannot send.
        trouble: why this link cannot send it, or None.
        channel: the unit's transport, once it is under way.
        conversation: what comes back, likewise.
        due_ns: when it ends if nothing more comes.
        turn: how many requests of the plan came before it.
        held_ns: since when it waits for an end of what somebody sends without being asked; 0 for not at all.
        is_known: True if the unit has shown itself before.
    """

    plan: Plan
    request: Request
    turn: int
    unit: UnitAddress | None = None
    trouble: str | None = None
    channel: Channel | None = None
    conversation: Conversation | None = None
    due_ns: int = 0
    held_ns: int = 0
    is_known: bool = False

    def waits_ns(self, now_ns: int) -> int:
        """For how long the unit has said nothing since it was asked; 0 of one that may not be there at all."""
        conversation = self.conversation
        if not self.is_known or conversation is None or conversation.heard or conversation.sent_ns is None:
            return 0
        return now_ns - conversation.sent_ns


def remember(asked: Asked, exchange: Exchange, now_ns: int) -> None:
    """Note what the unit may still owe."""
    channel, conversation = asked.channel, asked.conversation
    if channel is not None and conversation is not None:
        sent_ns = conversation.sent_ns or now_ns
        channel.unanswered.ended(exchange, sent_ns, now_ns, doubted=conversation.doubted)


def hand_over_leftovers(leftovers: deque[Arrival], conversation: Conversation) -> None:
    """Give a new conversation what came in while nobody was asking."""
    while leftovers:
        conversation.arrived(leftovers.popleft())

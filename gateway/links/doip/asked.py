"""One request of one plan on its way over DoIP, and whether it can go there at all."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.errors import UsageError
from decoders.values import Request, doip_number, doip_unit, is_doip, is_functional
from gateway.links.base import Plan
from gateway.links.channel import MAX_PAYLOAD
from gateway.links.conversation import Conversation
from gateway.links.doip.place import GROUPS, Place


@dataclass(slots=True, eq=False)
class Asked:
    """One request of one plan, waiting or under way.

    Args:
        plan: whose it is.
        request: what is asked.
        number: the logical address it goes to.
        conversation: what came back; None while it waits.
        acknowledged: True once the gateway said that it is on its way.
        spoken: True once a unit said something about it.
        arrivals: how many messages came for it.
        objection: what the gateway had against a message that may have been this one.
    """

    plan: Plan
    request: Request
    number: int = 0
    conversation: Conversation | None = None
    acknowledged: bool = False
    spoken: bool = False
    arrivals: int = 0
    objection: str | None = None

    @property
    def functional(self) -> bool:
        """True if everyone is asked."""
        return is_functional(self.request.target)


def unsendable(request: Request, place: Place) -> str | None:
    """Why this link cannot send a request at all, or None if it can."""
    target = request.target
    if not request.data:
        return "the request is empty"
    if len(request.data) > MAX_PAYLOAD:
        return f"a request has at most {MAX_PAYLOAD} bytes"
    if not is_doip(target):
        return "this link reaches units by their DoIP address, e.g. doip:1010"
    try:
        number = doip_number(target)
    except UsageError as error:
        return error.message
    if is_functional(target):
        if number == place.group:
            return None
        return "this link reaches no group of units" if place.group is None else f"its only group is {place.group:04X}"
    if number in GROUPS:
        return f"{number:04X} reaches a group of units: it is no unit's own address"
    return None if doip_unit(number) == target else f"'{target}' is not how this unit is written: {doip_unit(number)}"

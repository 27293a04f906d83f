"""How a person makes a running bench misbehave, and well again: the actions `disturb` and `settle`.

They are no actions of the car: no simulated time passes, and the story of a scenario cannot hold them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from simulators import dongle_faults, misbehaviour
from simulators.actions import Action, Argument, Arguments
from simulators.desk import Desk
from simulators.errors import BenchError

DISTURB, SETTLE, DONGLE, ALL = "disturb", "settle", "dongle", "all"
_OURS = frozenset({"self", "unit"})  # names that no kind takes, since the calls behind use them
_WHO = Argument(about=f"a unit's address or name, or {DONGLE}")

ACTIONS: Mapping[str, Action] = {
    DISTURB: Action(
        about="Make a unit or the dongle misbehave until it is settled, in one of the ways listed below.",
        takes={"who": _WHO, "kind": Argument(about="in which way")},
    ),
    SETTLE: Action(
        about="End one way of misbehaving, or all.",
        takes={"who": _WHO, "kind": Argument(about="in which way", default=ALL)},
    ),
}


class Disturbed(Protocol):
    """Something that can be made to misbehave."""

    def disturb(self, kind: str, /, **arguments: int | str) -> None:
        """Begin to; raises BenchError if that cannot be meant."""

    def settle(self, kind: str | None = None, /) -> None:
        """End one way or all; raises BenchError for a way that is not there."""


@dataclass(frozen=True, slots=True)
class DisturbedUnit:
    """A unit that can be made to misbehave, whichever door it is asked by.

    Args:
        desk: where it is asked.
        unit: its address text or name.
    """

    desk: Desk
    unit: str

    def disturb(self, kind: str, /, **arguments: int | str) -> None:
        """See `Desk.disturb`."""
        self.desk.disturb(self.unit, kind, **arguments)

    def settle(self, kind: str | None = None, /) -> None:
        """See `Desk.settle`."""
        self.desk.settle(self.unit, kind)


def ways() -> Mapping[str, str]:
    """What follows `disturb`, as one types it, and what it does."""
    of_units = {kind: (one.says, one.takes) for kind, one in sorted(misbehaviour.KINDS.items())}
    of_units["KIND"] = ("For any of these kinds:", misbehaviour.COMMON)
    of_dongle = {kind: (f"The dongle {one.says}.", one.arguments) for kind, one in dongle_faults.KINDS.items()}
    of_dongle["KIND"] = (
        "For any of these kinds: only for commands that begin so, and only so many times (0: until it is settled).",
        dongle_faults.COMMON_ARGUMENTS,
    )
    return {
        **{
            f"who=UNIT kind={kind} {Action(about=says, takes=takes).usage}".strip(): _told(says, takes)
            for kind, (says, takes) in of_units.items()
        },
        **{
            " ".join((f"who={DONGLE} kind={kind}", *(f"[{name}={value}]" for name, value in given.items()))): says
            for kind, (says, given) in of_dongle.items()
        },
    }


def _told(says: str, takes: Mapping[str, Argument]) -> str:
    told = "; ".join(f"{name.upper()}: {part.about}" for name, part in takes.items())
    return f"{says} {told}.".removesuffix(" .")


def wanted(action: str, arguments: Arguments) -> tuple[str, str, dict[str, int | str]]:
    """Who is to misbehave or to be well again, in which way, and what else was told.

    Raises:
        BenchError: who or the kind is missing, or no name.
    """
    takes = ACTIONS[action].takes
    more = {name: value for name, value in arguments.items() if name not in takes}
    missing = [name for name, part in takes.items() if part.default is None and name not in arguments]
    if missing or not _OURS.isdisjoint(more) or (more and action == SETTLE):
        raise BenchError(f"'{action}' takes {ACTIONS[action].usage}, not {', '.join(sorted(arguments)) or 'nothing'}")
    who, kind = (str(part.read(name, arguments.get(name, part.default))) for name, part in takes.items())
    return who, kind, more


def change(action: str, kind: str, more: Arguments, those: Iterable[Disturbed]) -> str:
    """Do one of the two actions to each of those; say what was done.

    Raises:
        BenchError: they know no such kind, or what it takes is off.
    """
    for one in those:
        if action == DISTURB:
            one.disturb(kind, **_meant(more))
        else:
            one.settle(None if kind == ALL else kind)
    return f"{kind.replace('_', ' ')}: {'on' if action == DISTURB else 'off'}"


def _meant(arguments: Arguments) -> dict[str, int | str]:
    """The arguments; what is text is meant as text also where it looks like a number."""
    texts = {name for name, value in dongle_faults.COMMON_ARGUMENTS.items() if isinstance(value, str)}
    return {name: str(value) if name in texts else value for name, value in arguments.items()}

"""What a person can do with the car: the actions, what each takes, and how a line of text names one."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from simulators.errors import BenchError

LONGEST_S = 7 * 24 * 3600
FASTEST_KMH = 200
_NUMBER = re.compile(r"[0-9]{1,9}\Z")

Arguments = Mapping[str, int | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Argument:
    """One thing that an action must be told.

    Args:
        about: what it is, in a few words.
        least: the smallest whole number it may be; None where it is a name.
        most: the largest.
        default: what it is when it is left out; None where it must be given.
    """

    about: str
    least: int | None = None
    most: int = LONGEST_S
    default: int | str | None = None

    def read(self, name: str, value: object) -> int | str:
        """The value, if it can be meant.

        Raises:
            BenchError: it is no number where one is needed, or out of bounds, or no text.
        """
        if self.least is None:
            if not isinstance(value, str) or not value:
                raise BenchError(f"{name} must be a name, not {value!r}")
            return value
        if not isinstance(value, int) or isinstance(value, bool) or not self.least <= value <= self.most:
            raise BenchError(f"{name} must be a whole number from {self.least} to {self.most}, not {value!r}")
        return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing that a person can do with the car.

    Args:
        about: what it does, one sentence.
        takes: what it must be told, by name.
    """

    about: str
    takes: Mapping[str, Argument]

    @property
    def usage(self) -> str:
        """What it takes, as one types it: ``kmh=KMH seconds=SECONDS``; in brackets what may be left out."""
        words = (f"{name}={name.upper()}" for name in self.takes)
        return " ".join(
            word if part.default is None else f"[{word}]" for word, part in zip(words, self.takes.values(), strict=True)
        )


def _action(about: str, **takes: Argument) -> Action:
    return Action(about=about, takes=takes)


_SECONDS = Argument(about="how long, in seconds", least=1)
_PART = Argument(about="a part's name")
_UNIT = Argument(about="a unit's address or name")

ACTIONS: Mapping[str, Action] = {
    "key_off": _action("Turn the key off; the engine stops and the units fall asleep."),
    "key_on": _action("Turn the key on; the engine stays off."),
    "start_engine": _action("Start the engine; the key must be on."),
    "stop_engine": _action("Stop the engine of the standing car; the key stays on."),
    "wait": _action("Let time pass; whatever the car does, it goes on doing.", seconds=_SECONDS),
    "idle": _action("Let the engine of the standing car idle.", seconds=_SECONDS),
    "drive": _action(
        "Speed up or slow down to a speed and keep it; 0 brings the car to a stop.",
        kmh=Argument(about="road speed in km/h", least=0, most=FASTEST_KMH),
        seconds=_SECONDS,
    ),
    "repair": _action("Put a part right, plug and all.", component=_PART),
    "fit": _action(
        "Replace a part; the wrong one does not work, and a right one cures nothing that another part causes.",
        component=_PART,
        part=Argument(about="right or wrong", default="right"),
    ),
    "wear": _action("Make a part wear out.", component=_PART),
    "break": _action("Break a part.", component=_PART),
    "loosen": _action(
        "Make a part lose contact now and then, as chance has it.",
        component=_PART,
        after=Argument(about="seconds until it may first let go", least=0, default=60),
        lasting=Argument(about="seconds that it lets go for, at least", least=1, default=5),
        lasting_spread=Argument(about="up to so many seconds longer", least=0, default=8),
        gap=Argument(about="seconds that it holds between, at least", least=1, default=1200),
        gap_spread=Argument(about="up to so many seconds longer", least=0, default=2400),
        times=Argument(about="how often", least=1, most=10_000, default=60),
    ),
    "disconnect": _action(
        "Pull the plug of a part or a unit: the part counts as failed, the unit falls silent.",
        plug=Argument(about="a part's name, or a unit's address or name"),
    ),
    "connect": _action(
        "Put the plug back on.", plug=Argument(about="a part's name, or a unit's address or name")
    ),
    "drain_battery": _action(
        "Leave the lights on for ten hours: the supply falls below 6 V, and units forget what they hold only while "
        "they have power.",
    ),
    "charge_battery": _action("Charge the battery for six hours."),
    "swap_unit": _action(
        "Put another unit of the same kind in a unit's place; the key must be off.",
        unit=_UNIT,
        donor=Argument(about="new, used, or the name of one that the scenario has", default="used"),
    ),
    "clear_memory": _action("Somebody erases the memory of every unit, with whatever tester they have."),
}  # fmt: skip
"""Every action by name, in the order in which people are shown them."""


def check(action: str, arguments: Arguments) -> dict[str, int | str]:
    """The arguments of an action, with what was left out filled in.

    Raises:
        BenchError: there is no such action, or its arguments are off.
    """
    if action not in ACTIONS:
        near = difflib.get_close_matches(action, ACTIONS, n=1)
        hint = f"; did you mean '{near[0]}'?" if near else ""
        raise BenchError(f"unknown action '{action}'{hint or '; known: ' + ', '.join(ACTIONS)}")
    takes = ACTIONS[action].takes
    needed = {name for name, argument in takes.items() if argument.default is None}
    if not needed <= set(arguments) <= set(takes):
        wanted = ", ".join(name if name in needed else f"[{name}]" for name in takes) or "nothing"
        raise BenchError(f"'{action}' takes {wanted}, not {', '.join(sorted(arguments)) or 'nothing'}")
    defaults = {name: argument.default for name, argument in takes.items() if argument.default is not None}
    return {**defaults, **{name: takes[name].read(name, value) for name, value in arguments.items()}}


def parse_step(line: str) -> tuple[str, dict[str, int | str]]:
    """Read an action as one types it: ``drive kmh=62 seconds=90``. Digits are a number.

    Raises:
        BenchError: a word behind the action is not NAME=VALUE, or a name is there twice.
    """
    action, *words = line.split() or [""]
    arguments: dict[str, int | str] = {}
    for word in words:
        name, equals, value = word.partition("=")
        if not (name and equals and value):
            raise BenchError(f"'{word}' is not NAME=VALUE")
        if name in arguments:
            raise BenchError(f"{name} is there twice")
        arguments[name] = int(value) if _NUMBER.match(value) else value
    return action, arguments

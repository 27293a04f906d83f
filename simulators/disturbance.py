"""What a misbehaving unit is made of: a request on its way, what is switched on, what it remembers, and a kind's form.

Everything here counts requests and machine time; the world moves on as ever.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from simulators.actions import Argument, Arguments
from simulators.counters import Counters
from simulators.frame_faults import FrameFault
from simulators.monitors import Monitor
from simulators.unit import Unit
from simulators.world import World


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One message that a unit sends.

    Args:
        data: the payload.
        after_us: machine microseconds from the end of the request to the begin of this message.
        frame_faults: what goes wrong with its frames; a door that has none takes no notice.
    """

    data: bytes
    after_us: int = 0
    frame_faults: tuple[FrameFault, ...] = ()


Replies = tuple[Reply, ...]
GoOn = Callable[[], Replies]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A request on its way through a unit's faults.

    Args:
        unit: who was asked.
        world: the car as it is now.
        request: the payload.
        functional: True if everyone was asked.
        now_ms: machine time.
        ask: what the unit answers to another request at this moment.
    """

    unit: Unit
    world: World
    request: bytes
    functional: bool
    now_ms: int
    ask: Callable[[bytes], Replies]


@dataclass(slots=True, kw_only=True)
class Disturbance:
    """One kind that is switched on for one unit.

    Args:
        kind: its name.
        arguments: what it was told, defaults filled in.
        until_ms: machine time at which it ends; None for never.
        left: for how many requests it still holds; None for any number.
        kept: what it remembers from one request to another.
    """

    kind: str
    arguments: Arguments
    until_ms: int | None = None
    left: int | None = None
    kept: Kept | None = None

    def number(self, name: str) -> int:
        """An argument that is a number."""
        return int(self.arguments[name])

    def spent(self, now_ms: int) -> bool:
        """True once it begins nothing new."""
        return self.left == 0 or (self.until_ms is not None and now_ms >= self.until_ms)

    def over(self, now_ms: int) -> bool:
        """True once it has also ended what it began."""
        return self.spent(now_ms) and (self.kept is None or now_ms >= self.kept.until_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What a unit held at some moment."""

    monitors: dict[str, Monitor]
    counters: Counters

    @classmethod
    def of(cls, unit: Unit) -> Memory:
        """A copy of what it holds now."""
        monitors = {code: copy.copy(monitor) for code, monitor in unit.monitors.items()}
        for monitor in monitors.values():
            monitor.fault = copy.copy(monitor.fault)
        return cls(monitors=monitors, counters=copy.copy(unit.counters))

    def put_into(self, unit: Unit) -> None:
        """Let the unit hold this."""
        unit.monitors, unit.counters = self.monitors, self.counters


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What a kind remembers.

    Args:
        memory: what the unit held then.
        until_ms: machine time until which this is needed, whatever else is over.
        key_turned_s: world second at which the key had last been turned then.
        unit: the unit that lies on the shelf.
    """

    memory: Memory | None = None
    until_ms: int = 0
    key_turned_s: int = 0
    unit: Unit | None = None


Change = Callable[[Asked, Disturbance, GoOn], Replies]
Moment = Callable[[Unit, World, Disturbance, int], None]


def _nothing(_unit: Unit, _world: World, _on: Disturbance, _seed: int) -> None:
    """Nothing happens at this moment."""


def _plain(_asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    return go_on()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One way in which a unit can misbehave.

    Args:
        says: what it does, one sentence.
        takes: what it can be told, by name.
        services: the services whose requests it is about; empty for all.
        counted: those that count, where not all do that it is about.
        change: what becomes of an answer; it goes on, or does not, to what the unit would do without it.
        begin: what happens when it is switched on.
        after_act: what happens when something was done with the car.
        end: what happens when it is over.
    """

    says: str
    takes: Mapping[str, Argument] = field(default_factory=dict)
    services: frozenset[int] = frozenset()
    counted: frozenset[int] = frozenset()
    change: Change = _plain
    begin: Moment = _nothing
    after_act: Moment = _nothing
    end: Moment = _nothing

    def meets(self, on: Disturbance, request: bytes) -> bool:
        """True if it is about this request."""
        service = on.number("service") if "service" in self.takes else 0
        return (not self.services or request[0] in self.services) and service in (0, request[0])

    def counts(self, request: bytes) -> bool:
        """True if a request that it is about uses it up."""
        return not self.counted or request[0] in self.counted

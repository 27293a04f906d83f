"""Routines of a unit: what each needs, how long it takes in the world, and what it does to the car."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from simulators.monitors import When


class RunState(IntEnum):
    """How a routine stands; the value is the byte that the bench's units answer."""

    FINISHED = 0x00
    RUNNING = 0x01
    STOPPED = 0x02


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutineSpec:
    """A routine that a maker built in.

    Args:
        number: routine identifier, 0..FFFF.
        name: what people call it.
        needs: what must hold when it starts, and as long as it runs.
        session: the session in which the unit knows it; 01 for any.
        runs_s: how long it takes, world seconds; 0 for at once.
        repairs: parts that are sound once it has finished.
        breaks: parts that are broken once it has finished.
        clears: codes of this unit that are erased once it has finished.
    """

    number: int
    name: str
    needs: When
    session: int = 0x01
    runs_s: int = 0
    repairs: tuple[str, ...] = ()
    breaks: tuple[str, ...] = ()
    clears: tuple[str, ...] = ()


@dataclass(slots=True)
class Run:
    """A routine that was started.

    Args:
        spec: which.
        until_s: world second at which it has finished.
        state: how it stands.
    """

    spec: RoutineSpec
    until_s: int
    state: RunState = RunState.RUNNING

"""Where every door hands in its requests: one car, one lock, whoever asks and however many at once.

A door knows how bytes travel (frames, lines, packets); the desk knows what a unit says and after how long.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass

from simulators.answering import answer
from simulators.car import ActResult, Car
from simulators.unit import Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One message that a unit sends.

    Args:
        data: the payload.
        after_us: machine microseconds from the end of the request to the begin of this message.
    """

    data: bytes
    after_us: int = 0


class Desk:
    """A car behind a counter.

    Args:
        car: the car; from now on it is moved and asked through the desk alone.
    """

    def __init__(self, car: Car) -> None:
        self.car = car
        self.lock = threading.RLock()

    @property
    def units(self) -> Mapping[str, Unit]:
        """The car's units by address text."""
        return self.car.units

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        """What a unit sends back to a request, in order; nothing where it keeps quiet.

        Args:
            unit: its address text.
            request: the payload.
            functional: True if everyone was asked.
        """
        with self.lock:
            at_ms = time.monotonic_ns() // 1_000_000
            said = answer(self.car.units[unit], request, self.car.world, functional=functional, at_ms=at_ms)
            return tuple(Reply(data=data) for data in said)

    def act(self, action: str, **arguments: int | str) -> ActResult:
        """Do one thing with the car, never in the middle of a request.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        with self.lock:
            return self.car.act(action, **arguments)

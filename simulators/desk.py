"""Where every door hands in its requests: one car, one lock, whoever asks and however many at once.

A door knows how bytes travel (frames, lines, packets); the desk knows what a unit says and after how long, and how
it misbehaves: see `simulators.misbehaviour`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from functools import partial

from simulators.answering import answer
from simulators.car import ActResult, Car
from simulators.disturbance import Asked, Disturbance, GoOn, Replies, Reply
from simulators.errors import BenchError
from simulators.misbehaviour import KINDS, check_kind, make
from simulators.response_times import ResponseTimes
from simulators.unit import Unit

__all__ = ["Desk", "Reply"]


class Desk:
    """A car behind a counter.

    Args:
        car: the car; from now on it is moved and asked through the desk alone.
        times: how long its units think; None for not at all.
    """

    def __init__(self, car: Car, *, times: ResponseTimes | None = None) -> None:
        self.car = car
        self.lock = threading.RLock()
        self._times = times
        self._on: dict[str, dict[str, Disturbance]] = {}
        self._away_until_ms: dict[str, int] = {}
        self._asked: dict[str, int] = {}

    @property
    def units(self) -> Mapping[str, Unit]:
        """The car's units by address text."""
        return self.car.units

    def hears(self, unit: str) -> bool:
        """True if a unit is awake and takes what is sent to it.

        Args:
            unit: its address text.
        """
        awake = self.car.world.key_on and self.car.units[unit].is_live
        return awake and (unit not in self._away_until_ms or _now_ms() >= self._away_until_ms[unit])

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        """What a unit sends back to a request, in order; nothing where it keeps quiet.

        Args:
            unit: its address text.
            request: the payload.
            functional: True if everyone was asked.
        """
        with self.lock:
            if not request or not self.hears(unit):
                return ()
            if unit not in self._on:
                return self._timed(unit, self._plain(unit, request, functional))
            return self._disturbed(unit, request, functional)

    def act(self, action: str, **arguments: int | str) -> ActResult:
        """Do one thing with the car, never in the middle of a request.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
        """
        with self.lock:
            self._prune_all()  # it befalls the unit that is there, not a donor whose time is over
            result = self.car.act(action, **arguments)
            for unit, kinds in self._on.items():
                for on in kinds.values():
                    KINDS[on.kind].after_act(self.car.units[unit], self.car.world, on, self.car.seed)
            return result

    def disturb(self, unit: str, kind: str, **arguments: int | str) -> None:
        """Let a unit misbehave; the same kind once more takes the place of what it was told before.

        Args:
            unit: its address text or name.
            kind: a name in `simulators.misbehaviour.KINDS`.
            arguments: what that kind takes, and those of `simulators.misbehaviour.COMMON`.

        Raises:
            BenchError: no such unit or kind, or the arguments are off.
        """
        with self.lock:
            address = self._address(unit)
            made = make(kind, arguments, _now_ms())
            self._end(address, kind)
            self._on.setdefault(address, {})[kind] = made
            KINDS[kind].begin(self.car.units[address], self.car.world, made, self.car.seed)

    def settle(self, unit: str, kind: str | None = None) -> None:
        """Let a unit behave again, in one respect or in all; what was lost meanwhile stays lost.

        Args:
            unit: its address text or name.
            kind: the kind that ends, or None for all.

        Raises:
            BenchError: no such unit or kind.
        """
        with self.lock:
            address = self._address(unit)
            if kind is not None:
                check_kind(kind)
            for name in (kind,) if kind is not None else tuple(self._on.get(address, ())):
                self._end(address, name)
            if kind is None:
                self._away_until_ms.pop(address, None)

    @property
    def disturbances(self) -> Mapping[str, tuple[str, ...]]:
        """The kinds that are switched on, by unit."""
        with self.lock:
            self._prune_all()
            return {unit: tuple(kinds) for unit, kinds in self._on.items()}

    def lose_supply(self, unit: str, away_ms: int) -> None:
        """The unit's supply is gone for a moment: what it holds only under power is lost.

        Args:
            unit: its address text.
            away_ms: machine milliseconds until it hears again.
        """
        with self.lock:
            self.act("disconnect", plug=unit)
            self.act("connect", plug=unit)
            self._away_until_ms[unit] = _now_ms() + away_ms

    def _plain(self, unit: str, request: bytes, functional: bool) -> Replies:
        said = answer(self.car.units[unit], request, self.car.world, functional=functional, at_ms=_now_ms())
        return tuple(Reply(data=data) for data in said)

    def _timed(self, unit: str, replies: Replies) -> Replies:
        """What a unit says, as late as it takes it, announced where that is long."""
        if self._times is None or not replies:
            return replies
        nth = self._asked[unit] = self._asked.get(unit, 0) + 1
        pending_us, answer_us = self._times.of(seed=self.car.seed, unit=unit, nth=nth)
        (reply,) = replies
        data = reply.data
        service = data[1] if data[0] == 0x7F else data[0] - 0x40
        still_to_come = (Reply(data=bytes([0x7F, service, 0x78]), after_us=at_us) for at_us in pending_us)
        return (*still_to_come, Reply(data=data, after_us=answer_us))

    def _disturbed(self, unit: str, request: bytes, functional: bool) -> Replies:
        self._prune(unit)
        asked = Asked(
            unit=self.car.units[unit],
            world=self.car.world,
            request=request,
            functional=functional,
            now_ms=_now_ms(),
            ask=lambda other: self._plain(unit, other, functional=False),
        )

        def innermost() -> Replies:
            return self._timed(unit, self._plain(unit, request, functional))

        kinds = self._on.get(unit, {})
        meeting = [(kind, kinds[name]) for name, kind in KINDS.items() if name in kinds]
        meeting = [(kind, on) for kind, on in meeting if kind.meets(on, request)]
        go_on: GoOn = innermost
        for kind, on in meeting:
            go_on = partial(kind.change, asked, on, go_on)
        replies = go_on()
        for kind, on in meeting:
            if on.left and kind.counts(request):
                on.left -= 1
        self._prune(unit)
        return replies

    def _prune_all(self) -> None:
        for unit in tuple(self._on):
            self._prune(unit)

    def _prune(self, unit: str) -> None:
        now_ms = _now_ms()
        for name, on in tuple(self._on.get(unit, {}).items()):
            if on.over(now_ms):
                self._end(unit, name)

    def _end(self, unit: str, kind: str) -> None:
        on = self._on.get(unit, {}).pop(kind, None)
        if on is not None:
            KINDS[kind].end(self.car.units[unit], self.car.world, on, self.car.seed)
        if not self._on.get(unit, True):
            del self._on[unit]

    def _address(self, unit: str) -> str:
        for address, built in self.car.units.items():
            if unit in (address, built.spec.name):
                return address
        raise BenchError(f"no unit '{unit}'; known: {', '.join(self.car.units)}")


def _now_ms() -> int:
    return time.monotonic_ns() // 1_000_000

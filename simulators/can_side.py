"""The car's side of a CAN bus: every unit on it, one thread, and any number of testers' taps.

With physics frames take their time on the wire; without, whatever is sent has arrived.
"""

from __future__ import annotations

import heapq
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from functools import partial
from operator import itemgetter
from typing import Self

from simulators.broadcast import Broadcast
from simulators.can_bus_time import BusLoad, Frame, Manner, Physics, Wire
from simulators.can_port import Port
from simulators.desk import Desk

__all__ = ["BusLoad", "CanSide", "Frame", "Physics", "Tap"]

_MOST_IN_HAND, _MOST_ON_THE_WIRE = 50_000, 5000
_FRAMES_KEPT, _TROUBLES_KEPT = 200_000, 1000
_MS = 1_000_000
_BREATH_NS = 20 * _MS
_LONGEST, _LONGEST_FD = 8, 64  # ISO 11898-1, data bytes of a frame

Deliver = Callable[[Frame], None]
_Said = tuple["Tap", Frame, int]


class Tap:
    """One tester's place on the bus.

    Attributes:
        lost: frames that it sent faster than the bus could take them, or that no bus carries.
        is_on: True until it left the bus.
    """

    def __init__(self, side: CanSide, deliver: Deliver, then: Callable[[], None] | None) -> None:
        self.lost = 0
        self.is_on = True
        self.deliver = deliver
        self.then = then
        self._side = side

    def send(self, frame: Frame) -> None:
        """Put a frame on the bus; never waits."""
        if not self._side.submit(self, frame):
            self.lost += 1

    def close(self) -> None:
        """Leave the bus; one frame may still be on its way to `deliver`. May be called again."""
        self._side.detach(self)


class CanSide:
    """Serves a car's units on a CAN bus until closed. Starts at once.

    Args:
        desk: where requests go.
        physics: how long frames take; None for no time at all.
        broadcasts: what the car says to all while it is awake.

    Attributes:
        frames: every frame of late, oldest first, for tests only; hold `desk.lock` to read it.
        troubles: what went wrong in the units' transport and in deliveries of late, likewise.
    """

    def __init__(self, desk: Desk, physics: Physics | None = None, *, broadcasts: Iterable[Broadcast] = ()) -> None:
        self.frames: deque[Frame] = deque(maxlen=_FRAMES_KEPT)
        self.troubles: deque[Exception] = deque(maxlen=_TROUBLES_KEPT)
        self._desk = desk
        self._taps: tuple[Tap, ...] = ()
        self._attaching = threading.Lock()
        self._inbox: queue.SimpleQueue[_Said | None] = queue.SimpleQueue()
        self._out: list[tuple[Tap, Frame]] = []
        self._stopped = False
        self._at_ns = begin_ns = time.monotonic_ns()
        self._wire = None if physics is None else Wire[Tap | Port | None](physics, begin_ns)
        self._ports = [self._port(text, physics) for text in desk.units if "/" in text]
        self._by_key = {port.key: port for port in self._ports}
        self._listeners: dict[tuple[int, bool], list[Port]] = {}
        for port in self._ports:
            self._listeners.setdefault(port.functional_key, []).append(port)
        self._due_ns: dict[Port, int] = {}
        self._broadcasts = [(begin_ns, at, message) for at, message in enumerate(broadcasts)]
        self._thread = threading.Thread(target=self._serve, name="bench can", daemon=False)
        self._thread.start()

    def attach(self, deliver: Deliver, *, then: Callable[[], None] | None = None) -> Tap:
        """Take a place on the bus.

        Args:
            deliver: called from the bus's own thread with each frame that others send; it must not wait.
            then: called likewise when no more frames are there for the moment.
        """
        tap = Tap(self, deliver, then)
        with self._attaching:
            self._taps = (*self._taps, tap)
        return tap

    def detach(self, tap: Tap) -> None:
        """Take a tap off the bus."""
        with self._attaching:
            tap.is_on = False
            self._taps = tuple(other for other in self._taps if other is not tap)

    def submit(self, tap: Tap, frame: Frame) -> bool:
        """Take a frame of a tap; False if the bus has too many in hand already, is closed, or carries no such frame."""
        if len(frame.data) > (_LONGEST_FD if frame.is_fd else _LONGEST):
            return False
        full = self._inbox.qsize() >= _MOST_IN_HAND
        if self._wire is not None:
            full = full or len(self._wire) >= _MOST_ON_THE_WIRE
        if full or self._stopped or not tap.is_on:
            return False
        self._inbox.put((tap, frame, time.monotonic_ns()))
        return True

    def load(self) -> BusLoad | None:
        """How busy the bus is; None for a bus without physics."""
        with self._desk.lock:
            return None if self._wire is None else self._wire.load(time.monotonic_ns())

    @property
    def busy(self) -> bool:
        """True while any message is on its way in or out."""
        with self._desk.lock:
            return any(port.busy for port in self._ports)

    def close(self) -> None:
        """Stop serving; returns when the thread is gone. May be called again."""
        self._stopped = True
        self._inbox.put(None)
        self._thread.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _port(self, text: str, physics: Physics | None) -> Port:
        manner = Manner() if physics is None else physics.manner(seed=self._desk.car.seed, unit=text)
        return Port(
            text,
            is_fd=self._desk.units[text].spec.can_fd,
            manner=manner,
            put=self._put,
            ask=lambda request, functional: self._desk.ask(text, request, functional=functional),
            lose_supply=partial(self._desk.lose_supply, text),
            trouble=self.troubles.append,
        )

    def _serve(self) -> None:
        due_ns: int | None = self._at_ns
        while not self._stopped:
            first = self._wait(due_ns)
            with self._desk.lock:
                try:
                    due_ns = self._step(first)
                except Exception as error:  # as of a message that the car says to all
                    self.troubles.append(error)
                    due_ns = time.monotonic_ns() + _BREATH_NS
            self._hand_out()

    def _wait(self, due_ns: int | None) -> _Said | None:
        """Wait for what a tap says, or until something is due; while a frame is on the wire both wait for its end."""
        wait_s = None if due_ns is None else max(0.0, (due_ns - time.monotonic_ns()) / 1e9)
        if wait_s and self._wire is not None and self._wire.is_taken:
            time.sleep(wait_s)
            wait_s = 0.0
        try:
            return self._inbox.get_nowait() if wait_s == 0 else self._inbox.get(timeout=wait_s)
        except queue.Empty:
            return None

    def _step(self, first: _Said | None) -> int | None:
        """Do what is due, as of the time when it was due; say when something else is."""
        now_ns = time.monotonic_ns()
        said = [first, *(self._inbox.get_nowait() for _ in range(self._inbox.qsize()))]
        for tap, frame, said_ns in filter(None, said):
            self._at_ns = said_ns
            self._put(tap, frame)
        self._at_ns = now_ns
        self._say_to_all(now_ns)
        due = [(due_ns, port) for port, due_ns in self._due_ns.items() if due_ns <= now_ns]
        for due_ns, port in sorted(due, key=itemgetter(0)):
            self._at_ns = due_ns
            self._move(port, due_ns, partial(port.step, due_ns) if self._desk.hears(port.text) else port.drop)
        if self._wire is not None:
            self._let_through(self._wire, now_ns)
            if self._wire.is_taken:
                return self._wire.due_ns()
        next_ns = [at_ns for at_ns, _, _ in self._broadcasts[:1]]
        next_ns += self._due_ns.values()
        wire_ns = None if self._wire is None else self._wire.due_ns()
        next_ns += [] if wire_ns is None else [wire_ns]
        return min(next_ns, default=None)

    def _move(self, port: Port, now_ns: int, step: Callable[[], None]) -> None:
        """Let a unit do something, and note when it is to be moved on next: only those that are due are looked at."""
        earliest_ns = 0
        try:
            step()
        except Exception as error:  # a mistake of one unit must not silence all others
            self.troubles.append(error)
            earliest_ns = now_ns + _BREATH_NS
        if port.busy:
            self._due_ns[port] = max(earliest_ns, port.due_ns(now_ns))
        else:
            self._due_ns.pop(port, None)

    def _let_through(self, wire: Wire[Tap | Port | None], now_ns: int) -> None:
        """Whatever was on the wire and is out by now has arrived when it was out, not when somebody looked."""
        while (done := wire.take(now_ns)) is not None:
            self._at_ns, frame, sender = done
            self._arrived(sender, frame)
            if isinstance(sender, Port):
                self._move(sender, now_ns, partial(sender.sent, self._at_ns))

    def _put(self, sender: Tap | Port | None, frame: Frame) -> None:
        """A frame of a tap, of a unit or of the car itself goes on the bus."""
        if self._wire is None:
            self._arrived(sender, frame)
            return
        if isinstance(sender, Port):
            sender.on_its_way += 1
        self._wire.put(frame, sender, self._at_ns)

    def _arrived(self, sender: Tap | Port | None, frame: Frame) -> None:
        """The whole frame is out: everyone else has it."""
        self.frames.append(frame)
        self._out.extend((tap, frame) for tap in self._taps if tap is not sender)
        if not isinstance(sender, Tap):
            return
        key = (frame.arbitration_id, frame.is_extended)
        port = self._by_key.get((*key, None))
        if port is None and frame.data:
            port = self._by_key.get((*key, frame.data[0]))
        hearing = self._listeners.get(key, ()) if port is None else (port,)
        for listener in hearing:
            if self._desk.hears(listener.text):
                hear = listener.hear if listener is port else listener.hear_all
                self._move(listener, self._at_ns, partial(hear, frame, self._at_ns))

    def _say_to_all(self, now_ns: int) -> None:
        while self._broadcasts and self._broadcasts[0][0] <= now_ns:
            due_ns, at, message = self._broadcasts[0]
            next_ns = max(due_ns, now_ns - message.cycle_ms * _MS) + message.cycle_ms * _MS
            heapq.heapreplace(self._broadcasts, (next_ns, at, message))
            if self._desk.car.world.key_on:
                data = message.data(self._desk.car)
                self._put(None, Frame("tx", message.can_id, message.is_29_bit, data, is_fd=message.length > 8))

    def _hand_out(self) -> None:
        """Deliver what arrived, with no lock held."""
        out, self._out = self._out, []
        for tap, frame in out:
            self._tell(tap, partial(tap.deliver, frame))
        for tap in dict.fromkeys(tap for tap, _ in out):
            if tap.then is not None:
                self._tell(tap, tap.then)

    def _tell(self, tap: Tap, call: Callable[[], None]) -> None:
        if tap.is_on:
            try:
                call()
            except Exception as error:  # whatever a tester's side does, the bus goes on, without it
                tap.close()
                with self._desk.lock:
                    self.troubles.append(error)

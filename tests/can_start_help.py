"""A CAN adapter without hardware: one car at one bit rate, and what such an adapter hands over of it."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass, field
from types import SimpleNamespace

import can
import pytest

from gateway.links.base import Limits
from gateway.links.can.bus import CanBus

QUICK = Limits(p2_ms=20, functional_ms=20, listen_ms=20)
ERROR = can.Message(is_error_frame=True)


def close_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pyserial close a distant port without the 0.3 s pause that it makes for slow servers; the door is none."""
    monkeypatch.setattr("serial.urlhandler.protocol_socket.time", SimpleNamespace(sleep=lambda _seconds: None))


def message(can_id: int, data: str, *, fd: bool = False) -> can.Message:
    """A data frame; identifiers above 7FF have 29 bits."""
    return can.Message(
        arbitration_id=can_id, is_extended_id=can_id > 0x7FF, data=bytes.fromhex(data), is_fd=fd, check=True
    )


@dataclass
class Car:
    """What is at the plug.

    Args:
        bitrate: its bus's rate; None for nothing plugged in.
        says: frames that are heard whenever one listens.
        answers: what comes for a frame on this identifier.
        tells_errors: True if the adapter hands over error frames.
        sent: every frame that was sent to it: rate, identifier, data.
    """

    bitrate: int | None
    says: tuple[can.Message, ...] = ()
    answers: dict[int, tuple[can.Message, ...]] = field(default_factory=dict)
    tells_errors: bool = True
    sent: list[tuple[int | None, int, bytes]] = field(default_factory=list)


class FakeBus(can.BusABC):
    """An adapter at one rate: at the wrong one it hears errors at most, as a CAN controller does."""

    def __init__(self, car: Car, bitrate: int | None) -> None:
        self.is_open = True
        self.queue: deque[can.Message | Exception] = deque()
        self.state_now = can.BusState.ACTIVE
        self._car = car
        self._rate = bitrate
        self._fits = car.bitrate is not None and bitrate in (None, car.bitrate)
        super().__init__(channel="fake")
        if car.says:
            self._hear(car.says)

    def _hear(self, frames: tuple[can.Message, ...]) -> None:
        if self._fits:
            self.queue.extend(frames)
        elif self._car.tells_errors and self._car.bitrate is not None:
            self.queue.extend([ERROR] * max(1, len(frames)))

    def settle(self, timeout_s: float) -> None:
        """Every setting is answered at once, where it stands for an slcan adapter."""

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - python-can's signature
        self._car.sent.append((self._rate, msg.arbitration_id, bytes(msg.data)))
        self._hear(self._car.answers.get(msg.arbitration_id, ()) if self._fits else ())

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.queue:
            item = self.queue.popleft()
            if isinstance(item, Exception):
                raise item
            return item, False
        time.sleep(timeout or 0)
        return None, False

    @property
    def state(self) -> can.BusState:
        return self.state_now

    def shutdown(self) -> None:
        super().shutdown()
        self.is_open = False


class FakeDoor:
    """Opens fake adapters and remembers how; only one is open at a time."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.opened: list[tuple[int | None, bool]] = []
        self.buses: list[FakeBus] = []

    def open_at(self, bitrate: int | None, *, quiet: bool) -> CanBus:
        if self.buses and self.opened[-1] == (bitrate, quiet):
            return self._bus
        if self.buses:
            self._bus.close()
        self.opened.append((bitrate, quiet))
        self.buses.append(FakeBus(self.car, bitrate))
        self._bus = CanBus(self.buses[-1], "can:fake:x", fd=False)
        return self._bus

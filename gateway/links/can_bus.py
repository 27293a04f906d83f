"""python-can's bus behind the three calls a CAN link needs, with its errors mapped."""

from __future__ import annotations

import time
from dataclasses import dataclass

import can

from decoders.values import CanId
from gateway.links.can_errors import map_can_errors

_EARLY_PAUSE_S = 0.001


@dataclass(frozen=True, slots=True)
class Frame:
    """One data frame as read. `read_ns` is `time.perf_counter_ns` when the bus handed it over."""

    number: int
    is_29_bit: bool
    data: bytes
    read_ns: int


class CanBus:
    """Sends and reads data frames; every error of the libraries comes out as LinkError."""

    def __init__(self, bus: can.BusABC, name: str, *, fd: bool) -> None:
        self.name = name
        self._bus = bus
        self._fd = fd
        self._closed = False

    def put(self, can_id: CanId, data: bytes) -> None:
        """Put one frame on the bus.

        Raises:
            LinkError: the bus is broken or closed.
        """
        message = can.Message(
            arbitration_id=can_id.number,
            is_extended_id=can_id.is_29_bit,
            data=data,
            is_fd=self._fd,
            bitrate_switch=self._fd,
        )
        with map_can_errors(f"cannot send on {self.name}"):
            self._bus.send(message)

    def read(self, timeout_s: float) -> Frame | None:
        """The next data frame, or None if none came in time; error and remote frames are passed over.

        Raises:
            LinkError: the bus is broken or closed.
        """
        begun_s = time.perf_counter()
        with map_can_errors(f"cannot read from {self.name}"):
            message = self._bus.recv(timeout_s)
            while message is not None and (message.is_error_frame or message.is_remote_frame):
                message = self._bus.recv(0)
        if message is not None:
            return Frame(message.arbitration_id, message.is_extended_id, bytes(message.data), time.perf_counter_ns())
        if time.perf_counter() - begun_s < timeout_s / 2:
            # Some interfaces return at once when their peer is gone: do not spin.
            time.sleep(min(_EARLY_PAUSE_S, timeout_s / 2))
        return None

    def close(self) -> None:
        """Shut the bus down once."""
        if not self._closed:
            self._closed = True
            with map_can_errors(f"cannot close {self.name}"):
                self._bus.shutdown()

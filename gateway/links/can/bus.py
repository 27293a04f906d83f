"""python-can's bus behind the three calls a CAN link needs, with its errors mapped and bus trouble noticed.

Error frames: a single one on a healthy bus is harmless and passed over. `MOST_TROUBLES` in a row with no data
frame between, none later than a second after the one before it, are bus trouble and end the link. A controller
goes off the bus after as many: each failed sending adds 8, and 256 is off (ISO 11898-1, fault confinement; from
memory). What an adapter hands over that is no frame at all, e.g. a line with a character lost, counts the same.
"""

from __future__ import annotations

import errno
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import can

from decoders.errors import LinkError
from decoders.values import CanId
from gateway.links.base import BusFrame, Trace
from gateway.links.can.bus_load import BusLoad
from gateway.links.can.errors import map_can_errors, system_error_number
from gateway.links.can.ports.slcan import SlcanBus

MOST_TROUBLES = 32
_IN_A_ROW_NS = 1_000_000_000
_EARLY_PAUSE_S = 0.001
_PASS_OVER_S = 0.05
_LINE_S = 0.005
_FULL_S = 0.25
_STATE_EVERY_NS = 250_000_000
# Linux puts the class of an error frame where the identifier is. Source: linux/can/error.h, CAN_ERR_BUSOFF.
_LINUX_CLASSES = frozenset({"SocketcanBus", "SocketCanDaemonBus", "GsUsbBus"})
_BUS_OFF = 0x40


@dataclass(frozen=True, slots=True)
class Frame:
    """One data frame as read. `read_ns` is `time.perf_counter_ns` when the bus handed it over."""

    number: int
    is_29_bit: bool
    data: bytes
    read_ns: int


class CanBus:
    """Sends and reads data frames; every error of the libraries comes out as LinkError.

    Args:
        bus: python-can's, open.
        name: how error lines call it.
        fd: True to send CAN FD frames.
        bitrate: in bit/s, or None where nobody told.

    Attributes:
        is_dry: after `read` gave None: True if nothing more had come, False if it gave up passing frames over.
        trace: told of every frame sent or read, also of those that `read` passes over; None for nobody.
    """

    def __init__(self, bus: can.BusABC, name: str, *, fd: bool, bitrate: int | None = None) -> None:
        self.name = name
        self._bus = bus
        self._fd = fd
        self._closed = False
        self._troubles = 0
        self._trouble_ns = 0
        self._state_ns = 0
        self._slcan = bus if isinstance(bus, SlcanBus) else None
        self._port: Any = getattr(bus, "serialPortOrig", None)
        self._reads_bytes = self._port is not None and self._slcan is None
        self._tells_class = type(bus).__name__ in _LINUX_CLASSES
        self.is_dry = True
        self.trace: Trace | None = None
        # The data of CAN FD frames go at a rate of their own.
        self._load = None if bitrate is None or fd else BusLoad(bitrate)

    @property
    def refusals(self) -> int:
        """How often the adapter told, as far as was read, that it did not take a frame; most raise an error instead."""
        return 0 if self._slcan is None else self._slcan.refusals

    def load(self, now_ns: int) -> float | None:
        """How busy the bus is, 0 to 1; None where its bit rate is not known."""
        return None if self._load is None else self._load.share(now_ns)

    def put(self, can_id: CanId, data: bytes) -> None:
        """Put one frame on the bus.

        Raises:
            LinkError: the bus is broken or closed, or takes no frame for a quarter of a second.
        """
        message = can.Message(
            arbitration_id=can_id.number,
            is_extended_id=can_id.is_29_bit,
            data=data,
            is_fd=self._fd,
            bitrate_switch=self._fd,
        )
        with map_can_errors(f"cannot send on {self.name}", anything=True):
            self._send(message)
        self._tell(message, sent=True)

    def _send(self, message: can.Message) -> None:
        """Send; a full queue of the system is given the time of some hundred frames to empty."""
        until_s = time.perf_counter() + _FULL_S
        while True:
            try:
                # None leaves it to the interface; those at a serial port would wait for ever for a port that is stuck.
                self._bus.send(message, None if self._port is None else _FULL_S)
            except Exception as error:
                if system_error_number(error) != errno.ENOBUFS or time.perf_counter() > until_s:
                    raise
                time.sleep(_EARLY_PAUSE_S)
            else:
                return

    def read(self, timeout_s: float) -> Frame | None:
        """The next data frame, or None if none came in time; error and remote frames are passed over.

        Raises:
            LinkError: the bus is broken, closed or off, or carries error frames only (see above).
        """
        begun_s = time.perf_counter()
        wait_s = timeout_s
        while True:
            message = self._receive(wait_s)
            if message is not None:
                wait_s = 0.0
                read_ns = self._tell(message, sent=False)
                if not (message.is_error_frame or message.is_remote_frame):
                    self._troubles = 0
                    return Frame(message.arbitration_id, message.is_extended_id, bytes(message.data), read_ns)
                if message.is_error_frame:
                    self._count_trouble(is_off=self._tells_class and bool(message.arbitration_id & _BUS_OFF))
            elif self._has_more():
                wait_s = _LINE_S
            else:
                break
            if time.perf_counter() - begun_s > timeout_s + _PASS_OVER_S:
                self.is_dry = False
                return None
        self.is_dry = True
        self._look_at_state()
        if time.perf_counter() - begun_s < timeout_s / 2:
            # Some interfaces return at once when their peer is gone: do not spin.
            time.sleep(min(_EARLY_PAUSE_S, timeout_s / 2))
        return None

    def _receive(self, wait_s: float) -> can.Message | None:
        """What the interface hands over next; what is no frame, as an error frame."""
        with map_can_errors(f"cannot read from {self.name}"):
            try:
                message = self._bus.recv(wait_s)
            except (can.CanError, OSError):
                raise
            except Exception:  # A driver may raise anything when what came from its device makes no sense.
                return can.Message(is_error_frame=True)
        if message is not None and not message.is_remote_frame and _is_cut(message):
            return can.Message(is_error_frame=True)
        return message

    def _has_more(self) -> bool:
        """True if bytes wait at the port: a bus of python-can, not given time, reads one of them and says "nothing"."""
        waiting = 0
        with suppress(Exception):  # whatever is wrong with the port, reading from it says so
            waiting = self._port.in_waiting if self._reads_bytes else 0
        return waiting > 0

    def _count_trouble(self, *, is_off: bool) -> None:
        now_ns = time.perf_counter_ns()
        self._troubles = self._troubles + 1 if now_ns - self._trouble_ns < _IN_A_ROW_NS else 1
        self._trouble_ns = now_ns
        if is_off:
            self._fail_off()
        self._look_at_state()
        if self._troubles >= MOST_TROUBLES:
            raise LinkError(
                f"{self.name}: {self._troubles} error frames came in a row and no other frame: "
                "the bit rate is wrong, or the bus is disturbed",
                next_step="check the bit rate (500000 or 250000), the plug and the cable, then run the step again",
            )

    def _look_at_state(self) -> None:
        """Ask the interface whether it is off the bus, now and then; most say that they are not, whatever is."""
        now_ns = time.perf_counter_ns()
        if now_ns - self._state_ns < _STATE_EVERY_NS or self._closed:
            return
        self._state_ns = now_ns
        state = can.BusState.ACTIVE
        with suppress(Exception):  # A driver that cannot say it says nothing.
            state = self._bus.state
        if state is can.BusState.ERROR:
            self._fail_off()

    def _fail_off(self) -> None:
        raise LinkError(
            f"{self.name}: the adapter is off the bus (bus off): it met too many errors",
            next_step="check the bit rate (500000 or 250000) and the cable, plug the adapter in again, "
            "then run the step again",
        )

    def _tell(self, message: can.Message, *, sent: bool) -> int:
        at_ns = time.perf_counter_ns()
        if self._load is not None:
            self._load.note(len(message.data), is_29_bit=message.is_extended_id, at_ns=at_ns)
        if self.trace is not None:
            self.trace(
                BusFrame(
                    at_ns=at_ns,
                    sent=sent,
                    number=0 if message.is_error_frame else message.arbitration_id,
                    is_29_bit=message.is_extended_id,
                    data=bytes(message.data),
                    is_fd=message.is_fd,
                    bitrate_switch=message.bitrate_switch,
                    is_remote=message.is_remote_frame,
                    is_error=message.is_error_frame,
                )
            )
        return at_ns

    def close(self) -> None:
        """Shut the bus down once. What no longer answers is closed all the same: nothing is lost by it."""
        if self._closed:
            return
        self._closed = True
        connection = getattr(self._port, "_socket", None)
        with suppress(Exception):  # a driver may raise anything
            self._bus.shutdown()
        # python-can's slcan says goodbye to its adapter first, pyserial to the peer of a distant port: where nobody
        # is left to hear it they keep the port, or the socket under it, open.
        for left_open in (connection, self._port):
            if left_open is not None:
                with suppress(Exception):
                    left_open.close()


def _is_cut(message: can.Message) -> bool:
    """True if fewer data bytes came than its length says; in a classic frame every code above 8 means 8.

    Source: ISO 11898-1, data length code.
    """
    return len(message.data) < (message.dlc if message.is_fd else min(message.dlc, 8))

"""The CAN door: a TCP port where any number of slcan clients sit on the car's bus, each with its own adapter.

An adapter that was set to another bit rate than the car's hears no frame, and what it sends reaches nobody: it takes
the line, and its status flags tell of a bus error (common practice). Nobody else is disturbed by it here, as they
would be on a real bus. One whose rate was never set has the car's.
"""

from __future__ import annotations

import socket
from collections.abc import Callable

from simulators.can_side import CanSide, Frame
from simulators.serving import HIGHEST_PORT, HOST, Client, Door, listen
from simulators.slcan import BUS_ERROR, ERROR, NO_FLAGS, OK, Mode, Reader, Said, write_frame

__all__ = ["SlcanDoor"]

BITRATE = 500_000  # ISO 15765-4 has this and 250,000 bit/s
_MOST_CLIENTS = 256
_MOST_UNREAD = 1 << 20  # a bus cannot wait for a client that leaves more unread


class _Client(Client):
    """One connection: its lines on the way in, its frames on the way out.

    Args:
        port: the connection.
        side: the bus that it takes a place on.
        bitrate: the bus's, in bit/s.
        wake: tells the door that there is something to send.
    """

    def __init__(self, port: socket.socket, side: CanSide, bitrate: int, wake: Callable[[_Client], None]) -> None:
        super().__init__(port, most_unread=_MOST_UNREAD)
        self.reader = Reader()
        self._bitrate = bitrate
        self._met_errors = False
        self._wake = wake
        self._has_news = False
        self.tap = side.attach(self._deliver, then=self._send_off)

    def _deliver(self, frame: Frame) -> None:
        """Take a frame of the bus, from the bus's own thread; never waits."""
        if self.reader.mode is Mode.CLOSED or self._is_deaf(self.reader.bitrate):
            return
        line = write_frame(frame)
        if line is not None and self.queue(line):
            self._has_news = True

    def _send_off(self) -> None:
        """Send the frames that came in a row, from the bus's own thread too: the door need not wake for each."""
        if self._has_news:
            self._has_news = False
            if self.send_queued():
                self._wake(self)

    def _is_deaf(self, bitrate: int | None) -> bool:
        """True if a bit rate is not the bus's; the frame at hand is then a bus error to the adapter."""
        is_deaf = bitrate not in (None, self._bitrate)
        self._met_errors = self._met_errors or is_deaf
        return is_deaf

    def take(self, data: bytes) -> None:
        for said in self.reader.feed(data):
            with self.queueing:  # the car does not answer a frame before its adapter has acknowledged the line
                self.queue(self._carry_out(said))

    def _carry_out(self, said: Said) -> bytes:
        """Do what a line says; give the answer to it."""
        if said.reply == NO_FLAGS + OK and self._met_errors:
            self._met_errors = False
            return BUS_ERROR + OK
        if said.frame is None or self._is_deaf(said.bitrate):
            return said.reply
        lost = self.tap.lost
        self.tap.send(said.frame)
        return said.reply if self.tap.lost == lost else ERROR

    def left(self) -> None:
        self.tap.close()


class SlcanDoor(Door[_Client]):
    """Serves a car's CAN bus to slcan clients on TCP until closed. Starts at once.

    Args:
        side: the car's side of the bus.
        port: TCP port on 127.0.0.1; 0 takes a free one.
        bitrate: the bus's, in bit/s.

    Attributes:
        port: the port it serves.
        link: the link address that a user types.

    Raises:
        BenchError: the port is in use, or no port.
    """

    def __init__(self, side: CanSide, port: int = 0, *, bitrate: int = BITRATE) -> None:
        self._side = side
        self._bitrate = bitrate
        listener = listen(
            port,
            no_port=f"{port} is no TCP port: take one from 1 to {HIGHEST_PORT}, or 0 for a free one",
            in_use=f"port {port} on {HOST} cannot be used",
        )
        self.port: int = listener.getsockname()[1]
        self.link = f"can:slcan:socket://{HOST}:{self.port}"
        super().__init__(self.link, listener)

    def _welcome(self, port: socket.socket) -> _Client | None:
        is_full = len(self._clients) >= _MOST_CLIENTS
        return None if is_full else _Client(port, self._side, self._bitrate, self.wake)

"""The door for testers in this process: a python-can virtual bus."""

from __future__ import annotations

import queue
import uuid
from typing import Self

import can
from can.interfaces.virtual import VirtualBus, channels_lock

from simulators.can_side import CanSide, Frame, Tap

__all__ = ["Frame", "VirtualDoor"]


class _Inlet(queue.Queue[can.Message]):
    """Stands among the queues of a virtual channel and passes on at once what is put into it.

    So that no thread is needed that reads from one queue and writes into another.
    """

    def __init__(self) -> None:
        super().__init__()
        self.tap: Tap | None = None

    def put(self, item: can.Message, block: bool = True, timeout: float | None = None) -> None:  # noqa: ARG002
        if self.tap is not None and not (item.is_error_frame or item.is_remote_frame):
            self.tap.send(
                Frame(
                    "rx",
                    item.arbitration_id,
                    item.is_extended_id,
                    bytes(item.data),
                    item.is_fd,
                    item.bitrate_switch,
                )
            )


class _Bus(VirtualBus):
    """A place on a virtual channel that receives through an inlet."""

    def __init__(self, channel: str, inlet: _Inlet) -> None:
        super().__init__(channel=channel)
        with channels_lock:
            self.channel[self.channel.index(self.queue)] = inlet
            self.queue = inlet


class VirtualDoor:
    """Serves a car's CAN bus on a virtual channel until closed. Starts at once.

    Args:
        side: the car's side of the bus.
        channel: name of the python-can virtual channel; by default one of its own.

    Attributes:
        link: the link address of this door, for this process alone.
    """

    def __init__(self, side: CanSide, channel: str | None = None) -> None:
        channel = channel or f"bench-{uuid.uuid4()}"
        self.link = f"can:virtual:{channel}"
        self._inlet = _Inlet()
        self._bus = _Bus(channel, self._inlet)
        self._tap = side.attach(self._deliver)
        self._inlet.tap = self._tap

    def close(self) -> None:
        """Leave the channel. May be called again."""
        self._inlet.tap = None
        self._tap.close()
        self._bus.shutdown()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _deliver(self, frame: Frame) -> None:
        if len(self._bus.channel) == 1:
            return  # nobody else is there
        self._bus.send(
            can.Message(
                arbitration_id=frame.arbitration_id,
                is_extended_id=frame.is_extended,
                data=frame.data,
                is_fd=frame.is_fd,
                bitrate_switch=frame.bitrate_switch,
            )
        )

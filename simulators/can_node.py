"""The only place where the bench touches a bus: one thread, one bus object for the whole car."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass

import can
import isotp

from decoders.values import UnitAddress
from simulators.answering import answer
from simulators.unit import Unit
from simulators.world import World

FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT = 0x7DF, 0x18DB33F1  # ISO 15765-4
_IDLE_S = 0.02
_SHORTEST_S = 0.0005
# Transport errors are kept in `CanNode.troubles`; nothing is to appear on a user's terminal.
_LOGGER_NAME = "simulators.isotp"
logging.getLogger(_LOGGER_NAME).addHandler(logging.NullHandler())
_PARAMS = {
    "logger_name": _LOGGER_NAME,
    "blocksize": 0,
    "stmin": 0,
    "tx_padding": 0xAA,
    "tx_data_min_length": 8,
    "wait_func": lambda _seconds: None,  # can-isotp calls it twice while it checks these settings
}


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame as the bench saw it: `direction` is ``rx`` (to the car) or ``tx`` (from it)."""

    direction: str
    arbitration_id: int
    is_extended: bool
    data: bytes


class _Port:
    """One unit's end of ISO 15765-2."""

    def __init__(self, node: CanNode, unit: Unit) -> None:
        address = UnitAddress.parse(unit.spec.address)
        wide = address.request.is_29_bit
        self.unit = unit
        self.request_key = (address.request.number, wide)
        self.functional_key = (FUNCTIONAL_29_BIT if wide else FUNCTIONAL_11_BIT, wide)
        self.inbox: deque[isotp.CanMessage] = deque()
        self._node = node
        self.logic = isotp.TransportLayerLogic(
            rxfn=self._next_frame,
            txfn=node.send,
            address=isotp.Address(
                isotp.AddressingMode.Normal_29bits if wide else isotp.AddressingMode.Normal_11bits,
                txid=address.response.number,
                rxid=address.request.number,
            ),
            error_handler=node.troubles.append,
            params=dict(_PARAMS),
        )

    def _next_frame(self, _timeout_s: float) -> isotp.CanMessage | None:
        return self.inbox.popleft() if self.inbox else None

    def step(self) -> None:
        """Move the transport on and answer whatever request became whole."""
        self.logic.process()
        request = self.logic.recv()
        while request is not None:
            self.answer(bytes(request), functional=False)
            request = self.logic.recv()

    def answer(self, request: bytes, *, functional: bool) -> None:
        """Ask the unit and begin to send what it says."""
        at_ms = time.monotonic_ns() // 1_000_000
        for reply in answer(self.unit, request, self._node.world, functional=functional, at_ms=at_ms):
            self.logic.send(reply)
        self.logic.process()

    @property
    def busy(self) -> bool:
        """True while a message is on its way in or out."""
        return bool(self.logic.transmitting() or self.logic.is_rx_active())


class CanNode:
    """Serves a car's units on a virtual bus until closed.

    Args:
        channel: name of the python-can virtual channel.
        units: the car's units by address.
        world: the world they live in.
        guard: held while requests are handled; whoever moves the world must hold it too.
    """

    def __init__(
        self,
        channel: str,
        units: Mapping[str, Unit],
        world: World,
        guard: AbstractContextManager[bool | None],
    ) -> None:
        self.world = world
        self.frames: list[Frame] = []
        self.troubles: list[Exception] = []
        self._guard = guard
        self._bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
        self._ports = [_Port(self, unit) for unit in units.values()]
        self._by_id = {port.request_key: port for port in self._ports}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name=f"bench {channel}", daemon=True)
        self._thread.start()

    def send(self, message: isotp.CanMessage) -> None:
        """Put one frame of a unit on the bus."""
        data = bytes(message.data)
        self.frames.append(Frame("tx", message.arbitration_id, message.is_extended_id, data))
        self._bus.send(
            can.Message(arbitration_id=message.arbitration_id, is_extended_id=message.is_extended_id, data=data)
        )

    @property
    def busy(self) -> bool:
        """True while any message is on its way in or out."""
        return any(port.busy for port in self._ports)

    def close(self) -> None:
        """Stop serving; returns when the thread is gone."""
        self._stop.set()
        self._thread.join()
        self._bus.shutdown()

    def _serve(self) -> None:
        wait_s = _IDLE_S
        while not self._stop.is_set():
            message = self._bus.recv(wait_s)
            with self._guard:
                if message is not None:
                    self._take(message)
                wait_s = self._step_busy()

    def _step_busy(self) -> float:
        """Move every transfer under way; say how long the bus may be waited for."""
        wait_s = _IDLE_S
        for port in self._ports:
            if not port.busy:
                continue
            if not self.world.key_on:
                port.logic.reset()
                continue
            port.step()
            if port.logic.is_tx_transmitting_cf():
                delay_s = port.logic.next_cf_delay()
                wait_s = min(wait_s, _IDLE_S if delay_s is None else max(_SHORTEST_S, delay_s))
        return wait_s

    def _take(self, message: can.Message) -> None:
        data = bytes(message.data)
        self.frames.append(Frame("rx", message.arbitration_id, message.is_extended_id, data))
        if not self.world.key_on or message.is_error_frame or message.is_remote_frame:
            return
        key = (message.arbitration_id, message.is_extended_id)
        port = self._by_id.get(key)
        if port is not None:
            port.inbox.append(
                isotp.CanMessage(arbitration_id=message.arbitration_id, data=data, extended_id=message.is_extended_id)
            )
            port.step()
            return
        request = _single_frame(data)
        if request is not None:
            for listener in self._ports:
                if listener.functional_key == key:
                    listener.answer(request, functional=True)


def _single_frame(data: bytes) -> bytes | None:
    """The payload of a single frame, or None. Functional requests are never longer.

    Source: ISO 15765-2, N_PCI of a single frame; a length of 0 or above 7 is ignored.
    """
    if not data or data[0] >> 4 or not 1 <= data[0] <= min(7, len(data) - 1):
        return None
    return data[1 : 1 + data[0]]

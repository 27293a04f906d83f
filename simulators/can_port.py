"""One unit's end of ISO 15765-2: frames in, requests to the desk, answers out as frames when they are due."""

from __future__ import annotations

import heapq
import logging
import time
from collections import deque
from collections.abc import Callable
from itertools import count
from typing import cast

import isotp

from decoders.values import CanId, UnitAddress
from simulators.can_bus_time import Frame, Manner
from simulators.desk import Reply
from simulators.frame_faults import FrameFault, Outgoing, away_ms, spoiled

FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT = 0x7DF, 0x18DB33F1  # ISO 15765-4
_POLL_NS = 20_000_000
_SHORTEST_NS = 100_000
_MOST_WAITING = 4096
# Transport errors are kept in `CanSide.troubles`; nothing is to appear on a user's terminal.
_LOGGER_NAME = "simulators.isotp"
logging.getLogger(_LOGGER_NAME).addHandler(logging.NullHandler())
_FLOW_CONTROL = 3
_PADDING = 0xAA
_CLASSIC = 8
_ESCAPE = b"\x00"
_LONGEST_STMIN, _SHORT_STMINS = 0x7F, range(0xF1, 0xFA)

Key = tuple[int, bool, int | None]
"""Identifier, True if it has 29 bits, and the address byte behind it, if there is one."""


class Port:
    """A unit on the bus.

    Args:
        text: its address text.
        is_fd: True if it is asked and answers in CAN FD frames.
        manner: how it sends and takes long messages.
        put: takes each frame that it sends.
        ask: asks the unit: the request, and whether everyone was asked.
        lose_supply: told for how many milliseconds its supply is gone.
        trouble: takes what went wrong in the transport.
    """

    def __init__(
        self,
        text: str,
        *,
        is_fd: bool,
        manner: Manner,
        put: Callable[[Port, Frame], None],
        ask: Callable[[bytes, bool], tuple[Reply, ...]],
        lose_supply: Callable[[int], None],
        trouble: Callable[[Exception], None],
    ) -> None:
        address = UnitAddress.parse(text)
        self.text = text
        self.is_fd = is_fd
        self.key: Key = (address.request.number, address.request.is_29_bit, address.request.extension)
        self.on_its_way = 0
        wide = address.request.is_29_bit
        self.functional_key = (FUNCTIONAL_29_BIT if wide else FUNCTIONAL_11_BIT, wide)
        self._lead = b"" if address.request.extension is None else bytes([address.request.extension])
        self._pci_at = 0 if address.response.extension is None else 1
        self._manner = manner
        self._put, self._ask, self._lose_supply = put, ask, lose_supply
        self._inbox: deque[isotp.CanMessage] = deque()
        self._waiting: list[tuple[int, int, Reply]] = []
        self._order = count()
        self._faults: tuple[FrameFault, ...] = ()
        self._nth = 0
        self._is_at_rest, self._is_sending = True, False  # the transport, when it was last moved on
        self._logic = isotp.TransportLayerLogic(
            rxfn=self._next_frame,
            txfn=self._frame_out,
            address=_isotp_address(address),
            error_handler=trouble,
            params={
                "logger_name": _LOGGER_NAME,
                "blocksize": manner.block_size,
                "stmin": manner.stmin,
                "tx_padding": _PADDING,
                "tx_data_length": 64 if is_fd else 8,
                "tx_data_min_length": 8,
                "can_fd": is_fd,
                "bitrate_switch": is_fd,
                "wait_func": lambda _seconds: None,  # can-isotp calls it twice while it checks these settings
            },
        )

        # It sets out with a limit even where none is asked for, and keeps an account of every byte.
        self._logic.rate_limiter.disable()

    @property
    def busy(self) -> bool:
        """True while a message is on its way in or out, or still to be sent."""
        return bool(self._waiting or self._is_sending or self._logic.is_rx_active())

    def hear(self, frame: Frame, now_ns: int) -> None:
        """Take a frame that was sent to this unit."""
        if frame.is_fd is not self.is_fd:
            return
        data, pci = frame.data, len(self._lead)
        # Most requests are single frames, and a transport at rest has nothing to do for them.
        request = single_frame(data[pci:]) if self._is_at_rest and len(data) <= _CLASSIC else None
        if request is not None:
            self._answer(request, functional=False, now_ns=now_ns)
        else:
            if len(data) > pci + 2 and data[pci] >> 4 == _FLOW_CONTROL:
                data = self._heed(data, pci + 2)
            self._inbox.append(
                isotp.CanMessage(
                    arbitration_id=frame.arbitration_id, data=data, extended_id=frame.is_extended, is_fd=frame.is_fd
                )
            )
            self._is_at_rest = False
        self.step(now_ns)

    def _heed(self, data: bytes, at: int) -> bytes:
        """A flow control as the transport takes it: a reserved time means the longest. Source: ISO 15765-2, STmin."""
        stmin = data[at]
        if not (stmin <= _LONGEST_STMIN or stmin in _SHORT_STMINS):
            stmin = _LONGEST_STMIN
        if self._manner.gap_us:
            allowed_s = (stmin - 0xF0) / 10_000 if stmin in _SHORT_STMINS else stmin / 1000
            self._logic.params.override_receiver_stmin = max(allowed_s, self._manner.gap_us / 1e6)
        return data[:at] + bytes([stmin]) + data[at + 1 :]

    def hear_all(self, frame: Frame, now_ns: int) -> None:
        """Take a frame that was sent to everyone. Only a single frame is a request then. Source: ISO 15765-4."""
        lead = len(self._lead)
        if frame.is_fd is not self.is_fd or frame.data[:lead] != self._lead:
            return
        request = single_frame(frame.data[lead:])
        if request is not None:
            self._answer(request, functional=True, now_ns=now_ns)
            self.step(now_ns)

    def step(self, now_ns: int) -> None:
        """Move the transport on, answer what became whole and send what is due."""
        if not self._is_at_rest:
            self._process(now_ns)
        while self._waiting and self._waiting[0][0] <= now_ns and not (self.on_its_way or self._is_sending):
            reply = heapq.heappop(self._waiting)[2]
            self._faults, self._nth = reply.frame_faults, 0
            self._logic.send(reply.data)
            self._process(now_ns)

    def sent(self, now_ns: int) -> None:
        """The last bit of one of its frames is out: the time until its next one counts from here."""
        self.on_its_way -= 1
        self._logic.timer_tx_stmin.start()
        # In the middle of a message it waits for flow control or for the gap: only what it owes comes before.
        if self._owes or not self._is_sending or self._logic.next_cf_delay() == 0:
            self.step(now_ns)

    def drop(self) -> None:
        """It is asleep or without supply: whatever was on its way is gone."""
        self._inbox.clear()
        self._waiting.clear()
        self._logic.reset()
        self._is_at_rest, self._is_sending = True, False

    def due_ns(self, now_ns: int) -> int:
        """When it is to be moved on next."""
        due_ns = now_ns + _POLL_NS  # the transport's own time-outs are looked at so often
        if self.on_its_way:
            return due_ns
        if not self._is_sending:
            return min(due_ns, self._waiting[0][0]) if self._waiting else due_ns
        delay_s = self._logic.next_cf_delay()
        if delay_s is None:
            return due_ns
        return min(due_ns, time.monotonic_ns() + max(_SHORTEST_NS, int(delay_s * 1e9)))  # reckoned from this moment on

    @property
    def _owes(self) -> bool:
        """True while the transport has flow control to send or to heed: its last frame was still on its way."""
        return self._logic.pending_flow_control_tx or self._logic.last_flow_control_frame is not None

    def _process(self, now_ns: int) -> None:
        """Move the transport on and answer what became whole."""
        logic = self._logic
        self._is_at_rest = False
        # A controller with one place for a frame to send: the next one waits until this one is out.
        logic.process(do_tx=not self.on_its_way)
        # Its timer for the next frame runs on after a message that was broken off.
        hears = logic.is_rx_active() or not logic.timer_rx_cf.is_stopped()
        self._is_sending = logic.transmitting()
        self._is_at_rest = not (self._owes or hears or self._is_sending)
        while logic.available() and (request := logic.recv()) is not None:
            self._answer(bytes(request), functional=False, now_ns=now_ns)

    def _next_frame(self, _timeout_s: float) -> isotp.CanMessage | None:
        return self._inbox.popleft() if self._inbox else None

    def _answer(self, request: bytes, *, functional: bool, now_ns: int) -> None:
        """Ask the unit. One that is asked anew no longer says that an older answer is still to come."""
        replies = self._ask(request, functional)
        if self._waiting:
            self._waiting = [entry for entry in self._waiting if not _is_pending(entry[2])]
            heapq.heapify(self._waiting)
        if len(self._waiting) + len(replies) <= _MOST_WAITING:
            for reply in replies:
                heapq.heappush(self._waiting, (now_ns + 1000 * reply.after_us, next(self._order), reply))

    def _frame_out(self, message: isotp.CanMessage) -> None:
        frame = Frame(
            "tx",
            message.arbitration_id,
            message.is_extended_id,
            bytes(message.data),
            message.is_fd,
            message.bitrate_switch,
        )
        if not self._faults or frame.data[self._pci_at] >> 4 == _FLOW_CONTROL:
            self._put(self, frame)
            return
        self._nth += 1
        out = Outgoing(frame=frame, nth=self._nth, pci_at=self._pci_at)
        for spoilt in spoiled(out, self._faults):
            self._put(self, spoilt)
        lost_ms = away_ms(out, self._faults)
        if lost_ms is not None:
            self._lose_supply(lost_ms)


def single_frame(data: bytes) -> bytes | None:
    """The payload of a single frame, or None. Source: ISO 15765-2, N_PCI of a single frame.

    A length of 0, above 7, or above what is there is ignored; CAN FD has a longer form.
    """
    if len(data) > 8 and data[:1] == _ESCAPE:
        return data[2 : 2 + data[1]] if 1 <= data[1] <= len(data) - 2 else None
    if not data or data[0] >> 4 or not 1 <= data[0] <= min(7, len(data) - 1):
        return None
    return data[1 : 1 + data[0]]


def _is_pending(reply: Reply) -> bool:
    return reply.data[:1] == b"\x7f" and reply.data[2:3] == b"\x78"


def _isotp_address(address: UnitAddress) -> isotp.Address:
    """Either way may have an address byte or none; on the wire extended and mixed addressing look the same."""
    answer, asked = address.response, address.request
    both = isotp.AsymmetricAddress(
        tx_addr=isotp.Address(_mode(answer), txid=answer.number, target_address=answer.extension, tx_only=True),
        rx_addr=isotp.Address(_mode(asked), rxid=asked.number, source_address=asked.extension, rx_only=True),
    )
    return cast("isotp.Address", both)  # can-isotp takes either; its annotation names one


def _mode(can_id: CanId) -> isotp.AddressingMode:
    if can_id.extension is None:
        return isotp.AddressingMode.Normal_29bits if can_id.is_29_bit else isotp.AddressingMode.Normal_11bits
    return isotp.AddressingMode.Extended_29bits if can_id.is_29_bit else isotp.AddressingMode.Extended_11bits

"""One unit's transport: frames in, whole or damaged messages out. It owns a can-isotp logic object, no bus.

Source: ISO 15765-2 (segmentation, flow control), ISO 15765-4 (eight data bytes, block size and STmin 0).
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

import isotp

from decoders.values import CanId, UnitAddress
from gateway.links.base import Limits
from gateway.links.unanswered import Unanswered

_MS = 1_000_000
PADDING = 0x55
MAX_PAYLOAD = 4095
MAX_WAIT_FRAMES = 255
_SINGLE_FRAME_ROOM = 7
_CONSECUTIVE_FRAME = 2
LEFTOVER_COUNT = 64
_RESERVED_STMIN_MEANS = 0x7F

PutFrame = Callable[[CanId, bytes], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One message, or what arrived of one. Times are `time.perf_counter_ns`.

    Args:
        source: the response identifier it came on.
        data: the payload; of a damaged message all payload bytes that arrived, in order of arrival.
        first_ns: when its first frame was read.
        last_ns: when its last frame was read.
        damage: what is wrong with it, or None for a whole message.
        orphan: True for a consecutive frame that belongs to no message under way.
    """

    source: str
    data: bytes
    first_ns: int
    last_ns: int
    damage: str | None = None
    orphan: bool = False


_SENDING_ERRORS: dict[type[Exception], str] = {
    isotp.errors.FlowControlTimeoutError: "no flow control came for the request",
    isotp.errors.OverflowError: "the unit has no room for a request of this length",
    isotp.errors.MaximumWaitFrameReachedError: "the unit kept asking to wait with the request",
    isotp.errors.UnsupportedWaitFrameError: "the unit kept asking to wait with the request",
    isotp.errors.BadGeneratorError: "the request could not be cut into frames",
}
_RECEIVING_ERRORS: dict[type[Exception], str] = {
    isotp.errors.ConsecutiveFrameTimeoutError: "a frame of the answer is missing: the rest never came",
    isotp.errors.WrongSequenceNumberError: "wrong sequence number: a frame of the answer is lost or repeated",
    isotp.errors.UnexpectedConsecutiveFrameError: "a continuation came without the beginning of its answer",
    isotp.errors.ReceptionInterruptedWithSingleFrameError: "the answer was broken off by another one",
    isotp.errors.ReceptionInterruptedWithFirstFrameError: "the answer was broken off by another one",
    isotp.errors.FrameTooLongError: "the answer announces more bytes than this link takes",
    isotp.errors.ChangingInvalidRXDLError: "a frame of the answer is shorter than the frames before it",
    isotp.errors.MissingEscapeSequenceError: "the length of the answer is written in the wrong place",
    isotp.errors.InvalidCanDataError: "a frame came that no transport protocol frame looks like",
    isotp.errors.InvalidCanFdFirstFrameRXDL: "the first frame of the answer is too short",
}


class Channel:
    """The transport to and from one unit.

    Args:
        address: the unit.
        put: puts one frame on the bus; whatever it raises passes through.
        limits: N_Cr and N_Bs; see `set_limits`.
        fd: True to send CAN FD frames.

    Attributes:
        receiving: True in the middle of a message of several frames.
        sending: True while frames of a request are still to be sent.
    """

    def __init__(self, address: UnitAddress, put: PutFrame, limits: Limits, *, fd: bool = False) -> None:
        self.address = address
        self.receiving = self.sending = False
        self.leftovers: deque[Arrival] = deque(maxlen=LEFTOVER_COUNT)
        self.previous_request: bytes | None = None
        self.unanswered = Unanswered(limits.late_ms * _MS, limits.ceiling_ms * _MS, address.text)
        self.failure: str | None = None
        self.frames_sent = 0
        self.last_frame_ns = 0
        self._put = put
        self._fd = fd
        self._inbox: deque[isotp.CanMessage] = deque()
        self._errors: list[Exception] = []
        self._first_ns = 0
        self._last_ns = 0
        self._skip_in = 0 if address.response.extension is None else 1
        self._skip_out = 0 if address.request.extension is None else 1
        self._logic = isotp.TransportLayerLogic(
            rxfn=self._next_frame,
            txfn=self._frame_out,
            address=_isotp_address(address),
            error_handler=self._errors.append,
            params={
                "stmin": 0,
                "blocksize": 0,
                "tx_padding": PADDING,
                "wftmax": MAX_WAIT_FRAMES,
                "max_frame_size": MAX_PAYLOAD,
                "can_fd": fd,
                "bitrate_switch": fd,
                "rx_consecutive_frame_timeout": limits.n_cr_ms,
                "rx_flowcontrol_timeout": limits.n_bs_ms,
                # Each validation calls it; the default sleeps a millisecond every time.
                "wait_func": lambda _: None,
            },
        )

    def take_over(self, other: Channel) -> None:
        """Stand for one more unit under the response identifier of another: what that one left is not forgotten."""
        self.leftovers.extend(other.leftovers)
        self.previous_request = other.previous_request
        self.unanswered = other.unanswered.for_another(self.address.text)

    def set_limits(self, limits: Limits) -> None:
        """Use these time-outs from the next frame on."""
        self._logic.params.set("rx_consecutive_frame_timeout", limits.n_cr_ms)
        self._logic.params.set("rx_flowcontrol_timeout", limits.n_bs_ms)

    def send(self, data: bytes) -> None:
        """Begin a request; `tick` and `feed` send what does not go at once."""
        self.failure = None
        self.frames_sent = 0
        if not self._fd and len(data) <= _SINGLE_FRAME_ROOM - self._skip_out:
            # Most requests are single frames (ISO 15765-2, N_PCI): the transport has nothing to do for them.
            self._send_single(data)
            return
        self._logic.send(data)
        self._logic.process()
        self._look()

    def _send_single(self, data: bytes) -> None:
        extension = self.address.request.extension
        lead = b"" if extension is None else bytes([extension])
        self._put(self.address.request, (lead + bytes([len(data)]) + data).ljust(8, bytes([PADDING])))
        self.frames_sent = 1
        self.last_frame_ns = time.perf_counter_ns()

    def reset(self) -> None:
        """Forget a request or an answer under way."""
        self._logic.reset()
        self._inbox.clear()
        self._errors.clear()
        self._look()

    def wake_ns(self, now_ns: int) -> int:
        """When `tick` of a channel that sends or receives has something to do."""
        waits_ns = []
        if self.receiving:
            waits_ns.append(self._logic.timer_rx_cf.remaining_ns())
        if self.sending:
            delay_s = self._logic.next_cf_delay()
            flow_control_ns = self._logic.timer_rx_fc.remaining_ns()
            waits_ns.append(flow_control_ns if delay_s is None else int(delay_s * 1e9))
        return now_ns + min(waits_ns, default=0)

    def tick(self) -> list[Arrival]:
        """Let time pass: send further frames, notice missing ones."""
        return self._process(None, time.perf_counter_ns())

    def feed(self, data: bytes, now_ns: int) -> list[Arrival]:
        """Take one frame of this unit; gives the messages that it completes or breaks."""
        body = data[self._skip_in :]
        problem = _malformed(body, len(data), room=7 - self._skip_in)
        if problem is not None:
            return [self._arrival(body, now_ns, now_ns, problem)]
        if body and 0 < body[0] < len(body) <= _SINGLE_FRAME_ROOM + 1 and not self.receiving:
            # As with requests: a whole answer in one frame, and no other under way that it would break off.
            return [self._arrival(body[1 : 1 + body[0]], now_ns, now_ns, None)]
        if len(body) >= 3 and body[0] >> 4 == 3 and (0x80 <= body[2] <= 0xF0 or body[2] >= 0xFA):
            # ISO 15765-2: a reserved STmin means the longest one; can-isotp would refuse the frame.
            at = self._skip_in + 2
            data = data[:at] + bytes([_RESERVED_STMIN_MEANS]) + data[at + 1 :]
        return self._process(data, now_ns)

    def _process(self, data: bytes | None, now_ns: int) -> list[Arrival]:
        was_receiving = self.receiving
        # can-isotp drops its buffer before it reports an error, but never empties this very object.
        before = self._logic.rx_buffer
        body = b"" if data is None else data[self._skip_in :]
        if data is not None:
            self._last_ns = now_ns
            response = self.address.response
            self._inbox.append(isotp.CanMessage(response.number, len(data), data, response.is_29_bit))
        is_continuation = bool(body) and body[0] >> 4 == _CONSECUTIVE_FRAME
        # A consecutive frame asks for nothing to be sent: block size is 0.
        self._logic.process(do_tx=not is_continuation or self.sending)
        arrivals = []
        if self._errors:
            arrivals = self._take_errors(bytes(before) if was_receiving else b"", body, was_receiving)
        self._look()
        first_ns = self._first_ns if is_continuation else now_ns
        while self._logic.available():
            arrivals.append(self._arrival(bytes(self._logic.recv() or b""), first_ns, now_ns, None))
        if self.receiving and not is_continuation and body and body[0] >> 4 == 1:
            self._first_ns = now_ns
        return arrivals

    def _look(self) -> None:
        self.receiving, self.sending = self._logic.is_rx_active(), self._logic.transmitting()

    def _take_errors(self, before: bytes, body: bytes, was_receiving: bool) -> list[Arrival]:
        arrivals = []
        for error in self._errors:
            kind = type(error)
            if kind is isotp.errors.UnexpectedFlowControlError:
                continue  # ISO 15765-2: ignored; it carries no payload.
            if kind is isotp.errors.ConsecutiveFrameTimeoutError and not was_receiving:
                continue  # can-isotp leaves this timer running after a message was broken off.
            if kind in _SENDING_ERRORS:
                self.failure = _SENDING_ERRORS[kind]
                self._logic.stop_sending()
                continue
            if kind is isotp.errors.InvalidCanDataError and self._logic.transmitting():
                self.failure = "the flow control for the request makes no sense"
                self._logic.stop_sending()
            text = _RECEIVING_ERRORS.get(kind, f"the transport protocol failed: {error}")
            is_continuation = bool(body) and body[0] >> 4 == 2
            data = before + body[1:] if is_continuation else before or body
            first_ns = self._first_ns if was_receiving else self._last_ns
            orphan = kind is isotp.errors.UnexpectedConsecutiveFrameError
            arrivals.append(self._arrival(data, first_ns, self._last_ns, text, orphan=orphan))
        self._errors.clear()
        return arrivals

    def _arrival(
        self, data: bytes, first_ns: int, last_ns: int, damage: str | None, *, orphan: bool = False
    ) -> Arrival:
        return Arrival(
            source=self.address.source,
            data=data,
            first_ns=first_ns,
            last_ns=last_ns,
            damage=damage,
            orphan=orphan,
        )

    def _next_frame(self, _timeout_s: float) -> isotp.CanMessage | None:
        return self._inbox.popleft() if self._inbox else None

    def _frame_out(self, message: isotp.CanMessage) -> None:
        data = bytes(message.data)
        self._put(self.address.request, data)
        if data[self._skip_out] >> 4 != 3:
            self.frames_sent += 1
            self.last_frame_ns = time.perf_counter_ns()


def _malformed(body: bytes, frame_length: int, room: int) -> str | None:
    """What is wrong with a frame that can-isotp would take for good; None if nothing is.

    Source: ISO 15765-2, single frame data length (0 is reserved in classic frames) and first frame data
    length (a length that fits a single frame is an error).
    """
    if len(body) >= 2 and body[0] == 0 and frame_length <= 8:
        return "a single frame came that announces no bytes"
    if len(body) >= 2 and body[0] >> 4 == 1:
        announced = (body[0] & 0x0F) << 8 | body[1]
        if 0 < announced <= room:
            return "a first frame came that announces fewer bytes than a single frame holds"
    return None


def _isotp_address(unit: UnitAddress) -> isotp.Address:
    request, response = unit.request, unit.response
    both = isotp.AsymmetricAddress(
        tx_addr=isotp.Address(_mode(request), txid=request.number, target_address=request.extension, tx_only=True),
        rx_addr=isotp.Address(_mode(response), rxid=response.number, source_address=response.extension, rx_only=True),
    )
    # can-isotp takes either kind, but its annotation names only one of them.
    return cast("isotp.Address", both)


def _mode(can_id: CanId) -> isotp.AddressingMode:
    if can_id.extension is None:
        return isotp.AddressingMode.Normal_29bits if can_id.is_29_bit else isotp.AddressingMode.Normal_11bits
    # Extended and mixed addressing look the same on the wire when both identifiers are given.
    return isotp.AddressingMode.Extended_29bits if can_id.is_29_bit else isotp.AddressingMode.Extended_11bits

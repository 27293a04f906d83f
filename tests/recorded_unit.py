"""Control units on python-can's virtual bus: one that follows a script, one that repeats a recording.

Its transport code is its own (ISO 15765-2), so that a mistake in the product's cannot hide in it.
"""

from __future__ import annotations

import re
import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import can

POLL_S = 0.02
FLOW_WAIT_S = 1.0
PAD = 0xCC
_LINE = re.compile(r"\((\d+\.\d+)\) \S+ ([0-9A-F]{3}|[0-9A-F]{8})#([0-9A-F]*)\s*\Z")


@dataclass(frozen=True)
class Raw:
    """One frame, sent as it is (padded to eight bytes)."""

    data: bytes


@dataclass(frozen=True)
class AwaitFlow:
    """Wait for the tester's flow control."""


@dataclass(frozen=True)
class Call:
    """Run something between two frames."""

    what: Callable[[], object]


Step = bytes | Raw | AwaitFlow | Call
Script = Callable[[bytes], Iterable[Step]]


def segments(payload: bytes, room: int = 7) -> list[bytes]:
    """The frames of one message. Source: ISO 15765-2, single, first and consecutive frame."""
    if len(payload) <= room:
        return [bytes([len(payload)]) + payload]
    frames = [bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[: room - 1]]
    rest = payload[room - 1 :]
    for number, at in enumerate(range(0, len(rest), room), start=1):
        frames.append(bytes([0x20 | number % 16]) + rest[at : at + room])
    return frames


class ScriptedUnit:
    """A unit that answers each request with the steps its script gives; context manager with a thread.

    Args:
        channel: the virtual channel.
        request_id: its own request identifier; more than 7FF means 29-bit.
        response_id: the identifier it answers on.
        script: payload in, steps out; nothing out is silence.
        functional_id: the identifier of requests to everyone, or None to ignore them.
    """

    def __init__(
        self,
        channel: str,
        request_id: int,
        response_id: int,
        script: Script,
        functional_id: int | None = None,
    ) -> None:
        self.requests: list[bytes] = []
        self.errors: list[BaseException] = []
        self._bus = can.Bus(channel, interface="virtual", ignore_config=True)
        self._request_id = request_id
        self._response_id = response_id
        self._functional_id = functional_id
        self._script = script
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name=f"unit {response_id:X}")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()
        self._bus.shutdown()
        if self.errors:
            raise self.errors[0]

    def send(self, frame: bytes) -> None:
        """Put one frame on the bus, from any thread."""
        self._bus.send(
            can.Message(
                arbitration_id=self._response_id,
                is_extended_id=self._response_id > 0x7FF,
                data=frame.ljust(8, bytes([PAD])),
            )
        )

    def _serve(self) -> None:
        try:
            while not self._stop.is_set():
                payload = self._request()
                if payload is not None:
                    self.requests.append(payload)
                    self._play(self._script(payload))
        except BaseException as error:
            self.errors.append(error)

    def _read(self, timeout_s: float, *own: int) -> bytes | None:
        message = self._bus.recv(timeout_s)
        return bytes(message.data) if message is not None and message.arbitration_id in own else None

    def _request(self) -> bytes | None:
        functional = () if self._functional_id is None else (self._functional_id,)
        frame = self._read(POLL_S, self._request_id, *functional)
        if frame is None or frame[0] >> 4 > 1:
            return None
        if frame[0] >> 4 == 0:
            return frame[1 : 1 + frame[0]]
        length = (frame[0] & 0x0F) << 8 | frame[1]
        payload = frame[2:]
        self.send(bytes([0x30, 0x00, 0x00]))
        while len(payload) < length and not self._stop.is_set():
            frame = self._read(POLL_S, self._request_id)
            payload += frame[1:] if frame is not None and frame[0] >> 4 == 2 else b""
        return payload[:length]

    def _play(self, steps: Iterable[Step]) -> None:
        for step in steps:
            match step:
                case bytes():
                    self._send_message(step)
                case Raw(data):
                    self.send(data)
                case AwaitFlow():
                    self._await_flow()
                case Call(what):
                    what()

    def _send_message(self, payload: bytes) -> None:
        first, *rest = segments(payload)
        self.send(first)
        if rest:
            self._await_flow()
        for frame in rest:
            self.send(frame)

    def _await_flow(self) -> None:
        waited_s = 0.0
        while waited_s < FLOW_WAIT_S and not self._stop.is_set():
            frame = self._read(POLL_S, self._request_id)
            if frame is not None and frame[0] >> 4 == 3:
                return
            waited_s += POLL_S


def read_candump(path: Path) -> Iterator[tuple[int, bytes]]:
    """The identifier and data of each line of a candump log."""
    for line in path.read_text().splitlines():
        match = _LINE.match(line)
        if match is None:
            raise ValueError(f"{path.name}: not a candump line: {line}")
        yield int(match[2], 16), bytes.fromhex(match[3])


def pair_recording(path: Path, request_id: int, response_id: int) -> dict[bytes, list[list[bytes]]]:
    """For each single-frame request payload the reply frames of its 1st, 2nd, ... time, as recorded."""
    pairs: dict[bytes, list[list[bytes]]] = defaultdict(list)
    replies: list[bytes] = []
    for can_id, data in read_candump(path):
        if can_id == request_id and data[0] >> 4 == 0:
            replies = []
            pairs[data[1 : 1 + data[0]]].append(replies)
        elif can_id == response_id:
            replies.append(data)
    return dict(pairs)


class RecordedUnit(ScriptedUnit):
    """A unit that answers as it did in a candump recording, and is silent to what was never asked then.

    The n-th time a request comes it gets the n-th recorded reply; after the last one that one again. Reply
    frames are sent byte for byte as recorded; after a first frame it waits for the tester's flow control.
    """

    def __init__(
        self,
        path: Path,
        request_id: int,
        response_id: int,
        channel: str,
        functional_id: int | None = None,
    ) -> None:
        super().__init__(channel, request_id, response_id, self._replay, functional_id)
        self.recorded = pair_recording(path, request_id, response_id)
        self._asked: dict[bytes, int] = defaultdict(int)

    def _replay(self, payload: bytes) -> Iterator[Step]:
        times = self.recorded.get(payload)
        if times is None:
            return
        frames = times[min(self._asked[payload], len(times) - 1)]
        self._asked[payload] += 1
        for frame in frames:
            yield Raw(frame)
            if frame[0] >> 4 == 1:
                yield AwaitFlow()

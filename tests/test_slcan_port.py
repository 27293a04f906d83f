"""Lines from an adapter that speaks slcan, as the link reads and sends them; its other side is scripted here."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import given
from hypothesis import strategies as st

from decoders.errors import LinkError
from decoders.values import CanId, Exchange, Outcome, Request
from gateway.links.base import Limits, Plan
from gateway.links.can.bus import CanBus
from gateway.links.can.link import CanLink
from gateway.links.can.ports import stream_url
from gateway.links.can.ports.slcan import SlcanBus

FRAME = b"t7E8803590200AAAAAAAA\r"
ENGINE = CanId(0x7E0, False)


@dataclass
class Ends:
    """Both sides of a line: the link's bus, and the socket that stands for the adapter."""

    raw: SlcanBus
    bus: CanBus
    adapter: socket.socket

    def said(self) -> bytes:
        """What the link has said to the adapter so far."""
        return self.adapter.recv(65_536)


@contextmanager
def line() -> Iterator[Ends]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = stream_url(f"socket://127.0.0.1:{server.getsockname()[1]}")
        raw = SlcanBus(url, sleep_after_open=0)
        adapter, _ = server.accept()
        with adapter:
            bus = CanBus(raw, "can:slcan:test", fd=False)
            try:
                yield Ends(raw, bus, adapter)
            finally:
                bus.close()


def frames(bus: CanBus) -> list[tuple[int, bytes]]:
    """Everything that comes until it is quiet."""
    found = []
    while (frame := bus.read(0.3)) is not None:
        found.append((frame.number, frame.data))
    return found


def test_acknowledgements_between_frames_are_passed_over() -> None:
    with line() as ends:
        ends.adapter.sendall(b"\r\rz\rZ\r" + FRAME + b"\r\r\r" + FRAME + b"\a\r")
        assert [(0x7E8, bytes.fromhex("03590200AAAAAAAA"))] * 2 == frames(ends.bus)


@pytest.mark.parametrize("before", [b"\a", b"\r", b"V1013\r", b"7E88\r", b"F00\r\a\a"])
def test_a_line_that_is_no_frame_hides_none_behind_it(before: bytes) -> None:
    """Who asks for what has come without waiting must get all of it, or an answer in time would count as late."""
    with line() as ends:
        ends.adapter.sendall(before + FRAME + before + FRAME + before)
        until_s = time.monotonic() + 10
        while ends.raw.serialPortOrig.in_waiting < 2 * len(FRAME) + 3 * len(before) and time.monotonic() < until_s:
            time.sleep(0.001)
        got = [ends.bus.read(0.0) for _ in range(3)]
    assert [0x7E8, 0x7E8, None] == [frame and frame.number for frame in got]


def test_half_a_line_waits_for_its_end() -> None:
    with line() as ends:
        ends.adapter.sendall(FRAME[:9])
        assert ends.bus.read(0.05) is None
        ends.adapter.sendall(FRAME[9:])
        frame = ends.bus.read(1.0)
    assert frame is not None
    assert bytes.fromhex("03590200AAAAAAAA") == frame.data


def test_what_is_waited_for_is_there_at_once() -> None:
    with line() as ends:
        later = threading.Timer(0.1, ends.adapter.sendall, [FRAME])
        later.start()
        begun_s = time.monotonic()
        frame = ends.bus.read(20.0)
        assert frame is not None
        assert time.monotonic() - begun_s < 10
        later.join()


@pytest.mark.parametrize("garbage", [b"t7E8\xff8\r", b"t7E88" + b"00" * 200 + b"\r", b"t7X8803\r", b"t7E8803\r"])
def test_a_line_that_is_no_frame_is_trouble_and_the_next_one_is_read(garbage: bytes) -> None:
    with line() as ends:
        ends.adapter.sendall((garbage + FRAME) * 3)
        assert 3 == len(frames(ends.bus))
        ends.adapter.sendall(garbage * 40)
        with pytest.raises(LinkError, match="error frames"):
            frames(ends.bus)


def test_bytes_without_a_line_end_do_not_hold_the_reader() -> None:
    with line() as ends:
        over = threading.Event()

        def babble() -> None:
            with suppress(TimeoutError):
                while not over.is_set():
                    ends.adapter.sendall(b"U" * 1000)

        ends.adapter.settimeout(1)
        babbling = threading.Thread(target=babble)
        babbling.start()
        begun_s = time.monotonic()
        assert ends.bus.read(0.1) is None
        assert time.monotonic() - begun_s < 10
        over.set()
        babbling.join()


def test_the_other_side_gone_is_an_error_after_all_it_said() -> None:
    with line() as ends:
        ends.adapter.sendall(FRAME + FRAME)
        ends.adapter.close()
        assert ends.bus.read(1.0) is not None
        assert ends.bus.read(1.0) is not None
        with pytest.raises(LinkError):
            frames(ends.bus)


def test_a_frame_is_one_line() -> None:
    with line() as ends:
        ends.bus.put(ENGINE, bytes.fromhex("031902FF55555555"))
        ends.bus.put(CanId(0x18DA10F1, True), bytes.fromhex("023E00"))
        until_s = time.monotonic() + 10
        said = b""
        while said.count(b"\r") < 3 and time.monotonic() < until_s:
            said += ends.said()
    assert b"O\rt7E08031902FF55555555\rT18DA10F13023E00\r" == said


def test_an_adapter_that_takes_nothing_ends_the_sending_in_time() -> None:
    with line() as ends:
        failed: list[LinkError] = []

        def fill() -> None:
            try:
                while True:
                    ends.bus.put(ENGINE, bytes(8))
            except LinkError as error:
                failed.append(error)

        sending = threading.Thread(target=fill, daemon=True)
        sending.start()
        sending.join(30)
        assert not sending.is_alive()
    assert "Write timeout" in failed[0].message


def test_all_of_a_long_piece_is_sent_to_one_who_reads_slowly() -> None:
    piece = bytes(range(1, 251)) * 40_000
    with line() as ends:
        heard = bytearray()

        def hear() -> None:
            while len(heard) < len(piece) + 2:
                heard.extend(ends.adapter.recv(65_536))

        hearing = threading.Thread(target=hear, daemon=True)
        hearing.start()
        ends.raw.serialPortOrig.write_timeout = 20
        assert len(piece) == ends.raw.serialPortOrig.write(memoryview(piece))
        hearing.join(20)
        assert b"O\r" + piece == bytes(heard)


def test_a_port_that_is_closed_says_so() -> None:
    with line() as ends:
        ends.raw.serialPortOrig.close()
        for use in (lambda: ends.bus.read(0.1), lambda: ends.bus.put(ENGINE, b"")):
            with pytest.raises(LinkError) as caught:
                use()
            assert caught.value.next_step


def test_a_port_that_the_system_cannot_watch_is_read_too() -> None:
    with SlcanBus("loop://", sleep_after_open=0) as raw:
        assert raw.recv(0.01) is None  # its own "open"
        raw.serialPortOrig.write(b"\r" + FRAME)
        message = raw.recv(1.0)
    assert message is not None
    assert 0x7E8 == message.arbitration_id


@pytest.mark.skipif(os.name != "posix", reason="only POSIX systems have pseudo-terminals")
def test_a_serial_port_is_read_and_written() -> None:
    import tty

    adapter, port = os.openpty()
    tty.setraw(port)
    try:
        raw = SlcanBus(os.ttyname(port), sleep_after_open=0)
        with raw:
            bus = CanBus(raw, "can:slcan:test", fd=False)
            assert bus.read(0.05) is None
            later = threading.Timer(0.05, os.write, [adapter, b"\r" + FRAME + FRAME[:7]])
            later.start()
            assert [(0x7E8, bytes.fromhex("03590200AAAAAAAA"))] == frames(bus)
            later.join()
            os.write(adapter, FRAME[7:])
            assert bus.read(5.0) is not None
            bus.put(ENGINE, bytes.fromhex("023E00"))
            said = b""
            while said.count(b"\r") < 2:
                said += os.read(adapter, 100)
        assert b"O\rt7E03023E00\r" == said
    finally:
        os.close(adapter)
        os.close(port)


def test_what_was_flushed_does_not_come() -> None:
    with SlcanBus("loop://", sleep_after_open=0) as raw:
        raw.serialPortOrig.write(FRAME * 3 + FRAME[:5])
        assert raw.recv(1.0) is not None
        raw.flush()
        assert raw.recv(0.01) is None


COMMON = st.sampled_from(
    [b"t", b"T", b"r", b"d", b"7E8", b"18DAF110", b"8", b"3", b"0359", b"F", b"\r", b"\r\r", b"\a", b"z"]
)


def all_of(make: Callable[[], slcanBus], pieces: list[bytes]) -> list[tuple[int, bool, bytes]]:
    found = []
    with make() as raw:
        raw.serialPortOrig.reset_input_buffer()
        for piece in pieces:
            raw.serialPortOrig.write(piece)
            idle = 0
            while idle < 3:
                try:
                    message = raw.recv(0)
                except (ValueError, IndexError):
                    continue
                idle = idle + 1 if message is None and not raw.serialPortOrig.in_waiting else 0
                if message is not None:
                    found.append((message.arbitration_id, message.is_remote_frame, bytes(message.data)))
    return found


@given(st.lists(st.lists(COMMON, max_size=12).map(b"".join), max_size=6))
def test_random_lines_read_as_by_python_can(pieces: list[bytes]) -> None:
    """The reference is python-can's own reader, byte by byte, on the same pieces."""
    ours = all_of(lambda: SlcanBus("loop://", sleep_after_open=0, timeout=0), pieces)
    theirs = all_of(lambda: can.Bus("loop://", interface="slcan", sleep_after_open=0, timeout=0), pieces)  # type: ignore[arg-type,return-value]
    assert theirs == ours


def test_a_request_that_the_adapter_refused_is_no_silence() -> None:
    """BEL instead of CR: the frame was never on the bus, so nobody was silent; the next request is asked as ever."""
    kept: list[Exchange] = []

    def plan() -> Plan:
        for _ in range(3):
            yield Request("7E0/7E8", bytes.fromhex("1902FF"))

    with line() as ends:

        def adapter() -> None:
            ends.adapter.sendall(b"\a")  # to its opening
            answers = iter([b"\a", b"\r", b"\r" + FRAME])
            begun = b""
            with suppress(StopIteration, OSError):
                while piece := ends.said():
                    *lines, begun = (begun + piece).split(b"\r")
                    for _ in (text for text in lines if text.startswith(b"t")):
                        ends.adapter.sendall(next(answers))

        working = threading.Thread(target=adapter)
        working.start()
        with CanLink(ends.raw, "can:slcan:test") as link:
            limits = Limits(p2_ms=200, late_ms=0, retries=0)
            link.run({"unit": plan()}, kept.append, threading.Event(), limits)
        working.join()
    assert [Outcome.DAMAGED, Outcome.SILENT, Outcome.ANSWERED] == [exchange.outcome for exchange in kept]
    assert ["the adapter refused a frame: this request may never have been sent", None] == [
        exchange.trouble for exchange in kept[:2]
    ]


def test_a_call_to_everybody_that_the_adapter_refused_says_so() -> None:
    kept: list[Exchange] = []

    def plan() -> Plan:
        yield Request("functional:7DF", b"\x3e\x00")

    with line() as ends:
        refusing = threading.Timer(0.05, ends.adapter.sendall, [b"\r\a"])  # to its opening, to the frame
        with CanLink(ends.raw, "can:slcan:test") as link:
            refusing.start()
            link.run({"all": plan()}, kept.append, threading.Event(), Limits(functional_ms=400))
        refusing.join()
    assert [None] == [exchange.outcome for exchange in kept]
    assert "refused a frame" in str(kept[0].trouble)

"""What a CAN bus in trouble comes to: error frames, bus off, what is no frame, and adapters that raise."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import can
import pytest
import serial
from can_start_help import ERROR, Car, FakeBus, message
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import LinkError
from decoders.values import CanId, Exchange, Outcome, Request
from gateway.links.base import BusFrame, Limits, Plan
from gateway.links.can.bus import MOST_TROUBLES, CanBus
from gateway.links.can.errors import map_can_errors
from gateway.links.can.link import CanLink

DATA = message(0x7E8, "0359020055555555")
REMOTE = can.Message(arbitration_id=0x7E8, is_extended_id=False, is_remote_frame=True)
ALL = CanId(0x7DF, False)
RATE_WORDS = "500000 or 250000"


def filled(*items: can.Message | Exception) -> tuple[FakeBus, CanBus]:
    raw = FakeBus(Car(500_000), 500_000)
    raw.queue.extend(items)
    return raw, CanBus(raw, "can:fake:x", fd=False)


def all_of(bus: CanBus, raw: FakeBus) -> list[bytes]:
    """Every data frame until the bus has no more."""
    found = []
    while raw.queue:
        frame = bus.read(0)
        if frame is not None:
            found.append(frame.data)
    return found


# --- error frames ---


def test_a_burst_of_error_frames_is_bus_trouble() -> None:
    raw, bus = filled(DATA, *[ERROR] * 10_000)
    seen: list[BusFrame] = []
    bus.trace = seen.append
    with pytest.raises(LinkError, match=f"{MOST_TROUBLES} error frames came in a row") as caught:
        all_of(bus, raw)
    assert RATE_WORDS in caught.value.next_step
    assert [False] + [True] * MOST_TROUBLES == [frame.is_error for frame in seen]


@pytest.mark.parametrize("run", [1, 5, MOST_TROUBLES - 1])
def test_error_frames_with_data_between_are_harmless(run: int) -> None:
    raw, bus = filled(*([ERROR] * run + [DATA]) * 50)
    assert [bytes(DATA.data)] * 50 == all_of(bus, raw)


def test_error_frames_far_apart_are_harmless(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.links.can.bus._IN_A_ROW_NS", 0)
    raw, bus = filled(*[ERROR] * (10 * MOST_TROUBLES), DATA)
    assert [bytes(DATA.data)] == all_of(bus, raw)


@given(st.lists(st.sampled_from([DATA, ERROR, REMOTE]), max_size=150))
@settings(deadline=None)
def test_every_data_frame_comes_out_until_the_run_is_too_long(frames: list[can.Message]) -> None:
    expected, run = 0, 0
    for frame in frames:
        run = 0 if frame is DATA else run + (frame is ERROR)
        expected += frame is DATA
        if run == MOST_TROUBLES:
            break
    raw, bus = filled(*frames)
    found = 0
    try:
        while raw.queue:
            found += bus.read(0) is not None
    except LinkError:
        assert run == MOST_TROUBLES
    else:
        assert run < MOST_TROUBLES
    assert expected == found


def test_a_flood_of_remote_frames_does_not_hold_a_read_for_ever() -> None:
    class Endless(FakeBus):
        def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:  # noqa: ARG002
            return REMOTE, False

    begun_s = time.monotonic()
    assert CanBus(Endless(Car(None), None), "can:fake:x", fd=False).read(0.01) is None
    assert time.monotonic() - begun_s < 5


def test_a_port_with_bytes_left_is_not_a_bus_with_nothing_to_give() -> None:
    """python-can's slcan reads one byte of a distant port at a time-out of 0, then says that there is nothing."""

    class Port:
        in_waiting = 1

        def close(self) -> None:
            """Nothing to close."""

    class Slow(FakeBus):
        def __init__(self) -> None:
            super().__init__(Car(None), None)
            self.serialPortOrig = Port()
            self.left = 20

        def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
            if self.left or not timeout:
                self.left -= bool(self.left)
                return None, False
            self.serialPortOrig.in_waiting = 0
            return DATA, False

    frame = CanBus(Slow(), "can:fake:x", fd=False).read(0)
    assert frame is not None
    assert bytes(DATA.data) == frame.data


def test_a_frame_that_never_ends_does_not_hold_a_read_for_ever() -> None:
    endless = FakeBus(Car(None), None)
    setattr(endless, "serialPortOrig", SimpleNamespace(in_waiting=1))  # noqa: B010 - python-can's name, not ours
    begun_s = time.monotonic()
    assert CanBus(endless, "can:fake:x", fd=False).read(0.01) is None
    assert time.monotonic() - begun_s < 5


def test_what_lies_behind_too_much_to_pass_over_is_known_to_be_there() -> None:
    """An answer behind a flood has come: its deadline must not count before it was read."""

    class Flood(FakeBus):
        is_flooded = True
        waiting: can.Message | None = DATA

        def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:  # noqa: ARG002
            if self.is_flooded:
                return can.Message(arbitration_id=0x123, is_extended_id=False, is_remote_frame=True), False
            found, self.waiting = self.waiting, None
            return found, False

    raw = Flood(Car(None), None)
    bus = CanBus(raw, "can:fake:x", fd=False)
    assert (None, False) == (bus.read(0.0), bus.is_dry)
    raw.is_flooded = False
    assert bus.read(0.0) is not None
    assert (None, True) == (bus.read(0.0), bus.is_dry)


# --- bus off ---


def test_an_interface_that_says_bus_off_ends_the_link() -> None:
    raw, bus = filled()
    raw.state_now = can.BusState.ERROR
    with pytest.raises(LinkError, match="bus off") as caught:
        bus.read(0)
    assert RATE_WORDS in caught.value.next_step


def test_error_passive_is_not_off() -> None:
    raw, bus = filled(DATA)
    raw.state_now = can.BusState.PASSIVE
    assert bus.read(0) is not None
    assert bus.read(0) is None


def test_an_interface_that_cannot_say_its_state_works() -> None:
    class Mute(FakeBus):
        @property
        def state(self) -> can.BusState:
            raise NotImplementedError

    assert CanBus(Mute(Car(None), None), "can:fake:x", fd=False).read(0) is None


@pytest.mark.parametrize(("kind", "ends"), [(0x40, True), (0x20, False), (0x02, False)])
def test_the_class_of_a_linux_error_frame_tells_bus_off(kind: int, *, ends: bool) -> None:
    # Source: linux/can/error.h: 40 bus off, 20 nobody acknowledged, 02 lost arbitration.
    made = type("SocketcanBus", (FakeBus,), {})(Car(None), None)
    made.queue.append(can.Message(arbitration_id=kind, is_extended_id=False, is_error_frame=True))
    bus = CanBus(made, "can:socketcan:can0", fd=False)
    if ends:
        with pytest.raises(LinkError, match="can:socketcan:can0: the adapter is off the bus"):
            bus.read(0)
    else:
        assert bus.read(0) is None


# --- what is no frame ---


def test_a_line_with_a_character_lost_is_no_frame_and_no_end() -> None:
    raw, bus = filled(ValueError("invalid literal for int() with base 16: 'xE8'"), DATA)
    seen: list[BusFrame] = []
    bus.trace = seen.append
    assert [bytes(DATA.data)] == all_of(bus, raw)
    assert [True, False] == [frame.is_error for frame in seen]


def test_nothing_but_garbage_is_trouble() -> None:
    raw, bus = filled(*[IndexError("string index out of range")] * 1000)
    with pytest.raises(LinkError, match="in a row"):
        all_of(bus, raw)


def test_a_frame_with_fewer_bytes_than_it_says_is_not_taken_for_data() -> None:
    # python-can's slcan reads t7E88... with two characters lost as a frame of eight bytes that holds seven.
    cut = can.Message(arbitration_id=0x7E8, is_extended_id=False, dlc=8, data=bytes(7), check=False)
    raw, bus = filled(cut, DATA)
    assert [bytes(DATA.data)] == all_of(bus, raw)


def test_a_classic_frame_may_say_more_than_eight() -> None:
    # Source: ISO 11898-1, data length code: in a classic frame 9 to 15 mean 8.
    odd = can.Message(arbitration_id=0x7E8, is_extended_id=False, dlc=15, data=bytes(8), check=False)
    raw, bus = filled(odd)
    assert [bytes(8)] == all_of(bus, raw)


# --- adapters that raise ---


def caused(raised: Exception, cause: Exception) -> Exception:
    raised.__cause__ = cause
    return raised


def in_the_course_of(raised: Exception, first: Exception) -> Exception:
    raised.__context__ = first
    return raised


@pytest.mark.parametrize(
    ("raised", "next_step"),
    [
        (PermissionError(errno.EACCES, "Permission denied"), "give your user access to the port"),
        (
            caused(can.CanInitializationError("x"), serial.SerialException(errno.EACCES, "could not open port")),
            "give your user access to the port",
        ),
        (OSError(errno.ENODEV, "No such device"), "plugged in and named as"),
        (caused(can.CanInitializationError("x"), serial.SerialException(errno.ENOENT, "no port")), "plugged in"),
        (OSError(errno.EBUSY, "Device or resource busy"), "end the other program"),
        (caused(can.CanOperationError("x"), OSError(errno.ENETDOWN, "Network is down")), "switch the interface on"),
        (caused(can.CanOperationError("x"), OSError(errno.ENOBUFS, "No buffer space")), "nobody on the bus takes"),
        (
            in_the_course_of(serial.SerialException("could not open port"), ConnectionRefusedError(111, "refused")),
            "listens at that address",
        ),
        (OSError(errno.EIO, "Input/output error"), "plug the adapter in again"),
        (OSError(errno.EAFNOSUPPORT, "Address family not supported"), "has no CAN sockets"),
        (can.CanInterfaceNotImplementedError("no driver"), "install the driver"),
        (ImportError("Please install it"), "install the driver"),
        (NameError("name 'openChannel' is not defined"), "install the driver"),
        (OSError("library not found"), "driver installed"),
        (RuntimeError("what the driver calls it"), "check the interface"),
    ],
)
def test_what_an_adapter_raises_says_what_to_do_next(raised: Exception, next_step: str) -> None:
    with pytest.raises(LinkError, match="cannot open x: ") as caught, map_can_errors("cannot open x", anything=True):
        raise raised
    assert next_step in caught.value.next_step


def test_a_line_that_names_no_cause_is_followed_by_the_cause() -> None:
    error = caused(can.CanOperationError("Could not read from serial device"), OSError("socket disconnected"))
    words = "Could not read from serial device: socket disconnected"
    with pytest.raises(LinkError, match=words), map_can_errors("cannot read"):
        raise error


class Sending(FakeBus):
    """Raises what it is told, so many times, when something is sent."""

    def __init__(self, error: Exception, times: int) -> None:
        super().__init__(Car(500_000), 500_000)
        self.error, self.left = error, times

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if self.left:
            self.left -= 1
            raise self.error
        super().send(msg, timeout)


FULL = caused(can.CanOperationError("Failed to transmit"), OSError(errno.ENOBUFS, "No buffer space available"))


def test_a_queue_that_is_full_for_a_moment_is_waited_for() -> None:
    CanBus(Sending(FULL, 5), "can:fake:x", fd=False).put(ALL, b"\x01")


@pytest.mark.parametrize("error", [FULL, OSError(errno.ENODEV, "gone"), ValueError("the driver's own")])
def test_a_bus_that_takes_nothing_ends_in_bounded_time(error: Exception) -> None:
    begun_s = time.monotonic()
    with pytest.raises(LinkError, match="cannot send on can:fake:x") as caught:
        CanBus(Sending(error, 1 << 30), "can:fake:x", fd=False).put(ALL, b"\x01")
    assert caught.value.next_step
    assert time.monotonic() - begun_s < 5


def test_an_adapter_that_is_gone_is_closed_without_another_error() -> None:
    class Gone(FakeBus):
        def __init__(self) -> None:
            super().__init__(Car(None), None)
            self.serialPortOrig = serial.serial_for_url("loop://")

        def shutdown(self) -> None:
            super().shutdown()
            raise can.CanOperationError("Could not write to serial device")

    raw = Gone()
    CanBus(raw, "can:fake:x", fd=False).close()
    assert not raw.serialPortOrig.is_open


# --- what a run makes of it ---


READ = bytes.fromhex("1902FF")


class Unit(FakeBus):
    """Answers the first request, then what the bus is made to do."""

    def __init__(self, then: Callable[[FakeBus], None]) -> None:
        super().__init__(Car(500_000), 500_000)
        self._then = then
        self._asked = 0

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        super().send(msg, timeout)
        self._asked += 1
        if self._asked == 1:
            self.queue.append(message(0x7E8, "035902FF55555555"))
        else:
            self._then(self)


def fall_off(bus: FakeBus) -> None:
    bus.state_now = can.BusState.ERROR


def burst(bus: FakeBus) -> None:
    bus.queue.extend([ERROR] * 1000)


def be_pulled_out(bus: FakeBus) -> None:
    bus.queue.append(caused(can.CanOperationError("Could not read"), OSError(errno.EIO, "Input/output error")))


@pytest.mark.parametrize(
    ("then", "words"), [(burst, "error frames"), (fall_off, "bus off"), (be_pulled_out, "Could not read")]
)
def test_what_was_read_is_kept_and_the_rest_is_damaged_or_unsent(then: Callable[[FakeBus], None], words: str) -> None:
    def plan(target: str, count: int) -> Plan:
        for _ in range(count):
            yield Request(target, READ)

    kept: list[Exchange] = []
    limits = replace(Limits(), p2_ms=2000, ceiling_ms=5000)
    begun_s = time.monotonic()
    with CanLink(Unit(then), "can:fake:x") as link:
        link.run({"engine": plan("7E0/7E8", 4)}, kept.append, threading.Event(), limits)
        link.run({"brakes": plan("760/768", 2)}, kept.append, threading.Event(), limits)
    assert time.monotonic() - begun_s < 10
    assert ["answered", "damaged", "unsent", "unsent", "unsent", "unsent"] == [str(e.outcome) for e in kept]
    assert bytes.fromhex("5902FF") == kept[0].positive
    assert all(words in (exchange.trouble or "") for exchange in kept[1:])
    assert not any(exchange.outcome is Outcome.SILENT for exchange in kept)

"""What several tests of the simulated CAN bus share: a car of any units, a bus to it, and can-isotp as the tester."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

import can
import isotp

from decoders.values import CanId, UnitAddress
from simulators.can_node import VirtualDoor
from simulators.can_side import CanSide, Frame, Physics, Tap
from simulators.car import Car
from simulators.counters import Counters
from simulators.desk import Desk
from simulators.fault_memory import FaultRule
from simulators.monitors import MonitorSpec, When
from simulators.response_times import ResponseTimes
from simulators.scenarios import SCENARIOS
from simulators.unit import UnitSpec
from simulators.world import World

LONG = bytes(range(0x20, 0x70))


def plain_unit(address: str, *, can_fd: bool = False) -> UnitSpec:
    """A unit with three codes and a long identification."""
    return UnitSpec(
        address=address,
        name=f"unit {address}",
        monitors=tuple(
            MonitorSpec(code=code, component="sensor", when=When(), debounce_s=1, rule=FaultRule())
            for code in ("C0035-13", "C0040-11", "C0045-00")
        ),
        identity=((0xF187, b"PART-1"), (0xF190, LONG)),
        can_fd=can_fd,
    )


def car_of(*addresses: str, can_fd: bool = False) -> Car:
    """A car with the key on whose sensor is sound."""
    units = tuple(plain_unit(address, can_fd=can_fd) for address in addresses)
    return Car(units, world=World(key_on=True), counters=Counters)


@dataclass
class Bench:
    """A running car with a virtual bus, for as long as the test lasts."""

    desk: Desk
    side: CanSide
    bus: can.BusABC
    errors: list[Exception] = field(default_factory=list)
    """What can-isotp, as the tester, found wrong with what came."""

    def stack(self, unit: str, *, fd: bool = False, **params: int | bool) -> isotp.CanStack:
        """can-isotp as the tester of a unit."""
        return isotp.CanStack(
            self.bus,
            address=isotp_address(unit),
            error_handler=self.errors.append,
            params={"tx_padding": 0, "tx_data_length": 64 if fd else 8, "can_fd": fd, **params},
        )

    @contextmanager
    def asking(self, unit: str, *, fd: bool = False, **params: int | bool) -> Iterator[Callable[..., bytes | None]]:
        """A way to ask one unit; None where no whole answer comes in time."""
        stack = self.stack(unit, fd=fd, **params)

        def ask(request: str, timeout: float = 1) -> bytes | None:
            stack.send(bytes.fromhex(request))
            answer = stack.recv(block=True, timeout=timeout)
            return None if answer is None else bytes(answer)

        stack.start()
        try:
            yield ask
        finally:
            stack.stop()

    def ask(self, unit: str, request: str, *, timeout: float = 1, fd: bool = False) -> bytes | None:
        """Ask once."""
        with self.asking(unit, fd=fd) as ask:
            return ask(request, timeout)


@contextmanager
def bench_of(
    car: Car | None = None, *, physics: Physics | None = None, times: ResponseTimes | None = None, fd: bool = False
) -> Iterator[Bench]:
    """A car on a virtual bus; the warning lamps' one by default."""
    with ExitStack() as stack:
        desk = Desk(SCENARIOS["warning-lamps"].new_car(1) if car is None else car, times=times)
        side = stack.enter_context(CanSide(desk, physics))
        channel = stack.enter_context(VirtualDoor(side)).link.removeprefix("can:virtual:")
        bus = stack.enter_context(can.Bus(interface="virtual", channel=channel, ignore_config=True, fd=fd))
        yield Bench(desk, side, bus)


def isotp_address(unit: str) -> isotp.AsymmetricAddress:
    """The tester's side of a unit's address; each way with an address byte or without."""
    address = UnitAddress.parse(unit)

    def mode(can_id: CanId) -> isotp.AddressingMode:
        name = f"{'Normal' if can_id.extension is None else 'Extended'}_{29 if can_id.is_29_bit else 11}bits"
        return isotp.AddressingMode[name]

    ask, hear = address.request, address.response
    return isotp.AsymmetricAddress(
        tx_addr=isotp.Address(mode(ask), txid=ask.number, target_address=ask.extension, tx_only=True),
        rx_addr=isotp.Address(mode(hear), rxid=hear.number, source_address=hear.extension, rx_only=True),
    )


class Listener:
    """A tap that keeps what it hears."""

    def __init__(self, side: CanSide) -> None:
        self._heard: queue.SimpleQueue[Frame] = queue.SimpleQueue()
        self.tap: Tap = side.attach(self._heard.put)

    def send(self, can_id: int, data: str, *, wide: bool = False) -> None:
        """Send a classic frame, padded to eight bytes."""
        self.tap.send(Frame("rx", can_id, wide, bytes.fromhex(data).ljust(8, b"\0")))

    def next(self, timeout: float = 1) -> Frame | None:
        """The next frame, or None if none came in time."""
        try:
            return self._heard.get(timeout=timeout) if timeout else self._heard.get_nowait()
        except queue.Empty:
            return None

    def all(self, quiet: float = 0.1) -> list[Frame]:
        """Everything until it has been quiet for so long."""
        heard = []
        while (frame := self.next(quiet)) is not None:
            heard.append(frame)
        return heard

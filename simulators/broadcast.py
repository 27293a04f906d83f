"""What a car says to all on its bus: messages of a DBC file, their signals bound to the world and to lamps.

Only what is said and how often; sending it is the bus side's work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from simulators.errors import BenchError
from simulators.measured import VALUES

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

    from simulators.car import Car

LAMP_MARK = "lamp:"
"""A signal that shows a unit's warning lamp is bound to this, followed by the unit's address."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BroadcastSignal:
    """One signal of a message.

    Args:
        name: its name in the DBC file.
        first_bit: where it begins: its lowest bit, counted from the lowest of byte 0, where the low byte comes first;
            else its highest bit, counted from the highest of byte 0.
        bits: how long it is.
        little_endian: True where the low byte comes first.
        signed: True for two's complement.
        scale: value = raw * scale + offset.
        offset: see there.
        unit: unit of the value.
        shows: what it is bound to, a value's name or ``lamp:ADDRESS``; None where it stays 0.
    """

    name: str
    first_bit: int
    bits: int
    little_endian: bool
    signed: bool
    scale: Fraction
    offset: Fraction
    unit: str
    shows: str | None

    def raw(self, car: Car) -> int:
        """The bits to send now; a value that does not fit is as near as it can be."""
        if self.shows is None:
            return 0
        address = self.shows.removeprefix(LAMP_MARK)
        value = int(car.units[address].lamp_on) if address != self.shows else VALUES[self.shows](car.world)
        low, high = (-(1 << self.bits - 1), (1 << self.bits - 1) - 1) if self.signed else (0, (1 << self.bits) - 1)
        return max(low, min(high, round((value - self.offset) / self.scale))) % (1 << self.bits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Broadcast:
    """One message that the car sends again and again while it is awake.

    Args:
        name: its name in the DBC file.
        can_id: its CAN identifier.
        is_29_bit: True for an identifier of 29 bits.
        length: its bytes.
        cycle_ms: machine time from one to the next.
        signals: what lies in it.
    """

    name: str
    can_id: int
    is_29_bit: bool
    length: int
    cycle_ms: int
    signals: tuple[BroadcastSignal, ...]

    def data(self, car: Car) -> bytes:
        """The bytes to send now."""
        little, big = 0, 0
        for signal in self.signals:
            raw = signal.raw(car)
            if signal.little_endian:
                little |= raw << signal.first_bit
            else:
                big |= raw << 8 * self.length - signal.first_bit - signal.bits
        return (int.from_bytes(little.to_bytes(self.length, "little"), "big") | big).to_bytes(self.length, "big")


def read_messages(text: str, name: str) -> dict[str, Message]:
    """The messages of a DBC file by name.

    Raises:
        BenchError: it cannot be read as one.
    """
    from cantools.database.can import Database  # heavy: only where a car has broadcast messages

    database = Database(strict=True)
    try:
        database.add_dbc_string(text)
    except Exception as error:  # cantools has no one error for what its parser and its checks find
        raise BenchError(f"{name} cannot be read: {' '.join(str(error).split())}") from error
    return {message.name: message for message in database.messages}


def bind(message: Message, shows: Mapping[str, str], cycle_ms: int | None) -> Broadcast:
    """A message of a DBC file with its signals bound.

    Args:
        message: as cantools read it.
        shows: what each signal shows, by name.
        cycle_ms: machine time from one to the next, or None for what the file says.

    Raises:
        BenchError: the message has no such signal, selects signals by another one, or has no cycle time.
    """
    names = [signal.name for signal in message.signals]
    for name in shows:
        if name not in names:
            raise BenchError(f"message {message.name} has no signal '{name}'; known: {', '.join(names)}")
    if message.is_multiplexed():
        raise BenchError(f"message {message.name} selects signals by another one; the bench cannot send it")
    odd = next((signal.name for signal in message.signals if signal.is_float or not signal.scale), None)
    if odd is not None:
        raise BenchError(f"signal {odd} of message {message.name} is no whole number with a scale")
    cycle = cycle_ms or message.cycle_time
    if not cycle:
        raise BenchError(f"message {message.name} has no cycle time in the file: give cycle_ms")
    return Broadcast(
        name=message.name,
        can_id=message.frame_id,
        is_29_bit=message.is_extended_frame,
        length=message.length,
        cycle_ms=cycle,
        signals=tuple(_signal(signal, shows.get(signal.name)) for signal in message.signals),
    )


def _signal(signal: Signal, shows: str | None) -> BroadcastSignal:
    little = signal.byte_order == "little_endian"
    # A DBC file numbers the bits of a byte from its lowest; its big endian signals begin at their highest bit.
    first_bit = signal.start if little else signal.start // 8 * 8 + 7 - signal.start % 8
    return BroadcastSignal(
        name=signal.name,
        first_bit=first_bit,
        bits=signal.length,
        little_endian=little,
        signed=signal.is_signed,
        scale=Fraction(str(signal.scale)),
        offset=Fraction(str(signal.offset)),
        unit=signal.unit or "",
        shows=shows,
    )

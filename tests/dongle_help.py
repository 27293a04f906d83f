"""A dongle of the bench without its port, at a car of a few fixed answers, by a clock moved by hand."""

from __future__ import annotations

from collections.abc import Mapping

from simulators.car import Car
from simulators.desk import Desk, Reply
from simulators.dongle_faults import DongleFaults
from simulators.dongle_lines import Dongle
from simulators.unit import Unit

ENGINE, GEARS, BRAKE, STEERING = "7E0/7E8", "7E1/7E9", "760/768", "6F0:12/612:F0"
WIDE, DISTANT = "18DA10F1/18DAF110", "735/635"
LONG = bytes.fromhex("5902FF") + bytes(range(1, 13))
SAID: Mapping[tuple[str, str], tuple[Reply, ...]] = {
    (ENGINE, "0100"): (Reply(data=bytes.fromhex("410098180013")),),
    (GEARS, "0100"): (Reply(data=bytes.fromhex("410080080000")),),
    (ENGINE, "010C"): (Reply(data=bytes.fromhex("410C0C80")),),
    (ENGINE, "0105"): (
        Reply(data=bytes.fromhex("7F0178"), after_us=10_000),
        Reply(data=b"\x41\x05\x36", after_us=900_000),
    ),
    (ENGINE, "0902"): (Reply(data=bytes.fromhex("490201") + b"ZZ9MDL4HXTR018364"),),
    (GEARS, "0902"): (Reply(data=bytes.fromhex("490201") + b"ZZ9MDL4HXTR018364"),),
    (ENGINE, "03"): (Reply(data=bytes.fromhex("43010353"), after_us=190_000),),
    (GEARS, "03"): (Reply(data=bytes.fromhex("4300"), after_us=300_000),),
    (BRAKE, "1902FF"): (Reply(data=LONG),),
    (DISTANT, "1902FF"): (Reply(data=LONG),),
    (STEERING, "1902FF"): (Reply(data=LONG),),
    (WIDE, "0100"): (Reply(data=bytes.fromhex("410098180013")),),
    (WIDE, "1902FF"): (Reply(data=LONG),),
}


class SpokenDesk(Desk):
    """A desk of a few fixed answers, among units of every addressing form."""

    def __init__(self, car: Car, *units: str) -> None:
        super().__init__(car)
        self.asked: list[tuple[str, str, bool]] = []
        some_unit = next(iter(car.units.values()))
        self._units = dict.fromkeys((*units, "doip:1010"), some_unit)

    @property
    def units(self) -> Mapping[str, Unit]:
        return self._units

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        self.asked.append((unit, request.hex().upper(), functional))
        return SAID.get((unit, request.hex().upper()), ())


class Client:
    """Somebody who types a command and waits for the prompt."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.faults = DongleFaults()
        self.dongle = Dongle(desk, self.faults)
        self.now_us = self.took_us = 0

    def raw(self, typed: bytes) -> str:
        began_us = self.now_us
        self.dongle.feed(typed, self.now_us)
        written = self.dongle.say(self.now_us)
        while (due_us := self.dongle.due_us) is not None:
            self.now_us = due_us
            written += self.dongle.say(due_us)
        self.took_us = self.now_us - began_us
        return written.decode("latin-1")

    def lines(self, command: str) -> list[str]:
        """The lines of a reply that ends in the prompt."""
        written = self.raw(command.encode("latin-1") + b"\r")
        assert written.endswith("\r>")
        return written.removesuffix("\r>").split("\r")[:-1]

    def set(self, *commands: str) -> Client:
        for command in commands:
            assert ["OK"] == self.lines(command)[-1:], command
        return self

"""A DoIP entity in front of the car's units: who may speak, who answers, when. No sockets; time is an argument.

Source: ISO 13400-2:2012, generic header handler, routing activation handler, socket handler, diagnostic messages;
which of them end a connection, from memory.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import count

from simulators import doip_messages as doip
from simulators.desk import Desk
from simulators.errors import BenchError
from simulators.unit import Unit, UnitSpec

EVERY_UNIT = 0xE400  # functional group address
TESTERS = range(0x0E00, 0x1000)
_FIRST_UNIT = 0x1000
_FOR_UNITS = (range(0x0001, 0x0E00), range(0x1000, 0x8000))
_FOR_EVERYONE, _BY_REGULATION = 0x00, 0x01
_EID = b"\x02BENCH"  # in the form of a network card's address; 02 marks one that no maker gave out
_LONGEST_REQUEST = 4095  # what ISO 15765-2 carries with a 12-bit length
_REPEATED = 16
_VIN_LENGTH, _UDS_VIN, _OBD_VIN = 17, 0xF190, 0x02


@dataclass(frozen=True, slots=True, kw_only=True)
class DoipLimits:
    """How many testers the entity serves and how long it waits for them.

    Args:
        testers: activated connections at once, 1 to 255.
        initial_s: from connecting to the routing activation, seconds.
        general_s: without a byte in either direction, seconds.
        alive_check_s: for the answer to an alive check, seconds.

    Source: ISO 13400-2, T_TCP_Initial_Inactivity, T_TCP_General_Inactivity, T_TCP_Alive_Check.
    """

    testers: int = 128
    initial_s: float = 2.0
    general_s: float = 300.0
    alive_check_s: float = 0.5


@dataclass(slots=True, eq=False, kw_only=True)
class Line:
    """One connection, as far as the protocol is concerned.

    Args:
        moved_s: when it was opened; later, when a byte last went either way.
        out: what is to be sent on it.
        ending: True once nothing more is taken from it; it is to be closed when `out` is sent.
        tester: source address for which it is activated.
    """

    moved_s: float
    out: bytearray = field(default_factory=bytearray)
    ending: bool = False
    tester: int | None = None
    version: int = doip.USUAL_VERSION
    asked_activation: bool = False
    stream: doip.Stream = field(default_factory=doip.Stream)


@dataclass(slots=True, eq=False, kw_only=True)
class _Check:
    """An activation that waits for others to show that they are alive."""

    line: Line
    tester: int
    denial: int
    silent: set[Line]
    due_s: float


def logical_addresses(units: Mapping[str, Unit]) -> dict[int, str]:
    """Unit address text by logical address: the unit's own where it has one, else from 1000 on in the car's order."""
    return number_units(unit.spec for unit in units.values())


def number_units(specs: Iterable[UnitSpec]) -> dict[int, str]:
    """The same for units that are not built yet."""
    asked_for = {spec.address: spec.doip for spec in specs}
    free = (number for number in count(_FIRST_UNIT) if number not in asked_for.values())
    return {next(free) if own is None else own: text for text, own in asked_for.items()}


class Entity:
    """What the door's loop feeds with bytes and time. The first unit is the one the entity lives in.

    Args:
        desk: where requests go.
        addresses: unit address text by logical address.
        limits: how many and how long.

    Raises:
        BenchError: there is no unit, or one that the car does not have, or an address that no unit can have.
    """

    def __init__(self, desk: Desk, addresses: Mapping[int, str], limits: DoipLimits) -> None:
        if not addresses:
            raise BenchError("no unit to reach over DoIP: the car has none")
        for number, unit in addresses.items():
            if unit not in desk.units:
                raise BenchError(f"DoIP address {number:04X}: the car has no unit '{unit}'")
            if not any(number in numbers for numbers in _FOR_UNITS):
                raise BenchError(f"DoIP address {number:04X} of unit {unit}: use 0001 to 0DFF or 1000 to 7FFF")
        self.lines: dict[Line, None] = {}
        self._desk = desk
        self._addresses = dict(addresses)
        self._own = next(iter(addresses))
        self._limits = limits
        self._checks: list[_Check] = []
        self._answers: list[tuple[float, int, Line, int, bytes]] = []
        self._numbers = count()

    def datagram(self, data: bytes) -> bytes | None:
        """What is sent back to a datagram, if anything."""
        part = doip.read_datagram(data)
        if isinstance(part, doip.Refusal):
            return doip.not_accepted(part.version, part.code)
        with self._desk.lock:
            key_on, vin = self._desk.car.world.key_on, self._vin()
        mine = {doip.IDENTIFY: b"", doip.IDENTIFY_BY_EID: _EID, doip.IDENTIFY_BY_VIN: vin}
        if part.kind == doip.ASK_STATUS:
            return doip.status(part.version, self._limits.testers, len(self.lines))
        if part.kind == doip.ASK_POWER_MODE:
            return doip.power_mode(part.version, ready=key_on)
        if mine.get(part.kind) == part.body:
            return doip.announcement(part.version, vin, self._own, _EID)
        return None

    def opened(self, now_s: float) -> Line:
        """A tester connected."""
        line = Line(moved_s=now_s)
        self.lines[line] = None
        return line

    def gone(self, line: Line, now_s: float) -> None:
        """A connection is no more."""
        self.lines.pop(line, None)
        self._end(line, now_s)

    def received(self, line: Line, data: bytes, now_s: float) -> None:
        """Bytes came in on a line that is not ending; those behind its end mean nothing any more."""
        if line.asked_activation:
            line.moved_s = now_s
        for part in line.stream.feed(data):
            line.version = part.version
            if isinstance(part, doip.Refusal):
                self._say(line, doip.not_accepted(part.version, part.code), now_s)
                if part.is_final:
                    self._end(line, now_s)
            else:
                self._take(line, part, now_s)
            if line.ending:
                return

    def tick(self, now_s: float) -> None:
        """Do what is due."""
        while self._answers and self._answers[0][0] <= now_s:
            _, _, line, unit, data = heapq.heappop(self._answers)
            if line.tester is not None:
                self._say(line, doip.diagnostic(line.version, unit, line.tester, data), now_s)
        for check in [check for check in self._checks if check.due_s <= now_s]:
            for line in tuple(check.silent):
                self._end(line, now_s)
        for line in [line for line in self.lines if not line.ending and self._patience_s(line) <= now_s]:
            self._end(line, now_s)

    def wake_s(self) -> float | None:
        """When `tick` has something to do again, if ever."""
        times = [check.due_s for check in self._checks]
        times += [answer[0] for answer in self._answers[:1]]
        times += [self._patience_s(line) for line in self.lines if not line.ending]
        return min(times, default=None)

    def _patience_s(self, line: Line) -> float:
        return line.moved_s + (self._limits.general_s if line.asked_activation else self._limits.initial_s)

    def _say(self, line: Line, message: bytes, now_s: float) -> None:
        if line.asked_activation:
            line.moved_s = now_s
        line.out += message

    def _end(self, line: Line, now_s: float) -> None:
        """Let nobody speak on this line; whoever waited for it to show that it is alive gets another chance."""
        if line.ending:
            return
        line.ending, line.tester = True, None
        self._checks = [check for check in self._checks if check.line is not line]
        for check in [check for check in self._checks if line in check.silent]:
            self._checks.remove(check)
            self._register(check.line, check.tester, now_s)

    def _take(self, line: Line, message: doip.Message, now_s: float) -> None:
        if message.kind == doip.ACTIVATE:
            self._activate(line, message.body, now_s)
        elif message.kind == doip.DIAGNOSTIC:
            self._diagnose(line, message.body, now_s)
        elif message.kind == doip.ALIVE:
            self._alive(line, message.body, now_s)
        elif message.kind == doip.ALIVE_CHECK:  # no tester needs to ask, some do: common practice
            self._say(line, doip.alive(line.version, self._own), now_s)

    def _activate(self, line: Line, body: bytes, now_s: float) -> None:
        tester, kind = int.from_bytes(body[:2], "big"), body[2]
        if any(check.line is line for check in self._checks):
            return  # the answer to its first request is still to come
        line.asked_activation, line.moved_s = True, now_s
        if tester not in TESTERS:
            self._conclude(line, tester, doip.UNKNOWN_SOURCE, now_s)
        elif kind not in (_FOR_EVERYONE, _BY_REGULATION):
            self._conclude(line, tester, doip.UNKNOWN_ACTIVATION, now_s)
        elif line.tester is None:
            self._register(line, tester, now_s)
        else:
            code = doip.ACTIVATED if tester == line.tester else doip.OTHER_SOURCE
            self._conclude(line, tester, code, now_s)

    def _register(self, line: Line, tester: int, now_s: float) -> None:
        """Activate a line, unless those who were first have to be asked whether they are still there."""
        holders = {other for other in self.lines if other.tester is not None}
        rivals = {other for other in holders if other.tester == tester}
        if rivals:
            self._check(line, tester, doip.SOURCE_IN_USE, rivals, now_s)
        elif len(holders) >= self._limits.testers:
            self._check(line, tester, doip.ALL_IN_USE, holders, now_s)
        else:
            line.tester = tester
            self._conclude(line, tester, doip.ACTIVATED, now_s)

    def _check(self, line: Line, tester: int, denial: int, holders: set[Line], now_s: float) -> None:
        due_s = now_s + self._limits.alive_check_s
        self._checks.append(_Check(line=line, tester=tester, denial=denial, silent=holders, due_s=due_s))
        for holder in holders:
            self._say(holder, doip.alive_check(holder.version), now_s)

    def _alive(self, line: Line, body: bytes, now_s: float) -> None:
        if int.from_bytes(body, "big") != line.tester:
            return  # says nothing about the tester that was asked for
        for check in tuple(self._checks):
            check.silent.discard(line)
            if not check.silent:
                self._checks.remove(check)
                self._conclude(check.line, check.tester, check.denial, now_s)

    def _conclude(self, line: Line, tester: int, code: int, now_s: float) -> None:
        """Answer a routing activation."""
        self._say(line, doip.activation(line.version, tester, self._own, code), now_s)
        if code != doip.ACTIVATED:
            self._end(line, now_s)

    def _diagnose(self, line: Line, body: bytes, now_s: float) -> None:
        source, target = int.from_bytes(body[:2], "big"), int.from_bytes(body[2:4], "big")
        data, begin = body[4:], body[4 : 4 + _REPEATED]
        code = None
        if source != line.tester:
            code = doip.WRONG_SOURCE
        elif target != EVERY_UNIT and target not in self._addresses:
            code = doip.UNKNOWN_TARGET
        elif len(data) > _LONGEST_REQUEST:
            code = doip.REQUEST_TOO_LARGE
        if code is not None:
            self._say(line, doip.refused(line.version, target, source, code, begin), now_s)
            if code == doip.WRONG_SOURCE:
                self._end(line, now_s)
            return
        self._say(line, doip.taken(line.version, target, source, begin), now_s)
        self._ask(line, target, data, now_s)

    def _ask(self, line: Line, target: int, data: bytes, now_s: float) -> None:
        functional = target == EVERY_UNIT
        with self._desk.lock:  # nothing happens to the car between the first unit's answer and the last one's
            for number in self._addresses if functional else (target,):
                for reply in self._desk.ask(self._addresses[number], data, functional=functional):
                    due_s = now_s + reply.after_us / 1_000_000
                    heapq.heappush(self._answers, (due_s, next(self._numbers), line, number, reply.data))

    def _vin(self) -> bytes:
        """The VIN that the first unit which has one tells; zeros, as the standard asks, where none does."""
        told = (_told_vin(self._desk.units[unit].spec) for unit in self._addresses.values())
        return next((vin for vin in told if len(vin) == _VIN_LENGTH), bytes(_VIN_LENGTH))


def _told_vin(spec: UnitSpec) -> bytes:
    return dict(spec.identity).get(_UDS_VIN, b"") or b"".join(dict(spec.information).get(_OBD_VIN, ()))

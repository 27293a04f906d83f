"""One control unit: a request in, the answers out, given the world. No bus, no clock of its own."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators import obd, uds, wire
from simulators.fault_memory import LAMP_REQUESTED, Event, Snapshot
from simulators.monitors import Component, Monitor, MonitorSpec
from simulators.world import World

DEFAULT_SESSION = 0x01
SESSION_TIME_OUT_MS = 5000  # S3server: ISO 14229-2

# What a unit keeps to itself when everyone was asked. Source: ISO 14229-1, functional addressing.
_QUIET_TO_ALL = frozenset({0x11, 0x12, 0x31, 0x7E, 0x7F})


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSpec:
    """What a maker built.

    Args:
        address: unit address text such as ``7E0/7E8``.
        name: what people call it.
        monitors: the codes it can have and how it tests for them.
        identity: what it answers to identification (data identifier, bytes); empty where it has no UDS.
        snapshot_identifiers: what it stores of the moment of a failure.
        speaks_uds: True if it knows the services of ISO 14229-1.
        mask: status availability mask.
        lists_supported: True if it answers 19 0A.
        reports_permanent: True if it answers 19 15 and OBD 0A.
        lists_untested: True if 19 02 shows codes whose only set bits say that a test has not run.
        keeps_latest: True if it stores the latest failure as record 02 beside the first as record 01.
        idle_clears: how many clears it answers before it carries one out.
        parameters: OBD service 01 parameters; empty where it does not speak OBD.
        information: OBD service 09 (number, items).
    """

    address: str
    name: str
    monitors: tuple[MonitorSpec, ...]
    identity: tuple[tuple[int, bytes], ...] = ()
    snapshot_identifiers: tuple[int, ...] = ()
    speaks_uds: bool = True
    mask: int = 0xFF
    lists_supported: bool = True
    reports_permanent: bool = False
    lists_untested: bool = True
    keeps_latest: bool = False
    idle_clears: int = 0
    parameters: tuple[int, ...] = ()
    information: tuple[tuple[int, tuple[bytes, ...]], ...] = ()

    @property
    def speaks_obd(self) -> bool:
        """True if it knows the services of SAE J1979."""
        return bool(self.parameters)


@dataclass(slots=True)
class Unit:
    """A built unit with its memory.

    Args:
        spec: what the maker built.
        counters: what the OBD side counts since the last clear.
    """

    spec: UnitSpec
    counters: obd.Counters
    session: int = DEFAULT_SESSION
    monitors: dict[str, Monitor] = field(init=False)
    _idle_clears_left: int = field(init=False)
    _last_request_ms: int = 0

    def __post_init__(self) -> None:
        self.monitors = {spec.code: Monitor(spec) for spec in self.spec.monitors}
        self._idle_clears_left = self.spec.idle_clears

    @property
    def lamp_on(self) -> bool:
        """True while any of its codes asks for the warning lamp."""
        return any(monitor.fault.has(LAMP_REQUESTED) for monitor in self.monitors.values())

    def status(self, code: str) -> int:
        """The status byte as the unit reports it: without the bits it does not support."""
        return self.monitors[code].fault.status & self.spec.mask

    def key_on(self) -> None:
        """An operation cycle begins."""
        self.session = DEFAULT_SESSION
        for monitor in self.monitors.values():
            monitor.fault.happen(Event.CYCLE_BEGINS)
            monitor.restart()

    def key_off(self, world: World) -> None:
        """The operation cycle ends."""
        for monitor in self.monitors.values():
            monitor.fault.happen(Event.CYCLE_ENDS, fit_cycle=world.fit_driving_cycle)

    def step(self, world: World, components: dict[str, Component]) -> None:
        """Run the tests for the second that just passed."""
        for monitor in self.monitors.values():
            misbehaves = components[monitor.spec.component].misbehaves(world.now_s)
            monitor.step(world, misbehaves, lambda: self.take_snapshot(world))
        self.counters.step(world, self.lamp_on)

    def take_snapshot(self, world: World) -> Snapshot:
        """The conditions of this moment, as this unit keeps them."""
        return tuple(
            (number, uds.live_data(self, world, number)) for number in self.spec.snapshot_identifiers
        )

    def clear(self, codes: tuple[str, ...]) -> None:
        """Erase these codes, unless this unit only says that it did."""
        if self._idle_clears_left:
            self._idle_clears_left -= 1
            return
        for code in codes:
            self.monitors[code].clear()
        if len(codes) == len(self.monitors):
            self.counters.reset()

    def answer(
        self, request: bytes, world: World, *, functional: bool = False, at_ms: int = 0
    ) -> list[bytes]:
        """What the unit sends back: nothing, or one message.

        Args:
            request: the payload.
            world: the car as it is now.
            functional: True if everyone was asked.
            at_ms: machine time, for the session's time-out alone.
        """
        if not world.key_on or not request:
            return []
        if at_ms - self._last_request_ms > SESSION_TIME_OUT_MS:
            self.session = DEFAULT_SESSION
        self._last_request_ms = at_ms
        reply = self._handle(request, world, functional)
        if reply is None or (functional and reply[0] == 0x7F and reply[2] in _QUIET_TO_ALL):
            return []
        return [reply]

    def _handle(self, request: bytes, world: World, functional: bool) -> bytes | None:
        service = request[0]
        if self.spec.speaks_uds and service in uds.SERVICES:
            return uds.SERVICES[service](self, world, request)
        if self.spec.speaks_obd and service in obd.SERVICES:
            return obd.SERVICES[service](self, world, request, functional)
        return wire.negative(service, wire.SERVICE_NOT_SUPPORTED)

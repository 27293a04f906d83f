"""One control unit: what a maker built and what it remembers. No services, no bus, no clock of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from simulators.counters import Counters
from simulators.fault_memory import LAMP_REQUESTED, Event, Fault, Snapshot
from simulators.monitors import Component, Monitor, MonitorSpec
from simulators.world import World

DEFAULT_SESSION = 0x01
SESSION_TIME_OUT_MS = 5000  # S3server: ISO 14229-2


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
        obd_on_uds: True if it tells parameters, information and emission codes by services 22 and 19 instead.
        lists_all: True if it answers 19 02; False for one that lists its emissions group alone.
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
    obd_on_uds: bool = False
    lists_all: bool = True

    @property
    def speaks_obd(self) -> bool:
        """True if it knows the services of SAE J1979."""
        return bool(self.parameters) and not self.obd_on_uds

    @property
    def is_emissions_unit(self) -> bool:
        """True if the emissions group of codes means its own, whichever services tell them."""
        return bool(self.parameters)


@dataclass(slots=True)
class Unit:
    """A built unit with its memory.

    Args:
        spec: what the maker built.
        counters: what the OBD side counts since the last clear.
    """

    spec: UnitSpec
    counters: Counters
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

    def short_codes(self, picked: Callable[[Fault], bool]) -> list[str]:
        """Picked codes without their failure type, each only once: the OBD services know no failure types."""
        codes = (code[:5] for code, monitor in self.monitors.items() if picked(monitor.fault))
        return list(dict.fromkeys(codes))

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

    def step(self, world: World, components: dict[str, Component], take_snapshot: Callable[[], Snapshot]) -> None:
        """Run the tests for the second that just passed.

        Args:
            world: the car as it is now.
            components: its parts by name.
            take_snapshot: reads the conditions of this moment, should a test fail.
        """
        for monitor in self.monitors.values():
            misbehaves = components[monitor.spec.component].misbehaves(world.now_s)
            monitor.step(world, misbehaves, take_snapshot)
        self.counters.step(world, self.lamp_on)

    def clear(self, codes: tuple[str, ...]) -> None:
        """Erase these codes, unless this unit only says that it did."""
        if self._idle_clears_left:
            self._idle_clears_left -= 1
            return
        for code in codes:
            self.monitors[code].clear()
        if len(codes) == len(self.monitors):
            self.counters.reset()

    def hear(self, at_ms: int) -> None:
        """A request came: a session in which none came for too long is over.

        Args:
            at_ms: machine time.
        """
        if at_ms - self._last_request_ms > SESSION_TIME_OUT_MS:
            self.session = DEFAULT_SESSION
        self._last_request_ms = at_ms

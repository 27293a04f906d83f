"""One control unit: what a maker built and what it remembers. No services, no bus, no clock of its own."""

from __future__ import annotations

from collections.abc import Callable, Set
from dataclasses import dataclass, field

from simulators.counters import Counters
from simulators.fault_memory import LAMP_REQUESTED, Event, Fault, Snapshot
from simulators.measured import Measured
from simulators.monitors import Component, Condition, Monitor, MonitorSpec
from simulators.routines import RoutineSpec, Run, RunState
from simulators.world import World

DEFAULT_SESSION = 0x01
SESSION_TIME_OUT_MS = 5000  # S3server: ISO 14229-2
ROUTINE_CONTROL = 0x31
USUAL_SERVICES = frozenset({0x10, 0x14, 0x19, 0x22, 0x3E})


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
        services: which of them it knows.
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
        compression: True if its engine ignites by compression: readiness has other monitors then.
        measured: data identifiers of the maker's own, with the value behind each.
        routines: what service 31 can start.
        can_fd: True if it is asked and answers in CAN FD frames.
        doip: its logical address on a DoIP network, 0..FFFF, or None where it is on none.
        electronics: the part that is the unit itself: broken, it is silent; another unit brings a sound one.
        supply: the part that feeds it: broken, it is silent.
        volatile: True if codes and counters are gone once it has no supply; a permanent copy stays.
    """

    address: str
    name: str
    monitors: tuple[MonitorSpec, ...]
    identity: tuple[tuple[int, bytes], ...] = ()
    snapshot_identifiers: tuple[int, ...] = ()
    speaks_uds: bool = True
    services: frozenset[int] = USUAL_SERVICES
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
    compression: bool = False
    measured: tuple[Measured, ...] = ()
    routines: tuple[RoutineSpec, ...] = ()
    can_fd: bool = False
    doip: int | None = None
    electronics: str | None = None
    supply: str | None = None
    volatile: bool = False

    @property
    def speaks_obd(self) -> bool:
        """True if it knows the services of SAE J1979."""
        return bool(self.parameters) and not self.obd_on_uds

    @property
    def is_emissions_unit(self) -> bool:
        """True if the emissions group of codes means its own, whichever services tell them."""
        return bool(self.parameters)

    def __deepcopy__(self, _memo: object) -> UnitSpec:
        """Itself: it never changes, and each new car would copy it otherwise."""
        return self


@dataclass(slots=True)
class Unit:
    """A built unit with its memory.

    Args:
        spec: what the maker built.
        counters: what the OBD side counts since the last clear.
        parts: the car's parts by name, for routines that change one.
        plugged: True while its plug is on.
        is_live: True while it has its plug, a supply and sound electronics; otherwise it is silent.
    """

    spec: UnitSpec
    counters: Counters
    parts: dict[str, Component] = field(default_factory=dict)
    plugged: bool = True
    is_live: bool = True
    session: int = DEFAULT_SESSION
    run: Run | None = None
    monitors: dict[str, Monitor] = field(init=False)
    _idle_clears_left: int = field(init=False)
    _last_request_ms: int = 0
    _cycle_open: bool = False
    _fit_cycle: bool = False

    def __post_init__(self) -> None:
        self._build()

    def _build(self) -> None:
        self.monitors = {spec.code: Monitor(spec) for spec in self.spec.monitors}
        self._idle_clears_left = self.spec.idle_clears

    @property
    def lamp_on(self) -> bool:
        """True while any of its codes asks for the warning lamp."""
        return any(monitor.fault.has(LAMP_REQUESTED) for monitor in self.monitors.values())

    @property
    def tests_parked(self) -> bool:
        """True if it stays awake for a test after the key was turned off."""
        return any(spec.when.key_off for spec in self.spec.monitors)

    def status(self, code: str) -> int:
        """The status byte as the unit reports it: without the bits it does not support."""
        return self.monitors[code].fault.status & self.spec.mask

    def short_codes(self, picked: Callable[[Fault], bool]) -> list[str]:
        """Picked codes without their failure type, each only once: the OBD services know no failure types."""
        codes = (code[:5] for code, monitor in self.monitors.items() if picked(monitor.fault))
        return list(dict.fromkeys(codes))

    def key_on(self) -> None:
        """An operation cycle begins. Only now does the one before end for a test that runs while the car is parked."""
        self._end_session()
        for monitor in self.monitors.values():
            if monitor.spec.when.key_off and self._cycle_open:
                monitor.fault.happen(Event.CYCLE_ENDS, fit_cycle=self._fit_cycle)
            monitor.fault.happen(Event.CYCLE_BEGINS)
            monitor.restart()
        self._cycle_open = True

    def key_off(self, world: World) -> None:
        """The operation cycle ends."""
        self._fit_cycle = world.fit_driving_cycle
        for monitor in self.monitors.values():
            if not monitor.spec.when.key_off:
                monitor.fault.happen(Event.CYCLE_ENDS, fit_cycle=self._fit_cycle)

    def feel(self, bad: Set[str], world: World) -> None:
        """Notice whether its own supply, plug and electronics are there.

        Args:
            bad: the parts that misbehave now.
            world: the car as it is now.
        """
        live = self.plugged and not world.battery_flat and self.spec.electronics not in bad
        live = live and self.spec.supply not in bad
        if self.is_live and not live:
            self._lose_power()
        elif live and not self.is_live and world.key_on:
            self.key_on()
        self.is_live = live

    def step(self, world: World, bad: Set[str], take_snapshot: Callable[[], Snapshot]) -> None:
        """Run the tests for the second that just passed.

        Args:
            world: the car as it is now.
            bad: the parts that misbehave and the units that are silent now.
            take_snapshot: reads the conditions of this moment, should a test fail.
        """
        for monitor in self.monitors.values():
            monitor.step(world, monitor.spec.finds(bad), take_snapshot)
        if world.key_on:
            before = self.counters.warm_ups
            self.counters.step(world, self.lamp_on)
            if self.counters.warm_ups > before:
                for monitor in self.monitors.values():
                    monitor.fault.happen(Event.WARM_UP_MADE)
        self.check_run(world)

    def clear(self, codes: tuple[str, ...]) -> None:
        """Erase these codes, unless this unit only says that it did."""
        if self._idle_clears_left:
            self._idle_clears_left -= 1
            return
        self._erase(codes)

    def _erase(self, codes: tuple[str, ...]) -> None:
        for code in codes:
            self.monitors[code].clear()
        if codes and len(codes) == len(self.monitors):
            self.counters.reset()

    def hear(self, at_ms: int) -> None:
        """A request came: a session in which none came for too long is over.

        Args:
            at_ms: machine time.
        """
        if at_ms - self._last_request_ms > SESSION_TIME_OUT_MS:
            self._end_session()
        self._last_request_ms = at_ms

    def start(self, routine: RoutineSpec, world: World) -> None:
        """Start a routine; one that takes no time has finished when this returns."""
        self.run = Run(routine, world.now_s + routine.runs_s)
        self.check_run(world)

    def check_run(self, world: World) -> None:
        """Go on with a running routine: it stops where its conditions broke, and finishes in its time."""
        if self.run is None or self.run.state is not RunState.RUNNING:
            return
        if not self.run.spec.needs.holds(world):
            self.run.state = RunState.STOPPED
        elif world.now_s >= self.run.until_s:
            self._finish(self.run, world)

    def become(self, other: Unit) -> None:
        """Another unit takes its place: its make, its memory and its counters; the plug is on."""
        self.spec, self.counters = other.spec, other.counters
        self._build()
        self.monitors = other.monitors
        self.plugged, self.session, self.run, self._cycle_open = True, DEFAULT_SESSION, None, False

    def _finish(self, run: Run, world: World) -> None:
        run.state = RunState.FINISHED
        for name in run.spec.repairs:
            self.parts[name].become(Condition.SOUND, world)
        for name in run.spec.breaks:
            self.parts[name].become(Condition.BROKEN, world)
        self._erase(run.spec.clears)

    def _end_session(self) -> None:
        """Back to the default session: a routine that needs another one ends with it."""
        self.session = DEFAULT_SESSION
        if self.run is not None and self.run.state is RunState.RUNNING and self.run.spec.session != DEFAULT_SESSION:
            self.run.state = RunState.STOPPED

    def _lose_power(self) -> None:
        """What is kept only under power is gone; the operation cycle does not end properly."""
        self.session = DEFAULT_SESSION
        self.run = None
        self._cycle_open = False
        for monitor in self.monitors.values():
            monitor.restart()
        if self.spec.volatile:
            self._erase(tuple(self.monitors))

"""What is known so far while the vehicle is asked, for a person who waits; nothing here prints or draws."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from decoders.errors import UsageError
from decoders.values import Outcome, Request, is_functional, normalise_unit
from gateway.visit import Asks, Begins, Ended, Kept, Over, VisitEvent
from sessions.record import Asked, JobRecord, Scan, unit_words
from sessions.record.decode import decode_asked
from sessions.record.model import During
from sessions.verdict import UnitLook, unit_look

Clock = Callable[[], float]

_BAR = 24
_LIVE = (b"\x01", b"\x22\xf4")
"""Service 01, and service 22 with identifiers F4xx. Source: SAE J1979, SAE J1979-2."""

_MAY_BE_REPEATED = (Outcome.DAMAGED, Outcome.SILENT)
_LONG_WAIT_S = 2.0


@dataclass(frozen=True, slots=True)
class Waiting:
    """A unit whose answer is still to come.

    Args:
        unit: its address, or whom else the request goes to.
        since_s: since when, by the clock of the tracker.
    """

    unit: str
    since_s: float


Waits = Mapping[str, Waiting]
Phase = Literal["prelude", "sweep", "values", "units"]

_WORDS_FOR: Mapping[Phase, str] = {
    "prelude": "asking who is there",
    "sweep": "asking at every diagnostic identifier",
    "values": "reading speeds and supply voltage",
    "units": "reading the units",
}


class ScanProgress:
    """Follows a scan unit by unit; pure but for its clock.

    Args:
        record: the job as it was before the scan.
        clock: seconds that only go forward.

    Attributes:
        scan: the scan's number, or None before it began.
        units: the units that are asked by their own address, in the order in which they became known.
        phase: what goes on.
        looks: how each unit fared whose codes were asked for, in the order in which they were done.
    """

    def __init__(self, record: JobRecord, clock: Clock = time.monotonic) -> None:
        self.begun_s = clock()
        self.scan: int | None = None
        self.units: tuple[str, ...] = ()
        self.phase: Phase = "prelude"
        self._names: tuple[str, ...] = ()
        self.looks: Mapping[str, UnitLook] = {}
        self.waiting: Waits = {}
        self._record = record
        self._clock = clock
        self._asked: dict[str, list[Asked]] = {}

    # Another thread draws what stands here, so each value is replaced as a whole and never changed.

    def __call__(self, event: VisitEvent) -> None:
        """What the visit does."""
        match event:
            case Begins(names=names, during="scan", scan=scan):
                self.scan = scan
                self._names = names
            case Begins(during="sweep"):
                self.phase, self._names = "sweep", ()
            case Asks(request=request) if self._names:
                self._enter(_phase_of(request))
            case Kept(asked=asked):
                self._asked.setdefault(asked.exchange.target, []).append(asked)
            case Ended(name=name):
                self._done(name)
        self.waiting = still_waiting(self.waiting, event, self._clock)

    def _enter(self, phase: Phase) -> None:
        """The first request of plans that run together tells what they are for."""
        self.phase, names, self._names = phase, self._names, ()
        if phase in ("values", "units"):
            self.units = (*self.units, *(name for name in names if _is_unit(name) and name not in self.units))

    def _done(self, name: str) -> None:
        """A plan is over: its unit is done if it was asked for its codes."""
        look = self._look(name) if name in self.units else None
        if look is not None and look.outcome is not None and look != self.looks.get(name):
            self.looks = {**self.looks, name: look}

    def _look(self, unit: str) -> UnitLook:
        """The unit as the finished scan will show it: the same rules over what is known so far."""
        asked = tuple(self._asked.get(unit, ()))
        if not asked or self.scan is None:
            return UnitLook(unit=unit, outcome=None)
        decoded = decode_asked(asked)
        record = replace(
            self._record,
            asked=(*self._record.asked, *asked),
            codes=(*self._record.codes, *decoded.codes),
            obd=(*self._record.obd, *decoded.obd),
        )
        return unit_look(record, Scan(number=self.scan, taken_as="check", begin=asked[0].moment, link=""), unit)

    def lines(self) -> tuple[str, ...]:
        """What a person is shown: what is done, how it came out, who was done last, and who is waited for."""
        now_s = self._clock()
        head = f"Scanning  {clock_text(now_s - self.begun_s)}"
        waiting = waiting_words(self.waiting, self._record, now_s)
        looks, total = self.looks, len(self.units)
        if not looks and self.phase != "units":
            # Not every unit is known yet, so there is no share to show.
            return (f"{head}  {_WORDS_FOR[self.phase]}",)
        counts = Counter(how_it_came_out(look) for look in looks.values())
        how = ", ".join(f"{word}: {counts[word]}" for word in _WORDS if counts[word])
        lines = [f"{head}  {bar_text(len(looks), total)}  {len(looks)} of {total} units done"]
        if looks:
            last = next(reversed(tuple(looks.values())))
            lines += [f"  {how}", f"  last: {with_address(self._record, last.unit)}  {last.words}"]
        if self.phase == "values":
            waiting = f"{_WORDS_FOR[self.phase]} once more"
        return (*lines, f"  {waiting}") if waiting else tuple(lines)


_LISTS, _NONE, _REMARK = "lists faults", "lists none", "lists none, with a remark"
_WORDS = (_LISTS, _NONE, _REMARK, "refused", "silent", "damaged", "not asked")


def _phase_of(request: Request) -> Phase:
    if is_functional(request.target):
        return "prelude"
    return "values" if request.data.startswith(_LIVE) else "units"


def how_it_came_out(look: UnitLook) -> str:
    """One of the words by which units are counted; one that lists none counts apart where something went unread."""
    if look.outcome is None or look.outcome is Outcome.UNSENT:
        return "not asked"
    if look.outcome is not Outcome.ANSWERED:
        return look.outcome.value
    if look.faults:
        return _LISTS
    return _REMARK if look.others else _NONE


def still_waiting(waiting: Waits, event: VisitEvent, clock: Clock) -> Waits:
    """Who is waited for after an event, by the name of the plan; the old mapping is left as it is."""
    match event:
        case Asks(name=name, request=request):
            return {**waiting, name: Waiting(request.target, clock())}
        case Kept(asked=asked) if asked.exchange.outcome not in _MAY_BE_REPEATED:
            return {name: item for name, item in waiting.items() if item.unit != asked.exchange.target}
        case Ended(name=name):
            return {other: item for other, item in waiting.items() if other != name}
        case Over():
            return {}
    return waiting


def waiting_words(waiting: Waits, record: JobRecord, now_s: float) -> str:
    """Who is waited for: the one that has let us wait longest, and how many others; empty if nobody is."""
    if not waiting:
        return ""
    longest = min(waiting.values(), key=lambda item: item.since_s)
    name = with_address(record, longest.unit) if _is_unit(longest.unit) else "all units"
    waited_s = now_s - longest.since_s
    since = f"  for {waited_s:.0f} s" if waited_s >= _LONG_WAIT_S else ""
    others = f", and {len(waiting) - 1} more" if len(waiting) > 1 else ""
    return f"waiting for {name}{since}{others}"


def with_address(record: JobRecord, unit: str) -> str:
    """A unit's name, then its address; one without a name is called by its address alone."""
    return unit_words(record.unit_name(unit), unit, "{name}  {unit}")


def bar_text(done: int, total: int) -> str:
    """A bar in plain characters, full only when all is done."""
    filled = _BAR * done // total if total else 0
    return f"[{'#' * filled}{'.' * (_BAR - filled)}]"


def clock_text(seconds: float) -> str:
    """Elapsed time as minutes and seconds, e.g. ``1:07``."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def _is_unit(name: str) -> bool:
    try:
        normalise_unit(name)
    except UsageError:
        return False
    return True


class StepProgress:
    """Follows commands that ask in short steps: what is being done now, and who is waited for.

    Args:
        record: the job, for the names of its units.
        clock: seconds that only go forward.

    Attributes:
        doing: what goes on, in words; its owner sets it.
        steps: what each kind of asking is called.
    """

    def __init__(
        self, record: JobRecord, doing: str, steps: Mapping[During, str], clock: Clock = time.monotonic
    ) -> None:
        self.begun_s = clock()
        self.doing = doing
        self.steps = steps
        self.step = ""
        self.waiting: Waits = {}
        self._record = record
        self._clock = clock

    def __call__(self, event: VisitEvent) -> None:
        """What the visit does."""
        if isinstance(event, Begins):
            self.step = self.steps.get(event.during, "")
        self.waiting = still_waiting(self.waiting, event, self._clock)

    def lines(self) -> tuple[str, ...]:
        """What a person is shown."""
        now_s = self._clock()
        step = f": {self.step}" if self.step else ""
        head = f"{self.doing}{step}  {clock_text(now_s - self.begun_s)}"
        # Steps are short: a name that comes and goes in no time would only flicker.
        long = {name: item for name, item in self.waiting.items() if now_s - item.since_s >= _LONG_WAIT_S}
        return (head, f"  {waiting_words(long, self._record, now_s)}") if long else (head,)

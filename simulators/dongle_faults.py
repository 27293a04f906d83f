"""What a dongle writes for one command, and what cheap dongles make of it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from simulators.chance import draw
from simulators.errors import BenchError

NO_DATA, BUFFER_FULL, REFUSED = "NO DATA", "BUFFER FULL", "?"
Arguments = Mapping[str, int | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a reply.

    Args:
        text: what is written, without the line's end.
        at_us: when, microseconds from the end of the command.
        is_frame: True for what came from the bus.
    """

    text: str
    at_us: int = 0
    is_frame: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """Everything that is written for one command.

    Args:
        lines: in the order in which they are written.
        prompt_us: when the prompt follows, microseconds from the end of the command; None for never.
        stale: the last frame of the answer before this one, empty where there was none.
    """

    lines: tuple[Line, ...] = ()
    prompt_us: int | None = 0
    stale: str = ""

    @property
    def frames(self) -> tuple[Line, ...]:
        """The lines that came from the bus."""
        return tuple(line for line in self.lines if line.is_frame)

    def with_frames(self, frames: tuple[Line, ...]) -> Reply:
        """This reply with other frames behind what the dongle itself wrote; without any they become NO DATA."""
        own = tuple(line for line in self.lines if not line.is_frame)
        return replace(self, lines=(*own, *(frames or (Line(text=NO_DATA, at_us=self.prompt_us or 0),))))

    def later(self, us: int) -> Reply:
        """This reply, all of it so much later."""
        lines = tuple(replace(line, at_us=line.at_us + us) for line in self.lines)
        return replace(self, lines=lines, prompt_us=None if self.prompt_us is None else self.prompt_us + us)


@dataclass(slots=True)
class _Fault:
    kind: str
    arguments: Arguments
    drawn: int = field(default=0)
    used: int = field(default=0)

    def number(self, name: str) -> int:
        return int(self.arguments[name])

    def meets(self, command: str) -> bool:
        times = self.number("times")
        return command.startswith(str(self.arguments["request"])) and (not times or self.used < times)


Change = Callable[[Reply, _Fault], Reply]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """One way in which a dongle can be bad.

    Args:
        says: what it does, one line for a user.
        arguments: what it takes and what holds where that is left out.
        change: what becomes of a reply; None where the dongle asks for the fault before it answers.
    """

    says: str
    arguments: Arguments = field(default_factory=dict)
    change: Change | None = None


def full(reply: Reply, lines: int) -> Reply:
    """A reply that has more frames than fit into the dongle's memory ends there and says so."""
    kept = reply.frames[: lines + 1]
    if len(kept) <= lines:
        return reply
    end = Line(text=BUFFER_FULL, at_us=kept[-1].at_us, is_frame=True)
    return replace(reply.with_frames((*kept[:-1], end)), prompt_us=end.at_us)


def _drop_characters(reply: Reply, fault: _Fault) -> Reply:
    def thin(text: str) -> str:
        first, fault.drawn = fault.drawn, fault.drawn + len(text)
        seed, one_in = fault.number("seed"), fault.number("one_in")
        draws = (draw(one_in, seed=seed, unit="dongle", cause="drop", nth=first + n) for n in range(len(text)))
        return "".join(character for character, drawn in zip(text, draws, strict=True) if drawn)

    return replace(reply, lines=tuple(replace(line, text=thin(line.text)) for line in reply.lines))


def _late_prompt(reply: Reply, fault: _Fault) -> Reply:
    return replace(reply, prompt_us=None if reply.prompt_us is None else reply.prompt_us + fault.number("ms") * 1000)


def _stale_frame(reply: Reply, _fault: _Fault) -> Reply:
    if not (reply.stale and reply.frames):
        return reply
    return reply.with_frames((Line(text=reply.stale, at_us=reply.frames[0].at_us, is_frame=True), *reply.frames))


def _no_data(reply: Reply, _fault: _Fault) -> Reply:
    return reply.with_frames(()) if reply.frames else reply


def _nth(reply: Reply, fault: _Fault, instead: Callable[[Line], tuple[Line, ...]]) -> Reply:
    """The n-th frame replaced by none, by another or by two."""
    at = fault.number("nth") - 1
    if not 0 <= at < len(reply.frames):
        return reply
    frames = reply.frames
    return reply.with_frames((*frames[:at], *instead(frames[at]), *frames[at + 1 :]))


def _cut_line(reply: Reply, fault: _Fault) -> Reply:
    return _nth(reply, fault, lambda line: (replace(line, text=line.text[: fault.number("characters")]),))


KINDS: Mapping[str, FaultKind] = {
    "answer_delay": FaultKind(
        says="writes every reply so much later",
        arguments={"ms": 500},
        change=lambda reply, fault: reply.later(fault.number("ms") * 1000),
    ),
    "closing_wait": FaultKind(says="waits so long for more frames before it closes a reply", arguments={"ms": 200}),
    "cut_line": FaultKind(
        says="writes only the first characters of a frame", arguments={"nth": 1, "characters": 9}, change=_cut_line
    ),
    "dropped_characters": FaultKind(
        says="loses one character in so many, the prompt never",
        arguments={"seed": 1, "one_in": 20},
        change=_drop_characters,
    ),
    "duplicated_line": FaultKind(
        says="writes a frame twice",
        arguments={"nth": 1},
        change=lambda reply, fault: _nth(reply, fault, lambda line: (line, line)),
    ),
    "impatient": FaultKind(says="does not wait for the answer that a unit announces by response pending (78)"),
    "late_prompt": FaultKind(
        says="writes the prompt so much later than the reply", arguments={"ms": 1000}, change=_late_prompt
    ),
    "lost_frame": FaultKind(
        says="loses a frame of the answer",
        arguments={"nth": 1},
        change=lambda reply, fault: _nth(reply, fault, lambda _line: ()),
    ),
    "no_data": FaultKind(says="sends the request and writes NO DATA for whatever comes back", change=_no_data),
    "refused_header": FaultKind(says="refuses AT SH and keeps the header it has"),
    "silent": FaultKind(
        says="writes nothing any more, not even the prompt",
        change=lambda reply, _fault: replace(reply, lines=(), prompt_us=None),
    ),
    "small_buffer": FaultKind(
        says="has room for so many lines of an answer, then writes BUFFER FULL",
        arguments={"lines": 4},
        change=lambda reply, fault: full(reply, fault.number("lines")),
    ),
    "stale_frame": FaultKind(says="writes the last frame of the previous answer first", change=_stale_frame),
}
COMMON_ARGUMENTS: Arguments = {"request": "", "times": 0}
"""What every kind takes too: only for commands that begin so (all), and only so many times (0: until settled)."""


class DongleFaults:
    """The faults that are switched on now; safe to change while the dongle works."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._on: dict[str, _Fault] = {}

    def disturb(self, kind: str, **arguments: int | str) -> None:
        """Switch a fault on; on again with other arguments changes it.

        Args:
            kind: a name in `KINDS`.
            arguments: its own and those of `COMMON_ARGUMENTS`.

        Raises:
            BenchError: no such kind or argument, or a value that makes no sense.
        """
        if kind not in KINDS:
            raise BenchError(f"unknown fault of a dongle '{kind}'; known: {', '.join(KINDS)}")
        known = {**KINDS[kind].arguments, **COMMON_ARGUMENTS}
        for name, value in arguments.items():
            _check(kind, name, value, known)
        given = {**known, **arguments}
        given["request"] = "".join(str(given["request"]).upper().split())
        with self._lock:
            self._on[kind] = _Fault(kind, given)

    def settle(self, kind: str | None = None) -> None:
        """Switch one fault off, or all of them.

        Raises:
            BenchError: no such kind.
        """
        if kind is not None and kind not in KINDS:
            raise BenchError(f"unknown fault of a dongle '{kind}'; known: {', '.join(KINDS)}")
        with self._lock:
            for name in (kind,) if kind else tuple(self._on):
                self._on.pop(name, None)

    def asked(self, kind: str, command: str) -> Arguments | None:
        """The arguments of a fault that is on for this command, or None; it counts as used."""
        with self._lock:
            for fault in self._meeting(command):
                if fault.kind == kind:
                    fault.used += 1
                    return fault.arguments
        return None

    def applied(self, command: str, reply: Reply) -> Reply:
        """What the faults that are on make of a reply, in the order of `KINDS`."""
        with self._lock:
            for fault in self._meeting(command):
                change = KINDS[fault.kind].change
                changed = reply if change is None else change(reply, fault)
                fault.used += changed != reply
                reply = changed
        return reply

    def _meeting(self, command: str) -> Iterator[_Fault]:
        return (self._on[kind] for kind in KINDS if kind in self._on and self._on[kind].meets(command))


def _check(kind: str, name: str, value: int | str, known: Arguments) -> None:
    if name not in known:
        raise BenchError(f"'{kind}' takes {', '.join(known)}, not {name}")
    if isinstance(known[name], str):
        if not isinstance(value, str):
            raise BenchError(f"{name} of '{kind}' is text, not {value!r}")
        return
    lowest = 0 if name in {"times", "ms", "seed", "characters"} else 1
    if not isinstance(value, int) or isinstance(value, bool) or value < lowest:
        raise BenchError(f"{name} of '{kind}' is a whole number from {lowest} up, not {value!r}")

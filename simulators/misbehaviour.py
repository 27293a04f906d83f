"""How units can misbehave: one table of kinds, each with what it takes and what it makes of an answer.

What a kind does to the frames of an answer it leaves to the bus, see `simulators.frame_faults`.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace

from simulators import donors, wire
from simulators.actions import Argument, Arguments
from simulators.answering import QUIET_TO_ALL
from simulators.disturbance import Asked, Disturbance, GoOn, Kept, Kind, Memory, Replies, Reply
from simulators.errors import BenchError
from simulators.fault_memory import CONFIRMED, NEVER_TESTED, PENDING, Event
from simulators.frame_faults import FRAME_FAULTS, FrameFault
from simulators.unit import Unit
from simulators.world import World

_READ_CODES, _CLEARS = 0x19, frozenset({0x14, 0x04})
_PERMANENT = 0x0A
_BY_MASK, _COUNT, _SNAPSHOTS, _EXTENDED = 0x02, 0x01, 0x04, 0x06
_NEGATIVE, _STILL_TO_COME = 0x7F, 0x78
_FOR_EVER_MS = 1 << 62
_NOT_THERE = frozenset({wire.SERVICE_NOT_SUPPORTED, wire.SUB_FUNCTION_NOT_SUPPORTED})


def _silent(_asked: Asked, _on: Disturbance, _go_on: GoOn) -> Replies:
    return ()


def _late(_asked: Asked, on: Disturbance, go_on: GoOn) -> Replies:
    return tuple(replace(reply, after_us=reply.after_us + on.number("ms") * 1000) for reply in go_on())


def _endless_pending(asked: Asked, on: Disturbance, _go_on: GoOn) -> Replies:
    every_ms = on.number("every_ms")
    data = wire.negative(asked.request[0], _STILL_TO_COME)
    return tuple(Reply(data=data, after_us=1000 * at) for at in range(0, 1000 * on.number("lasting"), every_ms))


def _refuses(asked: Asked, on: Disturbance, _go_on: GoOn) -> Replies:
    code = on.number("code")
    if asked.functional and code in QUIET_TO_ALL:
        return ()
    return (Reply(data=wire.negative(asked.request[0], code)),)


def _other_service(asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    go_on()
    return asked.ask(b"\x22\xf1\x86" if asked.request[0] == 0x3E else b"\x3e\x00")


def _on_the_wire(_asked: Asked, on: Disturbance, go_on: GoOn) -> Replies:
    fault = FrameFault(on.kind, on.arguments)
    return tuple(replace(reply, frame_faults=(*reply.frame_faults, fault)) for reply in go_on())


def _accepted(asked: Asked, replies: Replies) -> bool:
    return bool(replies) and replies[-1].data[0] == asked.request[0] + wire.POSITIVE


def _clear_ignored(asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    before = Memory.of(asked.unit)
    replies = go_on()
    before.put_into(asked.unit)
    return replies


def _clear_unanswered(asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    replies = go_on()
    return () if _accepted(asked, replies) else replies


def _keeps_after_clear(asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    before = Memory.of(asked.unit)
    replies = go_on()
    if _accepted(asked, replies):
        for code, monitor in asked.unit.monitors.items():
            old = before.monitors[code].fault
            if old.has(PENDING | CONFIRMED) and not monitor.fault.has(PENDING | CONFIRMED):
                monitor.fault = old
                old.status = old.status & (PENDING | CONFIRMED) | NEVER_TESTED
    return replies


def _writes_late(asked: Asked, on: Disturbance, go_on: GoOn) -> Replies:
    shown = on.kept.memory if on.kept is not None and asked.now_ms < on.kept.until_ms else None
    if asked.request[0] in _CLEARS:
        before = shown or Memory.of(asked.unit)
        replies = go_on()
        if _accepted(asked, replies) and not on.spent(asked.now_ms):
            on.kept = Kept(memory=before, until_ms=asked.now_ms + on.number("ms"))
        return replies
    if shown is None:
        return go_on()
    real = Memory(monitors=asked.unit.monitors, counters=asked.unit.counters)
    shown.put_into(asked.unit)
    try:
        return go_on()
    finally:
        real.put_into(asked.unit)


def _returns_next_cycle(asked: Asked, on: Disturbance, go_on: GoOn) -> Replies:
    before = Memory.of(asked.unit)
    replies = go_on()
    if _accepted(asked, replies) and not on.spent(asked.now_ms):
        on.kept = Kept(memory=before, until_ms=_FOR_EVER_MS, key_turned_s=asked.world.now_s - asked.world.key_s)
    return replies


def _bring_back(unit: Unit, world: World, on: Disturbance, _seed: int) -> None:
    """With the key turned on again what was cleared is there again, as it was."""
    if on.kept is None or on.kept.memory is None or not world.key_on:
        return
    if world.now_s - world.key_s != on.kept.key_turned_s:
        for code, monitor in on.kept.memory.monitors.items():
            if code in unit.monitors and monitor.fault.has(PENDING | CONFIRMED):
                monitor.fault.happen(Event.CYCLE_BEGINS)
                unit.monitors[code].fault = monitor.fault
        on.kept = None


def _lists_confirmed_only(asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    def only_confirmed(data: bytes) -> bytes:
        entries = (data[at : at + 4] for at in range(3, len(data), 4))
        return data[:3] + b"".join(entry for entry in entries if entry[3] & CONFIRMED)

    def changed(reply: Reply) -> Reply:
        if reply.data[:2] == bytes([0x59, _BY_MASK]):
            return replace(reply, data=only_confirmed(reply.data))
        if reply.data[:2] == bytes([0x59, _COUNT]):
            listed = asked.ask(bytes([_READ_CODES, _BY_MASK, asked.request[2]]))[-1].data
            count = (len(only_confirmed(listed)) - 3) // 4
            return replace(reply, data=reply.data[:4] + count.to_bytes(2, "big"))
        return reply

    return tuple(changed(reply) for reply in go_on())


def _echoes_zero(asked: Asked, _on: Disturbance, go_on: GoOn) -> Replies:
    replies = go_on()
    refusal = replies[-1].data[2] if replies and replies[-1].data[0] == _NEGATIVE else None
    if refusal in _NOT_THERE or len(asked.request) != 6 or asked.request[1] not in (_SNAPSHOTS, _EXTENDED):
        return replies
    return (Reply(data=b"\x59" + asked.request[1:5] + b"\x00"),)


def _permanent_zeros(_asked: Asked, on: Disturbance, go_on: GoOn) -> Replies:
    def filled(data: bytes) -> bytes:
        entries = max(data[1], on.number("entries"))
        return bytes([data[0], entries]) + data[2:].ljust(2 * entries, b"\0")

    return tuple(
        replace(reply, data=filled(reply.data)) if reply.data[0] == _PERMANENT + wire.POSITIVE else reply
        for reply in go_on()
    )


def _put_donor_in(unit: Unit, _world: World, on: Disturbance, seed: int) -> None:
    """Another unit, the own one on the shelf: its memory stands still there."""
    donor = donors.any_donor(donors.USED, unit.spec, seed)
    if donor is not None:
        on.kept = Kept(unit=copy.copy(unit))
        _swap(unit, donors.make(donor, unit.spec))


def _put_own_back(unit: Unit, _world: World, on: Disturbance, _seed: int) -> None:
    if on.kept is not None and on.kept.unit is not None:
        _swap(unit, on.kept.unit)


def _swap(unit: Unit, other: Unit) -> None:
    plugged = unit.plugged
    unit.become(other)
    unit.plugged = plugged


_MS = Argument(about="so many milliseconds", least=1, most=600_000)
_SERVICE = Argument(about="only for this service, e.g. 0x19; 0 for all", least=0, most=0xFF, default=0)

# From the innermost, nearest to the unit's memory, to the outermost, nearest to the wire.
KINDS: Mapping[str, Kind] = {
    "donor": Kind(
        says="Is a unit out of another car, with that car's codes and VIN.", begin=_put_donor_in, end=_put_own_back
    ),
    "clear_ignored": Kind(says="Accepts a clear and does not carry it out.", services=_CLEARS, change=_clear_ignored),
    "keeps_after_clear": Kind(
        says="Accepts a clear and takes back its test results, but keeps its pending and confirmed codes.",
        services=_CLEARS,
        change=_keeps_after_clear,
    ),
    "returns_next_cycle": Kind(
        says="Carries a clear out; what was stored is back when the key is next turned on.",
        services=_CLEARS,
        change=_returns_next_cycle,
        after_act=_bring_back,
    ),
    "writes_late": Kind(
        says="Accepts a clear and carries it out, but goes on to tell what was stored for a while.",
        takes={"ms": replace(_MS, default=500)},
        counted=_CLEARS,
        change=_writes_late,
    ),
    "clear_unanswered": Kind(
        says="Carries a clear out and does not answer.", services=_CLEARS, change=_clear_unanswered
    ),
    "lists_confirmed_only": Kind(
        says="Lists and counts confirmed codes only, whatever it is asked for (19 01, 19 02).",
        services=frozenset({_READ_CODES}),
        change=_lists_confirmed_only,
    ),
    "echoes_zero": Kind(
        says="Answers 19 04 and 19 06 with status 00 and no record for any code, known or not.",
        services=frozenset({_READ_CODES}),
        change=_echoes_zero,
    ),
    "permanent_zeros": Kind(
        says="Fills its list of permanent codes (0A) with 00.",
        takes={"entries": Argument(about="entries that the list has then", least=1, most=100, default=4)},
        services=frozenset({_PERMANENT}),
        change=_permanent_zeros,
    ),
    "refuses": Kind(
        says="Refuses and does nothing.",
        takes={
            "code": Argument(about="negative response code, e.g. 0x22", least=1, most=0xFF, default=0x22),
            "service": _SERVICE,
        },
        change=_refuses,
    ),
    "other_service": Kind(
        says="Does what it was asked for and sends the answer of another service.",
        takes={"service": _SERVICE},
        change=_other_service,
    ),
    "endless_pending": Kind(
        says="Says again and again that its answer is still to come (78), and never answers.",
        takes={
            "every_ms": replace(_MS, default=1000),
            "lasting": Argument(about="seconds until it is silent", least=1, most=3600, default=60),
            "service": _SERVICE,
        },
        change=_endless_pending,
    ),
    **{name: Kind(says=fault.says, takes=fault.takes, change=_on_the_wire) for name, fault in FRAME_FAULTS.items()},
    "late": Kind(
        says="Answers so much later.", takes={"ms": replace(_MS, default=200), "service": _SERVICE}, change=_late
    ),
    "silent": Kind(says="Takes requests, does nothing and answers none.", takes={"service": _SERVICE}, change=_silent),
}
"""Every kind by name."""

COMMON: Mapping[str, Argument] = {
    "requests": Argument(about="for so many requests that it is about; 0 for any number", least=0, default=0),
    "seconds": Argument(about="for so many seconds of machine time; 0 until it is settled", least=0, default=0),
}
"""What every kind can be told too."""


def check_kind(kind: str) -> Kind:
    """The kind of this name.

    Raises:
        BenchError: there is none; the line names those there are.
    """
    if kind not in KINDS:
        raise BenchError(f"unknown misbehaviour '{kind}'; known: {', '.join(sorted(KINDS))}")
    return KINDS[kind]


def make(kind: str, arguments: Arguments, now_ms: int) -> Disturbance:
    """The kind, ready to be switched on.

    Args:
        kind: its name.
        arguments: what it is told: numbers, or text of one such as ``0x22``.
        now_ms: machine time.

    Raises:
        BenchError: no such kind, or it takes no such argument, or a value is none that it can have.
    """
    takes = {**check_kind(kind).takes, **COMMON}
    for name in arguments:
        if name not in takes:
            raise BenchError(f"'{kind}' takes {', '.join(f'[{known}]' for known in takes)}, not {name}")
    given = {name: argument.default or 0 for name, argument in takes.items()}
    given |= {name: takes[name].read(name, _plain_number(value)) for name, value in arguments.items()}
    seconds, requests = int(given["seconds"]), int(given["requests"])
    return Disturbance(
        kind=kind,
        arguments=given,
        until_ms=now_ms + 1000 * seconds if seconds else None,
        left=requests or None,
    )


def _plain_number(value: int | str) -> int | str:
    """A number that was typed as hex digits behind 0x."""
    if isinstance(value, str) and value[:2].lower() == "0x":
        try:
            return int(value, 16)
        except ValueError:
            return value
    return value

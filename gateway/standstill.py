"""Does the car stand with its engine off: read just now, or stated by the technician where no unit can tell."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from decoders.errors import LinkError, RefusedError
from decoders.values import Exchange, Outcome
from gateway.guard.guarded_link import KEPT_BACK
from gateway.visit import Visit
from sessions.obd_values import asked_alike, offered
from sessions.plan import plan_live
from sessions.record import JobRecord
from sessions.record.decode import live_values

STATED = "drive off, not READY, parked"
_ENGINE_SPEED, _ROAD_SPEED = 0x0C, 0x0D


@dataclass(frozen=True, slots=True, kw_only=True)
class Standstill:
    """How it is known that the car stands: read just now, or stated by the technician."""

    read: bool
    read_at_s: float
    words: str


def speed_tellers(record: JobRecord) -> dict[str, tuple[int, ...]]:
    """How each unit that told a speed is asked for both: the way it told them, else the way it told the other."""
    speeds = (_ENGINE_SPEED, _ROAD_SPEED)
    told: dict[str, set[int]] = {}
    for item in record.live:
        if item.pid in speeds:
            told.setdefault(item.unit, set()).add(item.number)
    return {
        unit: tuple((offered((pid,), numbers) or asked_alike((pid,), min(numbers)))[0] for pid in speeds)
        for unit, numbers in told.items()
    }


def read_standstill(visit: Visit, *, stated_parked: bool, not_done: str) -> Standstill | None:
    """Read engine speed and road speed now, from every unit of the job that told them before.

    None if the visit was stopped meanwhile. One unit that tells a speed is enough; each that does must tell zero.

    Args:
        visit: where to ask.
        stated_parked: True if the technician states that the car is parked.
        not_done: how the error begins, e.g. "Not cleared".

    Raises:
        RefusedError: a value is not zero, or no unit told it just now and nobody stated it.
        LinkError: the way to the vehicle is broken.
    """
    tellers = speed_tellers(visit.record())
    read_at_s = time.monotonic()
    kept = visit.ask({unit: plan_live(unit, tellers[unit]) for unit in sorted(tellers)}, during="interlock")
    if visit.stop.is_set():
        return None
    require_sent(kept, not_done=not_done)
    fresh = [value for exchange in kept for value in live_values(exchange)]
    electric = visit.profile.electric_drive
    for pid, name, unit_text in ((_ENGINE_SPEED, "engine speed", "rpm"), (_ROAD_SPEED, "road speed", "km/h")):
        values = [item.value for item in fresh if item.pid == pid]
        if any(value != 0 for value in values):
            raise RefusedError(
                f"{not_done}: {name} is {max(values):.0f} {unit_text}",
                next_step="bring the car to a stop, engine off, key on, then try again",
            )
        if not values and not stated_parked:
            raise RefusedError(
                f"{not_done}: no unit tells the {name} just now",
                next_step=f"if the car stands still ({STATED}), say so with --stated-parked",
            )
    if electric and not stated_parked:
        # A car that is READY stands with its engine off and may drive away at once.
        raise RefusedError(
            f"{not_done}: this car can move without its engine, so its speeds do not tell whether it is READY",
            next_step=f"if it stands still ({STATED}), say so with --stated-parked",
        )
    both = {item.pid for item in fresh} >= {_ENGINE_SPEED, _ROAD_SPEED}
    read = "read: engine 0 rpm, road 0 km/h"
    stated = f"stated, not read: {STATED}"
    words = (f"{read}; {stated}" if electric else read) if both else stated
    return Standstill(read=both, read_at_s=read_at_s, words=words)


def require_sent(kept: Sequence[Exchange], *, not_done: str) -> None:
    """Make sure that everything was sent.

    Args:
        kept: what was asked.
        not_done: how the error begins, e.g. "Not cleared".

    Raises:
        RefusedError: the guard kept something back.
        LinkError: something was never sent.
    """
    for exchange in kept:
        if exchange.outcome is not Outcome.UNSENT:
            continue
        trouble = exchange.trouble or "never sent"
        if trouble.startswith(KEPT_BACK):
            raise RefusedError(f"{not_done}: {trouble}", next_step="correct the unit's address in the profile")
        raise LinkError(f"{not_done}: {trouble}", next_step="check the connection, scan again, then try again")

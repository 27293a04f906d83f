"""Units from elsewhere: a new one, or one out of another car with that car's codes and VIN in its memory."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simulators.chance import draw
from simulators.counters import Counters
from simulators.fault_memory import Event
from simulators.live_data import take_snapshot
from simulators.monitors import KM
from simulators.unit import Unit, UnitSpec
from simulators.world import World

NEW, USED = "new", "used"
SERIAL, VIN = 0xF18C, 0xF190
_VIN_ITEM = 0x02
_PATTERN = "ZZ9DNR??XTR0?????"
_CHECK_DIGIT_AT = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class DonorSpec:
    """A unit that may take another one's place.

    Args:
        name: what people call it when they put it in.
        unit: address of the unit whose place it can take.
        vin: the VIN that it tells, or None for that of the car it comes into.
        identity: what it tells otherwise than the unit before (data identifier, bytes).
        odometer_km: what its old car had run.
        codes: what it remembers of its old car.
    """

    name: str
    unit: str
    vin: str | None = None
    identity: tuple[tuple[int, bytes], ...] = ()
    odometer_km: int = 0
    codes: tuple[str, ...] = ()


def any_donor(name: str, spec: UnitSpec, seed: int) -> DonorSpec | None:
    """The new or the used unit that chance brings, where a scenario names none; None for any other name."""
    serial = f"{draw(10**8, seed=seed, unit=spec.address, cause=f'{name} serial', nth=0):08d}".encode()
    if name == NEW:
        return DonorSpec(name=name, unit=spec.address, identity=((SERIAL, serial),))
    if name != USED:
        return None
    codes = [test.code for test in spec.monitors]
    picked = codes[draw(len(codes), seed=seed, unit=spec.address, cause="donor code", nth=0)] if codes else None
    return DonorSpec(
        name=name,
        unit=spec.address,
        vin=_draw_vin(spec.address, seed),
        identity=((SERIAL, serial),),
        odometer_km=40_000 + draw(120_000, seed=seed, unit=spec.address, cause="donor way", nth=0),
        codes=() if picked is None else (picked,),
    )


def make(donor: DonorSpec, spec: UnitSpec) -> Unit:
    """The donor as it comes: built like the unit before, with a memory of its own.

    A code that it remembers failed in as many cycles as it takes to be confirmed; all its other tests passed. A
    new unit has never tested anything.
    """
    told = {**dict(donor.identity), **({} if donor.vin is None else {VIN: donor.vin.encode()})}
    identity = tuple((number, told.get(number, data)) for number, data in spec.identity)
    information = tuple(
        (number, (donor.vin.encode(),) if donor.vin is not None and number == _VIN_ITEM else items)
        for number, items in spec.information
    )
    unit = Unit(replace(spec, identity=identity, information=information), Counters())
    if donor.name == NEW:
        return unit
    unit.counters = Counters(warm_ups=0xFF, path_kmh_s=donor.odometer_km * KM)
    then = World(key_on=True, engine_on=True, path_kmh_s=donor.odometer_km * KM, speed_kmh=50, wanted_kmh=50)
    for code, monitor in unit.monitors.items():
        failed = code in donor.codes
        for _ in range(monitor.spec.rule.trips if failed else 1):
            monitor.fault.happen(Event.CYCLE_BEGINS)
            if failed:
                monitor.fault.happen(Event.FAILED, snapshot=take_snapshot(unit, then))
            else:
                monitor.fault.happen(Event.PASSED)
            monitor.fault.happen(Event.CYCLE_ENDS)
    return unit


def _draw_vin(unit: str, seed: int) -> str:
    """An invented VIN with a right check digit. Source: 49 CFR 565.15."""
    digits = list(_PATTERN)
    for at, letter in enumerate(digits):
        if letter == "?":
            digits[at] = str(draw(10, seed=seed, unit=unit, cause="donor VIN", nth=at))
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    values = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True))
    total = sum(
        weight * (int(digit) if digit.isdigit() else values[digit])
        for weight, digit in zip(weights, digits, strict=True)
    )
    digits[_CHECK_DIGIT_AT] = "0123456789X"[total % 11]
    return "".join(digits)

"""What can be measured of the world, by name, and how a maker's own data identifier carries it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simulators.world import World

VALUES: Mapping[str, Callable[[World], int]] = {
    "speed_kmh": lambda world: world.speed_kmh,
    "engine_rpm": lambda world: world.rpm,
    "load_percent": lambda world: world.load_percent,
    "coolant_c": lambda world: world.coolant_c,
    "ambient_c": lambda world: world.ambient_c,
    "supply_mv": lambda world: world.supply_mv,
    "odometer_km": lambda world: world.odometer_km,
    "run_s": lambda world: world.run_s,
    "key_on": lambda world: int(world.key_on),
    "engine_on": lambda world: int(world.engine_on),
}
"""Name of a value -> what it is now, a whole number in the unit that the name ends in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A data identifier and the value behind it: value = raw * `scale_num` / `scale_den` + `offset`.

    Args:
        number: the data identifier, 0..FFFF.
        value: name of the value, one of `VALUES`.
        length: bytes, high byte first.
        signed: True for two's complement.
        scale_num: numerator of the scale.
        scale_den: denominator of the scale.
        offset: what is added behind the scale.
    """

    number: int
    value: str
    length: int
    signed: bool = False
    scale_num: int = 1
    scale_den: int = 1
    offset: int = 0

    def encode(self, world: World) -> bytes:
        """The present value as bytes; one that does not fit is as near as it can be."""
        raw = (VALUES[self.value](world) - self.offset) * self.scale_den // self.scale_num
        bits = 8 * self.length
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if self.signed else (0, (1 << bits) - 1)
        return max(low, min(high, raw)).to_bytes(self.length, "big", signed=self.signed)

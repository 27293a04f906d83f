"""Unit-and-scaling identifiers of service 06 (SAE J1979-DA): what the two-byte numbers of a test result mean.

Identifiers 80 to FE are of signed numbers. They do not all mirror the unsigned one 80 below: 96 has no offset, B0
and B1 are quantities of their own. Source: SAE J1979-DA (from memory), checked against two independent decoders.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from decoders.layout import Number, Scale

_RESERVED = (0x00, 0xFF)
_FIRST_SIGNED = 0x80
_BITS = 16

_ROWS: tuple[tuple[int, str, str], ...] = (
    (0x01, "1", ""),
    (0x02, "0.1", ""),
    (0x03, "0.01", ""),
    (0x04, "0.001", ""),
    (0x05, "0.0000305", ""),
    (0x06, "0.000305", ""),
    (0x07, "0.25", "rpm"),
    (0x08, "0.01", "km/h"),
    (0x09, "1", "km/h"),
    (0x0A, "0.122", "mV"),
    (0x0B, "0.001", "V"),
    (0x0C, "0.01", "V"),
    (0x0D, "0.00390625", "mA"),
    (0x0E, "0.001", "A"),
    (0x0F, "0.01", "A"),
    (0x10, "1", "ms"),
    (0x11, "100", "ms"),
    (0x12, "1", "s"),
    (0x13, "1", "mOhm"),
    (0x14, "1", "Ohm"),
    (0x15, "1", "kOhm"),
    (0x16, "0.1", "C"),
    (0x17, "0.01", "kPa"),
    (0x18, "0.0117", "kPa"),
    (0x19, "0.079", "kPa"),
    (0x1A, "1", "kPa"),
    (0x1B, "10", "kPa"),
    (0x1C, "0.01", "deg"),
    (0x1D, "0.5", "deg"),
    (0x1E, "0.0000305", "lambda"),
    (0x1F, "0.05", "air/fuel"),
    (0x20, "0.00390625", ""),
    (0x21, "1", "mHz"),
    (0x22, "1", "Hz"),
    (0x23, "1", "kHz"),
    (0x24, "1", "counts"),
    (0x25, "1", "km"),
    (0x26, "0.1", "mV/ms"),
    (0x27, "0.01", "g/s"),
    (0x28, "1", "g/s"),
    (0x29, "0.25", "Pa/s"),
    (0x2A, "0.001", "kg/h"),
    (0x2B, "1", "switches"),
    (0x2C, "0.01", "g/cylinder"),
    (0x2D, "0.01", "mg/stroke"),
    (0x2E, "1", "true/false"),
    (0x2F, "0.01", "%"),
    (0x30, "0.001526", "%"),
    (0x31, "0.001", "L"),
    (0x32, "0.0000305", "in"),
    (0x33, "0.00024414", "lambda"),
    (0x34, "1", "min"),
    (0x35, "10", "ms"),
    (0x36, "0.01", "g"),
    (0x37, "0.1", "g"),
    (0x38, "1", "g"),
    (0x39, "0.01", "%"),
    (0x3A, "0.001", "g"),
    (0x3B, "0.0001", "g"),
    (0x3C, "0.1", "us"),
    (0x3D, "0.01", "mA"),
    (0x3E, "0.00006103516", "mm2"),
    (0x3F, "0.01", "L"),
    (0x40, "1", "ppm"),
    (0x41, "0.01", "uA"),
    (0x81, "1", ""),
    (0x82, "0.1", ""),
    (0x83, "0.01", ""),
    (0x84, "0.001", ""),
    (0x85, "0.0000305", ""),
    (0x86, "0.000305", ""),
    (0x87, "1", "ppm"),
    (0x8A, "0.122", "mV"),
    (0x8B, "0.001", "V"),
    (0x8C, "0.01", "V"),
    (0x8D, "0.00390625", "mA"),
    (0x8E, "0.001", "A"),
    (0x90, "1", "ms"),
    (0x96, "0.1", "C"),
    (0x99, "0.1", "kPa"),
    (0x9C, "0.01", "deg"),
    (0x9D, "0.5", "deg"),
    (0xA8, "1", "g/s"),
    (0xA9, "0.25", "Pa/s"),
    (0xAD, "0.01", "mg/stroke"),
    (0xAE, "0.1", "mg/stroke"),
    (0xAF, "0.01", "%"),
    (0xB0, "0.003052", "%"),
    (0xB1, "2", "mV/s"),
    (0xFC, "0.01", "kPa"),
    (0xFD, "0.001", "kPa"),
    (0xFE, "0.25", "Pa"),
)
_OFFSETS = {0x16: "-40", 0x39: "-327.68"}


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitScaling:
    """What the numbers of one identifier mean.

    Args:
        number: the identifier, 0..FF.
        unit: unit of the scaled number; empty for a number without one.
        scale: from the raw number, signed where the identifier says so, to `unit`.
    """

    number: int
    unit: str
    scale: Scale


UNIT_SCALINGS: Mapping[int, UnitScaling] = MappingProxyType(
    {
        number: UnitScaling(
            number=number, unit=unit, scale=Scale.of(Fraction(step), Fraction(_OFFSETS.get(number, "0")))
        )
        for number, step, unit in _ROWS
    }
)
"""Unit-and-scaling identifier -> meaning. What is not in it is unknown."""


def signed_number(scaling: int, word: int) -> int | None:
    """A raw number, 0..FFFF, with its sign; None where the identifier is reserved and does not tell it.

    Source: SAE J1979-DA, unit-and-scaling identifiers: 01 to 7F unsigned, 80 to FE two's complement.
    """
    if scaling in _RESERVED:
        return None
    return word - (word >> _BITS - 1 << _BITS) if scaling >= _FIRST_SIGNED else word


def scaled_number(scaling: int, word: int) -> Number | None:
    """A raw number, 0..FFFF, in the unit of its identifier; None where the identifier is unknown."""
    known, number = UNIT_SCALINGS.get(scaling), signed_number(scaling, word)
    return None if known is None or number is None else known.scale.apply(number)

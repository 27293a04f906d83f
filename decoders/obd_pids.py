"""Layouts of the identifiers 00 to 5F of service 01, as a table; 60 and above stand in ``obd_pids_more``.

Numbers are scaled by the default scales. A unit that answers PID 4F or 50 with other numbers than 0 has chosen
maxima of its own for 0B, 10, 24 to 2B, 34 to 3B and 44, and says so there.
Source of all rows: SAE J1979-DA / ISO 15031-5, Annex B (from memory). Independent decoders give the same numbers for
all but 03, 13, 1D and 1E, whose states are in no scale: of 13 and 1E one has the same bits, of the others the length.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from decoders.layout import Bits, Field, FieldKind, Layout, Scale, When, whole_bytes

Quantity = tuple[str, Scale, FieldKind]
"""Unit, scale, and whether the raw number is signed."""

COUNT: Quantity = ("", Scale(), "unsigned")
PERCENT: Quantity = ("%", Scale(num=100, den=255), "unsigned")
TRIM: Quantity = ("%", Scale(num=100, add=-12800, den=128), "unsigned")
TORQUE: Quantity = ("%", Scale(add=-125), "unsigned")
TEMPERATURE: Quantity = ("C", Scale(add=-40), "unsigned")
HOT_TEMPERATURE: Quantity = ("C", Scale(add=-400, den=10), "unsigned")
KPA: Quantity = ("kPa", Scale(), "unsigned")
TEN_KPA: Quantity = ("kPa", Scale(num=10), "unsigned")
KM: Quantity = ("km", Scale(), "unsigned")
SECONDS: Quantity = ("s", Scale(), "unsigned")
MINUTES: Quantity = ("min", Scale(), "unsigned")
_RATIO: Quantity = ("", Scale(den=32768), "unsigned")
_SENSOR_VOLTAGE: Quantity = ("V", Scale(den=200), "unsigned")
_WIDE_VOLTAGE: Quantity = ("V", Scale(den=8192), "unsigned")
_PUMP_CURRENT: Quantity = ("mA", Scale(add=-32768, den=256), "unsigned")

_FUEL_SYSTEM = (
    (0, "off or not fitted"),
    (1, "open loop, not warm yet"),
    (2, "closed loop"),
    (4, "open loop, load or overrun"),
    (8, "open loop because of a fault"),
    (16, "closed loop with a sensor fault"),
)
_SECONDARY_AIR = (
    (1, "ahead of the catalyst"),
    (2, "behind the inlet of the catalyst"),
    (4, "outside air or off"),
    (8, "pump on for diagnosis"),
)
_OBD_TYPES = (
    (1, "OBD II, California"),
    (2, "OBD, US federal"),
    (3, "OBD and OBD II"),
    (4, "OBD I"),
    (5, "no OBD"),
    (6, "EOBD"),
    (7, "EOBD and OBD II"),
    (8, "EOBD and OBD"),
    (9, "EOBD, OBD and OBD II"),
    (10, "JOBD"),
    (11, "JOBD and OBD II"),
    (12, "JOBD and EOBD"),
    (13, "JOBD, EOBD and OBD II"),
    (17, "EMD"),
    (18, "EMD+"),
    (19, "HD OBD-C"),
    (20, "HD OBD"),
    (21, "WWH OBD"),
    (23, "HD EOBD-I"),
    (24, "HD EOBD-I N"),
    (25, "HD EOBD-II"),
    (26, "HD EOBD-II N"),
    (28, "OBDBr-1"),
    (29, "OBDBr-2"),
    (30, "KOBD"),
    (31, "IOBD I"),
    (32, "IOBD II"),
    (33, "HD EOBD-VI"),
)
_FUELS = (
    (0, "not available"),
    (1, "petrol"),
    (2, "methanol"),
    (3, "ethanol"),
    (4, "diesel"),
    (5, "LPG"),
    (6, "CNG"),
    (7, "propane"),
    (8, "electricity"),
    (9, "two fuels, now petrol"),
    (10, "two fuels, now methanol"),
    (11, "two fuels, now ethanol"),
    (12, "two fuels, now LPG"),
    (13, "two fuels, now CNG"),
    (14, "two fuels, now propane"),
    (15, "two fuels, now electricity"),
    (16, "two fuels, now electricity and engine"),
    (17, "hybrid, petrol"),
    (18, "hybrid, ethanol"),
    (19, "hybrid, diesel"),
    (20, "hybrid, electricity"),
    (21, "hybrid, electricity and engine"),
    (22, "hybrid, recovering"),
    (23, "two fuels, now diesel"),
)
_REQUIREMENTS = ((14, "heavy duty, Euro IV B1"), (15, "heavy duty, Euro V B2"), (16, "heavy duty, Euro EEV C"))
_DEFAULT_SCALE = ((0, "default scale"),)
PRESENT = ((0, "not fitted"), (1, "fitted"))
ON_OFF = ((0, "off"), (1, "on"))
# The trim of a sensor that has no part in trimming is sent as FF.
_TRIMS = (When(bits=Bits(start=8, length=8), values=tuple(range(0xFF))),)

_SENSORS_OF_TWO_BANKS = tuple((bank, sensor) for bank in (1, 2) for sensor in (1, 2, 3, 4))
_SENSORS_OF_FOUR_BANKS = tuple((bank, sensor) for bank in (1, 2, 3, 4) for sensor in (1, 2))

_SINGLE: tuple[tuple[int, str, int, Quantity], ...] = (
    (0x02, "code of the freeze frame", 2, COUNT),
    (0x04, "engine load", 1, PERCENT),
    (0x05, "coolant temperature", 1, TEMPERATURE),
    (0x06, "short-term fuel trim, bank 1", 1, TRIM),
    (0x07, "long-term fuel trim, bank 1", 1, TRIM),
    (0x08, "short-term fuel trim, bank 2", 1, TRIM),
    (0x09, "long-term fuel trim, bank 2", 1, TRIM),
    (0x0A, "fuel pressure", 1, ("kPa", Scale(num=3), "unsigned")),
    (0x0B, "intake manifold pressure", 1, KPA),
    (0x0C, "engine speed", 2, ("rpm", Scale(den=4), "unsigned")),
    (0x0D, "road speed", 1, ("km/h", Scale(), "unsigned")),
    (0x0E, "ignition timing, cylinder 1", 1, ("deg", Scale(add=-128, den=2), "unsigned")),
    (0x0F, "intake air temperature", 1, TEMPERATURE),
    (0x10, "air mass flow", 2, ("g/s", Scale(den=100), "unsigned")),
    (0x11, "throttle position", 1, PERCENT),
    (0x1F, "run time since engine start", 2, SECONDS),
    (0x21, "distance with the lamp on", 2, KM),
    (0x22, "fuel rail pressure above manifold", 2, ("kPa", Scale(num=79, den=1000), "unsigned")),
    (0x23, "fuel rail pressure", 2, TEN_KPA),
    (0x2C, "commanded EGR", 1, PERCENT),
    (0x2D, "EGR error", 1, TRIM),
    (0x2E, "commanded evaporative purge", 1, PERCENT),
    (0x2F, "fuel level", 1, PERCENT),
    (0x30, "warm-ups since clear", 1, COUNT),
    (0x31, "distance since clear", 2, KM),
    (0x32, "evaporative system pressure", 2, ("Pa", Scale(den=4), "signed")),
    (0x33, "barometric pressure", 1, KPA),
    (0x3C, "catalyst temperature, bank 1 sensor 1", 2, HOT_TEMPERATURE),
    (0x3D, "catalyst temperature, bank 2 sensor 1", 2, HOT_TEMPERATURE),
    (0x3E, "catalyst temperature, bank 1 sensor 2", 2, HOT_TEMPERATURE),
    (0x3F, "catalyst temperature, bank 2 sensor 2", 2, HOT_TEMPERATURE),
    (0x42, "supply voltage", 2, ("V", Scale(den=1000), "unsigned")),
    (0x43, "absolute load", 2, PERCENT),
    (0x44, "commanded lambda", 2, _RATIO),
    (0x45, "relative throttle position", 1, PERCENT),
    (0x46, "outside temperature", 1, TEMPERATURE),
    (0x47, "throttle position B", 1, PERCENT),
    (0x48, "throttle position C", 1, PERCENT),
    (0x49, "pedal position D", 1, PERCENT),
    (0x4A, "pedal position E", 1, PERCENT),
    (0x4B, "pedal position F", 1, PERCENT),
    (0x4C, "commanded throttle", 1, PERCENT),
    (0x4D, "engine time with the lamp on", 2, MINUTES),
    (0x4E, "engine time since clear", 2, MINUTES),
    (0x52, "alcohol in the fuel", 1, PERCENT),
    (0x53, "evaporative system absolute pressure", 2, ("kPa", Scale(den=200), "unsigned")),
    (0x54, "evaporative system pressure, wide", 2, ("Pa", Scale(), "signed")),
    (0x59, "fuel rail absolute pressure", 2, TEN_KPA),
    (0x5A, "relative pedal position", 1, PERCENT),
    (0x5B, "traction battery remaining", 1, PERCENT),
    (0x5C, "engine oil temperature", 1, TEMPERATURE),
    (0x5D, "injection timing", 2, ("deg", Scale(add=-26880, den=128), "unsigned")),
    (0x5E, "fuel rate", 2, ("L/h", Scale(den=20), "unsigned")),
)

_NAMED: tuple[tuple[int, str, tuple[tuple[int, str], ...]], ...] = (
    (0x12, "secondary air", _SECONDARY_AIR),
    (0x1C, "OBD type", _OBD_TYPES),
    (0x51, "fuel type", _FUELS),
    (0x5F, "emission requirements", _REQUIREMENTS),
)


def _number(
    name: str,
    first: int,
    count: int,
    quantity: Quantity,
    *,
    names: Iterable[tuple[int, str]] = (),
    when: Iterable[When] = (),
) -> Field:
    unit, scale, kind = quantity
    return whole_bytes(name, first, count, kind=kind, scale=scale, unit=unit, names=names, when=when)


def _layout(name: str, length: int, *fields: Field) -> Layout:
    return Layout(name=name, length=length, fields=fields)


def _fitted(name: str, sensors: tuple[tuple[int, int], ...]) -> Layout:
    # The lowest bit is sensor 1 of bank 1.
    return _layout(
        name,
        1,
        *(
            Field(name=f"oxygen sensor {sensor} of bank {bank}", bits=Bits(start=7 - bit, length=1), names=PRESENT)
            for bit, (bank, sensor) in enumerate(sensors)
        ),
    )


# Bank and sensor of 14 to 1B, 24 to 2B and 34 to 3B depend on which of PIDs 13 and 1D the unit has: only the
# number is certain.
def _narrow_sensor(number: int) -> Layout:
    name = f"oxygen sensor {number}"
    voltage = _number(f"{name}, voltage", 0, 1, _SENSOR_VOLTAGE)
    return _layout(name, 2, voltage, _number(f"{name}, short-term trim", 1, 1, TRIM, when=_TRIMS))


def _wide_sensor(number: int, what: str, quantity: Quantity) -> Layout:
    name = f"oxygen sensor {number}"
    return _layout(name, 4, _number(f"{name}, lambda", 0, 2, _RATIO), _number(f"{name}, {what}", 2, 2, quantity))


def _two_trims(name: str, banks: tuple[int, int]) -> Layout:
    return _layout(name, 2, *(_number(f"{name}, bank {bank}", at, 1, TRIM) for at, bank in enumerate(banks)))


_SEVERAL: dict[int, Layout] = {
    0x03: _layout(
        "fuel system status",
        2,
        _number("fuel system 1", 0, 1, COUNT, names=_FUEL_SYSTEM),
        _number("fuel system 2", 1, 1, COUNT, names=_FUEL_SYSTEM),
    ),
    0x13: _fitted("oxygen sensors fitted, two banks", _SENSORS_OF_TWO_BANKS),
    0x1D: _fitted("oxygen sensors fitted, four banks", _SENSORS_OF_FOUR_BANKS),
    0x1E: _layout("auxiliary inputs", 1, Field(name="power take-off", bits=Bits(start=7, length=1), names=ON_OFF)),
    0x4F: _layout(
        "largest values",
        4,
        _number("largest lambda", 0, 1, COUNT, names=_DEFAULT_SCALE),
        _number("largest oxygen sensor voltage", 1, 1, ("V", Scale(), "unsigned"), names=_DEFAULT_SCALE),
        _number("largest oxygen sensor current", 2, 1, ("mA", Scale(), "unsigned"), names=_DEFAULT_SCALE),
        _number("largest intake manifold pressure", 3, 1, TEN_KPA, names=_DEFAULT_SCALE),
    ),
    # Three reserved bytes follow.
    0x50: _layout(
        "largest air mass flow",
        4,
        _number("largest air mass flow", 0, 1, ("g/s", Scale(num=10), "unsigned"), names=_DEFAULT_SCALE),
    ),
    0x55: _two_trims("short-term rear sensor trim", (1, 3)),
    0x56: _two_trims("long-term rear sensor trim", (1, 3)),
    0x57: _two_trims("short-term rear sensor trim", (2, 4)),
    0x58: _two_trims("long-term rear sensor trim", (2, 4)),
}

_BARE: Mapping[int, str] = {
    0x00: "supported PIDs 01 to 20",
    0x01: "monitors since clear",
    0x20: "supported PIDs 21 to 40",
    0x40: "supported PIDs 41 to 60",
    0x41: "monitors of this cycle",
}
"""Four bytes that are no numbers: support bitmaps and readiness."""

PIDS_TO_5F: Mapping[int, Layout] = MappingProxyType(
    {pid: _layout(name, 4) for pid, name in _BARE.items()}
    | {pid: _layout(name, count, _number(name, 0, count, quantity)) for pid, name, count, quantity in _SINGLE}
    | {pid: _layout(name, 1, _number(name, 0, 1, COUNT, names=names)) for pid, name, names in _NAMED}
    | {0x14 + at: _narrow_sensor(at + 1) for at in range(8)}
    | {0x24 + at: _wide_sensor(at + 1, "voltage", _WIDE_VOLTAGE) for at in range(8)}
    | {0x34 + at: _wide_sensor(at + 1, "current", _PUMP_CURRENT) for at in range(8)}
    | _SEVERAL
)
"""Identifier -> how its bytes are read."""

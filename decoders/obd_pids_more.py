"""Layouts of the identifiers 60 to C4 of service 01, as a table; those below stand in ``obd_pids``.

Most begin with a byte whose bits say which parts the unit has; a part it does not have is absent, whatever bytes
stand in its place. Identifiers whose length is not certain are not in the table. Where only some parts of one are
certain, the others stay in its raw bytes alone.
Source of all rows: SAE J1979-DA (from memory). Independent decoders give the same numbers for 61 to 64, 66 to 6C, 6F,
72, 73, 75 to 79, 7C, 8E and A6. For most others one of them has the same length and nothing more; 6D, 6E, 70, 71, 7F,
83, 8C and 8F are longer or shorter there, and none has C4: these nine rest on memory alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from decoders.layout import Bits, Field, Layout, Scale, When, whole_bytes
from decoders.obd_pids import (
    COUNT,
    HOT_TEMPERATURE,
    KM,
    KPA,
    MINUTES,
    ON_OFF,
    PERCENT,
    SECONDS,
    TEMPERATURE,
    TEN_KPA,
    TORQUE,
    TRIM,
    Quantity,
)

_AIR_MASS: Quantity = ("g/s", Scale(den=32), "unsigned")
_FINE_KPA: Quantity = ("kPa", Scale(den=100), "unsigned")
_BOOST: Quantity = ("kPa", Scale(den=32), "unsigned")
_TURBO_SPEED: Quantity = ("rpm", Scale(num=10), "unsigned")
_PPM: Quantity = ("ppm", Scale(), "unsigned")
_HOURS: Quantity = ("h", Scale(), "unsigned")
_SOOT: Quantity = ("mg/m3", Scale(den=80), "unsigned")
_REAGENT: Quantity = ("L/h", Scale(den=200), "unsigned")
_FUEL_MASS: Quantity = ("g/s", Scale(den=50), "unsigned")
_OXYGEN: Quantity = ("%", Scale(num=100, den=65536), "unsigned")
_WIDE_LAMBDA: Quantity = ("", Scale(den=8192), "unsigned")

_LOOP = ((1, "open loop"), (2, "closed loop"), (3, "fault, value not to be trusted"))
_CLOSED = ((0, "open loop"), (1, "closed loop"))
_YES_NO = ((0, "no"), (1, "yes"))
_RUNNING = ((0, "not running"), (1, "running"))

Part = tuple[int, str, int, Quantity]
"""Bit of the first byte that says whether the part is there, name, bytes, quantity."""


def _field(name: str, first: int, count: int, quantity: Quantity, *when: When) -> Field:
    unit, scale, kind = quantity
    return whole_bytes(name, first, count, kind=kind, scale=scale, unit=unit, when=when)


def _there(bit: int) -> When:
    """Bit `bit` of the first byte, 0 the lowest, is set."""
    return When(bits=Bits(start=7 - bit, length=1), values=(1,))


def _bits(name: str, byte: int, bit: int, names: tuple[tuple[int, str], ...], *when: When, length: int = 1) -> Field:
    """`length` bits of one byte, the lowest of them `bit`."""
    return Field(name=name, bits=Bits(start=byte * 8 + 8 - bit - length, length=length), names=names, when=when)


def _parts(name: str, *parts: Part, spare: int = 0, more: tuple[Field, ...] = ()) -> Layout:
    """A support byte, then one part behind the other; `spare` bytes follow them."""
    fields: list[Field] = []
    first = 1
    for bit, part, count, quantity in parts:
        fields.append(_field(f"{name}, {part}", first, count, quantity, _there(bit)))
        first += count
    return Layout(name=name, length=first + spare, fields=(*fields, *more))


def _alike(name: str, parts: tuple[str, ...], count: int, quantity: Quantity) -> Layout:
    return _parts(name, *((bit, part, count, quantity) for bit, part in enumerate(parts)))


def _single(name: str, count: int, quantity: Quantity) -> Layout:
    return Layout(name=name, length=count, fields=(_field(name, 0, count, quantity),))


_A_B = ("A", "B")
_BANKS = ("bank 1", "bank 2")
_TWO_OF_TWO = ("bank 1 sensor 1", "bank 1 sensor 2", "bank 2 sensor 1", "bank 2 sensor 2")
_THREE_OF_TWO = tuple(f"bank {bank} sensor {sensor}" for bank in (1, 2) for sensor in (1, 2, 3))
_COMMANDED_ACTUAL = ("commanded A", "actual A", "commanded B", "actual B")


def _controlled(name: str, count: int, quantity: Quantity) -> Layout:
    """Commanded and actual of A and B, then a byte with the state of both control loops."""
    at = 1 + 4 * count
    return _parts(
        name,
        *((bit, part, count, quantity) for bit, part in zip((0, 1, 3, 4), _COMMANDED_ACTUAL, strict=True)),
        spare=1,
        more=(
            _bits(f"{name}, control of A", at, 0, _LOOP, _there(2), length=2),
            _bits(f"{name}, control of B", at, 2, _LOOP, _there(5), length=2),
        ),
    )


def _turbo_temperatures(name: str) -> Layout:
    return _parts(
        name,
        (0, "compressor inlet", 1, TEMPERATURE),
        (1, "compressor outlet", 1, TEMPERATURE),
        (2, "turbine inlet", 2, HOT_TEMPERATURE),
        (3, "turbine outlet", 2, HOT_TEMPERATURE),
    )


def _exhaust_temperatures(bank: int, first: int) -> Layout:
    name = f"exhaust gas temperature, bank {bank}"
    return _alike(name, tuple(f"sensor {first + at}" for at in range(4)), 2, HOT_TEMPERATURE)


def _filter_pressures(bank: int) -> Layout:
    return _parts(
        f"particulate filter pressure, bank {bank}",
        (0, "difference", 2, ("kPa", Scale(den=100), "signed")),
        (1, "inlet", 2, _FINE_KPA),
        (2, "outlet", 2, _FINE_KPA),
    )


def _control_area(pollutant: str) -> Layout:
    name = f"{pollutant} not-to-exceed area"
    parts = ("inside", "outside", "inside the maker's carve-out", "deficiency active")
    return Layout(
        name=name, length=1, fields=tuple(_bits(f"{name}, {part}", 0, bit, _YES_NO) for bit, part in enumerate(parts))
    )


def _device_times(first: int) -> Layout:
    return _parts(
        f"run time with emission control devices {first} to {first + 4}",
        *((at, f"device {first + at}, timer {timer}", 4, SECONDS) for at in range(5) for timer in (1, 2)),
    )


def _nox(name: str) -> Layout:
    # Bits 4 to 7: the sensor is there and has no value yet.
    fields = tuple(
        _field(
            f"{name}, {place}", 1 + 2 * at, 2, _PPM, _there(at), When(bits=Bits(start=3 - at, length=1), values=(0,))
        )
        for at, place in enumerate(_TWO_OF_TWO)
    )
    return Layout(name=name, length=9, fields=fields)


def _oxygen_sensors(sensors: tuple[int, int]) -> Layout:
    places = tuple(f"bank {bank} sensor {sensor}" for bank in (1, 2) for sensor in sensors)
    return _parts(
        "wide range oxygen sensors",
        *((bit, f"{place}, oxygen", 2, _OXYGEN) for bit, place in enumerate(places)),
        *((bit + 4, f"{place}, lambda", 2, _WIDE_LAMBDA) for bit, place in enumerate(places)),
    )


def _auxiliary() -> Layout:
    rows = (
        ("power take-off", ON_OFF),
        ("automatic gearbox", ((0, "park or neutral"), (1, "drive or reverse"))),
        ("manual gearbox", ((0, "neutral or clutch down"), (1, "in gear"))),
        ("glow plug lamp", ON_OFF),
    )
    return Layout(
        name="auxiliary inputs and outputs",
        length=2,
        fields=tuple(_bits(name, 1, bit, names, _there(bit)) for bit, (name, names) in enumerate(rows)),
    )


def _aftertreatment() -> Layout:
    name = "diesel aftertreatment"
    return Layout(
        name=name,
        length=7,
        fields=(
            _bits(f"{name}, filter regeneration", 1, 0, _RUNNING, _there(0)),
            _bits(f"{name}, kind of filter regeneration", 1, 1, ((0, "passive"), (1, "active")), _there(1)),
            _bits(f"{name}, NOx adsorber regeneration", 1, 2, _RUNNING, _there(2)),
            _bits(f"{name}, NOx adsorber desulphurisation", 1, 3, _RUNNING, _there(3)),
            _field(f"{name}, regeneration trigger", 2, 1, PERCENT, _there(4)),
            _field(f"{name}, mean time between regenerations", 3, 2, MINUTES, _there(5)),
            _field(f"{name}, mean distance between regenerations", 5, 2, KM, _there(6)),
        ),
    )


def _soot_sensors() -> Layout:
    signal: Quantity = ("%", Scale(den=100), "signed")
    fields: list[Field] = []
    for at, bank in enumerate(_BANKS):
        name, first = f"particulate sensor, {bank}", 1 + 3 * at
        fields += (
            _bits(f"{name}, active", first, 0, _YES_NO, _there(2 * at)),
            _bits(f"{name}, regenerating", first, 1, _YES_NO, _there(2 * at)),
            _field(f"{name}, signal", first + 1, 2, signal, _there(2 * at + 1)),
        )
    return Layout(name="particulate sensor output", length=7, fields=tuple(fields))


def _fuel_control() -> Layout:
    parts = ("pressure", "quantity", "timing", "idle balance")
    names = tuple(f"fuel {part} control {system}" for system in (1, 2) for part in parts)
    return Layout(
        name="fuel system control",
        length=2,
        fields=tuple(_bits(name, 1, bit, _CLOSED, _there(bit)) for bit, name in enumerate(names)),
    )


_PIDS: dict[int, Layout] = {
    0x61: _single("torque demanded by the driver", 1, TORQUE),
    0x62: _single("actual torque", 1, TORQUE),
    0x63: _single("reference torque", 2, ("Nm", Scale(), "unsigned")),
    0x64: Layout(
        name="torque points",
        length=5,
        fields=tuple(_field(f"torque at point {at + 1}", at, 1, TORQUE) for at in range(5)),
    ),
    0x65: _auxiliary(),
    0x66: _alike("air mass flow", _A_B, 2, _AIR_MASS),
    0x67: _alike("coolant temperature", ("sensor 1", "sensor 2"), 1, TEMPERATURE),
    0x68: _alike("intake air temperature", _THREE_OF_TWO, 1, TEMPERATURE),
    0x69: _parts(
        "EGR",
        (0, "commanded A", 1, PERCENT),
        (1, "actual A", 1, PERCENT),
        (2, "error A", 1, TRIM),
        (3, "commanded B", 1, PERCENT),
        (4, "actual B", 1, PERCENT),
        (5, "error B", 1, TRIM),
    ),
    0x6A: _alike("intake air throttle of a diesel engine", _COMMANDED_ACTUAL, 1, PERCENT),
    0x6B: _alike("EGR temperature", _TWO_OF_TWO, 1, TEMPERATURE),
    0x6C: _alike("throttle", _COMMANDED_ACTUAL, 1, PERCENT),
    0x6D: _parts(
        "fuel pressure control",
        (0, "commanded pressure A", 2, TEN_KPA),
        (1, "pressure A", 2, TEN_KPA),
        (2, "temperature A", 1, TEMPERATURE),
        (3, "commanded pressure B", 2, TEN_KPA),
        (4, "pressure B", 2, TEN_KPA),
        (5, "temperature B", 1, TEMPERATURE),
    ),
    0x6E: _alike("injection pressure control", _COMMANDED_ACTUAL, 2, TEN_KPA),
    0x6F: _alike("compressor inlet pressure", _A_B, 1, KPA),
    0x70: _controlled("boost pressure", 2, _BOOST),
    0x71: _controlled("variable turbine geometry", 1, PERCENT),
    0x72: _alike("wastegate", _COMMANDED_ACTUAL, 1, PERCENT),
    0x73: _alike("exhaust pressure", _BANKS, 2, _FINE_KPA),
    0x74: _alike("turbocharger speed", _A_B, 2, _TURBO_SPEED),
    0x75: _turbo_temperatures("turbocharger A temperature"),
    0x76: _turbo_temperatures("turbocharger B temperature"),
    0x77: _alike("charge air temperature", _TWO_OF_TWO, 1, TEMPERATURE),
    0x78: _exhaust_temperatures(1, 1),
    0x79: _exhaust_temperatures(2, 1),
    0x7A: _filter_pressures(1),
    0x7B: _filter_pressures(2),
    0x7C: _alike(
        "particulate filter temperature",
        ("bank 1 inlet", "bank 1 outlet", "bank 2 inlet", "bank 2 outlet"),
        2,
        HOT_TEMPERATURE,
    ),
    0x7D: _control_area("NOx"),
    0x7E: _control_area("particulate"),
    0x7F: _alike("engine run time", ("total", "idling", "with power take-off"), 4, SECONDS),
    0x81: _device_times(1),
    0x82: _device_times(6),
    0x83: _nox("NOx"),
    0x84: _single("manifold surface temperature", 1, TEMPERATURE),
    0x85: _parts(
        "NOx reagent",
        (0, "mean consumption", 2, _REAGENT),
        (1, "mean demand", 2, _REAGENT),
        (2, "tank level", 1, PERCENT),
        (3, "engine time in warning mode", 4, SECONDS),
    ),
    0x86: _alike("particulate mass", _BANKS, 2, _SOOT),
    0x87: _alike("intake manifold pressure", _A_B, 2, _BOOST),
    # The order of the distances behind the states is not certain.
    0x88: Layout(
        name="reagent inducement",
        length=13,
        fields=tuple(
            _bits(f"reagent inducement, {part}", 0, bit, _YES_NO)
            for bit, part in (
                (0, "reagent low"),
                (1, "wrong reagent"),
                (2, "consumption deviates"),
                (3, "NOx too high"),
                (7, "active"),
            )
        ),
    ),
    0x89: _device_times(11),
    0x8A: _device_times(16),
    0x8B: _aftertreatment(),
    0x8C: _oxygen_sensors((1, 2)),
    0x8D: _single("throttle position G", 1, PERCENT),
    0x8E: _single("friction torque", 1, TORQUE),
    0x8F: _soot_sensors(),
    # The first byte of 90, 91 and 93 holds states whose numbers are not certain.
    0x90: Layout(
        name="system information of the vehicle",
        length=3,
        fields=(_field("continuous lamp time of the vehicle", 1, 2, _HOURS),),
    ),
    0x91: Layout(
        name="system information of the unit",
        length=5,
        fields=(
            _field("continuous lamp time of the unit", 1, 2, _HOURS),
            _field("longest B1 counter of the unit", 3, 2, _HOURS),
        ),
    ),
    0x92: _fuel_control(),
    0x93: _parts("system counters", (0, "cumulative lamp time", 2, _HOURS)),
    # Which bits of its first byte belong to which counter is not certain.
    0x94: Layout(name="NOx warning and inducement", length=12, fields=()),
    0x98: _exhaust_temperatures(1, 5),
    0x99: _exhaust_temperatures(2, 5),
    0x9A: Layout(
        name="hybrid drive",
        length=6,
        fields=(
            _bits("charging state", 1, 0, ((0, "charge sustaining"), (1, "charge depleting")), _there(0)),
            _field("traction battery voltage", 2, 2, ("V", Scale(den=64), "unsigned"), _there(1)),
            _field("traction battery current", 4, 2, ("A", Scale(den=10), "signed"), _there(2)),
        ),
    ),
    0x9B: _parts(
        "exhaust fluid",
        (1, "concentration", 1, ("%", Scale(den=4), "unsigned")),
        (2, "tank temperature", 1, TEMPERATURE),
        (3, "tank level", 1, PERCENT),
    ),
    0x9C: _oxygen_sensors((3, 4)),
    0x9D: Layout(
        name="fuel mass rate",
        length=4,
        fields=(
            _field("fuel mass rate, engine", 0, 2, _FUEL_MASS),
            _field("fuel mass rate, vehicle", 2, 2, _FUEL_MASS),
        ),
    ),
    0x9E: _single("exhaust flow", 2, ("kg/h", Scale(den=5), "unsigned")),
    # Which part belongs to which bank is not certain: only its place is told.
    0x9F: _alike("share of fuel system", tuple(f"place {at}" for at in range(1, 9)), 1, PERCENT),
    0xA1: _nox("corrected NOx"),
    0xA2: _single("fuel of a cylinder", 2, ("mg/stroke", Scale(den=32), "unsigned")),
    0xA3: _parts(
        "evaporative system pressure",
        (0, "A", 2, ("Pa", Scale(den=4), "signed")),
        (1, "A, wide", 2, ("Pa", Scale(num=2), "signed")),
        (2, "B", 2, ("Pa", Scale(den=4), "signed")),
        (3, "B, wide", 2, ("Pa", Scale(num=2), "signed")),
    ),
    # How the second byte codes the gear is not certain.
    0xA4: Layout(
        name="gear",
        length=4,
        fields=(_field("ratio of the gear", 2, 2, ("", Scale(den=1000), "unsigned"), _there(1)),),
    ),
    0xA5: _parts(
        "exhaust fluid dosing",
        (0, "commanded", 1, ("%", Scale(den=2), "unsigned")),
        (1, "used in this cycle", 2, ("L", Scale(den=2000), "unsigned")),
    ),
    0xA6: _single("odometer", 4, ("km", Scale(den=10), "unsigned")),
    0xC4: Layout(
        name="particulate control diagnosis",
        length=8,
        fields=(
            _field("particulate control diagnosis, time", 0, 4, SECONDS),
            _field("particulate control diagnosis, count", 4, 4, COUNT),
        ),
    ),
}

_BITMAPS = {
    base: Layout(name=f"supported PIDs {base + 1:02X} to {min(base + 0x20, 0xFF):02X}", length=4, fields=())
    for base in range(0x60, 0x100, 0x20)
}

PIDS_FROM_60: Mapping[int, Layout] = MappingProxyType(_BITMAPS | _PIDS)
"""Identifier -> how its bytes are read."""

"""Trouble codes with what is published of them."""

from typing import NamedTuple

STRUCTURE = "SAE J2012 / ISO 15031-6, code structure (from memory)"
GROUPS = "SAE J2012 / ISO 15031-6, code groups (from memory)"
NETWORK = "SAE J2012-DA network codes as listed by Wal33D/dtc-database"
FAILURE = "SAE J2012-DA, failure type byte, values as published"


class CodeVector(NamedTuple):
    """A code and what `describe_code` says of it."""

    code: str
    system: str | None
    is_generic: bool | None
    text: str
    source: str


CODE_VECTORS = (
    CodeVector("P0420", "powertrain", True, "generic range: auxiliary emission controls", GROUPS),
    CodeVector(
        "P0016", "powertrain", True, "generic range: fuel and air metering and auxiliary emission controls", GROUPS
    ),
    CodeVector("P0171-00", "powertrain", True, "generic range: fuel and air metering", GROUPS),
    CodeVector("P02CD", "powertrain", True, "generic range: fuel and air metering", GROUPS),
    CodeVector(
        "P0353-13", "powertrain", True, "generic range: ignition or misfire (failure type: open circuit)", GROUPS
    ),
    CodeVector("P0500", "powertrain", True, "generic range: speed, idle control and auxiliary inputs", GROUPS),
    CodeVector("P0606", "powertrain", True, "generic range: control unit and its outputs", GROUPS),
    CodeVector("P0805-11", "powertrain", True, "generic range: transmission (failure type: short to ground)", GROUPS),
    CodeVector("P0A24", "powertrain", True, "generic range: hybrid or electric drive", GROUPS),
    CodeVector("P2563", "powertrain", True, "generic range: auxiliary inputs", GROUPS),
    CodeVector("P2610", "powertrain", True, "generic range: control unit and auxiliary outputs", GROUPS),
    CodeVector("P3400", "powertrain", True, "generic range: cylinder deactivation", GROUPS),
    CodeVector(
        "C0035-14",
        "chassis",
        True,
        "generic range: brakes, wheels, steering and vehicle dynamics (failure type: short to ground or open circuit)",
        GROUPS,
    ),
    CodeVector("B0001", "body", True, "generic range: restraint systems", GROUPS),
    CodeVector(
        "P0E31-01",
        "powertrain",
        True,
        "text not known: a standard code of a range that is not described here (failure type: electrical failure)",
        STRUCTURE,
    ),
    CodeVector(
        "P1BB1-08",
        "powertrain",
        False,
        "text not known: a code of the vehicle's maker (failure type: failure of a bus signal or message)",
        STRUCTURE,
    ),
    CodeVector("P30FF", "powertrain", False, "text not known: a code of the vehicle's maker", STRUCTURE),
    CodeVector("P33FF", "powertrain", False, "text not known: a code of the vehicle's maker", STRUCTURE),
    CodeVector(
        "P3900", "powertrain", True, "text not known: a standard code of a range that is not described here", STRUCTURE
    ),
    CodeVector("P3FFF", "powertrain", None, "text not known: a code that no standard assigns", STRUCTURE),
    CodeVector("B1A01", "body", False, "text not known: a code of the vehicle's maker", STRUCTURE),
    CodeVector("C2ABC", "chassis", False, "text not known: a code of the vehicle's maker", STRUCTURE),
    CodeVector("C3000", "chassis", None, "text not known: a code that no standard assigns", STRUCTURE),
    CodeVector("B3000", "body", None, "text not known: a code that no standard assigns", STRUCTURE),
    CodeVector(
        "U2143-81",
        "network",
        False,
        "text not known: a code of the vehicle's maker (failure type: invalid data in a bus message)",
        STRUCTURE,
    ),
    CodeVector("P0000", None, None, "names no code", "SAE J2012, 0000 names no code"),
    CodeVector(
        "C0040-9F",
        "chassis",
        True,
        "generic range: brakes, wheels, steering and vehicle dynamics (failure type: unknown failure type 9F)",
        FAILURE,
    ),
    CodeVector(
        "U0121-87",
        "network",
        True,
        "generic meaning: lost communication with ABS control unit A (failure type: bus message missing)",
        NETWORK,
    ),
    CodeVector(
        "U0415-81",
        "network",
        True,
        "generic meaning: invalid data from ABS control unit A (failure type: invalid data in a bus message)",
        NETWORK,
    ),
    CodeVector(
        "U0301", "network", True, "generic meaning: software does not go together with engine control unit A", NETWORK
    ),
    CodeVector("U0300", "network", True, "generic meaning: software inside the unit does not go together", NETWORK),
    CodeVector("U0400", "network", True, "generic meaning: invalid data received, from where is not told", NETWORK),
    CodeVector("U0064-88", "network", True, "generic meaning: vehicle bus E: failure (failure type: bus off)", NETWORK),
    CodeVector("U0073", "network", True, "generic meaning: vehicle bus A: off", NETWORK),
    CodeVector("U05FF", "network", True, "generic range: invalid data from another unit or part", NETWORK),
    CodeVector(
        "U3008-13",
        "network",
        True,
        "generic range: the unit itself, its supply, ground, ignition inputs or wake-up (failure type: open circuit)",
        NETWORK,
    ),
    CodeVector(
        "U02A0", "network", True, "text not known: a standard code of a range that is not described here", NETWORK
    ),
)

FAILURE_VECTORS: tuple[tuple[int, str, str], ...] = (
    # the most used ones; 81 to 88 are confirmed by a second published table
    (0x00, "no further detail", "general"),
    (0x01, "electrical failure", "general"),
    (0x11, "short to ground", "electrical"),
    (0x12, "short to battery", "electrical"),
    (0x13, "open circuit", "electrical"),
    (0x14, "short to ground or open circuit", "electrical"),
    (0x15, "short to battery or open circuit", "electrical"),
    (0x16, "voltage too low", "electrical"),
    (0x17, "voltage too high", "electrical"),
    (0x1C, "voltage out of range", "electrical"),
    (0x1F, "intermittent connection", "electrical"),
    (0x29, "signal not valid", "signal"),
    (0x2F, "signal erratic", "signal"),
    (0x31, "no signal", "frequency or pulse width"),
    (0x49, "electronics failed inside the unit", "inside the unit"),
    (0x4B, "too hot inside the unit", "inside the unit"),
    (0x54, "calibration missing", "programming"),
    (0x55, "not configured", "programming"),
    (0x62, "signals do not agree", "algorithm"),
    (0x64, "signal not plausible", "algorithm"),
    (0x71, "actuator stuck", "mechanical"),
    (0x81, "invalid data in a bus message", "bus"),
    (0x82, "message counter wrong or not counting", "bus"),
    (0x83, "protection value of a bus signal wrong", "bus"),
    (0x84, "bus signal below its range", "bus"),
    (0x85, "bus signal above its range", "bus"),
    (0x86, "bus signal marked invalid", "bus"),
    (0x87, "bus message missing", "bus"),
    (0x88, "bus off", "bus"),
    (0x92, "works poorly or wrongly", "part"),
    (0x96, "failed inside the part", "part"),
    (0x97, "obstructed or blocked", "part"),
    (0x98, "part or system too hot", "part"),
    # no value published: the group is, or is not
    (0x9F, "unknown failure type 9F", "part"),
    (0x10, "unknown failure type 10", "electrical"),
    (0xA0, "unknown failure type A0", "unknown group A"),
    (0xFF, "unknown failure type FF", "unknown group F"),
)
"""Failure type byte, our words, its group. Source: `FAILURE`."""

PARTNERS: tuple[str, ...] = (
    "U0100 U0401 U0301",
    "U0101 U0402 U0302",
    "U0114 U0414 U0314",
    "U0115 U0442",
    "U0121 U0415 U0315",
    "U0122 U0416 U0316",
    "U0126 U0428 U0328",
    "U0140 U0422 U0322",
    "U0155 U0423 U0323",
    "U0159 U045A U031D",
    "U0235 U0433",
    "U023A U053B",
    "U0673 U0901 U0353",
)
"""Codes about one module: lost, invalid, software. Source: `NETWORK`; no sum leads from one to the next."""

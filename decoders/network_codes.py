"""What a network code complains about: the bus itself, or the unit or part it misses or cannot believe.

Which code is about which unit follows no arithmetic: early numbers were counted in tens, later ones in sixteens,
so that everything here is looked up in tables.
Source: SAE J2012-DA values as listed by Wal33D/dtc-database (MIT, see NOTICE).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from decoders import network_parts, network_units
from decoders.values import Dtc


class Relation(StrEnum):
    """How a network code stands to what it names."""

    LOST = "lost communication"
    INVALID = "invalid data"
    SOFTWARE = "software incompatibility"
    BUS = "bus itself"


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkMeaning:
    """What one network code says.

    Args:
        dtc: the code as given, with its failure type.
        relation: how it stands to what it names.
        module: the unit or part complained about, or the bus; None where the code names none. Several codes about
            one module carry the same words.
        text: the whole in our words.
    """

    dtc: Dtc
    relation: Relation
    module: str | None
    text: str


_U = 0xC000
_NONE = "----"
_WORDS = {
    Relation.LOST: "lost communication with {}",
    Relation.INVALID: "invalid data from {}",
    Relation.SOFTWARE: "software does not go together with {}",
}
_RELATIONS = tuple(_WORDS)
"""In the order of the three codes of a line."""

_WITHOUT_MODULE = {
    "0300": (Relation.SOFTWARE, "software inside the unit does not go together"),
    "0400": (Relation.INVALID, "invalid data received, from where is not told"),
}

_WIRE_FAULTS = (
    "failure",
    "works poorly",
    "plus wire open",
    "plus wire low",
    "plus wire high",
    "minus wire open",
    "minus wire low",
    "minus wire high",
    "minus wire shorted to plus wire",
)
_BUSES: tuple[tuple[str, str], ...] = (
    ("high-speed CAN bus", "0001 0002 0003 0004 0005 0006 0007 0008 0009"),
    ("medium-speed CAN bus", "0010 0011 0012 0013 0014 0015 0016 0017 0018"),
    ("low-speed CAN bus", "0019 0020 0021 0022 0023 0024 0025 0026 0027"),
    ("vehicle bus A", "0028 0029 0030 0031 0032 0033 0034 0035 0036"),
    ("vehicle bus B", "0037 0038 0039 0040 0041 0042 0043 0044 0045"),
    ("vehicle bus C", "0046 0047 0048 0049 0050 0051 0052 0053 0054"),
    ("vehicle bus D", "0055 0056 0057 0058 0059 0060 0061 0062 0063"),
    ("vehicle bus E", "0064 0065 0066 0067 0068 0069 0070 0071 0072"),
    ("vehicle bus F", "0080 0081 0082 0083 0084 0085 0086 0087 0088"),
    ("vehicle bus G", "0089 008A 008B 008C 008D 008E 008F 0090 0091"),
    ("vehicle bus H", "0092 0093 0094 0095 0096 0097 0098 0099 009A"),
    ("vehicle bus I", "009B 009C"),
    ("vehicle bus J", "009D 009E"),
)
"""Each bus with its codes, in the order of `_WIRE_FAULTS`."""

_BUS_OFF = "0073 0074 0075 0076 0077 0078 0079 007A 007B 007C 007D 007E 007F"
"""The codes for a bus that is off, buses A to M."""

_ONE_GROUP = (("0121", "0122"),)
"""Modules that makers mix up: one car complains of lost communication with vehicle dynamics and of invalid data from
ABS, and means the same unit. Source: a published table of one maker's codes."""


def _base(text: str) -> int:
    return _U | int(text, 16)


def _rows() -> Iterator[tuple[dict[Relation, int], str]]:
    """Each line of the tables: its codes by relation, and the module."""
    for line in (*network_units.ROWS.split("\n"), *network_parts.ROWS.split("\n")):
        if line:
            *codes, module = line.split(" ", 3)
            yield {kind: _base(code) for kind, code in zip(_RELATIONS, codes, strict=True) if code != _NONE}, module


def _about_modules() -> Iterator[tuple[int, tuple[Relation, str | None, str]]]:
    for codes, module in _rows():
        for kind, base in codes.items():
            yield base, (kind, module, _WORDS[kind].format(module))
    for code, (kind, text) in _WITHOUT_MODULE.items():
        yield _base(code), (kind, None, text)


def _about_buses() -> Iterator[tuple[int, tuple[Relation, str | None, str]]]:
    for bus, codes in _BUSES:
        for code, fault in zip(codes.split(), _WIRE_FAULTS, strict=False):
            yield _base(code), (Relation.BUS, bus, f"{bus}: {fault}")
    for code, letter in zip(_BUS_OFF.split(), "ABCDEFGHIJKLM", strict=True):
        bus = f"vehicle bus {letter}"
        yield _base(code), (Relation.BUS, bus, f"{bus}: off")


def _groups() -> Iterator[tuple[int, tuple[Dtc, ...]]]:
    """Each code with all codes about its module, itself among them."""
    for codes, _module in _rows():
        found = tuple(Dtc(base) for base in codes.values())
        for base in codes.values():
            yield base, found


_MEANINGS = MappingProxyType(dict(_about_modules()) | dict(_about_buses()))
_SAME_MODULE: Mapping[int, tuple[Dtc, ...]] = MappingProxyType(dict(_groups()))
_JOINED = tuple(frozenset(dtc for code in codes for dtc in _SAME_MODULE[_base(code)]) for codes in _ONE_GROUP)


def network_meaning(dtc: Dtc) -> NetworkMeaning | None:
    """What a network code says, or None: it is no network code, or none of the table.

    A code outside the table is not known to complain about anything, whatever its neighbours are.
    """
    found = _MEANINGS.get(dtc.base)
    if found is None:
        return None
    relation, module, text = found
    return NetworkMeaning(dtc=dtc, relation=relation, module=module, text=text)


def partners(dtc: Dtc) -> tuple[Dtc, ...]:
    """The other codes about the same module, two bytes each; empty where none is known."""
    return tuple(other for other in _SAME_MODULE.get(dtc.base, ()) if other.base != dtc.base)


def same_module_group(dtc: Dtc) -> frozenset[Dtc]:
    """All codes, two bytes each, that may be about the module of this one, itself among them.

    More than `partners` where makers mix up two modules; empty where the module is not known.
    """
    own = frozenset(_SAME_MODULE.get(dtc.base, ()))
    return next((group for group in _JOINED if own & group), own)

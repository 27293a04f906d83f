"""What the published structure of trouble codes tells of a code: whose it is, and what its range belongs to.

Of a powertrain, chassis or body code only its range is told: no single one has a text here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.failure_types import NO_DETAIL, failure_type_name
from decoders.network_codes import NetworkMeaning, network_meaning
from decoders.values import Dtc

NOT_KNOWN = "text not known"

_SYSTEMS = ("powertrain", "chassis", "body", "network")
"""By the two highest bits. Source: SAE J2012 / ISO 15031-6, code structure."""

_GENERIC: Mapping[str, bool] = MappingProxyType(
    {
        **dict.fromkeys(["P0", "P2", "P34", "P35", "P36", "P37", "P38", "P39", "C0", "B0", "U0", "U3"], True),
        **dict.fromkeys(["P1", "P30", "P31", "P32", "P33", "C1", "C2", "B1", "B2", "U1", "U2"], False),
    }
)
"""Beginning of a code -> standard or the maker's own. What is not here (C3, B3, P3A to P3F) is reserved or not
assigned. Source: SAE J2012 / ISO 15031-6, code structure (from memory)."""

_RANGES: Mapping[str, str] = MappingProxyType(
    {
        "P00": "fuel and air metering and auxiliary emission controls",
        "P01 P02": "fuel and air metering",
        "P03 P23": "ignition or misfire",
        "P04 P24": "auxiliary emission controls",
        "P05": "speed, idle control and auxiliary inputs",
        "P06": "control unit and its outputs",
        "P07 P08 P09 P27": "transmission",
        "P0A P0B P0C": "hybrid or electric drive",
        "P20 P21 P22 P2A": "fuel and air metering and auxiliary emission controls",
        "P25": "auxiliary inputs",
        "P26": "control unit and auxiliary outputs",
        "P34": "cylinder deactivation",
        "C00": "brakes, wheels, steering and vehicle dynamics",
        "B00": "restraint systems",
        "U00": "a data bus of the vehicle",
        "U01 U02 U06": "lost communication with another unit or part",
        "U03": "software that does not go together",
        "U04 U05": "invalid data from another unit or part",
        "U30": "the unit itself, its supply, ground, ignition inputs or wake-up",
        "U35": "the unit itself, high-voltage interlock, hydrogen tank or fuel cell",
    }
)
"""First bytes -> what the codes of the range belong to, in our words.

Source: SAE J2012 / ISO 15031-6, code groups (P00 to P34, C00 and B00 from memory); U00 to U35 as the codes listed by
Wal33D/dtc-database (MIT, see NOTICE) show.
"""

_SUBSYSTEMS: Mapping[str, str] = MappingProxyType(
    {head: words for heads, words in _RANGES.items() for head in heads.split()}
)
_UNSURE = frozenset({0xC2A0})
"""U02A0: the list has it as invalid data, against the group of its range. Nothing is said of it."""

_NO_TEXT: Mapping[bool | None, str] = MappingProxyType(
    {
        True: f"{NOT_KNOWN}: a standard code of a range that is not described here",
        False: f"{NOT_KNOWN}: a code of the vehicle's maker",
        None: f"{NOT_KNOWN}: a code that no standard assigns",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeMeaning:
    """What is known of a code without the maker's words.

    Args:
        dtc: the code as given.
        system: powertrain, chassis, body or network; None for 0000, which names no code.
        subsystem: what the codes of its range belong to; None for a maker's code and where it is not known.
        is_generic: True if the standard assigns it, False if the maker does, None if its range is reserved, not
            assigned, or names no code.
        network: what it complains about, for a network code of the published table, else None.
        failure_type: its third byte in words, None for a two-byte code.
    """

    dtc: Dtc
    system: str | None
    subsystem: str | None
    is_generic: bool | None
    network: NetworkMeaning | None
    failure_type: str | None

    @property
    def is_known(self) -> bool:
        """True if the code or its range is published; the failure type alone makes no code known."""
        return self.network is not None or self.subsystem is not None

    @property
    def text(self) -> str:
        """One line, never empty: what the code says, else what its range belongs to, else that it is not known."""
        tells_more = self.failure_type is not None and self.dtc.failure_type != NO_DETAIL
        return f"{self._base_text()} (failure type: {self.failure_type})" if tells_more else self._base_text()

    def _base_text(self) -> str:
        if self.network is not None:
            return f"generic meaning: {self.network.text}"
        if self.subsystem is not None:
            return f"generic range: {self.subsystem}"
        return "names no code" if self.system is None else _NO_TEXT[self.is_generic]


def describe_code(dtc: Dtc) -> CodeMeaning:
    """Say what is published of a code; a maker's own code is known to be that and no more.

    For codes that begin with a letter: the DTC formats 00, 01 and 04.

    Source: SAE J2012 / ISO 15031-6, code structure and groups (see the tables above).
    """
    byte = dtc.failure_type
    head = dtc.text[:3]
    is_code = dtc.base != 0
    return CodeMeaning(
        dtc=dtc,
        system=_SYSTEMS[dtc.base >> 14] if is_code else None,
        subsystem=_SUBSYSTEMS.get(head) if is_code and dtc.base not in _UNSURE else None,
        is_generic=_GENERIC.get(head[:2], _GENERIC.get(head)) if is_code else None,
        network=network_meaning(dtc),
        failure_type=None if byte is None else failure_type_name(byte),
    )

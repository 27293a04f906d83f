"""The functional prelude: which units answer at all, and which live values they offer."""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass

from decoders import decode_supported
from decoders.errors import DecodeError
from decoders.values import AnswerKind, Exchange, Request, functional_target, is_functional, iso_15765_4_unit

FUNCTIONAL_IDS = ("7DF", "18DB33F1")
"""Legislated functional request identifiers. Source: ISO 15765-4."""

LIVE_PIDS = (0x0C, 0x0D, 0x1F, 0x42, 0x04, 0x05, 0x46)
"""Engine speed, road speed, run time, supply voltage; load, coolant and outside temperature for conditions."""

_SUPPORT_PIDS = (0x00, 0x20, 0x40)


@dataclass(frozen=True, slots=True)
class Heard:
    """One unit that answered the prelude.

    Args:
        unit: its address, by the table of ISO 15765-4.
        supported: the service 01 identifiers it said it supports, so far as it was asked.
    """

    unit: str
    supported: frozenset[int]

    @property
    def live(self) -> tuple[int, ...]:
        """The live values worth asking of it."""
        return tuple(pid for pid in LIVE_PIDS if pid in self.supported)


def plan_prelude() -> Generator[Request, Exchange, None]:
    """Ask everybody, on both functional identifiers, what service 01 offers.

    Source: SAE J1979 service 01, supported identifiers; ISO 15765-4 initialisation.
    """
    for can_id in FUNCTIONAL_IDS:
        for pid in _SUPPORT_PIDS:
            exchange = yield Request(functional_target(can_id), bytes([0x01, pid]))
            if not any(answer.kind is AnswerKind.POSITIVE for answer in exchange.answers):
                break


def heard_units(exchanges: Iterable[Exchange]) -> tuple[Heard, ...]:
    """The units that answered functional requests, with what they support.

    Any answer names its unit, also a refusal or a damaged one: it is then asked by its own address. A source without
    a pair in the table of ISO 15765-4 is left out: its request address is not known.
    """
    supported: dict[str, frozenset[int]] = {}
    for exchange in exchanges:
        if not is_functional(exchange.target):
            continue
        for answer in exchange.answers:
            unit = iso_15765_4_unit(answer.source)
            if unit is None:
                continue
            known = supported.setdefault(unit, frozenset())
            if answer.kind is not AnswerKind.POSITIVE:
                continue
            try:
                supported[unit] = known | decode_supported(answer.data)
            except DecodeError:
                continue
    return tuple(Heard(unit, pids) for unit, pids in sorted(supported.items()))

"""The functional prelude: which units answer at all, and which live values they offer."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass

from decoders.errors import DecodeError
from decoders.values import AnswerKind, Exchange, Request, is_functional, unit_of_source
from sessions.obd_values import OBD_PAGE, offered, supported_values, value_request

LIVE_PIDS = (0x0C, 0x0D, 0x1F, 0x42, 0x04, 0x05, 0x46)
"""Engine speed, road speed, run time, supply voltage; load, coolant and outside temperature for conditions."""

_SUPPORT = ((0x00, 0x20, 0x40), (OBD_PAGE, OBD_PAGE | 0x20, OBD_PAGE | 0x40))
"""Support bitmaps by service 01 and, in a car that speaks OBD on UDS, by service 22."""

PRESENT = bytes.fromhex("3E00")
_WHO_IS_THERE = (PRESENT, bytes.fromhex("22F186"))


@dataclass(frozen=True, slots=True)
class Heard:
    """One unit that answered the prelude.

    Args:
        unit: its address, by the table of ISO 15765-4.
        supported: the values it said it offers, so far as it was asked: 00..FF by service 01, F400..F4FF the same
            by service 22.
    """

    unit: str
    supported: frozenset[int]

    @property
    def live(self) -> tuple[int, ...]:
        """The live values worth asking of it, each by service 01 where it offers that."""
        return offered(LIVE_PIDS, self.supported)


def plan_prelude(targets: Sequence[str]) -> Generator[Request, Exchange, None]:
    """Ask everybody which values they offer, by service 01, then by service 22; then who is there at all.

    Args:
        targets: the functional targets of the link, e.g. ``functional:7DF``.

    Source: SAE J1979 service 01 and SAE J1979-2 identifiers F4xx, support bitmaps; ISO 15765-4 initialisation;
    ISO 14229-1, TesterPresent and the active session. Those have answers of one frame: no flow control reaches a unit
    that is not known yet, and one that waits for it in vain is deaf to what it is asked next.
    """
    for target in targets:
        for numbers in _SUPPORT:
            for number in numbers:
                exchange = yield Request(target, value_request(number))
                if not any(answer.kind is AnswerKind.POSITIVE for answer in exchange.answers):
                    break
        for data in _WHO_IS_THERE:
            yield Request(target, data)


def plan_presence(targets: Sequence[str]) -> Generator[Request, Exchange, None]:
    """Ask whether anybody is there, and nothing else. Source: ISO 14229-1, TesterPresent.

    Args:
        targets: units, or functional targets.
    """
    for target in targets:
        yield Request(target, PRESENT)


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
            unit = unit_of_source(answer.source)
            if unit is None:
                continue
            known = supported.setdefault(unit, frozenset())
            if answer.kind is not AnswerKind.POSITIVE:
                continue
            try:
                supported[unit] = known | supported_values(answer.data)
            except DecodeError:
                continue
    return tuple(Heard(unit, numbers) for unit, numbers in sorted(supported.items()))

"""Whom a request would reach: the header is checked as it will be on the bus."""

from __future__ import annotations

from functools import lru_cache

from decoders.errors import UsageError
from decoders.values import CanId, UnitAddress, doip_number, is_doip, is_functional, normalise_unit
from gateway.guard.allowlist import (
    FUNCTIONAL_29_BIT_FORMATS,
    FUNCTIONAL_DOIP,
    FUNCTIONAL_TARGETS,
    SWEEP_11_BIT,
    SWEEP_29_BIT,
)


@lru_cache(maxsize=4096)
def target_refusal(target: str) -> str | None:
    """Why nothing is sent to this target, in words; None if it is one unit or a listed functional target."""
    if is_functional(target):
        if target in FUNCTIONAL_TARGETS:
            return None
        return f"'{target}' is none of the functional targets: those are {', '.join(sorted(FUNCTIONAL_TARGETS))}"
    try:
        written = normalise_unit(target)
    except UsageError as error:
        return error.message
    if written != target:
        return f"'{target}' is not how this unit is written: {written}"
    if _everyone_hears(target):
        return f"{target.partition('/')[0]} reaches every unit: it is no unit's own address"
    return None


def sweep_refusal(target: str) -> str | None:
    """Why a sweep does not ask this target, in words, or None."""
    swept = {f"functional:{number:03X}" for number in SWEEP_11_BIT}
    if target in swept or (target_refusal(target) is None and _is_fixed_pair(target)):
        return None
    first, last = SWEEP_11_BIT[0], SWEEP_11_BIT[-1]
    pair = "/".join(part.format(unit="xx") for part in SWEEP_29_BIT)
    return f"a sweep asks functional:{first:03X} to functional:{last:03X} and {pair} only, not '{target}'"


def _everyone_hears(unit: str) -> bool:
    if is_doip(unit):
        return doip_number(unit) in FUNCTIONAL_DOIP
    request = UnitAddress.parse(unit).request
    without_extension = CanId(request.number, request.is_29_bit).text
    return f"functional:{without_extension}" in FUNCTIONAL_TARGETS or _is_functional_format(request)


def _is_functional_format(can_id: CanId) -> bool:
    # Whatever the priority: it is settled in the network, and who listens need not look at it (ISO 15765-2).
    page = can_id.number >> 24 & 0x03
    return page == 0 and (can_id.number >> 16 & 0xFF) in FUNCTIONAL_29_BIT_FORMATS


def _is_fixed_pair(target: str) -> bool:
    if is_functional(target) or is_doip(target):
        return False
    unit = f"{UnitAddress.parse(target).response.number & 0xFF:02X}"
    return target == "/".join(part.format(unit=unit) for part in SWEEP_29_BIT)

"""What a unit tells of its emissions by services 19 and 22, where it has no services 01 to 0A.

Source: SAE J1979-2 / ISO 27145-3: functional group 33, identifiers F4xx (parameters) and F8xx (information).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from simulators import live_data, wire, wire_dtc
from simulators.unit import Unit
from simulators.world import World

EMISSIONS = 0x33
PROTOCOL = 0xF810
_FORMAT = 0x04  # SAE J2012-DA in three bytes
_SEVERITY, _SEVERITIES = 0x04, 0x1E  # class B1, and the classes it tells apart
_PARAMETER_PAGE, _INFORMATION_PAGE, _PAGE = 0xF400, 0xF800, 0xFF00
_BITMAPS = range(0x00, 0x100, 0x20)

Report = Callable[[Unit, bytes], bytes]


def identifier(unit: Unit, world: World, number: int) -> bytes | None:
    """The data of one identifier, or None if this unit does not have it."""
    if not unit.spec.obd_on_uds:
        return None
    low = number & 0xFF
    if number == PROTOCOL:
        return b"\x01"
    if number & _PAGE == _PARAMETER_PAGE:
        if low in unit.spec.parameters:
            return live_data.parameter(unit, world, low)
        return _bitmap(low, unit.spec.parameters)
    if number & _PAGE == _INFORMATION_PAGE:
        known = dict(unit.spec.information)
        return b"".join(known[low]) if low in known else _bitmap(low, (*known, PROTOCOL & 0xFF))
    return None


def _bitmap(base: int, numbers: tuple[int, ...]) -> bytes | None:
    reachable = [start for start in _BITMAPS if start == 0 or any(number > start for number in numbers)]
    return wire.support_bitmap(base, (*numbers, *reachable[1:])) if base in reachable else None


def _codes(unit: Unit, mask: int) -> list[tuple[bytes, int]]:
    shown = ((wire.code_bytes(code), unit.status(code)) for code in unit.monitors)
    return [(code, status) for code, status in shown if status & mask]


def _by_mask(unit: Unit, request: bytes) -> bytes:
    asked, severities = request[3], request[4]
    found = _codes(unit, asked) if severities & _SEVERITY else []
    graded = [wire_dtc.Graded(_SEVERITY, code, status) for code, status in found]
    return wire_dtc.graded_of_group(EMISSIONS, unit.spec.mask, _SEVERITIES, _FORMAT, graded)


def _permanent(unit: Unit, _request: bytes) -> bytes:
    kept = [
        (wire.code_bytes(code), unit.status(code))
        for code, monitor in unit.monitors.items()
        if monitor.fault.is_permanent
    ]
    return wire_dtc.listed_permanent_of_group(EMISSIONS, unit.spec.mask, _FORMAT, kept)


REPORTS: Mapping[int, tuple[int, Report]] = {0x42: (5, _by_mask), 0x55: (3, _permanent)}
"""Report of service 19 -> length of the whole request, and what answers it."""


def report(unit: Unit, request: bytes) -> bytes:
    """The answer to a report of a functional group."""
    length, answer = REPORTS[request[1] & 0x7F]
    if len(request) != length:
        return wire.negative(0x19, wire.WRONG_LENGTH)
    if request[2] != EMISSIONS:
        return wire.negative(0x19, wire.OUT_OF_RANGE)
    return answer(unit, request)

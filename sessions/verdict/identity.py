"""Is it still the same unit, and the same vehicle: identification read in two scans and compared."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from decoders import decode_identifier, decode_info, text_of
from decoders.errors import DecodeError
from decoders.values import is_functional
from sessions.record import JobRecord
from sessions.record.decode import answer_of

SERIAL_PART_SOFTWARE = (0xF187, 0xF189, 0xF18C)
VIN_BY_UDS, VIN_BY_OBD = b"\x22\xf1\x90", b"\x09\x02"


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """Another unit stands where one stood: from this place on its identification differs."""

    unit: str
    seq: int
    scan: int
    what: str


def identifier_history(record: JobRecord, unit: str, number: int) -> tuple[tuple[int, int, bytes], ...]:
    """Each reading of one identifier in a scan: place, scan number, data."""
    request = b"\x22" + number.to_bytes(2, "big")
    found = []
    for item in record.asked:
        exchange = item.exchange
        if exchange.target != unit or exchange.request != request or item.scan is None:
            continue
        _outcome, data = answer_of(exchange)
        if data is not None and data[3:]:
            found.append((item.moment.seq, item.scan, data[3:]))
    return tuple(found)


def swaps_of(record: JobRecord) -> dict[str, Swap]:
    """The latest change of serial, part or software number of each unit, both read."""
    found: dict[str, Swap] = {}
    for unit in record.units:
        for number in SERIAL_PART_SOFTWARE:
            history = identifier_history(record, unit, number)
            for (_seq, _scan, old), (_later, scan, new) in pairwise(history):
                if old == new:
                    continue
                begin = next(item.begin.seq for item in record.scans if item.number == scan)
                if unit not in found or found[unit].seq < begin:
                    what = f"{number:04X} changed from {_shown(old)} to {_shown(new)}"
                    found[unit] = Swap(unit=unit, seq=begin, scan=scan, what=what)
    return found


def _shown(data: bytes) -> str:
    return text_of(data) or data.hex().upper()


def vins_read(record: JobRecord) -> dict[str, tuple[tuple[int, str], ...]]:
    """Each unit's VIN by scan, from 22 F190 and 09 02, in journal order."""
    found: dict[str, list[tuple[int, str]]] = {}
    for unit, _request, scan, vin in _vins(record):
        found.setdefault(unit, []).append((scan, vin))
    return {unit: tuple(values) for unit, values in sorted(found.items())}


def _vins(record: JobRecord) -> Iterable[tuple[str, bytes, int, str]]:
    """Unit, request, scan number and text of each VIN read in a scan, in journal order."""
    for item in record.asked:
        exchange = item.exchange
        if item.scan is not None and exchange.positive is not None and not is_functional(exchange.target):
            for text in _vin_texts(exchange.request, exchange.positive):
                yield exchange.target, exchange.request, item.scan, text


def _vin_texts(request: bytes, data: bytes) -> Iterable[str]:
    try:
        if request == VIN_BY_UDS:
            text = text_of(decode_identifier(data).data)
            return (text,) if text else ()
        if request == VIN_BY_OBD:
            info = decode_info(data)
            return tuple(text for place, text in enumerate(info.items) if text and place not in info.unreadable)
    except DecodeError:
        return ()
    return ()


def another_vehicle(record: JobRecord) -> str | None:
    """A sentence if this is not one vehicle, else None.

    It is not if a unit that is the same as before now carries another VIN, or if several units told a VIN and all
    of them now tell another one: units are replaced one by one, not with the car around them.
    """
    swapped = swaps_of(record)
    told: dict[tuple[str, bytes], list[str]] = {}
    for unit, request, _scan, vin in _vins(record):
        told.setdefault((unit, request), []).append(vin)
    moved: dict[str, str] = {}
    kept: set[str] = set()
    for (unit, _request), vins in sorted(told.items()):
        other = next((vin for vin in vins if vin != vins[0]), None)
        if other is not None:
            moved[unit] = f"{record.unit_name(unit)} ({unit}) gave VIN {vins[0]} first and {other} later"
        elif len(vins) > 1:
            kept.add(unit)
    all_moved = len(moved) > 1 and not kept
    return next((text for unit, text in moved.items() if all_moved or unit not in swapped), None)


def vehicle_vin(record: JobRecord) -> str | None:
    """The VIN that most units of the job gave first, or None."""
    first = [values[0][1] for values in vins_read(record).values()]
    return max(sorted(set(first)), key=first.count, default=None)

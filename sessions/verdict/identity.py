"""Is it still the same unit, and the same vehicle: identification read in two scans and compared."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from decoders import decode_identifier, decode_info, text_of
from decoders.errors import DecodeError
from decoders.values import Exchange
from sessions.record import JobRecord

SERIAL_PART_SOFTWARE = (0xF187, 0xF189, 0xF18C)
VIN = 0xF190


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
        data = _identifier_data(exchange)
        if data is not None:
            found.append((item.moment.seq, item.scan, data))
    return tuple(found)


def _identifier_data(exchange: Exchange) -> bytes | None:
    if exchange.positive is None:
        return None
    try:
        return decode_identifier(exchange.positive).data
    except DecodeError:
        return None


def swaps_of(record: JobRecord) -> dict[str, Swap]:
    """The latest change of serial, part or software number of each unit, both read."""
    found: dict[str, Swap] = {}
    for unit in record.units:
        for number in SERIAL_PART_SOFTWARE:
            history = identifier_history(record, unit, number)
            for (_seq, _scan, old), (_later, scan, new) in zip(history, history[1:], strict=False):
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
    for item in record.asked:
        exchange = item.exchange
        if item.scan is None or exchange.positive is None:
            continue
        for text in _vin_texts(exchange):
            found.setdefault(exchange.target, []).append((item.scan, text))
    return {unit: tuple(values) for unit, values in sorted(found.items())}


def _vin_texts(exchange: Exchange) -> Iterable[str]:
    data = exchange.positive or b""
    try:
        if exchange.request == b"\x22\xf1\x90":
            text = text_of(decode_identifier(data).data)
            return (text,) if text else ()
        if exchange.request == b"\x09\x02":
            return decode_info(data).items
    except DecodeError:
        pass
    return ()


def another_vehicle(record: JobRecord) -> str | None:
    """A sentence if units that are the same as before now carry another VIN, else None."""
    swapped = swaps_of(record)
    for unit, values in vins_read(record).items():
        if unit in swapped:
            continue
        vins = list(dict.fromkeys(vin for _scan, vin in values))
        if len(vins) > 1:
            return f"{record.unit_name(unit)} ({unit}) gave VIN {vins[0]} first and {vins[1]} later"
    return None


def vehicle_vin(record: JobRecord) -> str | None:
    """The VIN that most units of the job gave first, or None."""
    first = [values[0][1] for values in vins_read(record).values()]
    return max(sorted(set(first)), key=first.count, default=None)

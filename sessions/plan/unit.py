"""What is asked of one unit in a scan."""

from __future__ import annotations

from collections.abc import Generator

from decoders import decode_dtc_list, decode_supported
from decoders.errors import DecodeError
from decoders.values import Dtc, Exchange, Outcome, Request, Status, StatusBit

Plan = Generator[Request, Exchange, None]

ACTIVE_SESSION = bytes.fromhex("22F186")
IDENTIFY = tuple(bytes.fromhex(f"22{did}") for did in ("F190", "F187", "F189", "F18C", "F191", "F197"))
"""VIN, part, software, serial and hardware number, system name. Source: ISO 14229-1 Annex C."""

CODE_COUNT = bytes.fromhex("1901FF")
CODE_LIST = bytes.fromhex("1902FF")
SUPPORTED_CODES = bytes.fromhex("190A")
PERMANENT_CODES = bytes.fromhex("1915")
OBD_STORED, OBD_PENDING, OBD_PERMANENT = b"\x03", b"\x07", b"\x0a"
MONITORS, MONITORS_THIS_CYCLE = bytes.fromhex("0101"), bytes.fromhex("0141")
SINCE_CLEAR_PIDS = (0x21, 0x30, 0x31, 0x4D, 0x4E, 0xA6, 0x1C)
"""Distances, warm-ups and times since the codes were cleared, odometer, kind of OBD."""

OBD_INFO = tuple(bytes([0x09, infotype]) for infotype in (0x02, 0x04, 0x06, 0x0A))
SERVICE_NOT_SUPPORTED = 0x11


def plan_unit(unit: str, ask_again: tuple[Dtc, ...] = ()) -> Plan:
    """Ask one unit who it is, what it lists, and what it stored with each code.

    Args:
        unit: its address.
        ask_again: codes that earlier scans of the job listed; their records are read again.
    """
    yield from _identify(unit)
    listed = yield from _list_codes(unit)
    yield from _obd(unit)
    for dtc in sorted({*listed, *(code for code in ask_again if code.failure_type is not None)}):
        yield Request(unit, b"\x19\x04" + dtc.raw + b"\xff")
        yield Request(unit, b"\x19\x06" + dtc.raw + b"\xff")


def _identify(unit: str) -> Plan:
    session = yield Request(unit, ACTIVE_SESSION)
    quiet = session.outcome is Outcome.SILENT
    for request in IDENTIFY:
        exchange = yield Request(unit, request)
        if _unknown_service(exchange) or (quiet and exchange.outcome is Outcome.SILENT):
            # The service is not there, or the unit stays silent on it: the rest would only cost time.
            return


def _list_codes(unit: str) -> Generator[Request, Exchange, tuple[Dtc, ...]]:
    yield Request(unit, CODE_COUNT)
    listing = yield Request(unit, CODE_LIST)
    supported = yield Request(unit, SUPPORTED_CODES)
    yield Request(unit, PERMANENT_CODES)
    return tuple(dict.fromkeys((*worth_reading(listing.positive), *worth_reading(supported.positive))))


def worth_reading(data: bytes | None) -> tuple[Dtc, ...]:
    """The codes of a list that are a fault or history: those a unit may have stored records for."""
    if data is None:
        return ()
    try:
        listing = decode_dtc_list(data)
    except DecodeError:
        return ()
    statuses = ((entry.dtc, Status(entry.status, listing.mask)) for entry in listing.entries)
    return tuple(
        dtc
        for dtc, status in statuses
        if status.is_fault or status.is_stored or status.byte & StatusBit.FAILED_SINCE_CLEAR
    )


def _obd(unit: str) -> Plan:
    supported, spoken = yield from _supported_pids(unit)
    monitors = yield Request(unit, MONITORS)
    spoken = spoken or monitors.positive is not None
    if monitors.positive is not None:
        yield Request(unit, MONITORS_THIS_CYCLE)
    for request in (OBD_STORED, OBD_PENDING, OBD_PERMANENT):
        exchange = yield Request(unit, request)
        spoken = spoken or exchange.positive is not None
    if not spoken:
        return
    for pid in SINCE_CLEAR_PIDS:
        if pid in supported:
            yield Request(unit, bytes([0x01, pid]))
    for request in OBD_INFO:
        yield Request(unit, request)


def _supported_pids(unit: str) -> Generator[Request, Exchange, tuple[frozenset[int], bool]]:
    supported: frozenset[int] = frozenset()
    spoken = False
    for base in range(0x00, 0xC0, 0x20):
        if base and base not in supported:
            break
        exchange = yield Request(unit, bytes([0x01, base]))
        if exchange.positive is None:
            break
        spoken = True
        try:
            supported |= decode_supported(exchange.positive)
        except DecodeError:
            break
    return supported, spoken


def _unknown_service(exchange: Exchange) -> bool:
    return exchange.outcome is Outcome.REFUSED and exchange.refusal == SERVICE_NOT_SUPPORTED

"""What is asked of one unit in a scan."""

from __future__ import annotations

from collections.abc import Generator

from decoders import DtcList, SeverityList, decode_dtc_list, decode_group_list
from decoders.errors import DecodeError
from decoders.values import Dtc, Exchange, Outcome, Request, Status, StatusBit
from sessions.obd_values import OBD_PAGE, offered, supported_values, value_request

Plan = Generator[Request, Exchange, None]

ACTIVE_SESSION = bytes.fromhex("22F186")
IDENTIFY = tuple(bytes.fromhex(f"22{did}") for did in ("F190", "F187", "F189", "F18C", "F191", "F197"))
"""VIN, part, software, serial and hardware number, system name. Source: ISO 14229-1 Annex C."""

CODE_COUNT = bytes.fromhex("1901FF")
CODE_LIST = bytes.fromhex("1902FF")
SUPPORTED_CODES = bytes.fromhex("190A")
PERMANENT_CODES = bytes.fromhex("1915")
OBD_STORED, OBD_PENDING, OBD_PERMANENT = b"\x03", b"\x07", b"\x0a"
MONITOR_PIDS = (0x01, 0x41)
"""Readiness since the clear and in this cycle. Source: SAE J1979, service 01."""

SINCE_CLEAR_PIDS = (0x21, 0x30, 0x31, 0x4D, 0x4E, 0xA6, 0x1C)
"""Distances, warm-ups and times since the codes were cleared, odometer, kind of OBD."""

OBD_INFO = tuple(bytes([0x09, infotype]) for infotype in (0x02, 0x04, 0x06, 0x0A))
OBD_ON_UDS = bytes.fromhex("22F810")
"""Protocol identification: answered by a unit that tells its OBD data through services 19 and 22."""

EMISSION_CODES, EMISSION_PERMANENT = bytes.fromhex("194233FF1E"), bytes.fromhex("195533")
"""Codes of the emissions group, any status and severity class, and its permanent ones.
Source: ISO 14229-1, sub-functions 42 and 55; ISO 27145-3 / SAE J1979-2, functional group 33."""

OBD_ON_UDS_INFO = tuple(bytes.fromhex(f"22{did}") for did in ("F804", "F806", "F80A"))
"""Calibration identification and verification number, unit name. Source: SAE J1979-2, identifiers F8xx."""

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
    listed += yield from _obd_on_uds(unit)
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


def read_list(data: bytes) -> DtcList | SeverityList:
    """A list of codes with a status each, of the whole unit or of its emissions group.

    Raises:
        DecodeError: another answer, or a cut one.
    """
    return decode_group_list(data) if data[1:2] == EMISSION_CODES[1:2] else decode_dtc_list(data)


def worth_reading(data: bytes | None) -> tuple[Dtc, ...]:
    """The codes of a list that are a fault or history: those a unit may have stored records for."""
    if data is None:
        return ()
    try:
        listing = read_list(data)
    except DecodeError:
        return ()
    statuses = ((entry.dtc, Status(entry.status, listing.mask)) for entry in listing.entries)
    return tuple(
        dtc
        for dtc, status in statuses
        if status.is_fault or status.is_stored or status.byte & StatusBit.FAILED_SINCE_CLEAR
    )


def _obd(unit: str) -> Plan:
    supported, spoken = yield from _supported(unit, 0)
    since_clear, this_cycle = MONITOR_PIDS
    monitors = yield Request(unit, value_request(since_clear))
    spoken = spoken or monitors.positive is not None
    if monitors.positive is not None:
        yield Request(unit, value_request(this_cycle))
    for request in (OBD_STORED, OBD_PENDING, OBD_PERMANENT):
        exchange = yield Request(unit, request)
        spoken = spoken or exchange.positive is not None
    if not spoken:
        return
    for number in offered(SINCE_CLEAR_PIDS, supported):
        yield Request(unit, value_request(number))
    for request in OBD_INFO:
        yield Request(unit, request)


def _obd_on_uds(unit: str) -> Generator[Request, Exchange, tuple[Dtc, ...]]:
    """The same through services 19 and 22; a unit may have both, and what one leaves out the other may list.

    Source: SAE J1979-2 / ISO 27145.
    """
    spoken = (yield Request(unit, OBD_ON_UDS)).positive is not None
    if not spoken:
        return ()
    supported, _ = yield from _supported(unit, OBD_PAGE)
    for number in offered((*MONITOR_PIDS, *SINCE_CLEAR_PIDS), supported):
        yield Request(unit, value_request(number))
    listing = yield Request(unit, EMISSION_CODES)
    yield Request(unit, EMISSION_PERMANENT)
    for request in OBD_ON_UDS_INFO:
        yield Request(unit, request)
    return worth_reading(listing.positive)


def _supported(unit: str, page: int) -> Generator[Request, Exchange, tuple[frozenset[int], bool]]:
    """The values a unit offers by service 01 (page 0) or 22 (page F400), and whether it answered at all."""
    supported: frozenset[int] = frozenset()
    spoken = False
    for base in range(page, page + 0xC0, 0x20):
        if base != page and base not in supported:
            break
        exchange = yield Request(unit, value_request(base))
        if exchange.positive is None:
            break
        spoken = True
        try:
            supported |= supported_values(exchange.positive)
        except DecodeError:
            break
    return supported, spoken


def _unknown_service(exchange: Exchange) -> bool:
    return exchange.outcome is Outcome.REFUSED and exchange.refusal == SERVICE_NOT_SUPPORTED

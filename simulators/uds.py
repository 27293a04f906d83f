"""The services of ISO 14229-1 that the bench's units know: 10, 14, 19, 22, 31, 3E."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from simulators import live_data, obd_on_uds, wire
from simulators.fault_memory import STORED, Fault
from simulators.routine_control import SUPPRESS, routine_control, unless_suppressed
from simulators.unit import Unit
from simulators.world import World

ALL_RECORDS = 0xFF
FIRST_RECORD, LATEST_RECORD = 0x01, 0x02
OCCURRENCE_RECORD = 0x01
ACTIVE_SESSION = 0xF186
_ALL_GROUPS = b"\xff\xff\xff"
_EMISSION_GROUP = b"\xff\xff\x33"
_SESSIONS = (0x01, 0x03)

Handler = Callable[[Unit, World, bytes], bytes | None]


def _session_control(unit: Unit, _world: World, request: bytes) -> bytes | None:
    if len(request) < 2:
        return wire.negative(0x10, wire.WRONG_LENGTH)
    kind = request[1] & ~SUPPRESS
    if kind not in _SESSIONS:
        return wire.negative(0x10, wire.SUB_FUNCTION_NOT_SUPPORTED)
    if len(request) != 2:
        return wire.negative(0x10, wire.WRONG_LENGTH)
    unit.session = kind
    return unless_suppressed(request, wire.session(kind))


def _tester_present(_unit: Unit, _world: World, request: bytes) -> bytes | None:
    if len(request) < 2:
        return wire.negative(0x3E, wire.WRONG_LENGTH)
    if request[1] & ~SUPPRESS:
        return wire.negative(0x3E, wire.SUB_FUNCTION_NOT_SUPPORTED)
    if len(request) != 2:
        return wire.negative(0x3E, wire.WRONG_LENGTH)
    return unless_suppressed(request, wire.tester_present())


def _clear(unit: Unit, world: World, request: bytes) -> bytes:
    if len(request) != 4:
        return wire.negative(0x14, wire.WRONG_LENGTH)
    group = request[1:]
    if group == _ALL_GROUPS or (group == _EMISSION_GROUP and unit.spec.is_emissions_unit):
        codes = tuple(unit.monitors)
    else:
        codes = tuple(code for code in unit.monitors if wire.code_bytes(code) == group)
    if not codes:
        return wire.negative(0x14, wire.OUT_OF_RANGE)
    if not world.standing_engine_off:
        return wire.negative(0x14, wire.CONDITIONS_NOT_CORRECT)
    unit.clear(codes)
    return wire.cleared()


def _read_data(unit: Unit, world: World, request: bytes) -> bytes:
    body = request[1:]
    if not body or len(body) % 2:
        return wire.negative(0x22, wire.WRONG_LENGTH)
    known = {**dict(unit.spec.identity), ACTIVE_SESSION: bytes([unit.session])}
    readable = {*unit.spec.snapshot_identifiers, *(item.number for item in unit.spec.measured)}
    items = []
    for at in range(0, len(body), 2):
        number = int.from_bytes(body[at : at + 2], "big")
        if number in known:
            items.append((number, known[number]))
        elif number in readable:
            items.append((number, live_data.identifier(unit, world, number)))
        elif (told := obd_on_uds.identifier(unit, world, number)) is not None:
            items.append((number, told))
    return wire.identifiers(items) if items else wire.negative(0x22, wire.OUT_OF_RANGE)


def _matching(unit: Unit, mask: int) -> list[tuple[str, int]]:
    """Codes of which any asked and supported bit is set; some units show stored entries only."""
    shown = ((code, unit.status(code)) for code in unit.monitors)
    return [(code, status) for code, status in shown if status & mask and (unit.spec.lists_untested or status & STORED)]


def _records(fault: Fault, keeps_latest: bool) -> list[wire.Record]:
    latest = fault.latest if keeps_latest else None
    stored = ((FIRST_RECORD, fault.first), (LATEST_RECORD, latest))
    return [(number, snapshot) for number, snapshot in stored if snapshot is not None]


def _count(unit: Unit, request: bytes) -> bytes:
    return wire.code_count(unit.spec.mask, len(_matching(unit, request[2])))


def _list(unit: Unit, request: bytes) -> bytes:
    return wire.code_list(0x02, unit.spec.mask, _matching(unit, request[2]))


def _snapshot_index(unit: Unit, _request: bytes) -> bytes:
    return wire.snapshot_index(
        (code, number)
        for code, monitor in unit.monitors.items()
        for number, _ in _records(monitor.fault, unit.spec.keeps_latest)
    )


def _one_code(unit: Unit, request: bytes) -> str | None:
    return next((code for code in unit.monitors if wire.code_bytes(code) == request[2:5]), None)


def _snapshots(unit: Unit, request: bytes) -> bytes:
    code, wanted = _one_code(unit, request), request[5]
    known = {FIRST_RECORD, ALL_RECORDS} | ({LATEST_RECORD} if unit.spec.keeps_latest else set())
    if code is None or wanted not in known:
        return wire.negative(0x19, wire.OUT_OF_RANGE)
    records = _records(unit.monitors[code].fault, unit.spec.keeps_latest)
    chosen = [record for record in records if wanted in (record[0], ALL_RECORDS)]
    return wire.snapshots(code, unit.status(code), chosen)


def _extended_data(unit: Unit, request: bytes) -> bytes:
    code, wanted = _one_code(unit, request), request[5]
    if code is None or wanted not in (OCCURRENCE_RECORD, ALL_RECORDS):
        return wire.negative(0x19, wire.OUT_OF_RANGE)
    count = unit.monitors[code].fault.occurrences
    records = [(OCCURRENCE_RECORD, bytes([count]))] if count else []
    return wire.extended_data(code, unit.status(code), records)


def _supported(unit: Unit, _request: bytes) -> bytes:
    return wire.code_list(0x0A, unit.spec.mask, [(code, unit.status(code)) for code in unit.monitors])


def _permanent(unit: Unit, _request: bytes) -> bytes:
    kept = [(code, unit.status(code)) for code, mon in unit.monitors.items() if mon.fault.is_permanent]
    return wire.code_list(0x15, unit.spec.mask, kept)


# sub-function of 19: (whole request's length, what answers it)
_REPORTS: Mapping[int, tuple[int, Callable[[Unit, bytes], bytes]]] = {
    0x01: (3, _count),
    0x02: (3, _list),
    0x03: (2, _snapshot_index),
    0x04: (6, _snapshots),
    0x06: (6, _extended_data),
    0x0A: (2, _supported),
    0x15: (2, _permanent),
}


def _leaves_out(unit: Unit, kind: int) -> bool:
    """True if this unit does not have a report that others have."""
    if kind in (0x01, 0x02):
        return not unit.spec.lists_all
    return (kind == 0x0A and not unit.spec.lists_supported) or (kind == 0x15 and not unit.spec.reports_permanent)


def _read_codes(unit: Unit, _world: World, request: bytes) -> bytes | None:
    if len(request) < 2:
        return wire.negative(0x19, wire.WRONG_LENGTH)
    kind = request[1] & ~SUPPRESS
    if unit.spec.obd_on_uds and kind in obd_on_uds.REPORTS:
        return unless_suppressed(request, obd_on_uds.report(unit, request))
    if kind not in _REPORTS or _leaves_out(unit, kind):
        return wire.negative(0x19, wire.SUB_FUNCTION_NOT_SUPPORTED)
    length, report = _REPORTS[kind]
    if len(request) != length:
        return wire.negative(0x19, wire.WRONG_LENGTH)
    return unless_suppressed(request, report(unit, request))


_HANDLERS: Mapping[int, Handler] = {
    0x10: _session_control,
    0x14: _clear,
    0x19: _read_codes,
    0x22: _read_data,
    0x31: routine_control,
    0x3E: _tester_present,
}


def _where_known(service: int, handler: Handler) -> Handler:
    """The handler, for units that know the service; the others refuse it."""

    def handle(unit: Unit, world: World, request: bytes) -> bytes | None:
        if service not in unit.spec.services:
            return wire.negative(service, wire.SERVICE_NOT_SUPPORTED)
        return handler(unit, world, request)

    return handle


SERVICES: Mapping[int, Handler] = {service: _where_known(service, handler) for service, handler in _HANDLERS.items()}

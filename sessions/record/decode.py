"""Exchanges to readings: every answer about codes, live values and monitors, in journal order.

A list whose count disagrees with the unit's own count is damaged, and so is one that does not decode.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from decoders import (
    decode_dtc_count,
    decode_dtc_list,
    decode_extended,
    decode_identifier,
    decode_live,
    decode_monitor_status,
    decode_obd_codes,
    decode_snapshots,
)
from decoders.errors import DecodeError
from decoders.values import Exchange, Outcome, is_functional
from sessions.record.model import Asked, CodeReading, LiveReading, MonitorReading, ObdReading

CODE_LIST_SUBFUNCTIONS = frozenset({0x02, 0x0A, 0x15})
SINGLE_CODE_SUBFUNCTIONS = frozenset({0x04, 0x06})
DEFAULT_SESSION = 0x01
NO_SUCH_IDENTIFIER = frozenset({0x11, 0x12, 0x31})
FULL_LIST = bytes.fromhex("1902FF")
FULL_COUNT = bytes.fromhex("1901FF")


@dataclass(slots=True)
class Decoded:
    """The readings of a journal."""

    codes: tuple[CodeReading, ...] = ()
    obd: tuple[ObdReading, ...] = ()
    live: tuple[LiveReading, ...] = ()
    monitors: tuple[MonitorReading, ...] = ()


@dataclass(slots=True)
class _Walk:
    codes: list[CodeReading] = field(default_factory=list)
    obd: list[ObdReading] = field(default_factory=list)
    live: list[LiveReading] = field(default_factory=list)
    monitors: list[MonitorReading] = field(default_factory=list)
    masks: dict[tuple[str, int | None], int] = field(default_factory=dict)
    counts: dict[tuple[str, int | None], int] = field(default_factory=dict)
    sessions: dict[str, list[tuple[int, bool]]] = field(default_factory=dict)


def decode_asked(asked: Iterable[Asked]) -> Decoded:
    """Decode every exchange that went to one unit by its own address."""
    walk = _Walk()
    for item in asked:
        exchange = item.exchange
        if is_functional(exchange.target) or not exchange.request:
            continue
        service = exchange.request[0]
        if service == 0x19 and len(exchange.request) > 1:
            _take_service_19(walk, item)
        elif service in (0x03, 0x07, 0x0A):
            walk.obd.append(_obd_reading(item))
        elif service == 0x01:
            _take_service_01(walk, item)
        elif exchange.request == b"\x22\xf1\x86":
            walk.sessions.setdefault(exchange.target, []).append((item.moment.seq, _session_ok(exchange)))
    codes = tuple(replace(code, session_ok=_around_ok(walk, code)) for code in walk.codes)
    return Decoded(codes, tuple(walk.obd), tuple(walk.live), tuple(walk.monitors))


def _take_service_19(walk: _Walk, item: Asked) -> None:
    exchange = item.exchange
    subfunction = exchange.request[1]
    scope = (exchange.target, item.scan)
    base = CodeReading(
        moment=item.moment,
        unit=exchange.target,
        request=exchange.request,
        during=item.during,
        scan=item.scan,
        outcome=exchange.outcome or Outcome.DAMAGED,
        refusal=exchange.refusal,
        data=exchange.positive,
    )
    data = exchange.positive
    if data is None:
        if subfunction in CODE_LIST_SUBFUNCTIONS | SINGLE_CODE_SUBFUNCTIONS:
            walk.codes.append(base)
        return
    try:
        if subfunction == 0x01:
            _take_count(walk, scope, item, data)
        elif subfunction in CODE_LIST_SUBFUNCTIONS:
            walk.codes.append(_list_reading(walk, scope, base, data))
        elif subfunction in SINGLE_CODE_SUBFUNCTIONS:
            walk.codes.append(_single_reading(walk, scope, base, data))
    except DecodeError:
        walk.codes.append(replace(base, outcome=Outcome.DAMAGED))


def _take_count(walk: _Walk, scope: tuple[str, int | None], item: Asked, data: bytes) -> None:
    count = decode_dtc_count(data)
    walk.masks[scope] = count.mask
    if item.exchange.request == FULL_COUNT and item.scan is not None:
        walk.counts[scope] = count.count


def _list_reading(walk: _Walk, scope: tuple[str, int | None], base: CodeReading, data: bytes) -> CodeReading:
    listing = decode_dtc_list(data)
    walk.masks[scope] = listing.mask
    counted = walk.counts.get(scope)
    disagrees = base.request == FULL_LIST and counted is not None and counted != len(listing.entries)
    # Two entries of one code cannot both hold, and bytes left over may hide one more: neither is a whole list.
    entries = {entry.dtc: entry.status for entry in listing.entries}
    if disagrees or listing.leftover or len(entries) != len(listing.entries):
        return replace(base, outcome=Outcome.DAMAGED)
    return replace(base, mask=listing.mask, entries=entries, whole=True)


def _single_reading(
    walk: _Walk, scope: tuple[str, int | None], base: CodeReading, data: bytes
) -> CodeReading:
    answer = decode_snapshots(data, {}) if base.request[1] == 0x04 else decode_extended(data, {})
    if base.request[2:5] != answer.dtc.raw:
        return replace(base, outcome=Outcome.DAMAGED)
    return replace(base, mask=walk.masks.get(scope), entries={answer.dtc: answer.status})


def _obd_reading(item: Asked) -> ObdReading:
    exchange = item.exchange
    base = ObdReading(
        moment=item.moment,
        unit=exchange.target,
        service=exchange.request[0],
        during=item.during,
        scan=item.scan,
        outcome=exchange.outcome or Outcome.DAMAGED,
        refusal=exchange.refusal,
    )
    if exchange.positive is None:
        return base
    try:
        return replace(base, codes=frozenset(decode_obd_codes(exchange.positive).codes))
    except DecodeError:
        return replace(base, outcome=Outcome.DAMAGED)


def _take_service_01(walk: _Walk, item: Asked) -> None:
    data, unit = item.exchange.positive, item.exchange.target
    if data is None or len(item.exchange.request) != 2:
        return
    pid = item.exchange.request[1]
    try:
        if pid in (0x01, 0x41):
            walk.monitors.append(
                MonitorReading(moment=item.moment, unit=unit, status=decode_monitor_status(data))
            )
        elif pid % 0x20:
            walk.live.extend(
                LiveReading(moment=item.moment, unit=unit, pid=value.pid, value=value.value)
                for value in decode_live(data)
            )
    except DecodeError:
        # Kept in the journal as it came; what does not decode is no reading.
        return


def _session_ok(exchange: Exchange) -> bool:
    """True if the unit is in its default session, or has no such identifier to tell."""
    if exchange.outcome is Outcome.REFUSED:
        return exchange.refusal in NO_SUCH_IDENTIFIER
    if exchange.positive is None:
        return False
    try:
        return decode_identifier(exchange.positive).data == bytes([DEFAULT_SESSION])
    except DecodeError:
        return False


def _around_ok(walk: _Walk, code: CodeReading) -> bool:
    """True if the last session reading before and the first one after are both the default session."""
    known = walk.sessions.get(code.unit, [])
    before = [ok for seq, ok in known if seq < code.moment.seq]
    after = [ok for seq, ok in known if seq > code.moment.seq]
    return all(before[-1:]) and all(after[:1]) and bool(before or after)

"""Exchanges to readings: every answer about codes, live values and monitors, in journal order.

A list whose count disagrees with the unit's own count is damaged, and so is one that does not decode.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from decoders import (
    LiveValue,
    SeverityList,
    decode_dtc_count,
    decode_extended,
    decode_monitor_status,
    decode_obd_codes,
    decode_snapshots,
    matches,
)
from decoders.errors import DecodeError
from decoders.values import AnswerKind, Exchange, Outcome, is_functional, source_of
from sessions.obd_values import OBD_PAGE, asked_value, asked_values, told_values
from sessions.plan.unit import MONITOR_PIDS, read_list
from sessions.record.model import Asked, CodeReading, LiveReading, MonitorReading, ObdReading

CODE_LIST_SUBFUNCTIONS = frozenset({0x02, 0x0A, 0x15, 0x42, 0x55})
UNIT_LISTS = frozenset({0x02, 0x0A})
CLASSES = 0x1E
"""Severity classes A, B1, B2 and C, as 19 42 asks for them. Source: ISO 27145-3 (from memory)."""

_ENTRY, _GROUP_ENTRY = 4, 5
SINGLE_CODE_SUBFUNCTIONS = frozenset({0x04, 0x06})
COUNT_SUBFUNCTION = 0x01
DEFAULT_SESSION = 0x01
NO_SUCH_IDENTIFIER = frozenset({0x11, 0x12, 0x31})
FULL_LIST = bytes.fromhex("1902FF")
FULL_COUNT = bytes.fromhex("1901FF")
BELATED = frozenset({AnswerKind.LATE, AnswerKind.STRAY})
Scope = tuple[str, int]
"""A unit in a scan: what a mask or a count read in it holds for."""


@dataclass(slots=True)
class Decoded:
    """The readings of a journal.

    Args:
        asked: the exchanges that they were read from, each with the outcome that all of them together show.
    """

    asked: tuple[Asked, ...] = ()
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
    masks: dict[Scope, int] = field(default_factory=dict)
    counts: dict[Scope, set[int]] = field(default_factory=dict)
    sessions: dict[str, list[tuple[int, bool]]] = field(default_factory=dict)


def answer_of(exchange: Exchange) -> tuple[Outcome, bytes | None]:
    """How a request to one unit ended, with the answer if there is one.

    An exchange that calls itself answered without an answer to this very request is damaged: nothing may be read
    out of what is not there.
    """
    outcome = exchange.outcome or Outcome.DAMAGED
    if outcome is not Outcome.ANSWERED:
        return outcome, None
    data = exchange.positive
    if data is None or not matches(exchange.request, data):
        return Outcome.DAMAGED, None
    return outcome, data


def decode_asked(asked: Iterable[Asked]) -> Decoded:
    """Decode every exchange that went to one unit by its own address; of a request that was repeated, one try."""
    walk = _Walk()
    heard = _heard_after_all(asked)
    for item in _last_tries(heard):
        exchange = item.exchange
        if is_functional(exchange.target) or not exchange.request:
            continue
        service = exchange.request[0]
        if service == 0x19 and len(exchange.request) > 1:
            _take_service_19(walk, item)
        elif service in (0x03, 0x07, 0x0A):
            walk.obd.append(_obd_reading(item))
        elif exchange.request == b"\x22\xf1\x86":
            walk.sessions.setdefault(exchange.target, []).append((item.moment.seq, _session_ok(exchange)))
        elif asked_values(exchange.request):
            _take_value(walk, item)
    codes = tuple(_settled(walk, code) for code in walk.codes)
    return Decoded(tuple(heard), codes, tuple(walk.obd), tuple(walk.live), tuple(walk.monitors))


def _heard_after_all(asked: Iterable[Asked]) -> list[Asked]:
    """The exchanges; one whose positive answer came only while the unit was asked something else is damaged.

    What a late answer says is no result, but the unit was neither silent nor without that service: nothing may be
    concluded from its having said nothing.
    """
    found: list[Asked] = []
    open_: dict[str, dict[bytes, int]] = {}
    for item in asked:
        exchange = item.exchange
        for answer in exchange.answers:
            if answer.kind in BELATED:
                waiting = open_.get(answer.source, {})
                for request in [request for request in waiting if matches(request, answer.data)]:
                    place = waiting.pop(request)
                    belied = replace(found[place].exchange, outcome=Outcome.DAMAGED, refusal=None)
                    found[place] = replace(found[place], exchange=belied)
        if not is_functional(exchange.target):
            waiting = open_.setdefault(source_of(exchange.target), {})
            waiting.pop(exchange.request, None)
            if exchange.outcome in (Outcome.SILENT, Outcome.REFUSED):
                waiting[exchange.request] = len(found)
        found.append(item)
    return found


def _last_tries(asked: Iterable[Asked]) -> list[Asked]:
    """The exchanges, of a request that was repeated at once only the last try that came to as much as those before.

    Silence is no more than a broken answer or a refusal: the unit was there.
    """
    kept: list[Asked | None] = []
    places: dict[tuple[str, bytes], int] = {}
    for item in asked:
        key = (item.exchange.target, item.exchange.request)
        before = kept[places[key]] if item.again and key in places else None
        if before is not None:
            if _came_to_less(item.exchange.outcome, before.exchange.outcome):
                continue
            kept[places[key]] = None
        places[key] = len(kept)
        kept.append(item)
    return [item for item in kept if item is not None]


def _came_to_less(now: Outcome | None, before: Outcome | None) -> bool:
    return now is Outcome.UNSENT or (now is Outcome.SILENT and before is not Outcome.SILENT)


def _take_service_19(walk: _Walk, item: Asked) -> None:
    exchange = item.exchange
    subfunction = exchange.request[1]
    outcome, data = answer_of(exchange)
    base = CodeReading(
        moment=item.moment,
        unit=exchange.target,
        request=exchange.request,
        during=item.during,
        scan=item.scan,
        outcome=outcome,
        refusal=exchange.refusal,
        data=data,
    )
    try:
        if subfunction in CODE_LIST_SUBFUNCTIONS:
            walk.codes.append(base if data is None else _list_reading(walk, base, data))
        elif subfunction in SINGLE_CODE_SUBFUNCTIONS:
            walk.codes.append(base if data is None else _single_reading(walk, base, data))
        elif subfunction == COUNT_SUBFUNCTION and data is not None:
            _take_count(walk, base, data)
    except DecodeError:
        # A count that cannot be read is no list: nothing rests on it alone.
        if subfunction != COUNT_SUBFUNCTION:
            walk.codes.append(replace(base, outcome=Outcome.DAMAGED))


def _take_count(walk: _Walk, base: CodeReading, data: bytes) -> None:
    count = decode_dtc_count(data)
    if base.scan is None:
        return
    _keep_mask(walk, (base.unit, base.scan), count.mask)
    if base.request == FULL_COUNT:
        walk.counts.setdefault((base.unit, base.scan), set()).add(count.count)


def _list_reading(walk: _Walk, base: CodeReading, data: bytes) -> CodeReading:
    listing = read_list(data)
    # Two entries of one code cannot both hold, and bytes left over may hide one more: neither is a whole list.
    entries = {entry.dtc: entry.status for entry in listing.entries}
    # A record of zeros between codes leaves one unexplained; behind the last it is fill.
    zeros = listing.zero_entries * (_GROUP_ENTRY if isinstance(listing, SeverityList) else _ENTRY)
    if listing.leftover or len(entries) != len(listing.entries) or data[len(data) - zeros :] != bytes(zeros):
        return replace(base, outcome=Outcome.DAMAGED)
    mask = listing.mask
    if isinstance(listing, SeverityList) and not listing.entries and not (listing.severity_mask or 0) & CLASSES:
        # The unit grades no code in any class that was asked for: its list cannot show one.
        mask = 0
    if base.scan is not None and base.request[1] in UNIT_LISTS:
        _keep_mask(walk, (base.unit, base.scan), mask)
    elif base.scan is not None and isinstance(listing, SeverityList):
        # The mask of the whole unit counts where it was read: a group may support less.
        walk.masks.setdefault((base.unit, base.scan), mask)
    return replace(base, mask=mask, entries=entries, whole=True)


def _keep_mask(walk: _Walk, scope: Scope, mask: int) -> None:
    """A bit holds in a scan where every answer about the whole unit says that it is supported."""
    walk.masks[scope] = walk.masks.get(scope, 0xFF) & mask


def _single_reading(walk: _Walk, base: CodeReading, data: bytes) -> CodeReading:
    answer = decode_snapshots(data, {}) if base.request[1] == 0x04 else decode_extended(data, {})
    mask = None if base.scan is None else walk.masks.get((base.unit, base.scan))
    return replace(base, mask=mask, entries={answer.dtc: answer.status})


def _settled(walk: _Walk, code: CodeReading) -> CodeReading:
    """The reading with what the rest of the journal says of it: the unit's count in that scan, and its session."""
    if code.whole and code.request == FULL_LIST and code.scan is not None:
        counts = walk.counts.get((code.unit, code.scan), set())
        if counts - {len(code.entries)}:
            code = replace(code, outcome=Outcome.DAMAGED, mask=None, entries={}, whole=False)
    return replace(code, session_ok=_around_ok(walk, code))


def _obd_reading(item: Asked) -> ObdReading:
    exchange = item.exchange
    outcome, data = answer_of(exchange)
    base = ObdReading(
        moment=item.moment,
        unit=exchange.target,
        service=exchange.request[0],
        during=item.during,
        scan=item.scan,
        outcome=outcome,
        refusal=exchange.refusal,
    )
    if data is None:
        return base
    try:
        listing = decode_obd_codes(data)
    except DecodeError:
        return replace(base, outcome=Outcome.DAMAGED)
    # An entry that names no code leaves the unit's count unexplained: one may be lost.
    if listing.zero_entries:
        return replace(base, outcome=Outcome.DAMAGED)
    return replace(base, codes=frozenset(listing.codes))


def _take_value(walk: _Walk, item: Asked) -> None:
    """Values that were asked for, by service 01 or as identifiers F4xx; a monitor status only where it was alone."""
    unit, (_outcome, data) = item.exchange.target, answer_of(item.exchange)
    if data is None:
        return
    number = asked_value(item.exchange.request)
    if number is not None and number & 0xFF in MONITOR_PIDS:
        try:
            status = decode_monitor_status(data)
        except DecodeError:
            # Kept in the journal as it came; what does not decode is no reading.
            return
        walk.monitors.append(MonitorReading(moment=item.moment, unit=unit, status=status))
        return
    walk.live.extend(
        LiveReading(moment=item.moment, unit=unit, pid=value.pid, value=value.value, by_identifier=told >= OBD_PAGE)
        for told, value in told_values(item.exchange.request, data)
    )


def live_values(exchange: Exchange) -> tuple[LiveValue, ...]:
    """The live values in the answer to a request for them; what does not decode, or is no number, tells nothing."""
    _outcome, data = answer_of(exchange)
    return () if data is None else tuple(value for _number, value in told_values(exchange.request, data))


def _session_ok(exchange: Exchange) -> bool:
    """True if the unit is in its default session, or has no such identifier to tell."""
    outcome, data = answer_of(exchange)
    if data is None:
        return outcome is Outcome.REFUSED and exchange.refusal in NO_SUCH_IDENTIFIER
    # The echo was matched: behind service and identifier stands the session.
    return data[3:] == bytes([DEFAULT_SESSION])


def _around_ok(walk: _Walk, code: CodeReading) -> bool:
    """True if the last session reading before and the first one after are both the default session."""
    known = walk.sessions.get(code.unit, [])
    before = [ok for seq, ok in known if seq < code.moment.seq]
    after = [ok for seq, ok in known if seq > code.moment.seq]
    return all(before[-1:]) and all(after[:1]) and bool(before or after)

"""The data of the OBD services: PIDs, monitor tests and vehicle information, wherever they stand in a message."""

from __future__ import annotations

from collections.abc import Iterable

from decoders.errors import DecodeError
from decoders.explain.layouts import write_layout
from decoders.explain.scribe import Row, Scribe
from decoders.explain.words import SHORT_CODE, formula, number_text, plural, supported_text, vin_text
from decoders.layout import Number
from decoders.obd_data import PIDS
from decoders.obd_info import VehicleInfo, decode_info
from decoders.obd_monitors import CONTINUOUS_MONITORS, SINCE_CLEAR, THIS_CYCLE, Monitor, MonitorStatus, read_monitors
from decoders.obd_tests import MonitorTest, read_monitor_did
from decoders.obd_units import UNIT_SCALINGS

GROUP = 0x20
_SUPPORT_BYTES = 4
_RESULT_BYTES = 8
_FREEZE_CODE = 0x02
_VIN = 0x02
_INFO_ANSWER = 0x49


def pid_text(pid: int) -> str:
    """A PID of service 01 by name."""
    return PIDS[pid].name if pid in PIDS else f"unknown PID {pid:02X}"


def write_support(scribe: Scribe, base: int) -> None:
    """Write the four bytes of a support bitmap down."""
    scribe.write(Row("support bits", _SUPPORT_BYTES, lambda raw, _: supported_text(base, raw)))


def write_pid(scribe: Scribe, pid: int) -> None:
    """Write the data of a PID of known length down."""
    if pid % GROUP == 0:
        write_support(scribe, pid)
    elif pid in (SINCE_CLEAR, THIS_CYCLE):
        _write_monitors(scribe, read_monitors(pid, scribe.peek(PIDS[pid].length, PIDS[pid].name)))
    elif pid == _FREEZE_CODE:
        scribe.write(Row(PIDS[pid].name, SHORT_CODE.size, _frozen_code))
    else:
        write_layout(scribe, PIDS[pid])


def _frozen_code(raw: bytes, scribe: Scribe) -> str:
    return SHORT_CODE.say(raw, scribe) if any(raw) else "none: no freeze frame is stored"


def _write_monitors(scribe: Scribe, status: MonitorStatus) -> None:
    count = len(CONTINUOUS_MONITORS)
    continuous, others = status.monitors[:count], status.monitors[count:]
    has = "supported" if status.pid == SINCE_CLEAR else "enabled in this cycle"
    states = "; ".join(f"{item.name}: {_state(item, has)}" for item in continuous)
    supported = _listed(item.name for item in others if item.supported)
    lacking = _listed(item.name for item in others if not item.supported)
    complete = _listed(item.name for item in others if item.complete)
    incomplete = _listed(item.name for item in others if item.supported and not item.complete)
    scribe.note(1, "lamp and count", _lamp_text(status))
    scribe.note(1, "continuous monitors", f"{status.ignition} ignition; {states}")
    scribe.note(1, "other monitors", f"{has}: {supported}; not {has}: {lacking}")
    scribe.note(1, "their state", f"complete: {complete}; not complete: {incomplete}")


def _state(monitor: Monitor, has: str) -> str:
    if not monitor.supported:
        return f"not {has}"
    return "complete" if monitor.complete else "not complete"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"


def _lamp_text(status: MonitorStatus) -> str:
    if status.mil is None or status.code_count is None:
        return "says nothing here"
    return f"lamp {'on' if status.mil else 'off'}, {plural(status.code_count, 'code')} stored"


def write_test(scribe: Scribe, monitor: int) -> None:
    """Write one result of service 06 down, without its monitor number."""
    test = read_monitor_did(monitor, scribe.peek(_RESULT_BYTES, "result")).tests[0]
    known = UNIT_SCALINGS.get(test.scaling)
    scale = f"{formula(known.scale) or 'raw'} {known.unit}".rstrip() if known else test.scaling_name
    result = test.result or "passed or failed is not known: the sign is not"
    weak = "" if test.bounded else ", both bounds are zero"
    scribe.note(1, "test", test.test_name)
    scribe.note(1, "unit and scaling", scale)
    scribe.note(2, "value", f"{_scaled(test, test.value)}: {result}{weak}")
    scribe.note(2, "lower bound", _scaled(test, test.low))
    scribe.note(2, "upper bound", _scaled(test, test.high))


def _scaled(test: MonitorTest, value: Number | None) -> str:
    return "raw number" if value is None else f"{number_text(value)} {test.unit}".rstrip()


def write_tests(scribe: Scribe, monitor: int, size: int) -> None:
    """Write the data of an identifier F6xx down: `size` bytes of support bits or results."""
    if monitor % GROUP == 0:
        write_support(scribe, monitor)
        return
    for _ in range(size // _RESULT_BYTES):
        write_test(scribe, monitor)


def write_info(scribe: Scribe, info: VehicleInfo, size: int) -> None:
    """Write the items of a piece of vehicle information down, and their count where it stands in front of them.

    Args:
        scribe: in front of them.
        info: what was read from them.
        size: their bytes.
    """
    if info.infotype % GROUP == 0:
        write_support(scribe, info.infotype)
        return
    rows = [(info.name, _item_text(info, at)) for at in range(len(info.items))]
    rows += [(counter.name, str(counter.value)) for counter in info.counters]
    if _is_counted(info, scribe.peek(size, info.name), len(rows)):
        scribe.note(1, "count", plural(len(rows), "item"))
        size -= 1
    for name, text in rows:
        scribe.note(size // len(rows), name, text)


def _is_counted(info: VehicleInfo, body: bytes, count: int) -> bool:
    """True if the first byte counts the items: it may do so or be left out where an identifier carries them."""
    if len(body) <= count:
        return False
    try:
        found = decode_info(bytes([_INFO_ANSWER, info.infotype]) + body)
    except DecodeError:
        return False
    return (found.items, found.counters) == (info.items, info.counters)


def _item_text(info: VehicleInfo, at: int) -> str:
    item = info.items[at]
    if at in info.unreadable:
        return f"{item}: is not text"
    if not item:
        return "blank"
    return vin_text(item) if info.infotype == _VIN else item

"""What the emissions services of one unit say in a scan: lamp, readiness, permanent copies."""

from __future__ import annotations

from dataclasses import dataclass

from decoders import MonitorStatus, decode_monitor_status
from decoders.errors import DecodeError
from decoders.values import Dtc, Outcome
from sessions.obd_values import OBD_PAGE, value_request
from sessions.plan.unit import MONITOR_PIDS
from sessions.record import JobRecord, Scan
from sessions.record.decode import answer_of
from sessions.verdict.listing import PERMANENT_LISTS

MONITORS = frozenset({value_request(MONITOR_PIDS[0]), value_request(OBD_PAGE | MONITOR_PIDS[0])})
PERMANENT = 0x0A


@dataclass(frozen=True, slots=True, kw_only=True)
class EmissionsLook:
    """One emissions unit in one scan.

    Args:
        trouble: why 01 01 (22 F401) tells nothing here, such as ``01 01 silent``, or None if it was answered.
        lamp_on: True if it commands the malfunction indicator on, None if it does not tell.
        complete: monitors it supports that are complete since the clear.
        incomplete: monitors it supports that are not.
        permanent: codes of service 0A (19 55), or None if that was not answered (which is not "none").
        permanent_trouble: why 0A tells nothing here, such as ``0A refused (11)``; empty if it was answered.
    """

    unit: str
    trouble: str | None = None
    lamp_on: bool | None = None
    complete: tuple[str, ...] = ()
    incomplete: tuple[str, ...] = ()
    permanent: tuple[str, ...] | None = None
    permanent_trouble: str = ""

    @property
    def lamp_words(self) -> str:
        """The malfunction lamp, in words."""
        if self.lamp_on is None:
            return f"malfunction lamp not told ({self.trouble})"
        return f"malfunction lamp {'on' if self.lamp_on else 'off'}"

    @property
    def monitor_words(self) -> str:
        """The readiness monitors, in words."""
        if self.trouble is not None:
            return "monitors not told"
        if self.incomplete:
            return f"monitors not complete: {', '.join(self.incomplete)}"
        return "monitors all complete" if self.complete else "no monitors"

    @property
    def permanent_words(self) -> str:
        """The permanent copies, in words."""
        if self.permanent is None:
            return f"permanent codes not told ({self.permanent_trouble})"
        return f"permanent codes: {', '.join(self.permanent) or 'none'}"

    @property
    def words(self) -> str:
        """All of it in one line."""
        return "; ".join((self.lamp_words, self.monitor_words, self.permanent_words))


def emissions_looks(record: JobRecord, scan: Scan) -> tuple[EmissionsLook, ...]:
    """Every unit that told its readiness in any scan of the job, as it was in this one, in address order.

    Source: SAE J1979 services 01 and 0A; SAE J1979-2 / ISO 27145 for the same by services 22 and 19.
    """
    units = sorted({item.unit for item in record.monitors if item.status.pid == MONITOR_PIDS[0]})
    return tuple(_look(record, scan, unit) for unit in units)


def _look(record: JobRecord, scan: Scan, unit: str) -> EmissionsLook:
    status, trouble = _monitors(record, scan, unit)
    permanent, permanent_trouble = _permanent(record, scan, unit)
    supported = [monitor for monitor in status.monitors if monitor.supported] if status else []
    return EmissionsLook(
        unit=unit,
        trouble=trouble,
        lamp_on=status.mil if status else None,
        complete=tuple(monitor.name for monitor in supported if monitor.complete),
        incomplete=tuple(monitor.name for monitor in supported if not monitor.complete),
        permanent=permanent,
        permanent_trouble=permanent_trouble,
    )


def _monitors(record: JobRecord, scan: Scan, unit: str) -> tuple[MonitorStatus | None, str | None]:
    """The monitor status of a unit in a scan, or why there is none."""
    asked = [
        item.exchange
        for item in record.asked
        if (item.exchange.target, item.scan) == (unit, scan.number) and item.exchange.request in MONITORS
    ]
    if not asked:
        return None, "01 01 not asked"
    # Asked both ways, the way that was answered tells.
    last = next((item for item in reversed(asked) if item.positive is not None), asked[0])
    name = f"{last.request[0]:02X} {last.request[1:].hex().upper()}"
    outcome, data = answer_of(last)
    if data is None:
        return None, f"{name} {how_it_ended(outcome, last.refusal)}"
    try:
        return decode_monitor_status(data), None
    except DecodeError:
        return None, f"{name} {Outcome.DAMAGED.value}"


def _permanent(record: JobRecord, scan: Scan, unit: str) -> tuple[tuple[str, ...] | None, str]:
    """The permanent codes of a unit in a scan, or why they are not known.

    None are said only where every memory of them that the unit ever told of was read.
    """
    told: set[Dtc] = set()
    answered = False
    missing: list[str] = []
    own = [code for code in record.codes if code.unit == unit and code.request in PERMANENT_LISTS]
    ever = {code.request for code in own if code.outcome is Outcome.ANSWERED}
    for code in own:
        if code.scan != scan.number:
            continue
        if code.outcome is Outcome.ANSWERED:
            answered = True
            told |= set(code.entries)
        elif code.request in ever or code.outcome is Outcome.DAMAGED:
            missing.append(f"{code.request[:2].hex(' ')} {how_it_ended(code.outcome, code.refusal)}")
    obd = [item for item in record.obd if (item.unit, item.service) == (unit, PERMANENT)]
    asked = [item for item in obd if item.scan == scan.number]
    if asked and asked[-1].outcome is Outcome.ANSWERED:
        answered = True
        told |= asked[-1].codes
    else:
        ended = asked[-1].outcome if asked else None
        once = any(item.outcome is Outcome.ANSWERED for item in obd)
        if not answered or once or ended is Outcome.DAMAGED:
            missing.append(f"0A {how_it_ended(ended, asked[-1].refusal if asked else None)}")
    if told or (answered and not missing):
        # What OBD services and service 19 say of the same two bytes is one code.
        bases = {dtc.base_only for dtc in told if dtc.failure_type is not None}
        return tuple(sorted(dtc.text for dtc in told if dtc not in bases)), ""
    return None, ", ".join(missing)


def how_it_ended(outcome: Outcome | None, refusal: int | None) -> str:
    """An outcome in words, a refusal with its code; never sent counts as not asked."""
    if outcome is None or outcome is Outcome.UNSENT:
        return "not asked"
    return f"refused ({refusal:02X})" if outcome is Outcome.REFUSED and refusal is not None else outcome.value

"""What the emissions services of one unit say in a scan: lamp, readiness, permanent copies."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.values import Outcome
from sessions.record import JobRecord, Scan


@dataclass(frozen=True, slots=True, kw_only=True)
class EmissionsLook:
    """One emissions unit in one scan.

    Args:
        lamp_on: True if it commands the malfunction indicator on.
        complete: monitors it supports that are complete since the clear.
        incomplete: monitors it supports that are not.
        permanent: codes of service 0A, or None if that was not answered (which is not "none").
    """

    unit: str
    lamp_on: bool
    complete: tuple[str, ...]
    incomplete: tuple[str, ...]
    permanent: tuple[str, ...] | None

    @property
    def words(self) -> str:
        """The same in one line."""
        lamp = "on" if self.lamp_on else "off"
        ready = f"not complete: {', '.join(self.incomplete)}" if self.incomplete else "all complete"
        if self.permanent is None:
            copies = "permanent codes not told"
        else:
            copies = f"permanent codes: {', '.join(self.permanent) or 'none'}"
        return f"malfunction lamp {lamp}; monitors {ready}; {copies}"


def emissions_looks(record: JobRecord, scan: Scan) -> tuple[EmissionsLook, ...]:
    """Every unit that answered 01 01 in a scan, in address order. Source: SAE J1979 services 01 and 0A."""
    last = scan.end.seq if scan.end else record.last_seq
    found: dict[str, EmissionsLook] = {}
    for item in record.monitors:
        if item.status.pid != 0x01 or not scan.begin.seq <= item.moment.seq <= last:
            continue
        supported = [monitor for monitor in item.status.monitors if monitor.supported]
        found[item.unit] = EmissionsLook(
            unit=item.unit,
            lamp_on=bool(item.status.mil),
            complete=tuple(monitor.name for monitor in supported if monitor.complete),
            incomplete=tuple(monitor.name for monitor in supported if not monitor.complete),
            permanent=_permanent(record, scan, item.unit),
        )
    return tuple(look for _unit, look in sorted(found.items()))


def _permanent(record: JobRecord, scan: Scan, unit: str) -> tuple[str, ...] | None:
    answered = [
        item
        for item in record.obd
        if (item.unit, item.scan, item.service) == (unit, scan.number, 0x0A) and item.outcome is Outcome.ANSWERED
    ]
    return tuple(sorted(dtc.text for dtc in answered[-1].codes)) if answered else None

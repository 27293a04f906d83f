"""What people read in the terminal. Verdicts are told by their word and a mark, never by colour alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console
from rich.text import Text

from decoders.values import Outcome
from sessions.record import JobRecord, Scan
from sessions.verdict import FaultVerdict, JobVerdict, UnitLook, Verdict, emissions_looks, unit_looks

MARKS: Mapping[Verdict, str] = {
    Verdict.PROVEN: "[=]",
    Verdict.HELD: "[~]",
    Verdict.LAPSED: "[.]",
    Verdict.UNTESTED: "[?]",
    Verdict.UNREAD: "[ ]",
    Verdict.UNCLEARED: "[o]",
    Verdict.NEW: "[+]",
    Verdict.RETURNED: "[<]",
    Verdict.FAILING: "[x]",
}
_GOOD = (Verdict.PROVEN, Verdict.HELD)


def show_scan(console: Console, record: JobRecord, scan: Scan, reason: str) -> None:
    """One scan: a line for each unit, and under it the faults it lists."""
    state = "complete" if scan.complete else f"not complete: {reason}"
    console.print(Text(f"Scan {scan.number}, taken as {scan.taken_as}: {state}", style="bold"))
    looks = unit_looks(record, scan)
    width = max((len(record.unit_name(look.unit)) for look in looks), default=0)
    for look in looks:
        console.print(Text(f"  {record.unit_name(look.unit):<{width}}  {look.unit:<17}  {look.words}"))
        for code, memory, status in look.faults:
            named = record.profile.code(look.unit, code)
            text = named.text if named else "text not known"
            shown = f"status {status}" if status else f"listed by {memory.upper()} services"
            console.print(Text(f"  {'':<{width}}  {code:<9} {shown}  {text}"))
    for emissions in emissions_looks(record, scan):
        console.print(Text(f"  {record.unit_name(emissions.unit):<{width}}  {emissions.unit:<17}  {emissions.words}"))
    voltage = [item.value for item in record.live if item.pid == 0x42 and item.moment.seq > scan.begin.seq]
    if voltage:
        console.print(Text(f"  Supply voltage {voltage[0]:.1f} V at the begin, {voltage[-1]:.1f} V at the end"))


def show_verdict(console: Console, verdict: JobVerdict, *, evidence: bool = True) -> None:
    """Every fault with its verdict, then the job's, then what to do next."""
    for fault in verdict.faults:
        _show_fault(console, fault, evidence=evidence)
    if verdict.history:
        shown = ", ".join(f"{unit} {code}" for unit, code in verdict.history)
        console.print(Text(f"History only, no fault: {shown}"))
    scan = f"scan {verdict.after.number}, taken as {verdict.after.taken_as}" if verdict.after else "no after-scan"
    console.print(Text(f"Job: {verdict.grade.value}, {verdict.set_aside_count} set aside ({scan})", style="bold"))
    for reason in verdict.reasons:
        console.print(Text(f"  - {reason}"))
    if verdict.plan:
        console.print(Text("What to do next", style="bold"))
        for number, step in enumerate(verdict.plan, start=1):
            console.print(Text(f"  {number}. {step}"))


def _show_fault(console: Console, fault: FaultVerdict, *, evidence: bool) -> None:
    style = "green" if fault.verdict in _GOOD else "yellow"
    line = Text(f"{MARKS[fault.verdict]} {fault.verdict.value:<9}", style=f"bold {style}")
    aside = "  SET ASIDE" if fault.set_aside else ""
    line.append(f" {fault.unit_name} {fault.key.unit}  {fault.key.dtc.text}{aside}", style="not bold default")
    console.print(line)
    console.print(Text(f"    {fault.text or 'text not known'}"))
    if fault.set_aside:
        console.print(Text(f"    set aside by {fault.set_aside.actor}: {fault.set_aside.reason}"))
    if not evidence:
        return
    for text in fault.ruling.evidence:
        console.print(Text(f"    shown:   {text}"))
    for text in fault.ruling.missing:
        console.print(Text(f"    missing: {text}"))


def scan_form(record: JobRecord, scan: Scan, job: int) -> dict[str, Any]:
    """The object that ``scan --json`` prints."""
    return {
        "job": job,
        "scan": scan.number,
        "as": scan.taken_as,
        "complete": scan.complete,
        "link": scan.link,
        "units": [_unit_form(record, look) for look in unit_looks(record, scan)],
    }


def _unit_form(record: JobRecord, look: UnitLook) -> dict[str, Any]:
    refused = look.outcome is Outcome.REFUSED and look.refusal is not None
    return {
        "unit": look.unit,
        "unit_name": record.unit_name(look.unit),
        "outcome": look.outcome_text,
        "refusal": f"{look.refusal:02X}" if refused else None,
        "mask": None if look.mask is None else f"{look.mask:02X}",
        "faults": [{"code": code, "memory": memory, "status": status or None} for code, memory, status in look.faults],
    }

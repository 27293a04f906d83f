"""What people read in the terminal. Verdicts are told by their word and a mark, never by colour alone."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

from rich.console import Console
from rich.text import Text

from decoders.values import Exchange, Outcome
from gateway.cli.console import folded
from sessions.record import JobRecord, Moment, Scan, unit_words
from sessions.verdict import FaultVerdict, JobVerdict, UnitLook, Verdict, emissions_looks, unit_looks
from sessions.verdict.code_words import code_words
from sessions.verdict.units import CODE_REQUESTS

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
SUPPLY_VOLTAGE = 0x42
"""Live identifier of the supply voltage, in volts. Source: SAE J1979, service 01."""

_WHY_CHARACTERS = 70


def show_scan(console: Console, record: JobRecord, scan: Scan, reason: str) -> None:
    """One scan: a line for each unit, and under it the faults it lists."""
    asked = [item.exchange for item in record.asked if item.scan == scan.number]
    nobody = "" if any(exchange.answers for exchange in asked) else ", no unit answered"
    state = f"complete{nobody}" if scan.complete else f"not complete: {reason}"
    console.print(Text(f"Scan {scan.number}, taken as {scan.taken_as}: {state}", style="bold"))
    looks = unit_looks(record, scan)
    width = max((len(column_name(record, look.unit)) for look in looks), default=0)
    for look in looks:
        words = f"{look.words}{_why_damaged(look, asked)}"
        _line(console, f"  {column_name(record, look.unit):<{width}}  {look.unit:<17}  {words}", width + 23)
        for code, memory, status in look.faults:
            text = code_words(record, look.unit, code)
            shown = f"status {status}" if status else f"listed by {memory.upper()} services"
            _line(console, f"  {'':<{width}}  {code:<9} {shown}  {text}", width + 25)
    emissions_units = emissions_looks(record, scan)
    if emissions_units:
        console.print(Text("  Emissions units, asked by OBD services:"))
    for emissions in emissions_units:
        name = column_name(record, emissions.unit)
        _line(console, f"  {name:<{width}}  {emissions.unit:<17}  {emissions.words}", width + 23)
    volts = [item.value for item in record.live if item.pid == SUPPLY_VOLTAGE and _within(scan, item.moment)]
    if volts:
        console.print(Text(f"  Supply voltage: lowest {min(volts):.1f} V, highest {max(volts):.1f} V"))


def column_name(record: JobRecord, unit: str) -> str:
    """A unit's name for a column beside its address, which must not tell the address as well."""
    return record.unit_name(unit).removesuffix(unit).rstrip()


def _why_damaged(look: UnitLook, asked: Iterable[Exchange]) -> str:
    """What was wrong first with an answer of a unit that counts as damaged, shortened; empty if nothing is told."""
    if look.outcome is not Outcome.DAMAGED:
        return ""
    about_codes = (item for item in asked if item.target == look.unit and item.request in CODE_REQUESTS)
    troubles = (item.trouble for item in about_codes if item.outcome is Outcome.DAMAGED)
    why = next((text for text in troubles if text), "")
    return f": {textwrap.shorten(why, _WHY_CHARACTERS, placeholder=' ...')}" if why else ""


def _within(scan: Scan, moment: Moment) -> bool:
    return scan.begin.seq < moment.seq < (scan.end.seq if scan.end else math.inf)


def _line(console: Console, text: str, hang: int, style: str = "") -> None:
    console.print(Text(folded(console, text, hang), style=style))


def show_verdict(console: Console, verdict: JobVerdict, *, evidence: bool = True) -> None:
    """Every fault with its verdict, then the job's, then what to do next."""
    for fault in verdict.faults:
        _show_fault(console, fault, evidence=evidence)
    if verdict.history:
        shown = ", ".join(f"{unit} {code}" for unit, code in verdict.history)
        _line(console, f"History only, no fault: {shown}", 4)
    scan = f"scan {verdict.after.number}, taken as {verdict.after.taken_as}" if verdict.after else "no after-scan"
    _line(console, f"Job: {verdict.grade.value}, {verdict.set_aside_count} set aside ({scan})", 4, "bold")
    for reason in verdict.reasons:
        _line(console, f"  - {reason}", 4)
    if verdict.plan:
        console.print(Text("What to do next", style="bold"))
        for number, step in enumerate(verdict.plan, start=1):
            _line(console, f"  {number}. {step}", 5)


def _show_fault(console: Console, fault: FaultVerdict, *, evidence: bool) -> None:
    style = "green" if fault.verdict.is_good else "yellow"
    line = Text(f"{MARKS[fault.verdict]} {fault.verdict.value:<9}", style=f"bold {style}")
    aside = "  SET ASIDE" if fault.set_aside else ""
    named = unit_words(fault.unit_name, fault.key.unit, "{name} ({unit})")
    line.append(f"  {named}  {fault.key.dtc.text}{aside}", style="not bold default")
    console.print(line)
    _line(console, f"    {fault.text}", 8)
    if fault.set_aside:
        _line(console, f"    set aside by {fault.set_aside.actor}: {fault.set_aside.reason}", 8)
    if not evidence:
        return
    for text in fault.ruling.evidence:
        _line(console, f"    shown:   {text}", 13)
    for text in fault.ruling.missing:
        _line(console, f"    missing: {text}", 13)


def scan_form(record: JobRecord, scan: Scan, job: int, reason: str = "") -> dict[str, Any]:
    """The object that ``scan --json`` prints; `reason` is why the scan is not complete, or empty."""
    return {
        "job": job,
        "scan": scan.number,
        "as": scan.taken_as,
        "complete": scan.complete,
        "reason": reason or None,
        "link": scan.link,
        "units": [_unit_form(record, look) for look in unit_looks(record, scan)],
        "heard_not_read": list(record.strangers),
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

"""The documented, stable form of a verdict as plain data."""

from __future__ import annotations

from typing import Any

from sessions.verdict.job import JobVerdict


def verdict_form(verdict: JobVerdict, job: int) -> dict[str, Any]:
    """The object that ``verdict --json`` prints."""
    return {
        "job": job,
        "vin": verdict.vin,
        "job_verdict": verdict.grade.value,
        "scan": verdict.after.number if verdict.after else None,
        "set_aside_count": verdict.set_aside_count,
        "faults": [
            {
                "unit": fault.key.unit,
                "unit_name": fault.unit_name,
                "code": fault.key.dtc.text,
                "memory": fault.key.memory,
                "verdict": fault.verdict.value,
                "set_aside": fault.set_aside.reason if fault.set_aside else None,
                "rule": fault.ruling.rule,
                "evidence": list(fault.ruling.evidence),
                "missing": list(fault.ruling.missing),
            }
            for fault in verdict.faults
        ],
        "units": [
            {
                "unit": pair.unit,
                "before": pair.before.outcome_text if pair.before else "not asked",
                "after": pair.after.outcome_text if pair.after else "not asked",
            }
            for pair in verdict.units
        ],
        "plan": list(verdict.plan),
    }

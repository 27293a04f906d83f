"""The grade of evidence for each fault and for the job: a pure function of the journal."""

from sessions.verdict.emissions import EmissionsLook, emissions_looks
from sessions.verdict.form import verdict_form
from sessions.verdict.job import FaultVerdict, JobGrade, JobVerdict, SetAside, UnitPair, judge
from sessions.verdict.rules import RULES, Ruling, Verdict
from sessions.verdict.settings import RULES_VERSION, RuleSettings
from sessions.verdict.units import UnitLook, unit_look, unit_looks
from sessions.verdict.watched import worth_watching

__all__ = [
    "RULES",
    "RULES_VERSION",
    "EmissionsLook",
    "FaultVerdict",
    "JobGrade",
    "JobVerdict",
    "RuleSettings",
    "Ruling",
    "SetAside",
    "UnitLook",
    "UnitPair",
    "Verdict",
    "emissions_looks",
    "judge",
    "unit_look",
    "unit_looks",
    "verdict_form",
    "worth_watching",
]

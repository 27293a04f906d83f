"""The documented form of a verdict.

Source of what is expected: `verdict --json`, as the project documents it.
"""

from __future__ import annotations

import json

from job_stories import ENGINE, with_second
from journal_builder import (
    UNIT,
    VIN,
    Story,
    profile,
)

from decoders.values import Outcome
from sessions.verdict import verdict_form


def vin(text: str) -> str:
    return text.encode().hex().upper()


def told(story: Story, unit: str, text: str, serial: str | None = None) -> Story:
    story.answer(unit, "22F190", f"62F190{vin(text)}")
    return story if serial is None else story.answer(unit, "22F18C", f"62F18C{serial}")


# The form.


def test_the_form_of_a_verdict() -> None:
    # Keys and their order: as documented for `verdict --json`.
    story = told(with_second(0x50).scan("after"), UNIT, VIN).session().codes(C0040_13=0x50).supported(C0035_13=0)
    form = verdict_form(story.no_obd().silent(ENGINE, "1902FF").end().decide(code="C0040-13").judged(), 7)
    assert ["job", "vin", "job_verdict", "scan", "set_aside_count", "faults", "units", "plan"] == list(form)
    assert (7, VIN, "proven", 3, 1, []) == (
        form["job"],
        form["vin"],
        form["job_verdict"],
        form["scan"],
        form["set_aside_count"],
        form["plan"],
    )
    first, second = form["faults"]
    assert ["unit", "unit_name", "code", "memory", "verdict", "set_aside", "rule", "evidence", "missing"] == list(first)
    assert (UNIT, "Brake control", "C0040-13", "dtc", "untested", "the owner lives with it", 11) == tuple(
        first.values()
    )[:7]
    assert ("proven", None, 8, []) == (second["verdict"], second["set_aside"], second["rule"], second["missing"])
    assert [
        {"unit": UNIT, "before": "answered", "after": "answered"},
        {"unit": ENGINE, "before": "not asked", "after": "silent"},
    ] == form["units"]
    assert form == json.loads(json.dumps(form))


def test_the_form_of_a_job_without_scans() -> None:
    form = verdict_form(Story(profile()).silent(ENGINE, "03").judged(), 1)
    assert (None, None, "open", []) == (form["vin"], form["scan"], form["job_verdict"], form["faults"])
    assert {"unit": ENGINE, "before": "not asked", "after": "not asked"} in form["units"]


def test_outcomes_are_five_words() -> None:
    assert ["answered", "refused", "silent", "damaged", "unsent"] == [outcome.value for outcome in Outcome]

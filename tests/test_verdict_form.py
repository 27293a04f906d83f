"""The proof plan, and the documented form of a verdict.

Source of what is expected: the proof plan and `verdict --json`, as the project documents them.
"""

from __future__ import annotations

import json

from journal_builder import (
    AT_REST,
    AT_SPEED,
    CODE,
    UNIT,
    VIN,
    Story,
    after,
    before,
    cleared,
    profile,
    rounds,
)

from decoders.values import Outcome
from sessions.verdict import verdict_form

ENGINE = "7E0/7E8"


def started(**more) -> Story:
    return before(Story(profile(), **more)).part()


def finish(story: Story) -> Story:
    """The clear, the drive and the after-scan."""
    return after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))


def with_second(status: int) -> Story:
    """A second code beside the mended one, with a last status."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F, C0040_13=0x2F)
    story.supported(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    rounds(cleared(story), 0x50, 0x50, 0x50, 0x00).wait(60).scan("after").session()
    return story.codes(C0040_13=status).supported(C0035_13=0).no_obd().end()


def vin(text: str) -> str:
    return text.encode().hex().upper()


def told(story: Story, unit: str, text: str, serial: str | None = None) -> Story:
    story.answer(unit, "22F190", f"62F190{vin(text)}")
    return story if serial is None else story.answer(unit, "22F18C", f"62F18C{serial}")


# The plan.


def test_the_plan_says_what_to_do_next() -> None:
    assert "find and repair the cause, then clear this unit again." in after(started(), 0x2F).judged().plan[0]
    assert "clear this unit again; it still lists the old entry." in after(started(), 0x2C).judged().plan[0]
    silent = cleared(started()).scan("after").silent(UNIT, "1902FF").end()
    assert "make the unit answer (supply, connection), then scan again" in silent.judged().plan[0]
    untested = after(cleared(started()), 0x50).judged().plan
    assert (
        "Run with engine 2000 rpm, 60 km/h, outside 14 °C for at least 10 s while reading, from a fresh key-on: "
        "Brake control C0035-13.",
        "Then scan again (scan --as after).",
    ) == untested


def test_a_fault_that_comes_and_goes_is_watched() -> None:
    story = finish(before(Story(profile()), 0x2C).part())
    assert "Keep watching over several drives; one passed test does not prove it" in story.judged().plan[0]


def test_a_new_clear_comes_first_and_once_for_a_unit() -> None:
    story = with_second(0x50).part("another part")
    plan = story.judged().plan
    assert "Brake control: clear this unit; what was read before does not count for the repair." == plan[0]
    assert 1 == sum("clear this unit;" in step for step in plan)


def test_an_erasure_nobody_vouches_for_asks_for_a_clear() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd().end()
    story.scan("after").session().codes().no_obd().end()
    assert "Brake control: clear this unit;" in story.judged().plan[0]


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

"""Permanent copies: listed, shown to be none, or not known.

Source of what is expected: the note on 0A of the verdict rules; SAE J1979 service 0A, ISO 14229-1 sub-function 15.
"""

from __future__ import annotations

import pytest
from journal_builder import AT_REST, AT_SPEED, CODE, UNIT, Story, cleared, profile, rounds

from decoders.values import Dtc
from sessions.verdict.facts import context_of, facts_of
from sessions.verdict.sights import FaultKey

ENGINE = "7E0/7E8"
Told = dict[str, str | int | None]
NO_OBD: Told = {"03": 0x11, "07": 0x11, "0A": 0x11, "1915": 0x12}
SPEAKS: Told = {"03": "4300", "07": "4700"}


def tell(story: Story, told: Told) -> Story:
    """Each request with its reply, refusal code or (None) silence."""
    for request, reply in told.items():
        if reply is None:
            story.silent(UNIT, request)
        elif isinstance(reply, int):
            story.refused(UNIT, request, reply)
        elif reply == "damaged":
            story.damaged(UNIT, request)
        elif reply == "unsent":
            story.unsent(UNIT, request)
        else:
            story.answer(UNIT, request, reply)
    return story


def story_of(before: Told, after: Told | None = None, code: str = "C0035_13") -> Story:
    """The plain story with OBD answers as told in both scans."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(**{code: 0x2F})
    tell(story.supported(**{code: 0x2F}), before).snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    rounds(cleared(story), 0x50, 0x50, 0x50, 0x00).wait(60).scan("after").session().codes().supported(C0035_13=0)
    return tell(story, before if after is None else after).end()


LISTED = "a permanent copy is still listed: only the unit itself can take it back"
UNKNOWN = "whether a permanent copy exists could not be read"
OBD_LISTS = {**SPEAKS, "0A": "4A014035", "1915": 0x12}


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        # None at all: no positive answer to 03, 07, 0A, 19 15 in any scan.
        (NO_OBD, None, ()),
        ({**NO_OBD, "0A": 0x12}, None, ()),
        ({"03": None, "07": None, "0A": None, "1915": None}, None, ()),
        ({"03": 0x11, "07": 0x11, "0A": 0x22, "1915": 0x12}, None, (UNKNOWN,)),
        ({**NO_OBD, "03": "damaged"}, None, (UNKNOWN,)),
        ({"07": 0x11, "0A": 0x11, "1915": 0x12}, None, (UNKNOWN,)),  # 03 was never asked
        ({**NO_OBD, "03": "4300"}, None, (UNKNOWN,)),  # 03 answered, 07 not
        # Answers 03 and 07, and leaves 0A alone in every scan.
        ({**SPEAKS, "0A": None, "1915": 0x12}, None, ()),
        ({**SPEAKS, "0A": 0x11, "1915": 0x12}, None, ()),
        ({**SPEAKS, "0A": 0x12, "1915": 0x12}, None, ()),
        ({**SPEAKS, "0A": 0x31, "1915": 0x12}, None, (UNKNOWN,)),
        ({**SPEAKS, "0A": "damaged", "1915": 0x12}, None, (UNKNOWN,)),
        ({**SPEAKS, "1915": 0x12}, None, (UNKNOWN,)),  # 0A never asked
        ({**SPEAKS, "1915": 0x12}, {**SPEAKS, "0A": None, "1915": 0x12}, (UNKNOWN,)),  # not in every scan
        # 0A answered.
        ({**SPEAKS, "0A": "4A00", "1915": 0x12}, None, ()),
        (OBD_LISTS, None, (LISTED,)),
        (OBD_LISTS, {**SPEAKS, "0A": "4A00", "1915": 0x12}, ()),
        (OBD_LISTS, {**SPEAKS, "0A": None, "1915": 0x12}, (UNKNOWN,)),
        # 19 15 answered.
        ({**NO_OBD, "1915": "5915FF"}, None, ()),
        ({**NO_OBD, "1915": "5915FF4035132F"}, None, (LISTED,)),
        ({**NO_OBD, "1915": "5915FF4035142F"}, None, (LISTED,)),  # the same two bytes
        ({**NO_OBD, "1915": "5915FF0420002F"}, None, ()),
        ({**NO_OBD, "1915": "5915FF4035132F"}, NO_OBD, (UNKNOWN,)),
        ({**NO_OBD, "1915": "damaged"}, NO_OBD, (UNKNOWN,)),
        ({**NO_OBD, "1915": "5915FF4035"}, NO_OBD, (UNKNOWN,)),
        ({"03": 0x11, "07": 0x11, "0A": 0x11}, None, ()),  # 19 15 never asked: OBD services decide alone
    ],
)
def test_what_is_known_of_a_permanent_copy(before: Told, after: Told | None, expected: tuple[str, ...]) -> None:
    ruling = story_of(before, after).fault().ruling
    permanent = tuple(text for text in ruling.missing if text in (LISTED, UNKNOWN))
    assert expected == permanent
    if not expected:
        assert ("proven", 8) == (ruling.verdict.value, ruling.rule)


def test_a_permanent_copy_alone_is_a_fault_cleared_by_the_before_scan() -> None:
    story = Story(profile()).scan("before").session().codes()
    tell(story, {**SPEAKS, "0A": "4A010420"}).end().scan("after").session().codes()
    fault = tell(story, {**SPEAKS, "0A": "4A010420"}).end().fault("P0420")
    assert ("untested", 11, "obd") == (fault.verdict.value, fault.ruling.rule, fault.key.memory)
    assert "only a permanent copy was listed in scan 1" == fault.ruling.evidence[0]
    assert LISTED in fault.ruling.missing
    assert "service 0A" == fault.first_seen


def test_a_permanent_only_fault_needs_0a_in_the_after_scan() -> None:
    story = Story(profile()).scan("before").session().codes()
    tell(story, {**SPEAKS, "0A": "4A010420"}).end().scan("after").session().codes()
    fault = tell(story, {**SPEAKS, "0A": None}).end().fault("P0420")
    assert ("unread", ("scan 2, service 0A: silent",)) == (fault.verdict.value, fault.ruling.evidence)


def test_a_permanent_copy_told_by_service_19_alone_is_a_fault_of_its_own() -> None:
    story = Story(profile()).scan("before").session().codes().answer(UNIT, "1915", "5915FF0420002F").end()
    story.scan("after").session().codes().answer(UNIT, "1915", "5915FF0420002F").end()
    fault = story.fault("P0420-00")
    assert ("untested", 11, "dtc") == (fault.verdict.value, fault.ruling.rule, fault.key.memory)
    assert "" == fault.first_seen


def test_a_permanent_copy_is_a_fault_without_a_before_scan_too() -> None:
    story = Story(profile()).scan("check").session().codes().answer(UNIT, "1915", "5915FF0420002F").end()
    assert "lapsed" == story.graded("P0420-00")[0]


def test_a_listed_code_with_a_permanent_copy_is_one_fault() -> None:
    verdict = story_of(OBD_LISTS).judged()
    assert [(CODE, "dtc")] == [(fault.key.dtc.text, fault.key.memory) for fault in verdict.faults]


def test_without_an_after_scan_nothing_is_known() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).end()
    key = FaultKey(unit=UNIT, dtc=Dtc.parse(CODE), memory="dtc")
    found = facts_of(context_of(story.record()), key)
    assert ("unknown", None, ()) == (found.permanent.value, found.mil_on, found.after_sights)

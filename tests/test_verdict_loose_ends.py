"""What keeps a job open besides its faults: units that were not read, complaints and lamps that nobody settled.

Source of what is expected: the job and the notes on units in the verdict rules.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from job_stories import ENGINE, beside, finish, started
from journal_builder import UNIT, Story, before, cleared, code_of, mended, profile, rounds
from verdict_help import reasons

from decoders.values import Answer, AnswerKind, Exchange, Outcome
from sessions.profile import ProfileUnit
from sessions.verdict import JobGrade

LABEL = "Unit 7E0/7E8 (7E0/7E8)"
NOT_BEFORE = f"{LABEL} was not read before its first clear"
UNKNOWN = "whoever answers under 733 was not read: the identifier to ask it by is not known"
Tell = Callable[[Story], object]


def not_after(how: str) -> str:
    return f"{LABEL} was not read in scan 2: {how}"


def lists(story: Story) -> None:
    story.codes(ENGINE).supported(ENGINE).answer(ENGINE, "03", "4300")


def nothing(_story: Story) -> None:
    """The unit is not asked."""


def lost(requests: str) -> tuple[str, ...]:
    return (f"{LABEL} did not answer {requests} whole in scan 2",)


def told(target: str, kind: AnswerKind, outcome: Outcome | None, source: str = "7E8") -> Exchange:
    """A request with one answer of some kind."""
    answer = Answer(source=source, data=b"\x41\x00", first_us=1, last_us=2, kind=kind)
    return Exchange(link="sim:story", target=target, request=b"\x01\x00", answers=(answer,), outcome=outcome)


# Read in the after-scan.


@pytest.mark.parametrize(
    ("tell", "expected"),
    [
        (lists, ()),
        (lambda s: s.silent(ENGINE, "1902FF", "190A", "03"), lost("03, 19 02 FF, 19 0A")),
        (lambda s: lists(s.answer(ENGINE, "1901FF", "5901FF010004")), lost("19 02 FF")),
        (lambda s: s.codes(ENGINE).supported(ENGINE).answer(ENGINE, "03", "430104"), lost("03")),
        (lambda s: s.codes(ENGINE).supported(ENGINE).refused(ENGINE, "03", 0x22), lost("03")),
    ],
)
def test_each_unit_answers_in_the_after_scan_what_it_ever_answered(tell: Tell, expected: tuple[str, ...]) -> None:
    assert expected == reasons(beside(lists, tell))


# Which units count.


def test_a_unit_that_answers_anything_in_a_scan_must_be_read() -> None:
    def names_itself(story: Story) -> None:
        story.answer(ENGINE, "22F187", "62F18741").refused(ENGINE, "1902FF", 0x22)

    assert (NOT_BEFORE, not_after("refused (22)")) == reasons(beside(names_itself, names_itself))


@pytest.mark.parametrize(
    ("tell", "how"),
    [
        (lambda s: s.damaged(ENGINE, "1902FF"), "damaged"),
        (lambda s: s.damaged(ENGINE, "1902FF").damaged(ENGINE, "190A").answer(ENGINE, "1915", "5915FF"), "damaged"),
        (lambda s: s.answer(ENGINE, "1901FF", "5901FF010002").codes(ENGINE, P0301_13=0x2F), "damaged"),
        (lambda s: s.refused(ENGINE, "1902FF", 0x22), "refused (22)"),
        # ISO 14229-1, Annex A: 7F is "not in this session": the memory is there.
        (lambda s: s.refused(ENGINE, "1902FF", 0x7F).answer(ENGINE, "03", "4300"), "refused (7F)"),
        (lambda s: s.refused(ENGINE, "1902FF", 0x7F), "refused (7F)"),
        (lambda s: s.codes(ENGINE, mask=0x00), "lists none (its mask shows no fault bit)"),
        (lambda s: s.codes(ENGINE, mask=0x50, P0301_13=0x50), "lists none (its mask shows no fault bit)"),
        (lambda s: s.kept(told(ENGINE, AnswerKind.LATE, Outcome.SILENT)).silent(ENGINE, "1902FF"), "silent"),
    ],
)
def test_a_job_is_not_proven_beside_a_unit_that_shows_itself_and_was_never_read(tell: Tell, how: str) -> None:
    verdict = beside(tell, tell).judged()
    assert ["proven"] == [fault.verdict.value for fault in verdict.faults if fault.key.unit == UNIT]
    assert JobGrade.OPEN is verdict.grade
    assert NOT_BEFORE in verdict.reasons
    last = [reason for reason in verdict.reasons if "in scan 2" in reason]
    assert [not_after(how)] == last


def test_a_unit_that_has_no_such_service_or_stays_silent_is_no_unit_of_the_car() -> None:
    assert () == reasons(beside(lambda s: s.silent(ENGINE, "1902FF"), lambda s: s.refused(ENGINE, "1902FF", 0x11)))


def test_no_such_service_is_believed_of_service_19_alone() -> None:
    """22 F1 86 refused with 11 tells nothing of the fault memory, which stayed silent: it went unread."""

    def tells(story: Story) -> None:
        story.refused(ENGINE, "22F186", 0x11).silent(ENGINE, "1901FF", "1902FF", "190A", "1915", "03")

    assert (NOT_BEFORE, not_after("silent")) == reasons(beside(tells, tells))

    def has_none(story: Story) -> None:
        story.refused(ENGINE, "22F186", 0x11).refused(ENGINE, "1902FF", 0x11).silent(ENGINE, "1901FF", "190A", "03")

    assert () == reasons(beside(has_none, has_none))


@pytest.mark.parametrize("known", [True, False], ids=["profile", "asked"])
def test_a_unit_that_answers_everybody_and_is_silent_by_its_own_address_must_be_read(*, known: bool) -> None:
    trailer = "723/733"
    unit = ProfileUnit(address=trailer, name="Trailer", system="body", fitted=False)
    fitted = profile(units=(*profile().units, *((unit,) if known else ())))

    def heard(story: Story) -> None:
        story.kept(told("functional:7DF", AnswerKind.POSITIVE, None, source="733")).silent(trailer, "1902FF")

    name = f"{'Trailer' if known else f'Unit {trailer}'} ({trailer})"
    expected = (f"{name} was not read before its first clear", f"{name} was not read in scan 2: silent")
    assert expected == reasons(beside(heard, heard, fitted))


def test_a_request_spoilt_without_a_word_of_the_unit_is_no_sign_once_it_was_found_silent() -> None:
    """Stopped by hand, refused by the adapter: a unit that is not there would keep the job open for ever."""
    interrupted = replace(
        told(ENGINE, AnswerKind.DAMAGED, Outcome.DAMAGED), request=bytes.fromhex("1902FF"), answers=()
    )

    def cut(story: Story) -> None:
        story.kept(replace(interrupted, trouble="interrupted before an answer"))

    def silent(story: Story) -> None:
        story.silent(ENGINE, "1902FF")

    assert (NOT_BEFORE, not_after("damaged")) == reasons(beside(cut, cut)), "nobody knows whether it is there"
    assert () == reasons(beside(lambda story: (cut(story), silent(story)), silent))
    assert (NOT_BEFORE, not_after("damaged")) == reasons(beside(silent, cut)), "it may have come since"
    # A word of it, also a late one, is a sign for good.
    late = replace(interrupted, answers=(Answer(source="7E8", data=b"", first_us=1, last_us=1, kind=AnswerKind.LATE),))
    assert (NOT_BEFORE, not_after("silent")) == reasons(beside(lambda story: story.kept(late), silent))


def test_what_another_unit_sent_meanwhile_is_no_sign_of_the_one_that_was_asked() -> None:
    def stray(story: Story) -> None:
        story.kept(told(ENGINE, AnswerKind.STRAY, Outcome.SILENT, source="7EA"))

    assert () == reasons(beside(stray, stray))


@pytest.mark.parametrize("kind", [AnswerKind.POSITIVE, AnswerKind.DAMAGED, AnswerKind.NEGATIVE])
def test_a_unit_heard_functionally_must_be_read_whatever_arrived_of_its_answer(kind: AnswerKind) -> None:
    def heard(story: Story) -> None:
        story.kept(told("functional:7DF", kind, None))

    assert (NOT_BEFORE, not_after("not asked")) == reasons(beside(heard, heard))


@pytest.mark.parametrize("kind", [AnswerKind.POSITIVE, AnswerKind.DAMAGED, AnswerKind.NEGATIVE, AnswerKind.LATE])
@pytest.mark.parametrize("target", ["functional:7DF", "functional:7A1"])
def test_whoever_is_heard_and_cannot_be_asked_keeps_the_job_open(kind: AnswerKind, target: str) -> None:
    """733 belongs to no pair of ISO 15765-4: nobody knows how to ask whoever answers there, so it went unread."""

    def heard(story: Story) -> None:
        story.kept(told(target, kind, None, source="733"))

    story = beside(nothing, heard)
    assert (UNKNOWN,) == reasons(story)
    verdict = story.judged()
    assert (JobGrade.OPEN, ["733", UNIT]) == (verdict.grade, [pair.unit for pair in verdict.units])
    assert 1 == sum("whoever answers under 733" in step and "scan --sweep" in step for step in verdict.plan)

    aside = story.decide("733", None, "unread").judged()
    assert (JobGrade.PROVEN, 1, ()) == (aside.grade, aside.set_aside_count, aside.reasons)


def test_all_who_were_heard_and_cannot_be_asked_stand_in_one_reason_and_one_step() -> None:
    def heard(story: Story) -> None:
        for source in ("738", "733", "733"):
            story.kept(told("functional:7DF", AnswerKind.POSITIVE, None, source=source))

    verdict = beside(heard, heard).judged()
    who = "whoever answers under 733, 738"
    assert (f"{who} was not read: the identifier to ask it by is not known",) == verdict.reasons
    assert 1 == sum(f"Find {who} by" in step for step in verdict.plan)


def test_whoever_was_heard_counts_under_the_own_address_once_that_is_known() -> None:
    trailer = "7A0/733"

    def heard(story: Story) -> None:
        story.kept(told("functional:7DF", AnswerKind.POSITIVE, None, source="733"))

    def read(story: Story) -> None:
        story.kept(told("functional:7DF", AnswerKind.POSITIVE, None, source="733"))
        story.codes(trailer).supported(trailer)

    found = beside(heard, read).judged()
    assert [UNIT, trailer] == [pair.unit for pair in found.units]
    assert JobGrade.PROVEN is found.grade, "it lists none, and nobody cleared it"
    assert (f"Unit {trailer} ({trailer}) did not answer 19 02 FF, 19 0A whole in scan 2",) == reasons(
        beside(read, heard)
    )


def test_a_unit_that_a_network_code_names_must_be_read() -> None:
    known = profile(codes=(code_of(about=ENGINE), code_of(text="C0040-13", about="7E1/7E9")))
    story = beside(nothing, lambda s: s.refused(ENGINE, "1902FF", 0x11), known)
    assert (NOT_BEFORE, not_after("refused (11)")) == reasons(story)
    assert [UNIT, ENGINE] == [pair.unit for pair in story.judged().units]


def test_a_unit_not_fitted_for_certain_need_not_answer() -> None:
    unit = ProfileUnit(address=ENGINE, name="Engine control", system="powertrain", fitted=False)
    known = profile(units=(*profile().units, unit))
    assert () == reasons(beside(lambda s: s.silent(ENGINE, "1902FF"), lambda s: s.silent(ENGINE, "1902FF"), known))


# Read before the first clear.


def test_a_unit_that_came_late_must_have_been_read_before_its_first_clear() -> None:
    story = beside(nothing, lists)
    assert () == reasons(story), "nobody cleared it"
    cleared_unread = before(Story(profile())).clear(ENGINE, "14FFFFFF").part()
    rounds(cleared(cleared_unread), 0x50, 0x50, 0x50, 0x00).wait(60).scan("after").codes(ENGINE).session().codes()
    story = cleared_unread.supported(C0035_13=0).no_obd().end()
    assert (NOT_BEFORE,) == reasons(story)


def test_a_unit_whose_memory_was_damaged_before_its_clear_was_not_read_before_it() -> None:
    def damaged_then_cleared(story: Story) -> None:
        story.damaged(ENGINE, "1902FF").answer(ENGINE, "1915", "5915FF")

    def story_with(tell: Tell) -> Story:
        story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd()
        tell(story)
        story.clear(ENGINE, "14FFFFFF").scan("after").session().codes().no_obd()
        return story.codes(ENGINE).answer(ENGINE, "1915", "5915FF").end()

    assert NOT_BEFORE in reasons(story_with(damaged_then_cleared))
    assert NOT_BEFORE not in reasons(story_with(lambda s: s.codes(ENGINE).answer(ENGINE, "1915", "5915FF")))


@pytest.mark.parametrize(
    ("tell", "expected"),
    [
        (lambda s: s.answer(ENGINE, "03", "4300").answer(ENGINE, "07", "4700"), ()),
        (lambda s: s.answer(ENGINE, "03", "4300"), (NOT_BEFORE, not_after("lists none"))),
        (
            lambda s: s.answer(ENGINE, "03", "4300").damaged(ENGINE, "07"),
            (NOT_BEFORE, not_after("lists none (07 damaged)")),
        ),
    ],
)
def test_a_unit_that_speaks_obd_only_is_read_by_03_and_07(tell: Tell, expected: tuple[str, ...]) -> None:
    # SAE J1979: 03 lists stored codes, 07 pending ones; either alone leaves a fault unseen.
    def obd_only(story: Story) -> None:
        tell(story.refused(ENGINE, "1902FF", 0x11))

    assert expected == reasons(beside(obd_only, obd_only))


def test_service_19_that_went_silent_is_not_made_up_for_by_obd_services() -> None:
    def obd(story: Story) -> Story:
        return story.answer(ENGINE, "03", "4300").answer(ENGINE, "07", "4700")

    story = beside(lambda s: obd(s.codes(ENGINE)), lambda s: obd(s.silent(ENGINE, "1902FF")))
    assert lost("19 02 FF") == reasons(story)


def test_without_a_before_scan_no_unit_is_singled_out() -> None:
    story = Story(profile()).scan("after").session().codes(C0035_13=0x2F).silent(ENGINE, "1902FF").end()
    assert [] == [reason for reason in reasons(story) if "was not read" in reason]
    assert [] == [step for step in story.judged().plan if step.startswith("Make these answer")]


# Complaints and lamps.


def complained(*notes: tuple[str, str]) -> tuple[str, ...]:
    story = mended(complaints=("the lamp is lit",))
    for about, state in notes:
        story.observe(about, state)
    return reasons(story)


OPEN = "complaint 1 is not noted as gone or explained"
LAMP = "malfunction lamp is not noted as gone or explained"


def test_each_complaint_must_be_noted_as_gone_or_explained() -> None:
    assert (OPEN,) == complained()
    assert () == complained(("complaint 1", "gone"))
    assert () == complained(("complaint 1", "explained"))


def test_each_lit_lamp_must_be_noted_and_the_newest_note_counts() -> None:
    lamp = "brake lamp is not noted as gone or explained"
    assert (OPEN, lamp) == complained(("brake lamp", "lit"))
    assert (OPEN,) == complained(("brake lamp", "lit"), ("brake lamp", "gone"))
    assert (OPEN, lamp) == complained(("brake lamp", "gone"), ("brake lamp", "lit"))


def test_gone_counts_only_after_the_work_explained_at_any_time() -> None:
    for state, expected in (("gone", (OPEN,)), ("explained", ())):
        assert expected == reasons(finish(started(complaints=("x",)).observe("complaint 1", state)))


def scanned_again(story: Story, tell: Tell) -> Story:
    """One more after-scan of the mended car."""
    tell(story.scan("after").session().codes().supported(C0035_13=0).no_obd())
    return story.end()


def lamp_on(story: Story) -> None:
    story.monitors(mil=True)


def test_a_malfunction_lamp_that_a_unit_commands_on_is_lit() -> None:
    # SAE J1979, PID 01, byte A, bit 7.
    story = scanned_again(mended(), lamp_on)
    assert (LAMP,) == reasons(story)
    assert () == reasons(story.observe("malfunction lamp", "explained"))


@pytest.mark.parametrize(
    ("tell", "expected"),
    [
        (lambda s: s.silent(UNIT, "0101"), (LAMP,)),
        (lambda s: s.refused(UNIT, "0101", 0x22), (LAMP,)),
        (lambda s: s.damaged(UNIT, "0101"), (LAMP,)),
        (lambda s: s.answer(UNIT, "0101", "4101"), (LAMP,)),
        (lambda s: s.unsent(UNIT, "0101"), (LAMP,)),
        (nothing, (LAMP,)),
        (lambda s: s.answer(UNIT, "0141", "414100000000"), (LAMP,)),
        (lambda s: s.monitors("7E1/7E9").codes("7E1/7E9"), (LAMP,)),
        (lambda s: s.monitors(), ()),
    ],
)
def test_a_malfunction_lamp_is_lit_until_the_same_unit_shows_it_off(tell: Tell, expected: tuple[str, ...]) -> None:
    story = Story(profile()).scan("before").monitors(mil=True).end()
    story = scanned_again(before(story).part(), nothing)
    found = reasons(scanned_again(story, tell))
    assert expected == tuple(reason for reason in found if reason == LAMP)


def test_a_job_stays_open_when_the_lamp_was_on_before_and_is_not_told_after() -> None:
    verdict = beside(lambda s: s.monitors(mil=True), lambda s: s.silent(UNIT, "0101")).judged()
    assert ("proven", JobGrade.OPEN) == (verdict.faults[0].verdict.value, verdict.grade)
    assert (LAMP,) == verdict.reasons


def test_a_note_that_the_lamp_is_gone_ends_where_a_unit_shows_it_on_again() -> None:
    story = scanned_again(mended().observe("malfunction lamp", "gone"), lamp_on)
    assert (LAMP,) == reasons(story)
    assert () == reasons(story.observe("malfunction lamp", "gone"))

"""From journal to record: what each entry says, and what is no reading."""

from __future__ import annotations

from datetime import timedelta

import pytest
from journal_builder import CODE, START, UNIT, Story, entries, profile

from decoders.errors import RecordError
from decoders.values import Dtc, Exchange, Outcome
from sessions.journal import Kind, find_break
from sessions.profile import NO_PROFILE
from sessions.record import CodeReading, Moment, ObdReading, read_record
from sessions.record.decode import answer_of

DTC = Dtc.parse(CODE)


def codes(story: Story) -> tuple[CodeReading, ...]:
    return story.record().codes


def obd(story: Story) -> tuple[ObdReading, ...]:
    return story.record().obd


def test_the_builder_writes_a_whole_chain() -> None:
    # Chain: RFC 8785 and SHA-256, checked by the journal's own reader.
    story = Story(profile()).scan("before").codes(C0035_13=0x2F).end().part()
    assert find_break(story.entries()) is None
    assert read_record(story.entries()).codes == story.record().codes


def test_a_journal_needs_its_job_entry() -> None:
    with pytest.raises(RecordError, match="does not begin with a job entry"):
        read_record([])


def test_the_job_entry_tells_complaints_and_odometer() -> None:
    story = Story(complaints=("lamp is lit",))
    story.parts[0]["payload"] = {"complaints": ["lamp is lit"], "odometer_km": 84_161}
    record = story.record()
    assert (("lamp is lit",), 84_161) == (record.complaints, record.odometer_km)
    assert (1, 1, NO_PROFILE) == (record.opened.seq, record.last_seq, record.profile)


def test_profile_settings_close_and_unknown_kinds() -> None:
    story = Story(profile(), settings={"hold_s": 20}).note(Kind.RUN, {"python": "3"}).note(Kind.CLOSE, {})
    record = story.record()
    assert ("Halvorne Meridel", {"rules_version": 1, "hold_s": 20}) == (record.profile.name, record.settings)
    assert record.closed is not None
    assert 5 == record.closed.seq


def test_a_unit_has_its_name_from_the_profile_or_its_address() -> None:
    record = Story(profile()).record()
    assert ("Brake control", "Unit 7A0/7A8") == (record.unit_name(UNIT), record.unit_name("7A0/7A8"))


def test_units_are_those_asked_by_their_own_address() -> None:
    story = Story().scan("before").answer("functional:7DF", "0100", "410000180000", source="7E8").codes()
    record = story.silent("doip:1010", "1902FF").end().record()
    assert (UNIT, "doip:1010") == record.units == record.scans[0].units


def test_observations_and_decisions() -> None:
    story = Story().observe("brake lamp", "lit").decide().decide(code=None, given_for="unread").part()
    record = story.record()
    assert [("brake lamp", "lit", "")] == [(item.about, item.state, item.text) for item in record.observations]
    assert [(CODE, "dtc", "failing"), (None, None, "unread")] == [
        (item.code, item.memory, item.given_for) for item in record.decisions
    ]
    assert {"r.ambrel"} == {item.actor for item in (*record.observations, *record.decisions, *record.repairs)}


# Time.


def test_world_time_holds_from_its_entry_on() -> None:
    record = Story().silent(UNIT, "03").world(5).silent(UNIT, "03").record()
    assert [None, 5] == [item.moment.world_s for item in record.asked]
    assert record.is_simulated
    assert "wait" == record.world[0].action
    assert not Story().record().is_simulated


def test_what_is_done_to_a_simulated_vehicle_keeps_its_arguments_if_there_are_any() -> None:
    given = {"kmh": 62, "seconds": 5}
    story = Story().note(Kind.WORLD, {"action": "drive", "world_s": 5, "said": "drove 5 s", "arguments": given})
    assert [("drove 5 s", given), ("", {})] == [(act.said, act.arguments) for act in story.world(1).record().world]


def moment(seq: int, run: str = "a", mono_us: int = 0, world_s: int | None = None) -> Moment:
    return Moment(seq=seq, run=run, mono_us=mono_us, world_s=world_s)


def test_seconds_between_moments_need_a_clock_that_spans_both() -> None:
    assert 2.5 == moment(1).seconds_until(moment(2, mono_us=2_500_000))
    assert moment(1).seconds_until(moment(2, run="b")) is None
    assert 7.0 == moment(1, world_s=3).seconds_until(moment(2, run="b", world_s=10))
    assert moment(1).seconds_until(moment(2, world_s=10)) is None
    assert moment(1, world_s=3).seconds_until(moment(2)) is None


# Scans.


def test_a_scan_is_complete_when_its_plan_ran_to_the_end() -> None:
    record = Story().scan("before").codes().end().scan("check").codes().end(complete=False).scan("after").record()
    assert [(1, True), (2, False), (3, False)] == [(scan.number, scan.complete) for scan in record.scans]
    assert record.scans[2].end is None


def test_a_request_that_was_never_sent_leaves_its_scan_incomplete() -> None:
    assert not Story().scan("before").codes().unsent(UNIT, "03").end().record().scans[0].complete


@pytest.mark.parametrize(
    ("change", "complete"),
    [
        (lambda story: story, True),
        (lambda story: story.note(Kind.SHEET, {"what": "note", "text": "looked at it"}), True),
        (lambda story: story.note(Kind.SHEET, {"what": "fluid", "text": "brake fluid"}), False),
        (lambda story: story.note(Kind.WORLD, {"action": "wait", "world_s": 5}), False),
        (lambda story: story.note(Kind.CLEAR, {"unit": UNIT, "request": "14FFFFFF"}), False),
    ],
)
def test_a_continued_scan_is_complete_only_if_nothing_was_changed_meanwhile(change, complete: bool) -> None:
    story = change(Story().scan("before").codes()).process("run-2").supported().end()
    assert complete is story.record().scans[0].complete


def test_a_person_may_say_that_codes_were_erased_before() -> None:
    assert Story().scan("before", after_erase=True).end().record().scans[0].stated_after_erase


# Clears.


def test_a_clear_takes_the_outcome_of_its_exchange() -> None:
    record = Story().clear(UNIT, "14FFFFFF").clear(UNIT, "04", refusal=0x22).clear(UNIT, "04", None).record()
    assert [(Outcome.ANSWERED, None), (Outcome.REFUSED, 0x22), (Outcome.SILENT, None)] == [
        (item.outcome, item.refusal) for item in record.clears
    ]


def test_a_clear_without_an_exchange_may_have_been_carried_out() -> None:
    clear = Story().note(Kind.CLEAR, {"unit": UNIT, "request": "14FFFFFF"}).record().clears[0]
    assert (Outcome.DAMAGED, None) == (clear.outcome, clear.answered)


def test_an_unsent_clear_is_neither_answered_nor_damaged() -> None:
    story = Story().note(Kind.CLEAR, {"unit": UNIT, "request": "14FFFFFF"}).unsent(UNIT, "14FFFFFF")
    clear = story.record().clears[0]
    assert (Outcome.UNSENT, None) == (clear.outcome, clear.answered)


@pytest.mark.parametrize("reply", ["5412", "44", "54FF12"])
def test_a_clear_answer_that_does_not_decode_is_damaged(reply: str) -> None:
    # ISO 14229-1: the positive answer to 14 is 54 and nothing more.
    assert Outcome.DAMAGED is Story().clear(UNIT, "14FFFFFF", reply).record().clears[0].outcome


def test_a_clear_that_nobody_announced_is_one_all_the_same() -> None:
    clears = Story().answer(UNIT, "14FFFFFF", "54").record().clears
    assert [(UNIT, "14FFFFFF", Outcome.ANSWERED)] == [
        (item.unit, item.request.hex().upper(), item.outcome) for item in clears
    ]


def test_each_clear_of_a_unit_takes_its_own_exchange() -> None:
    story = Story().clear(UNIT, "14FFFFFF", None).note(Kind.CLEAR, {"unit": "7E0/7E8", "request": "04"})
    record = story.clear(UNIT, "14FFFFFF").clear(UNIT, "04").answer("7E0/7E8", "04", "44").record()
    assert [Outcome.SILENT, Outcome.ANSWERED, Outcome.ANSWERED, Outcome.DAMAGED] == [
        item.outcome for item in record.clears
    ]


# Repairs.


def at(seconds: float) -> str:
    return (START + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")


def repaired(worked_at: str | None) -> int:
    """Place of a repair entered at 300 s in a job scanned at 100 s and read again at 200 s."""
    story = Story().wait(100).scan("before").codes().end().wait(100).silent(UNIT, "03").wait(100)
    return story.part(worked_at=worked_at).record().repairs[0].seq


def test_a_repair_counts_when_it_was_entered_or_when_it_says_it_was_done() -> None:
    assert 6 == repaired(None)
    assert 5 == repaired(at(250))
    assert 5 == repaired(at(999)), "after the last reading before it was entered"


def test_a_repair_never_counts_before_the_before_scan() -> None:
    assert 4 == repaired(at(0))


@pytest.mark.parametrize("said", ["yesterday", "2031-03-04T09:04:10", ""])
def test_a_stated_time_that_is_none_says_nothing(said: str) -> None:
    assert 6 == repaired(said)


def test_a_stated_time_may_have_any_zone() -> None:
    # ISO 8601: 11:04:10+02:00 is 09:04:10Z.
    assert 5 == repaired("2031-03-04T11:04:10+02:00")


def test_only_a_complete_before_scan_older_than_every_clear_holds_a_repair_back() -> None:
    story = Story().wait(10).scan("before").codes().end().wait(10).clear(UNIT, "14FFFFFF").wait(10)
    story.scan("before").codes().end().wait(10).part(worked_at=at(1))
    assert 4 == story.record().repairs[0].seq


def test_a_note_is_no_repair() -> None:
    assert () == Story().part(what="note").record().repairs


# Service 19.


def test_five_outcomes_stay_five() -> None:
    story = Story().codes().silent(UNIT, "1902FF").refused(UNIT, "1902FF", 0x22).damaged(UNIT, "1902FF", "5902")
    found = codes(story.unsent(UNIT, "1902FF"))
    assert list(Outcome) == sorted((item.outcome for item in found), key=list(Outcome).index)
    assert [True, False, False, False, False] == [item.whole for item in found]
    assert [None, 0x22] == [found[1].refusal, found[2].refusal]


def exchange(outcome: Outcome | None, *replies: str, request: str = "1902FF") -> Exchange:
    return Story()._asked(UNIT, request, outcome, replies[0] if replies else "")


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (exchange(Outcome.ANSWERED, "5902FF"), (Outcome.ANSWERED, bytes.fromhex("5902FF"))),
        (exchange(Outcome.ANSWERED), (Outcome.DAMAGED, None)),
        (exchange(Outcome.ANSWERED, "590AFF"), (Outcome.DAMAGED, None)),
        (exchange(Outcome.ANSWERED, "4700", request="03"), (Outcome.DAMAGED, None)),
        (exchange(None, "5902FF"), (Outcome.DAMAGED, None)),
        (exchange(Outcome.SILENT), (Outcome.SILENT, None)),
    ],
)
def test_an_answer_must_be_one_to_this_request(made: Exchange, expected: tuple[Outcome, bytes | None]) -> None:
    assert expected == answer_of(made)


@pytest.mark.parametrize(
    "reply",
    [
        "5902FF403513",  # cut
        "5902FF4035132F00",  # left over: may hide one more
        "5902FF4035132F40351300",  # one code twice
    ],
)
def test_a_list_that_is_not_whole_is_damaged(reply: str) -> None:
    found = codes(Story().answer(UNIT, "1902FF", reply))[0]
    assert (Outcome.DAMAGED, {}, False) == (found.outcome, found.entries, found.whole)


def test_a_list_gives_status_by_code_with_its_mask() -> None:
    # Worked example: ISO 14229-1 style (from memory: P0805-11 status 2F, mask 7F).
    found = codes(Story().answer(UNIT, "1902FF", "59027F0A9B17240805112F"))[0]
    assert (0x7F, {Dtc.parse("P0A9B-17"): 0x24, Dtc.parse("P0805-11"): 0x2F}) == (found.mask, found.entries)


def counted(*requests: tuple[str, str]) -> Outcome:
    """The outcome of 19 02 FF among the given requests of one scan."""
    story = Story().scan("before")
    for request, reply in requests:
        story.answer(UNIT, request, reply)
    return next(item.outcome for item in codes(story.end()) if item.request == b"\x19\x02\xff")


LIST = ("1902FF", "5902FF4035132F")


def test_a_count_that_disagrees_makes_the_list_damaged_before_and_after_it() -> None:
    assert Outcome.ANSWERED is counted(("1901FF", "5901FF010001"), LIST)
    assert Outcome.DAMAGED is counted(("1901FF", "5901FF010002"), LIST)
    assert Outcome.DAMAGED is counted(LIST, ("1901FF", "5901FF010002"))
    assert Outcome.DAMAGED is counted(("1901FF", "5901FF010001"), LIST, ("1901FF", "5901FF010000"))


def test_a_count_by_another_mask_or_a_broken_one_says_nothing_of_the_list() -> None:
    assert Outcome.ANSWERED is counted(("190108", "5901FF010007"), LIST)
    assert Outcome.ANSWERED is counted(("1901FF", "5901FF"), LIST)


def test_a_count_outside_a_scan_says_nothing_of_a_later_list() -> None:
    story = Story().answer(UNIT, "1901FF", "5901FF010007").codes(C0035_13=0x2F)
    assert [Outcome.ANSWERED] == [item.outcome for item in codes(story)]


def test_a_refused_count_and_other_reports_are_no_list() -> None:
    story = Story().refused(UNIT, "1901FF", 0x12).answer(UNIT, "1903", "5903").silent(UNIT, "19")
    assert () == codes(story)


def test_a_single_code_answer_takes_the_mask_of_its_own_scan() -> None:
    story = Story().scan("before").codes(mask=0x2F).snapshot(CODE, 0x2F).end().snapshot(CODE, 0x2F)
    assert [0x2F, None] == [item.mask for item in codes(story) if item.request[1] == 0x04]
    again = story.scan("check").answer(UNIT, "1901FF", "59017F010000").snapshot(CODE, 0x2F).end()
    assert 0x7F == codes(again)[-1].mask


def test_a_single_code_answer_is_not_whole_and_keeps_its_bytes() -> None:
    found = codes(Story().answer(UNIT, "1906403513FF", "59064035132F0103"))[0]
    assert ({DTC: 0x2F}, False, "59064035132F0103") == (found.entries, found.whole, (found.data or b"").hex().upper())


def test_a_single_code_answer_that_is_cut_or_of_another_code_is_damaged() -> None:
    story = Story().answer(UNIT, "1904403513FF", "5904403513").answer(UNIT, "1904403513FF", "59040420002F")
    assert [Outcome.DAMAGED, Outcome.DAMAGED] == [item.outcome for item in codes(story)]
    assert [Outcome.SILENT] == [item.outcome for item in codes(Story().silent(UNIT, "1904403513FF"))]


def test_functional_answers_and_empty_requests_are_no_readings() -> None:
    story = Story().answer("functional:7DF", "03", "43010143", source="7E8").silent(UNIT, "")
    assert ((), ()) == (codes(story), obd(story))


# Sessions.


@pytest.mark.parametrize(
    ("told", "counts"),
    [
        (lambda story: story.session(), True),
        (lambda story: story.session(session=3), False),
        (lambda story: story.refused(UNIT, "22F186", 0x11), True),
        (lambda story: story.refused(UNIT, "22F186", 0x31), True),
        (lambda story: story.refused(UNIT, "22F186", 0x22), False),
        (lambda story: story.silent(UNIT, "22F186"), False),
        (lambda story: story.damaged(UNIT, "22F186", "62F186"), False),
        (lambda story: story.answer(UNIT, "22F186", "62F186"), False),
        (lambda story: story.unsent(UNIT, "22F186"), False),
        (lambda story: story, False),
    ],
)
def test_a_reading_counts_in_the_default_session_or_where_the_unit_has_no_such_word(told, counts: bool) -> None:
    # ISO 14229-1, Annex C: F186 is the active session; 01 the default one. NRC 11, 12, 31: not there.
    assert counts is codes(told(Story()).codes())[0].session_ok


def test_the_session_must_be_the_default_one_before_and_after_a_reading() -> None:
    assert [True, False] == [
        item.session_ok for item in codes(Story().session().codes().session().codes().session(session=3))
    ]
    assert not codes(Story().session(session=3).codes().session())[0].session_ok
    assert codes(Story().codes().session())[0].session_ok


# OBD.


def test_obd_lists_give_two_byte_codes() -> None:
    # Worked example: SAE J1979 style (six codes; from memory).
    found = obd(Story().answer(UNIT, "03", "43060143019602 3402CD03570A24".replace(" ", "")))[0]
    assert {"P0143", "P0196", "P0234", "P02CD", "P0357", "P0A24"} == {dtc.text for dtc in found.codes}


@pytest.mark.parametrize("reply", ["43020143", "430101430196", "43020143 0000".replace(" ", "")])
def test_an_obd_list_whose_count_disagrees_is_damaged(reply: str) -> None:
    found = obd(Story().answer(UNIT, "03", reply))[0]
    assert (Outcome.DAMAGED, frozenset()) == (found.outcome, found.codes)


def test_no_obd_code_is_an_answer_and_silence_is_none() -> None:
    story = Story().answer(UNIT, "07", "4700").silent(UNIT, "0A").refused(UNIT, "03", 0x11)
    assert [(7, Outcome.ANSWERED, None), (10, Outcome.SILENT, None), (3, Outcome.REFUSED, 0x11)] == [
        (item.service, item.outcome, item.refusal) for item in obd(story)
    ]


def test_entries_of_the_builder_are_those_of_the_standard() -> None:
    # ISO 14229-1, DTCAndStatusRecord: three bytes of code, one of status.
    assert "4035132FC1008750" == entries({"C0035_13": 0x2F, "U0100-87": 0x50})

"""Each verdict rule, in the order of the table.

Source of every expected verdict: the table of verdict rules in the rules; status bits by ISO 14229-1, Annex D.
"""

from __future__ import annotations

import pytest
from job_stories import ENGINE, NEAR, driven, obd_story, started
from journal_builder import (
    UNIT,
    Story,
    after,
    cleared,
    mended,
    profile,
    rounds,
)
from verdict_help import missing

from sessions.verdict import RULES, RULES_VERSION, RuleSettings, Verdict

# Rule 8, and the order.


def test_rule_8_a_test_passed_under_the_stored_conditions_after_the_clear_proves() -> None:
    fault = mended().fault()
    assert ("proven", 8, ()) == (fault.verdict.value, fault.ruling.rule, fault.ruling.missing)
    assert [
        "clear 14 FF FF FF accepted by the unit (entry 18)",
        "test completed since the clear and not failed, scan 2: status 00 (mask FF)",
        f"test seen passed under: {NEAR} (stored record 01; held 12 s, entry 40)",
        "no lamp requested, no permanent copy",
    ] == list(fault.ruling.evidence)
    assert ("Brake control", None, False) == (fault.unit_name, fault.set_aside, fault.provisional)
    assert "generic range: brakes, wheels, steering and vehicle dynamics (failure type: open circuit)" == fault.text
    assert "status 2F, entry 8" == fault.first_seen


def test_from_worst_to_best() -> None:
    words = "failing returned new uncleared unread untested lapsed held proven"
    assert words == " ".join(verdict.value for verdict in sorted(Verdict, key=lambda verdict: verdict.badness))


def test_rules_speak_in_the_order_of_their_numbers() -> None:
    numbers = [int(rule.__name__.split("_")[1]) for rule in RULES]
    assert [1, 2, 3, 4, 5, 6, 7, 8, 11] == numbers
    assert 2 == RULES_VERSION


def test_settings_are_figures_that_later_sources_overlay() -> None:
    settings = RuleSettings.of({"hold_s": 20, "other": 1}, {"hold_s": 30, "near_road_kmh": 5})
    assert (30, 5, 375) == (settings.hold_s, settings.near_road_kmh, settings.near_engine_rpm)
    assert settings == RuleSettings.of(settings.to_payload())


def test_the_jobs_settings_decide_how_long_conditions_must_hold() -> None:
    assert "untested" == mended(settings={"hold_s": 13}).graded()[0]
    assert "proven" == mended(settings={"hold_s": 12}).graded()[0]


# Rule 1.


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (lambda story: story.silent(UNIT, "1902FF"), "silent"),
        (lambda story: story.refused(UNIT, "1902FF", 0x22), "refused"),
        (lambda story: story.damaged(UNIT, "1902FF", "5902"), "damaged"),
        (lambda story: story.answer(UNIT, "1902FF", "5902FF4035"), "damaged"),
        (lambda story: story.answer(UNIT, "1901FF", "5901FF010001").codes(), "damaged"),
        (lambda story: story, "not asked"),
    ],
)
def test_rule_1_without_a_whole_list_it_is_unread(told, why: str) -> None:
    story = told(driven(cleared(started())).scan("after").session()).supported(C0035_13=0).no_obd().end()
    fault = story.fault()
    assert ("unread", 1) == (fault.verdict.value, fault.ruling.rule)
    assert f"scan 2, 19 02: {why}" == fault.ruling.evidence[0]


def test_rule_1_one_whole_list_among_several_is_enough() -> None:
    story = driven(cleared(started())).scan("after").session().codes().silent(UNIT, "1902FF")
    assert "proven" == story.supported(C0035_13=0).no_obd().end().graded()[0]


def test_rule_1_without_an_after_scan() -> None:
    assert ("unread", 1) == started().graded()
    assert ("unread", 1) == driven(cleared(started())).graded()


def test_rule_1_a_scan_with_a_request_never_sent_is_no_after_scan() -> None:
    story = driven(cleared(started())).scan("after").session().codes().supported(C0035_13=0).no_obd()
    assert ("unread", 1) == story.unsent(UNIT, "0904").end().graded()


def test_rule_1_the_clear_must_be_older_than_the_after_scan() -> None:
    assert ("unread", 1) == mended().clear(UNIT, "14FFFFFF", refusal=0x22).graded()


def test_rule_1_an_obd_fault_needs_both_stored_and_pending_codes() -> None:
    both = obd_story(("03", "4300"), ("07", "4700"), ("0A", "4A00"))
    assert ("untested", 11) == both.graded("P0420", ENGINE)
    half = obd_story(("03", "4300"), ("07", None))
    assert ("unread", 1) == half.graded("P0420", ENGINE)
    assert ("scan 2, service 07: silent",) == half.fault("P0420", ENGINE).ruling.evidence
    assert ("scan 2, service 03: not asked",) == obd_story().fault("P0420", ENGINE).ruling.evidence


def two_codes(late: int = 0x2F, *, early: dict[str, int] | None = None, read: bool = True) -> Story:
    """A second code is there in the after-scan; `early` is what the before-scan says of it."""
    story = Story(profile()).scan("before").session()
    if read:
        story.codes(C0035_13=0x2F, **(early or {}))
    else:
        story.silent(UNIT, "1902FF").supported(C0035_13=0x2F)
    story.no_obd().end().part()
    cleared(story)
    return story.scan("after").session().codes(C0040_13=late).no_obd().end()


# Rule 2.


def test_rule_2_not_listed_before_though_that_memory_was_read_and_there_now() -> None:
    fault = two_codes().fault("C0040-13")
    assert ("new", 2) == (fault.verdict.value, fault.ruling.rule)
    assert ("no scan before the work listed it, not even as history", "scan 2: status 2F (mask FF)") == (
        fault.ruling.evidence
    )


def test_rule_2_history_alone_is_new_too() -> None:
    assert ("new", 2) == two_codes(0x20).graded("C0040-13")


def test_rule_2_a_code_listed_before_even_as_history_is_not_new() -> None:
    assert ("returned", 3) == two_codes(early={"C0040_13": 0x20}).graded("C0040-13")


def test_rule_2_a_code_merely_not_tested_before_is_new() -> None:
    assert ("new", 2) == two_codes(early={"C0040_13": 0x50}).graded("C0040-13")


def test_rule_2_a_memory_not_read_before_makes_nothing_new() -> None:
    assert ("returned", 3) == two_codes(read=False).graded("C0040-13")


@pytest.mark.parametrize(("read_07", "verdict"), [(True, "new"), (False, "returned")])
def test_rule_2_an_obd_code_is_new_only_if_the_same_service_was_read(read_07: bool, verdict: str) -> None:
    story = Story().scan("before").answer(ENGINE, "03", "43010420")
    if read_07:
        story.answer(ENGINE, "07", "47010420")
    story.end().part().clear(ENGINE, "04", "44").scan("after").answer(ENGINE, "03", "43010131")
    story.answer(ENGINE, "07", "47010131").end()
    # Without a clear that contains it, what is there and was not read before is uncleared.
    expected = verdict if verdict == "new" else "uncleared"
    assert expected == story.graded("P0131", ENGINE)[0]


def test_rule_2_without_an_after_scan_nothing_is_new() -> None:
    story = cleared(started()).codes(C0040_13=0x2F)
    assert ("unread", 1) == story.graded("C0040-13")


# Rules 3 to 7.


def test_rule_3_failed_in_the_after_scan() -> None:
    fault = after(driven(cleared(started())), 0x2F).fault()
    assert ("returned", 3) == (fault.verdict.value, fault.ruling.rule)
    assert "its test failed again, scan 2: status 2F (mask FF)" == fault.ruling.evidence[1]


def test_rule_3_failed_once_in_any_reading_since_the_clear() -> None:
    fault = after(rounds(cleared(started()), 0x50, 0x2F, 0x2E), 0x2C).fault()
    assert ("returned", 3) == (fault.verdict.value, fault.ruling.rule)
    assert "its test failed again, entry 30: status 2F (mask FF)" == fault.ruling.evidence[1]


def test_rule_3_a_reading_before_the_clear_does_not_count() -> None:
    assert "proven" == after(driven(cleared(rounds(started(), 0x2F)))).graded()[0]


def test_rule_4_failing_and_never_cleared() -> None:
    story = after(started(), 0x2F)
    assert ("failing", 4) == story.graded()
    refused = after(started().clear(UNIT, "14FFFFFF", refusal=0x22), 0x2F).fault()
    assert ("failing", 4) == (refused.verdict.value, refused.ruling.rule)
    assert "clear 14 FF FF FF (entry 17): refused" == refused.ruling.evidence[1]


@pytest.mark.parametrize("status", [0x26, 0x24, 0x20, 0x64, 0x60, 0x28, 0x02, 0x04, 0x08])
def test_rule_5_bits_1_2_3_or_5_since_the_clear(status: int) -> None:
    # ISO 14229-1, Annex D: failed since the clear, in this cycle or an earlier one, pending or confirmed.
    assert ("returned", 5) == after(driven(cleared(started())), status).graded()


def test_rule_5_bit_7_alone_is_no_return() -> None:
    # ISO 14229-1, Annex D: a unit may keep a lamp requested after a clear (fail-safe).
    story = after(driven(cleared(started())), 0x80)
    assert ("untested", 11) == story.graded()
    assert "a lamp is still requested for it" == missing(story)


@pytest.mark.parametrize("service", ["03", "07"])
def test_rule_5_an_obd_list_since_the_clear(service: str) -> None:
    answers = {"03": "4300", "07": "4700", service: f"4{service[1]}010420"}
    fault = obd_story(*answers.items()).fault("P0420", ENGINE)
    if service == "03":
        # The list that was not erased speaks against the clear itself.
        assert ("uncleared", 6) == (fault.verdict.value, fault.ruling.rule)
    else:
        assert ("returned", 5) == (fault.verdict.value, fault.ruling.rule)
        assert "it came back, scan 2: service 07 lists it" == fault.ruling.evidence[1]


def test_rule_5_an_obd_list_while_watching_names_its_entry() -> None:
    story = cleared(started()).answer(UNIT, "07", "47014035").scan("after").session().codes(C0035_13=0x50).end()
    assert "it came back, entry 21: service 07 lists it" == story.fault().ruling.evidence[1]


def test_rule_6_still_stored_and_nobody_cleared() -> None:
    fault = after(started(), 0x2C).fault()
    assert ("uncleared", 6) == (fault.verdict.value, fault.ruling.rule)
    assert ("scan 2: status 2C (mask FF)", "no clear was sent to this unit") == fault.ruling.evidence
    assert ("a clear that the unit carries out",) == fault.ruling.missing


@pytest.mark.parametrize(
    ("clear", "why"),
    [
        (lambda story: story.clear(UNIT, "14FFFFFF", refusal=0x22), "refused"),
        (lambda story: story.clear(UNIT, "14FFFFFF", None), "silent"),
        (lambda story: story.clear(UNIT, "14FFFFFF", "5413"), "damaged"),
    ],
)
def test_rule_6_a_clear_that_was_not_accepted(clear, why: str) -> None:
    fault = after(clear(started()), 0x2C).fault()
    assert ("uncleared", 6) == (fault.verdict.value, fault.ruling.rule)
    assert f"clear 14 FF FF FF (entry 17): {why}" in fault.ruling.evidence


def test_rule_7_no_longer_stored_and_nobody_cleared() -> None:
    fault = after(started(), 0x00).fault()
    # On a unit whose supported list holds the code, bit 5 that goes out shows an erasure.
    assert ("untested", 11) == (fault.verdict.value, fault.ruling.rule)
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd().end().part()
    lapsed = story.scan("after").session().codes().no_obd().end().fault()
    assert ("lapsed", 7) == (lapsed.verdict.value, lapsed.ruling.rule)
    assert "scan 2: not listed (mask FF)" == lapsed.ruling.evidence[1]
    assert ("a clear, and a test passed under the fault's conditions",) == lapsed.ruling.missing

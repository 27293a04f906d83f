"""A fault's conditions: each stored record and each X of a failing result, how near is near, and for how long.

Source of what is expected:
the term *its conditions* of the verdict rules; tolerances of the powertrain by 13 CCR 1968.2,
similar conditions; the others are our own figures.
"""

from __future__ import annotations

import pytest
from job_stories import NEAR
from journal_builder import (
    AT_REST,
    AT_SPEED,
    CODE,
    UNIT,
    Story,
    after,
    before,
    cleared,
    code_of,
    profile,
    rounds,
    snapshot_record,
)
from verdict_help import NEAR_MISS, missing, seen, sets, words
from verdict_help import started_under as started

from sessions.profile import Profile, ProfileIdentifier

# What the sets are.


def test_each_stored_record_is_one_set_and_all_are_needed() -> None:
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F).supported(C0035_13=0x2F)
    records = snapshot_record(1, **AT_SPEED) + snapshot_record(2, kmh=100, rpm=3000, ambient=14)
    story.no_obd().answer(UNIT, "1904403513FF", f"59044035132F{records}").end().part()
    half = after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))
    assert [True, False] == seen(half)
    assert "100 ± 10 km/h, engine running, outside 14 ± 10 °C (stored record 02)" in missing(half)
    fast = {"kmh": 100, "rpm": 3000, "ambient": 14}
    for _ in range(18):
        story.wait(4).silent(UNIT, "22F186")
    story = rounds(story.wait(4).session(), 0x40, 0x40, 0x40, 0x00, **fast)
    assert ("proven", 8) == after(story).graded(), "in one cycle or in several"


def test_a_record_that_changed_between_two_scans_makes_two_sets() -> None:
    story = before(Story(profile()))
    story.scan("check").codes(C0035_13=0x2F).snapshot(CODE, 0x2F, kmh=30, rpm=1500, ambient=14).end().part()
    assert 2 == len(sets(cleared(story)))


def test_a_record_read_after_the_repair_and_before_the_clear_counts() -> None:
    story = started().scan("check").codes(C0035_13=0x2C).snapshot(CODE, 0x2C, kmh=30, rpm=1500, ambient=14).end()
    assert 2 == len(sets(cleared(story)))


def test_without_any_set_never() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story.refused(UNIT, "1904403513FF", 0x31).end().part()
    story = after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))
    assert () == sets(story)
    assert "the conditions under which it occurred are not known: no stored record, no failing test seen" == missing(
        story
    )


def unreadable(*told) -> Story:
    """A before-scan whose records fare as told, one after the other."""
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    for tell in told:
        tell(story)
    return cleared(story.end().part())


RECORDS = "1904403513FF"


@pytest.mark.parametrize(
    ("told", "problem"),
    [
        ((lambda s: s.silent(UNIT, RECORDS),), "stored records cannot be compared: they could not be read (silent)"),
        ((lambda s: s.refused(UNIT, RECORDS, 0x22),), "they could not be read (refused)"),
        ((lambda s: s.damaged(UNIT, RECORDS),), "they could not be read (damaged)"),
        ((), "stored records cannot be compared: they were never asked for"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101"),), "it does not decode"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101DD0100"),), "the layout of its data is not known"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101F44230D4"),), "it holds neither road speed nor engine"),
        ((lambda s: s.answer(UNIT, RECORDS, "59044035132F0101F44636"),), "it holds neither road speed nor engine"),
        (
            (lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED), lambda s: s.damaged(UNIT, RECORDS)),
            "they could not be read (damaged)",
        ),
    ],
)
def test_a_record_that_cannot_be_read_is_never_met(told, problem: str) -> None:
    story = after(rounds(unreadable(*told), 0x50, 0x50, 0x50, 0x00))
    assert problem in missing(story)
    assert "untested" == story.graded()[0]


@pytest.mark.parametrize(
    "told",
    [
        (lambda s: s.silent(UNIT, RECORDS), lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED)),
        (lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED), lambda s: s.silent(UNIT, RECORDS)),
        (lambda s: s.snapshot(CODE, 0x2F, **AT_SPEED), lambda s: s.refused(UNIT, RECORDS, 0x31)),
    ],
)
def test_records_read_whole_once_are_known(told) -> None:
    assert ("proven", 8) == after(rounds(unreadable(*told), 0x50, 0x50, 0x50, 0x00)).graded()


def test_a_unit_without_a_known_system_has_no_conditions() -> None:
    story = before(Story()).part()
    story = after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))
    assert "the profile does not say which system this unit belongs to" in missing(story)


def test_identifiers_of_the_profile_are_scaled_and_win() -> None:
    # 60 km/h as 600 in tenths, 14 degrees as -26 + 40 (signed), a DID of no known quantity beside them.
    identifiers = (
        ProfileIdentifier(number=0xDD01, name="speed", length=2, scale_num=1, scale_den=10, quantity="road_kmh"),
        ProfileIdentifier(number=0xDD02, name="outside", length=1, signed=True, offset=40, quantity="ambient_c"),
        ProfileIdentifier(number=0xF40C, name="counter", length=1, quantity="other"),
        ProfileIdentifier(number=0xDD03, name="other unit", length=1, units=("7E0/7E8",)),
    )
    story = Story(profile(identifiers=identifiers)).scan("before").session().codes(C0035_13=0x2F).no_obd()
    story.answer(UNIT, RECORDS, "59044035132F0103DD010258DD02E6F40C07").end().part()
    assert ["60 ± 10 km/h, outside 14 ± 10 °C"] == words(cleared(story))


def test_standard_identifiers_of_other_quantities_are_left_aside() -> None:
    story = Story(profile()).scan("before").session().codes(C0035_13=0x2F).no_obd()
    story.answer(UNIT, RECORDS, "59044035132F0103F40D3CF44230D4F4010007E500").end().part()
    assert ["60 ± 10 km/h"] == words(cleared(story))


def failing_seen(known: Profile, *looks, gap_s: float = 4) -> Story:
    """Looks before the repair on a unit that stores no records; then repaired and cleared."""
    story = Story(known).scan("before").session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story.refused(UNIT, RECORDS, 0x31).end()
    for status, conditions in looks:
        story.wait(gap_s).live(**conditions).session().supported(C0035_13=status)
    return cleared(story.part())


# X of a failing result.


def test_a_failing_result_counts_where_it_was_seen_to_complete() -> None:
    def story() -> Story:
        return failing_seen(profile(), (0x6D, AT_SPEED), (0x2F, AT_SPEED))

    assert [NEAR] == words(story())
    assert "a failing result was seen" == sets(story())[0].conditions.origin
    assert ("untested", 11) == after(rounds(story(), 0x50, 0x50, 0x50, 0x00, **AT_REST)).graded()
    assert ("proven", 8) == after(rounds(story(), 0x50, 0x50, 0x50, 0x00)).graded()


def test_a_test_that_failed_some_time_before_was_not_seen_under_what_holds_now() -> None:
    assert () == sets(failing_seen(profile(), (0x2F, AT_SPEED), (0x2F, AT_SPEED)))
    assert () == sets(failing_seen(profile(), (0x6C, AT_REST), (0x2F, AT_SPEED)))
    assert () == sets(failing_seen(profile(), (0x6C, AT_SPEED), (0x2F, AT_SPEED), gap_s=9))


def test_not_failing_in_this_cycle_is_no_failing_result() -> None:
    assert () == sets(failing_seen(profile(), (0x6D, AT_SPEED), (0x2D, AT_SPEED)))


def test_a_failing_continuous_test_counts_under_what_holds() -> None:
    known = profile(codes=(code_of(continuous=True),))
    story = failing_seen(known, (0x2F, AT_SPEED), (0x2F, AT_SPEED), (0x2F, AT_REST))
    assert [NEAR, "standing, engine off, outside 14 ± 10 °C"] == words(story)


def test_a_failing_result_under_unknown_conditions_is_no_set() -> None:
    known = profile(codes=(code_of(continuous=True),))
    assert () == sets(failing_seen(known, (0x2F, {"ambient": 14})))
    assert () == sets(failing_seen(known, (0x2F, {})))


def test_a_failing_result_between_two_repairs_counts() -> None:
    known = profile(codes=(code_of(continuous=True),))
    story = failing_seen(known, (0x2F, AT_REST)).part("another part")
    story = rounds(story, 0x2F)
    assert 2 == len(sets(cleared(story)))


def met_at(system: str, stored: dict[str, float], now: dict[str, float]) -> bool:
    """Stored under some conditions, tested under others."""
    story = before(Story(profile(system)), **stored).part()
    return [True] == seen(after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00, **now)))


HOT = {"rpm": 2000, "load": 40, "coolant": 90}


# How near is near.


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, True),
        ({"rpm": 2375}, True),
        ({"rpm": 2376}, False),
        ({"rpm": 1625}, True),
        ({"rpm": 1624}, False),
        ({"load": 48}, True),
        ({"load": 49}, False),
        ({"load": 32}, True),
        ({"load": 31}, False),
        ({"coolant": 70}, True),
        ({"coolant": 69}, False),
        ({"coolant": 130}, True),
        ({"kmh": 200}, True),  # road speed does not count in the powertrain
    ],
)
def test_similar_conditions_of_the_powertrain(change: dict[str, float], expected: bool) -> None:
    # 13 CCR 1968.2: engine speed within 375 rpm, load within 20 percent, same warm-up state.
    assert expected is met_at("powertrain", HOT, HOT | change)


def test_a_cold_engine_is_another_state_than_a_warm_one() -> None:
    cold = HOT | {"coolant": 20}
    assert met_at("powertrain", cold, cold | {"coolant": 69})
    assert not met_at("powertrain", cold, cold | {"coolant": 70})


def test_an_engine_that_stood_must_stand() -> None:
    still = {"rpm": 0, "load": 0, "coolant": 20}
    assert met_at("powertrain", still, still | {"load": 2})
    assert not met_at("powertrain", still, still | {"load": 3})
    assert not met_at("powertrain", still, still | {"rpm": 300})


@pytest.mark.parametrize("lacking", ["rpm", "load", "coolant"])
def test_a_powertrain_record_must_hold_all_three(lacking: str) -> None:
    stored = {name: value for name, value in HOT.items() if name != lacking}
    story = before(Story(profile("powertrain")), **stored).part()
    assert "it does not hold" in missing(after(rounds(cleared(story), 0x50, 0x00, **HOT)))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, True),
        ({"kmh": 70}, True),
        ({"kmh": 71}, False),
        ({"kmh": 50}, True),
        ({"kmh": 49}, False),
        ({"rpm": 6000}, True),
        ({"rpm": 0}, False),
        ({"ambient": 24}, True),
        ({"ambient": 25}, False),
        ({"ambient": 4}, True),
        ({"ambient": 3}, False),
    ],
)
def test_like_conditions_elsewhere(change: dict[str, float], expected: bool) -> None:
    # Our own figures: 10 km/h, same engine state, 10 K.
    assert expected is met_at("body", AT_SPEED, AT_SPEED | change)


def test_a_record_with_an_engine_state_alone_compares_that() -> None:
    assert met_at("body", {"rpm": 2000}, {"rpm": 900})
    assert not met_at("body", {"rpm": 2000}, {"rpm": 0})


def test_a_car_that_stood_must_stand() -> None:
    assert met_at("body", {"kmh": 0, "rpm": 0}, {"kmh": 0, "rpm": 0})
    assert not met_at("body", {"kmh": 0, "rpm": 0}, {"kmh": 1, "rpm": 0})
    assert not met_at("body", {"kmh": 5, "rpm": 900}, {"kmh": 0, "rpm": 900})


def test_units_that_tell_the_same_quantity_must_agree() -> None:
    story = cleared(started())
    for status in (0x50, 0x50, 0x50, 0x00):
        story.wait(4).live(**AT_SPEED).live("7E0/7E8", kmh=20).session().supported(C0035_13=status)
    assert [False] == seen(after(story))


@pytest.mark.parametrize(
    ("system", "stored", "expected"),
    [
        (
            "powertrain",
            {"rpm": 2046, "load": 35, "coolant": 70},
            "engine 2046 ± 375 rpm, load 35 ± 7 %, coolant 70 °C or more",
        ),
        ("powertrain", {"rpm": 0, "load": 0, "coolant": 69}, "engine off, load 0 ± 2 %, coolant below 70 °C"),
        ("body", {"kmh": 62, "rpm": 900, "ambient": 14}, "62 ± 10 km/h, engine running, outside 14 ± 10 °C"),
        ("body", {"kmh": 0, "rpm": 0}, "standing, engine off"),
        ("body", {"kmh": 10}, "10 ± 10 km/h but not standing"),
        ("body", {"kmh": 11}, "11 ± 10 km/h"),
    ],
)
def test_the_words_say_how_near_is_near(system: str, stored: dict[str, float], expected: str) -> None:
    assert [expected] == words(cleared(started(profile(system), **stored)))


# How long.


@pytest.mark.parametrize(("seconds", "verdict"), [(10.001, "proven"), (9.9, "untested")])
def test_the_conditions_must_hold_for_10_s(seconds: float, verdict: str) -> None:
    # A round takes 5 ms of entries; the first and the last value of a stretch stand 2 ms inside it.
    story = rounds(cleared(started()), 0x50, 0x50, 0x50, 0x00, gap_s=(seconds + 0.002) / 3 - 0.005)
    story = after(story)
    assert verdict == story.graded()[0]
    if verdict == "untested":
        assert f"longer under: {NEAR} (held 10 s)" == missing(story)


def test_the_profile_may_ask_for_longer() -> None:
    def held(hold_s: int) -> Story:
        story = started(profile(codes=(code_of(hold_s=hold_s),)))
        return after(rounds(cleared(story), 0x50, 0x50, 0x50, 0x00))

    assert "proven" == held(12).graded()[0]
    assert "untested" == held(20).graded()[0]
    assert f"While it reads: {NEAR} for at least 20 s." in held(20).judged().plan[1]


def test_two_stretches_do_not_add_up() -> None:
    story = rounds(cleared(started()), 0x50, 0x50, 0x00)
    story = rounds(rounds(story, 0x00, **NEAR_MISS), 0x00, 0x00)
    assert 8 == round(max(result.held_s for result in sets(after(story))))


def test_a_stretch_ends_where_readings_are_too_far_apart() -> None:
    story = rounds(rounds(cleared(started()), 0x50, 0x50, 0x00), 0x00, 0x00, gap_s=6)
    assert 8 == round(max(result.held_s for result in sets(after(story))))


def test_conditions_that_never_held_together_held_for_nothing() -> None:
    story = cleared(started()).live(kmh=60).wait(20).live(rpm=2000).wait(20).live(ambient=14)
    assert 0 == sets(after(story, 0x50))[0].held_s

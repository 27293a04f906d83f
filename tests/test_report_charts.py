"""The line charts of the report: axes, pauses, and which readings they draw.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import sample_verdict as sample

from sessions.record import JobRecord, LiveReading, WorldAct
from sessions.report.charts import WIDTH, TimeAxis, charts, scale_levels


def record(*told: tuple[int, int | None, int, float], unit: str = sample.ENGINE, world: bool = True) -> JobRecord:
    """A job with these watched readings: (entry, simulated second, PID, value)."""
    live = tuple(
        LiveReading(moment=sample.moment(seq, world_s), unit=unit, pid=pid, value=value)
        for seq, world_s, pid, value in told
    )
    watched = tuple(sample.asked(seq, "watch", unit, "010D", "410D00", world_s) for seq, world_s, _pid, _v in told)
    act = WorldAct(moment=sample.moment(1, 0), action="wait", said="")
    return replace(sample.record(), live=live, asked=watched, world=(act,) if world else ())


def test_the_watched_drive_gives_a_chart_of_each_value_with_its_unit() -> None:
    # Source: SAE J1979-DA, Annex B: 0D km/h, 0C 1/min, 05 degrees Celsius, 42 volts.
    found = [(chart.name, chart.unit, chart.source) for chart in charts(sample.record())]
    source = "Engine control 7E0/7E8"
    assert found == [
        ("Road speed", "km/h", source),
        ("Engine speed", "1/min", source),
        ("Coolant temperature", "°C", source),
        ("Supply voltage", "V", source),
    ]


def test_a_chart_says_the_same_in_words() -> None:
    assert charts(sample.record())[0].summary == (
        "Road speed, 54 readings: first 0, lowest 0, highest 62, last 0 km/h."
    )


def test_only_readings_taken_while_watching_are_drawn() -> None:
    whole = sample.record()
    assert charts(replace(whole, asked=())) == ()


def test_one_reading_is_no_line() -> None:
    assert charts(record((140, 100, 0x0D, 5.0))) == ()


def test_a_reading_without_simulated_time_is_not_placed_on_a_simulated_axis() -> None:
    assert charts(record((140, None, 0x0D, 5.0), (141, 100, 0x0D, 6.0))) == ()


def test_the_unit_that_told_most_is_drawn() -> None:
    one = record((140, 100, 0x0D, 5.0), (141, 105, 0x0D, 6.0), unit=sample.GEARBOX)
    two = record((142, 100, 0x0D, 5.0), (143, 105, 0x0D, 6.0), (144, 110, 0x0D, 7.0))
    both = replace(one, live=(*one.live, *two.live), asked=(*one.asked, *two.asked))
    assert [chart.source for chart in charts(both)] == ["Engine control 7E0/7E8"]


def test_a_real_vehicle_is_timed_by_the_journal_in_utc() -> None:
    found = charts(record((140, None, 0x0D, 0.0), (150, None, 0x0D, 50.0), world=False))
    assert [tick.text for tick in found[0].times] == ["0:00:00", "0:00:10"]
    assert found[0].lines == ("0,100.0 2000,16.7",)


def test_a_reading_without_any_time_is_left_out() -> None:
    job = record((140, None, 0x0D, 0.0), (150, None, 0x0D, 50.0), world=False)
    timeless = replace(job.live[0], moment=replace(job.live[0].moment, at=""))
    assert charts(replace(job, live=(timeless, job.live[1]))) == ()


def test_a_long_pause_is_cut_out_and_breaks_the_line() -> None:
    found = charts(record((140, 0, 0x0D, 0.0), (141, 50, 0x0D, 10.0), (142, 5000, 0x0D, 10.0), (143, 5050, 0x0D, 0.0)))
    # 100 s are drawn on the 98 % of the width that one gap of 2 % leaves.
    assert found[0].lines == ("0,100.0 980,0.0", "1020,0.0 2000,100.0")
    assert found[0].pauses == (1000.0,)
    assert [(round(tick.at), tick.text) for tick in found[0].times] == [
        (0, "0:00:00"),
        (1020, "1:23:20"),
        (2000, "1:24:10"),
    ]


def test_a_stretch_without_room_gets_no_label_of_its_own() -> None:
    axis = TimeAxis([0, 5, 1000, 1200, 1230, 1260, 1290])
    assert [tick.text for tick in axis.ticks(1290)] == ["0:00:00", "0:21:30"]


def test_a_reading_on_its_own_is_a_dot() -> None:
    found = charts(record((140, 0, 0x0D, 0.0), (141, 500, 0x0D, 10.0), (142, 550, 0x0D, 0.0)))
    assert found[0].lines[0] == "0,100.0 0,100.0"


def test_readings_of_one_moment_stand_at_the_begin() -> None:
    found = charts(record((140, 7, 0x0D, 0.0), (141, 7, 0x0D, 10.0)))
    assert found[0].lines == ("0,100.0 0,0.0",)


def test_very_many_pauses_still_leave_half_the_width_for_the_lines() -> None:
    times = [1000.0 * nth + second for nth in range(200) for second in (0, 10)]
    axis = TimeAxis(times)
    places = [axis.place(time_s) for time_s in times]
    assert places == sorted(places)
    assert round(places[-1]) == WIDTH


@pytest.mark.parametrize(
    ("low", "high", "from_zero", "levels"),
    [
        (0, 62, True, (0, 20, 40, 60, 80)),
        (0, 2100, True, (0, 1000, 2000, 3000)),
        (-12, 90, True, (-50, 0, 50, 100)),
        (0, 0, True, (0, 0.5, 1)),
        (12.3, 14.1, False, (12, 12.5, 13, 13.5, 14, 14.5)),
        (12.3, 12.3, False, (12, 12.5, 13)),
    ],
)
def test_levels_are_round_and_enclose_every_value(
    low: float, high: float, from_zero: bool, levels: tuple[float, ...]
) -> None:
    assert scale_levels(low, high, from_zero=from_zero) == levels

"""The parts of a report that compute something: digits, axes, evidence, repairs, losses."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from healthtrack.records import (
    ExpectedLevels,
    Forecast,
    Loss,
    MaintenanceEvent,
    RegionEvidence,
    Trend,
)
from healthtrack.report import pulls, style
from healthtrack.report.causes import spoken
from healthtrack.report.evidence import forecast_words
from healthtrack.report.facts import since_words
from healthtrack.report.lines import Lines, learned_spans, raised, runs
from healthtrack.report.numbers import MINUS, THIN, decimals_for, number, percent, typeset
from healthtrack.report.page import printable, text_width, wrap
from healthtrack.report.quality import sort_losses
from healthtrack.report.repairs import effects
from healthtrack.report.timeline import day_ticks, round_steps, timeline
from healthtrack.report.trends import event_marks, finding_timeline, spread


@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.floats(1e-3, 1e5, allow_nan=False),
)
def test_rounding_moves_no_end_of_a_band_by_more_than_a_sixth_of_its_half_width(middle, half):
    low, high = middle - half, middle + half
    decimals = decimals_for(low, high, fewest=-9, most=9)
    assert 10.0**-decimals / 2 <= 0.17 * (high - low) / 2 * 1.0001


@given(st.floats(-1e9, 1e9, allow_nan=False), st.integers(-3, 3))
def test_a_written_number_reads_back_as_it_was_rounded(value, decimals):
    words = number(value, decimals)
    back = float(words.replace(THIN, "").replace(MINUS, "-"))
    assert back == pytest.approx(round(value, decimals), abs=1e-9)
    assert "-" not in words
    assert words != MINUS + "0"


def test_a_probability_is_never_written_as_certain_that_is_not():
    assert percent(0.9999) == f"over 99{THIN}%"
    assert percent(0.0001) == f"under 1{THIN}%"
    assert percent(0.0) == f"0{THIN}%"
    assert percent(1.0) == f"100{THIN}%"


@pytest.mark.parametrize(
    ("plain", "set_"),
    [
        ("raised on 2026-02-11 at 203 000 km", f"Raised on 2026-02-11 at 203{THIN}000{THIN}km."),
        ("from -3 to +2 %", f"From {MINUS}3 to +2{THIN}%."),
        ("a charge-air leak?", "A charge-air leak?"),
        ("", ""),
    ],
)
def test_a_plain_sentence_is_typeset(plain, set_):
    assert typeset(plain) == set_


def test_lines_are_no_wider_than_asked_and_lose_no_letter():
    text = "The airflow reads low since about 203 000 km, " + "x" * 90 + " and still falls."
    lines = wrap(text, 40.0, style.BODY)
    assert all(text_width(line, style.BODY) <= 40.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_what_no_typeface_holds_is_shown_as_missing_and_control_signs_as_blanks():
    assert printable("a\tb\nc\u200bd \U0001f9ff") == "a b c d \N{REPLACEMENT CHARACTER}"


def test_round_steps_are_round_and_inside():
    assert round_steps(-7.9, 1.2, 5) == [-6.0, -4.0, -2.0, 0.0]
    assert round_steps(150_000, 215_000, 6) == [160_000.0, 180_000.0, 200_000.0]


def test_calendar_ticks_are_at_most_eight_for_a_week_as_for_thirty_years():
    for days in (3, 7, 40, 200, 800, 4_000, 11_000):
        ticks = day_ticks(19_000.0, 19_000.0 + days)
        assert 1 <= len(ticks) <= 8
        assert [tick.at for tick in ticks] == sorted({tick.at for tick in ticks})
    assert [tick.words for tick in day_ticks(18_992.0, 19_400.0)][:2] == ["Jan 2022", "Apr 2022"]


def frame_of(days, kms):
    started = [datetime(2025, 1, 1, tzinfo=UTC) + timedelta(days=day) for day in days]
    return Trend(
        pl.DataFrame(
            {"started": started, "odometer_km": kms},
            schema={"started": pl.Datetime("us", "UTC"), "odometer_km": pl.Float64},
        )
    )


def test_a_drive_without_an_odometer_lies_between_its_neighbours():
    trend = frame_of([0, 10, 20], [1_000.0, None, 3_000.0])
    axis = timeline([trend], [])
    assert axis.kind == "odometer"
    assert axis.places(trend.frame).tolist() == [1_000.0, 2_000.0, 3_000.0]
    assert axis.place_of_day(date(2025, 1, 6)) == pytest.approx(1_500.0)


def test_where_most_drives_know_no_odometer_the_date_is_the_axis():
    axis = timeline([frame_of([0, 10, 20], [1_000.0, None, None])], [])
    assert axis.kind == "date"
    assert axis.calendar() == []


def test_a_far_forecast_does_not_press_the_past_together(findings):
    finding = findings["alarm"]()
    item = replace(finding.indicators[2], forecast=Forecast(900_000.0, 300_000.0, None))
    axis = finding_timeline(replace(finding, indicators=(item,)))
    life = 260.0 * 239
    assert axis.high == pytest.approx(152_000 + life + 0.35 * life, rel=0.01)


def test_events_too_close_to_tell_apart_share_a_label(findings):
    finding = findings["forty_events"]()
    axis = finding_timeline(finding)
    marks = event_marks(finding.maintenance, axis, style.A4)
    width = style.A4.inner_width - 38.0
    gaps = np.diff([mark.x for mark in marks]) * width / (axis.high - axis.low)
    assert gaps.min() >= 6.5
    numbers = [int(n) for mark in marks for n in mark.words.split("\N{EN DASH}")]
    assert numbers[0] == 1
    assert numbers[-1] == 40


@given(st.lists(st.floats(0.0, 60.0), max_size=8))
def test_labels_are_spread_apart_in_their_order_and_stay_inside(wanted):
    placed = spread(sorted(wanted), 3.0, 0.0, 60.0)
    assert all(b - a >= 3.0 - 1e-9 for a, b in pairwise(placed))
    assert all(-1e-9 <= place <= 60.0 + 1e-9 for place in placed)


def lines_of(states, learned=()):
    n = len(states)
    x, zero = np.arange(n, dtype=float), np.zeros(n)
    chosen = np.isin(np.arange(n), learned)
    return Lines(x, zero, zero, zero, zero, zero, chosen, list(states))


def test_alert_is_marked_where_it_is_raised_and_alarm_over_it():
    lines = lines_of(["normal", "alert", "alert", "alarm", "alert", "normal", "alert"])
    assert raised(lines) == [(1.0, 0.0, "alert"), (3.0, 0.0, "alarm"), (6.0, 0.0, "alert")]
    assert runs(lines, "alarm") == [(3.0, 4.0)]
    assert runs(lines, "alert") == [(1.0, 3.0), (4.0, 5.0), (6.0, 6.0)]


def test_every_learned_period_has_its_own_tint():
    assert learned_spans(lines_of(["normal"] * 8, learned=(0, 1, 2, 5, 6))) == [
        (0.0, 2.0),
        (5.0, 6.0),
    ]


def test_a_region_speaks_for_a_cause_where_it_fits_better_than_no_fault():
    regions = (
        RegionEvidence("airflow", "full_load", -6.0, 1.0),
        RegionEvidence("airflow", "idle", 0.0, 1.0),
        RegionEvidence("boost", "full_load", 0.5, 1.0),
        RegionEvidence("boost", "idle", 0.5, 1.0),
    )
    said = spoken(regions, ExpectedLevels("airflow_sensor_reads_low", (-6.0, -6.0, 0.0, None)))
    # ln of the ratio of two normal densities: (6² − 0²)/2, (0² − 6²)/2, 0
    assert [item.nats for item in said] == [18.0, -18.0, 0.0, None]
    assert [item.word for item in said] == ["for", "against", "neither", ""]


def test_drives_before_and_after_a_repair_are_put_side_by_side(findings):
    finding = findings["sound"]()
    item = finding.indicators[0]
    frame = item.trend.frame.with_columns(
        value=pl.when(pl.col("started") < datetime(2024, 9, 1, tzinfo=UTC))
        .then(-5.0)
        .otherwise(0.5)
    )
    repair = MaintenanceEvent("r", "otter", date(2024, 9, 1), "airflow_sensor_replaced")
    other = MaintenanceEvent("s", "otter", date(2024, 10, 1), "service")
    finding = replace(
        finding,
        indicators=(replace(item, trend=Trend(frame)), finding.indicators[1]),
        maintenance=(repair, other),
    )
    (effect,) = effects(finding)
    assert effect.event is repair
    assert effect.before.middle == -5.0
    assert effect.after == (15, 0.5, 0.5, 0.5)


def test_losses_are_sorted_by_what_they_count_and_added_up():
    losses = sort_losses(
        (
            Loss("cold", 5),
            Loss("cold", 6),
            Loss("pull_short", 2),
            Loss("ragged_row", 3),
            Loss("repeat", 4, "airflow"),
            Loss("of_a_new_kind", 1),
        )
    )
    assert losses.running == [("engine still cold", 11)]
    assert losses.pulls == [("too short", 2)]
    assert losses.rows == [("row with missing or surplus fields", 3), ("of a new kind", 1)]
    assert losses.values == [("airflow: repeat of an older reading", 4)]


def test_a_forecast_says_what_it_knows_and_no_more(findings):
    item = findings["sound"]().indicators[0]

    def said(**fields):
        return forecast_words(replace(item, forecast=Forecast(**fields))).replace(THIN, " ")

    assert said() == ""
    assert said(answer="not_within_horizon", probability=0.01) == ""
    assert said(answer="reached") == "reached already"
    assert said(answer="too_uncertain", probability=0.31, horizon_km=30_000.0) == (
        "31 % probable within 30 000 km, but no date is worth planning with"
    )
    assert said(
        answer="expected",
        limit_km=218_400.0,
        limit_km_low=215_900.0,
        limit_km_high=223_700.0,
        limit_on=date(2026, 6, 21),
        limit_on_low=date(2026, 4, 2),
        limit_on_high=date(2026, 11, 30),
        before_service=0.42,
    ) == (
        "at about 218 000 km (95 % between 216 000 and 224 000), around 21 Jun 2026 "
        "(2 Apr 2026 to 30 Nov 2026); 42 % probable before the next service"
    )


def test_a_panel_without_a_map_grows_where_there_is_room_and_never_pushes_the_method_off():
    method = 80.0
    for room in range(50, 260):
        if not pulls._worth_its_room(room, method):
            assert method <= room  # without the panel there was room for it
            continue
        height = pulls._bare(room, method)
        left = room - height - pulls.BELOW
        assert pulls.BARE_HEIGHT <= height <= pulls.BARE_MOST
        assert left >= method or room < method, room


def test_a_step_has_a_place_and_a_drift_a_beginning(findings):
    airflow = findings["alarm"]().indicators[0]
    step = replace(airflow, kind="step")
    plain = since_words(airflow).replace("\u00a0", " ")
    assert plain == "a drift since 181 000 km (178 000 to 185 000)"
    assert since_words(step).startswith("a step at 181")
    dated = replace(step, since_km=None, since_on=date(2024, 6, 2))
    assert since_words(dated) == "a step on 2 Jun 2024"

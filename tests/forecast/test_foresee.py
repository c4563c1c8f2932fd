from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.forecast import (
    HORIZON_KM,
    DriftState,
    Limits,
    Usage,
    forecast,
    usage,
    with_trip,
)
from healthtrack.records import Forecast

TODAY = date(2025, 6, 30)
STEADY = DriftState(-3.0, -2.0, 0.04, 0.04, 0.0, 0.01, 0.01)
WEEKLY = Usage(300.0, 60.0)


def drives(weeks: int, km_per_week: float = 300.0, *, odometer: bool = True) -> pl.DataFrame:
    start = datetime(2025, 6, 30, 8, tzinfo=UTC) - timedelta(weeks=weeks)
    count = weeks * 3 + 1
    steps = [start + timedelta(days=7 * index / 3) for index in range(count)]
    km = [100_000.0 + index * km_per_week / 3 for index in range(count)]
    return pl.DataFrame(
        {
            "started": steps,
            "odometer_km": km if odometer else [None] * count,
            "distance_km": [km_per_week / 3] * count,
        },
        schema_overrides={"odometer_km": pl.Float64},
    )


def test_a_steady_decline_is_foreseen_with_interval_and_date():
    found = forecast(STEADY, Limits(-8.0, "low"), WEEKLY, TODAY, 200_000.0)
    assert found.answer == "expected"
    # 5 % left at 2 % per 10 000 km
    assert found.limit_km == pytest.approx(225_000.0, rel=0.01)
    assert found.limit_km_low < found.limit_km
    assert found.limit_on_low < found.limit_on < (found.limit_on_high or date.max)
    # 25 000 km at 300 km a week are 83 weeks
    assert abs((found.limit_on - TODAY).days - 83 * 7) < 50
    assert found.limit == -8.0


def test_a_sound_vehicle_is_not_within_the_horizon():
    sound = DriftState(0.2, 0.0, 0.1, 0.2, 0.0, 0.02, 0.01)
    found = forecast(sound, Limits(-8.0, "both"), WEEKLY, TODAY, 100_000.0)
    assert found.answer == "not_within_horizon"
    assert found.limit_km is None
    assert found.limit_on is None
    assert found.probability < 0.05


def test_a_level_past_its_limit_has_reached_it():
    past = DriftState(-9.0, -1.0, 0.1, 0.1)
    found = forecast(past, Limits(-8.0, "low"), WEEKLY, TODAY, 100_000.0)
    assert found.answer == "reached"
    assert found.limit_km == 100_000.0
    assert found.limit_on == TODAY


def test_a_slope_that_may_as_well_be_none_is_too_uncertain_to_say():
    vague = DriftState(-3.0, -1.0, 0.5, 4.0)
    found = forecast(vague, Limits(-8.0, "low"), WEEKLY, TODAY, 100_000.0)
    assert found.answer == "too_uncertain"
    assert found.limit_km is None
    assert 0.2 < found.probability < 0.6


def test_without_usage_there_is_a_distance_but_no_date():
    found = forecast(STEADY, Limits(-8.0, "low"), None, TODAY, 200_000.0)
    assert found.limit_km is not None
    assert found.limit_on is None


def test_without_an_odometer_the_distance_counts_from_now():
    found = forecast(STEADY, Limits(-8.0, "low"), None, TODAY)
    assert found.limit_km == pytest.approx(25_000.0, rel=0.02)


def test_the_chance_before_a_service_grows_with_its_distance():
    chances = [
        forecast(STEADY, Limits(-8.0, "low", service_in_km=km), WEEKLY, TODAY).before_service
        for km in (5_000.0, 25_000.0, 29_000.0)
    ]
    assert chances == sorted(chances)
    assert chances[0] < 0.01
    assert chances[1] == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("km", [500.0, 22_000.0, HORIZON_KM])
def test_a_trip_is_as_risky_as_the_way_to_a_service_as_far_off(km):
    asked = Limits(-8.0, "low", service_in_km=km)
    foreseen = forecast(STEADY, asked, WEEKLY, TODAY, 200_000.0)
    assert foreseen.before_trip is None
    assert with_trip(foreseen, km).before_trip == pytest.approx(foreseen.before_service, abs=1e-12)


def test_a_trip_beyond_what_is_foreseen_is_refused():
    foreseen = forecast(STEADY, Limits(-8.0, "low"), WEEKLY, TODAY)
    for km in (0.0, -1.0, HORIZON_KM + 1.0):
        with pytest.raises(ValueError, match="does not lie within 0 to 30000 km"):
            with_trip(foreseen, km)


def test_where_nothing_is_foreseen_nothing_is_said_of_a_trip():
    assert with_trip(Forecast(), 2_000.0) == Forecast()


def test_a_wider_usage_makes_a_wider_date_but_not_a_wider_distance():
    narrow = forecast(STEADY, Limits(-6.0, "low"), Usage(300.0, 10.0), TODAY)
    wide = forecast(STEADY, Limits(-6.0, "low"), Usage(300.0, 150.0), TODAY)
    assert narrow.limit_km_high == wide.limit_km_high
    assert wide.limit_on_high > narrow.limit_on_high
    assert wide.limit_on_low < narrow.limit_on_low


def test_of_two_limits_the_one_ahead_is_named():
    assert forecast(STEADY, Limits(8.0, "both"), None, TODAY).limit == -8.0
    rising = DriftState(3.0, 2.0, 0.04, 0.04)
    assert forecast(rising, Limits(-8.0, "both"), None, TODAY).limit == 8.0


def test_a_date_beyond_every_calendar_is_no_date():
    found = forecast(STEADY, Limits(-8.0, "low"), Usage(0.01, 0.001), TODAY)
    assert found.limit_km is not None
    assert found.limit_on is None


@pytest.mark.parametrize("odometer", [True, False])
def test_usage_is_the_distance_per_week(odometer):
    found = usage(drives(20, odometer=odometer), TODAY)
    assert found.km_per_week == pytest.approx(300.0, rel=0.06)
    assert found.sd >= 0.2 * found.km_per_week * 0.9


def test_usage_forgets_what_is_more_than_half_a_year_ago():
    early = drives(100, 900.0).filter(pl.col("started") < datetime(2024, 11, 1, tzinfo=UTC))
    late = drives(25).with_columns(pl.col("odometer_km") + 200_000.0)
    found = usage(pl.concat([early, late]), TODAY)
    assert found.km_per_week == pytest.approx(300.0, rel=0.06)


def test_too_few_weeks_tell_no_usage():
    assert usage(drives(3), TODAY) is None
    assert usage(drives(3).clear(), TODAY) is None


def test_usage_takes_nothing_from_later_days():
    seen = usage(drives(20), TODAY - timedelta(weeks=8))
    cut = drives(20).filter(pl.col("started") < datetime(2025, 5, 6, tzinfo=UTC))
    assert seen == usage(cut, TODAY - timedelta(weeks=8))


def test_the_fan_holds_what_simulated_lives_do():
    state = DriftState(-3.0, -2.0, 0.25, 0.36, 0.12, 0.3, 0.8)
    fan = forecast(state, Limits(-8.0, "low"), WEEKLY, TODAY, 200_000.0).fan
    rng = np.random.default_rng(1)
    both = [[0.25, 0.12], [0.12, 0.36]]
    level, slope = rng.multivariate_normal([-3.0, -2.0], both, 40_000).T
    step = 3.0 / 600  # 30 000 km in 600 steps
    for _ in range(600):
        level = level + slope * step + rng.normal(0.0, np.sqrt(0.3 * step), level.size)
        slope = slope + rng.normal(0.0, np.sqrt(0.8 * step), slope.size)
    end = fan[-1]
    told = (end.low, end.quarter, end.middle, end.three_quarters, end.high)
    # a quantile of 40 000 lives is known to about 0.03 at an sd of 3
    shares = [float((level < edge).mean()) for edge in told]
    assert shares == pytest.approx([0.025, 0.25, 0.5, 0.75, 0.975], abs=0.01)
    assert end.km == 230_000.0


def test_the_fan_is_students_where_the_size_of_the_errors_is_known_from_few_spells():
    vague = DriftState(-3.0, 0.0, 0.25, 0.0, freedom=4.0)
    now = forecast(vague, Limits(-8.0, "low"), WEEKLY, TODAY).fan[0]
    # NIST/SEMATECH e-Handbook 1.3.6.7.2: t of 4 degrees at 0.975 is 2.776; at 0.75 it is 0.741
    assert now.high - now.middle == pytest.approx(2.776 * 0.5, abs=0.001)
    assert now.middle - now.low == pytest.approx(2.776 * 0.5, abs=0.001)
    assert now.three_quarters - now.middle == pytest.approx(0.741 * 0.5, abs=0.001)


def test_the_fans_middle_is_at_the_limit_where_the_limit_is_foreseen():
    found = forecast(STEADY, Limits(-8.0, "low"), WEEKLY, TODAY, 200_000.0)
    at = np.interp(found.limit_km, [p.km for p in found.fan], [p.middle for p in found.fan])
    assert at == pytest.approx(-8.0, abs=0.1)
    assert found.fan[0].on == TODAY
    days = [point.on for point in found.fan]
    assert days == sorted(days)


def test_without_a_usage_the_fan_has_no_days():
    fan = forecast(STEADY, Limits(-8.0, "low"), None, TODAY).fan
    assert fan[0].km == 0.0
    assert all(point.on is None for point in fan[1:])

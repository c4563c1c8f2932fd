"""From figures to a finding: periods, work on the vehicle, odometer or date, words."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import Baseline, ResponseModel
from healthtrack.drift import Plan, finding, track
from healthtrack.indicators import ALL
from healthtrack.records import MaintenanceEvent

AIRFLOW = ALL["airflow"]
PLAN = Plan(limit=8.0, side=0, log_bar=float(np.log(50.0)))
LEARNED = 40
FIRST = datetime(2024, 1, 1, 7, tzinfo=UTC)


def baseline(learned: int = LEARNED) -> Baseline:
    """Return a baseline without surface: track needs its drives, period and responses only."""
    return Baseline(
        indicator="airflow",
        start=FIRST.date(),
        end=(FIRST + timedelta(days=2 * learned - 2)).date(),
        drives=tuple(f"v/{place:03d}" for place in range(learned)),
        regions=(),
        responses=(ResponseModel("ambient_temperature", 20.0, 10.0, -1.0, 1.5, -1.0, 0.3),),
    )


def figures(level: np.ndarray, *, odometer: bool = True, seed: int = 3) -> pl.DataFrame:
    """Return a drive every other day with errors of 0.8 around the level."""
    count = level.size
    rng = np.random.default_rng(seed)
    km = 100_000.0 + 80.0 * np.arange(count)
    return pl.DataFrame(
        {
            "drive": [f"v/{place:03d}" for place in range(count)],
            "started": [FIRST + timedelta(days=2 * place) for place in range(count)],
            "odometer_km": km if odometer else pl.Series([None] * count, dtype=pl.Float64),
            "value": level + rng.normal(size=count) * 0.8,
            "se": np.full(count, 0.8),
            "windows": np.full(count, 20),
            "inside": np.ones(count),
            "c_ambient_temperature": np.sin(2 * np.pi * np.arange(count) * 2 / 365.25),
        }
    )


def event(kind: str, place: int) -> MaintenanceEvent:
    """Return work done on the day before a drive."""
    day = (FIRST + timedelta(days=2 * place - 1)).date()
    return MaintenanceEvent(f"e{place}", "v", day, kind)


def step(count: int, at: int, size: float) -> np.ndarray:
    return np.where(np.arange(count) >= at, size, 0.0)


def said(level: np.ndarray, *events: MaintenanceEvent, odometer: bool = True):
    frame = figures(level, odometer=odometer)
    tracked = track(frame, baseline(), events, PLAN)
    return finding(AIRFLOW, baseline(), frame, tracked, PLAN), tracked


def test_a_healthy_vehicle_is_normal_and_zero_lies_in_its_band():
    found, tracked = said(np.zeros(120))
    assert found.state == "normal"
    assert found.low < 0.0 < found.high
    assert found.kind == "none"
    assert found.raised_on is None
    assert (tracked.state[:LEARNED] == 3).all()
    assert found.trend.frame["learned"].sum() == LEARNED


def test_a_step_is_an_alert_with_its_dates_on_the_odometer():
    found, _ = said(step(120, 80, -5.0))
    assert found.state == "alert"
    assert found.kind == "step"
    assert found.low < -5.0 < found.high
    true_km = 100_000.0 + 80 * 80.0
    assert found.since_km_low <= true_km <= found.since_km_high
    assert found.since_on_low <= (FIRST + timedelta(days=160)).date() <= found.since_on_high
    assert true_km <= found.raised_at_km <= true_km + 8 * 80.0
    assert found.limit == 8.0


def test_beyond_the_limit_is_an_alarm():
    assert said(step(120, 80, -11.0))[0].state == "alarm"


def test_without_an_odometer_wear_goes_along_the_date():
    found, tracked = said(step(120, 80, -5.0), odometer=False)
    assert not tracked.axis.has_odometer
    assert found.since_km is None
    assert found.slope_per_10000_km is None
    assert found.slope_per_year is not None
    assert found.raised_on > date(2024, 6, 1)


def test_an_odometer_that_steps_back_does_not_run_backwards():
    frame = figures(np.zeros(60)).with_columns(
        odometer_km=pl.when(pl.col("drive") == "v/050").then(1.0).otherwise(pl.col("odometer_km"))
    )
    tracked = track(frame, baseline(), (), PLAN)
    assert (np.diff(tracked.axis.distance) >= 0.0).all()


def test_only_baseline_drives_is_a_result_too():
    frame = figures(np.zeros(LEARNED))
    tracked = track(frame, baseline(), (), PLAN)
    found = finding(AIRFLOW, baseline(), frame, tracked, PLAN)
    assert found.state == "learning"
    assert "healthy period" in found.reason


def test_a_repair_that_helps_ends_the_episode_and_settles_the_zero_anew():
    level = step(140, 60, -6.0) - step(140, 90, -6.0)
    found, tracked = said(level, event("airflow_sensor_replaced", 90))
    assert (tracked.state[75:90] > 0).all()
    assert tracked.last_start == 90
    assert (tracked.state[90:98] == 3).all()
    assert found.state == "normal"
    assert abs(found.level) < 2 * (found.high - found.low)
    assert found.baseline.restarted_by is not None
    assert not tracked.repair_failed


def test_a_new_sensor_that_reads_a_little_otherwise_is_healthy():
    found, _ = said(step(140, 90, 2.0), event("airflow_sensor_replaced", 90))
    assert found.state == "normal"
    assert found.low < 0.0 < found.high


def test_a_repair_that_does_not_help_leaves_the_alert_and_says_so():
    found, tracked = said(step(140, 60, -7.0), event("airflow_sensor_cleaned", 90))
    assert tracked.repair_failed
    assert found.state in {"alert", "alarm"}
    assert "as before the work" in found.reason
    assert found.baseline.restarted_by is None
    assert found.low < -7.0 < found.high


def test_while_a_new_zero_settles_the_finding_says_how_many_drives_are_missing():
    found, tracked = said(np.zeros(93), event("airflow_sensor_replaced", 90))
    assert tracked.settling == 5
    assert "5 more drives" in found.reason
    assert found.state == "learning"


@pytest.mark.parametrize("kind", ["air_filter_replaced", "service", "turbocharger_replaced"])
def test_only_work_that_concerns_an_indicator_restarts_it(kind):
    _, tracked = said(np.zeros(120), event(kind, 90))
    assert tracked.last_start == (90 if kind == "turbocharger_replaced" else 0)


def test_work_within_the_healthy_period_restarts_nothing():
    _, tracked = said(np.zeros(120), event("airflow_sensor_replaced", 20))
    assert tracked.last_start == 0


def test_a_repair_nobody_told_of_ends_the_alert_too():
    level = step(150, 60, -6.0) - step(150, 95, -6.0)
    found, tracked = said(level)
    assert tracked.state[90] in {1, 2}
    assert found.state == "normal"


def test_later_drives_and_events_change_no_earlier_state():
    level = step(140, 60, -6.0) - step(140, 90, -6.0)
    work = event("airflow_sensor_replaced", 90)
    frame = figures(level)
    whole = track(frame, baseline(), (work,), PLAN)
    for end in (41, 65, 90, 95, 120):
        known = (work,) if end > 90 else ()
        then = track(frame.head(end), baseline(), known, PLAN)
        settled = end if not 90 < end < 98 else 90
        np.testing.assert_array_equal(then.state[:settled], whole.state[:settled])
        np.testing.assert_array_equal(then.level[:settled], whole.level[:settled])


def test_a_yearly_wave_without_a_fault_widens_the_band_first_and_is_then_known():
    """A wave of 0.6 that no condition explains, over four years of drives every other day."""
    count = 730
    wave = 0.6 * np.sin(2 * np.pi * np.arange(count) * 2 / 365.25 + 1.0)
    found, tracked = said(wave - wave[:LEARNED].mean())
    assert found.state == "normal"
    first, last = slice(LEARNED, 180), slice(550, None)
    assert np.abs(tracked.level[last]).mean() < 0.5 * np.abs(wave[last]).mean()
    assert tracked.level_sd[last].mean() < 0.6 * tracked.level_sd[first].mean()


def test_a_trend_holds_the_conditions_of_its_figures():
    frame = figures(np.zeros(120)).with_columns(c_surroundings=pl.Series(np.linspace(-1, 1, 120)))
    found = finding(AIRFLOW, baseline(), frame, track(frame, baseline(), (), PLAN), PLAN)
    assert found.trend.frame["c_surroundings"].to_list() == frame["c_surroundings"].to_list()

"""What must hold of baselines whatever a vehicle has driven."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from healthtrack.baseline import (
    Baseline,
    RegionModel,
    ResponseModel,
    figures,
    from_json,
    healthy_period,
    learn,
    to_json,
)
from healthtrack.baseline.surface import Axis
from healthtrack.config import BaselineSettings, VehicleSettings
from healthtrack.indicators import ALL

AIRFLOW = replace(ALL["airflow"], scale="native")
FIRST = datetime(2024, 1, 1, 7, tzinfo=UTC)
PERIOD = (date(2024, 1, 1), date(2024, 6, 1))
FEW = settings(max_examples=12, deadline=None)
numbers = st.floats(-1e6, 1e6, allow_nan=False, allow_subnormal=True)


def observed(seed: int, drives: int, windows: int = 6) -> pl.DataFrame:
    """Return observations of a sound vehicle: speeds, loads and weather as they come."""
    rng = np.random.default_rng(seed)
    count = drives * windows
    drive = np.repeat(np.arange(drives), windows)
    speed, demand = rng.uniform(1200, 3000, count), rng.uniform(20, 80, count)
    warmth = rng.uniform(0, 30, drives)[drive]
    y = 3.0 * np.sin(speed / 900.0) + 0.05 * demand - 0.15 * warmth
    y += rng.normal(0.0, 0.7, drives)[drive] + rng.normal(0.0, 1.0, count)
    return pl.DataFrame(
        {
            "drive": [f"v/{place:03d}" for place in drive],
            "t": [FIRST + timedelta(days=int(d), seconds=k) for k, d in enumerate(drive)],
            "y": y,
            "region": ["part_load"] * count,
            "engine_speed": speed,
            "demand": demand,
            "ambient_temperature": warmth,
            "ambient_pressure": np.full(count, 98.0),
        }
    )


@FEW
@given(seed=st.integers(0, 10_000), order=st.randoms(use_true_random=False))
def test_the_order_of_rows_is_none_of_it(seed, order):
    frame = observed(seed, 25)
    places = list(range(frame.height))
    order.shuffle(places)
    assert learn(AIRFLOW, frame[places], PERIOD).digest() == learn(AIRFLOW, frame, PERIOD).digest()


@FEW
@given(seed=st.integers(0, 10_000), level=st.floats(-30.0, 30.0))
def test_another_level_moves_the_surface_and_no_figure(seed, level):
    """The level has next to no prior: 100 % against a third of a percent from the drives."""
    frame = observed(seed, 25)
    lifted = frame.with_columns(pl.col("y") + level)
    one, other = learn(AIRFLOW, frame, PERIOD), learn(AIRFLOW, lifted, PERIOD)
    a, b = figures(AIRFLOW, one, frame).drives, figures(AIRFLOW, other, lifted).drives
    np.testing.assert_allclose(b["value"], a["value"], atol=0.05)
    np.testing.assert_allclose(b["se"], a["se"], rtol=0.02)


@FEW
@given(seed=st.integers(0, 10_000), kept=st.integers(25, 60))
def test_a_complete_healthy_period_stays_whatever_comes_after(seed, kept):
    frame = observed(seed, 60)
    early = frame.filter(pl.col("drive") < f"v/{kept:03d}")
    asked = (VehicleSettings(), BaselineSettings())
    then = healthy_period(AIRFLOW, early, *asked)
    if not then.missing:
        assert healthy_period(AIRFLOW, frame, *asked) == then


@FEW
@given(seed=st.integers(0, 10_000), drives=st.integers(1, 60))
def test_too_few_drives_are_words_and_enough_are_none(seed, drives):
    period = healthy_period(AIRFLOW, observed(seed, drives), VehicleSettings(), BaselineSettings())
    if drives < BaselineSettings().minimum_drives:
        noun = "drive" if drives == 1 else "drives"
        assert period.missing.startswith(f"have {drives} {noun}, need 20")
    assert len(period.drives) <= max(drives, BaselineSettings().longest_drives)


@st.composite
def baselines(draw: st.DrawFn) -> Baseline:
    size = draw(st.integers(1, 4))
    row = st.tuples(*[numbers] * size)
    region = RegionModel(
        region=draw(st.text(max_size=8)),
        axes=(Axis("engine_speed", draw(numbers), draw(numbers)),),
        coefficients=draw(row),
        covariance=tuple(draw(row) for _ in range(size)),
        window_sd=draw(numbers),
        drive_sd=draw(numbers),
        correlation=draw(numbers),
        windows=draw(st.integers(0, 10**9)),
        drives=draw(st.integers(0, 10**6)),
    )
    response = ResponseModel("ambient_temperature", *(draw(numbers) for _ in range(6)))
    return Baseline(
        indicator="airflow",
        start=draw(st.dates()),
        end=draw(st.dates()),
        drives=tuple(draw(st.lists(st.text(max_size=12), max_size=4))),
        regions=(region,),
        responses=(response,),
        sisters=draw(st.integers(0, 9)),
        seen={"demand": (draw(numbers), draw(numbers))},
    )


@settings(max_examples=60, deadline=None)
@given(baselines())
def test_what_is_stored_is_what_was_learned_to_the_last_digit(baseline):
    again = from_json(to_json(baseline))
    assert again == baseline
    assert again.digest() == baseline.digest()

"""One figure per drive, with an error that is neither too small nor too large."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import figures, learn

PERIOD = (date(2024, 1, 1), date(2024, 3, 1))


@pytest.fixture
def learned(maker, airflow):
    return learn(airflow, maker.observe(80), PERIOD)


def answer_of(learned):
    return next(r for r in learned.responses if r.condition == "ambient_temperature")


def test_a_drives_error_is_the_scatter_of_its_figure(maker, airflow, learned):
    new = figures(airflow, learned, maker.observe(300, first=500, warmth=np.full(300, 20.0)))
    z = (new.drives["value"] - new.drives["value"].mean()) / new.drives["se"]
    assert z.std() == pytest.approx(1.0, abs=0.2)


def test_a_loss_is_measured_in_full(maker, airflow, learned):
    new = maker.observe(60, first=500).with_columns(pl.col("y") - 5.0)
    found = figures(airflow, learned, new).drives
    assert found["value"].mean() == pytest.approx(-5.0, abs=0.35 + 2 * answer_of(learned).sd)


def test_wild_windows_are_weighted_down_not_dropped(maker, airflow, learned):
    new = maker.observe(1, 41, first=500, offset=np.zeros(1))
    lifted = pl.when(pl.int_range(pl.len()) < 4).then(pl.col("y") + 60.0).otherwise("y")
    a = figures(airflow, learned, new).drives
    b = figures(airflow, learned, new.with_columns(y=lifted)).drives
    assert b["windows"][0] == 41
    assert abs(a["value"][0] - b["value"][0]) < 0.6  # a mean would move by 5.9


def test_percent_is_the_exponential_of_the_logarithm(maker, airflow, learned):
    percent = replace(airflow, scale="log_percent")
    new = maker.observe(3, first=500)
    ours, native = (figures(i, learned, new).drives["value"].to_numpy() for i in (percent, airflow))
    np.testing.assert_allclose(ours, (np.exp(native / 100) - 1) * 100, rtol=1e-12)


def test_what_was_never_seen_is_not_inside(maker, airflow, learned):
    seen = figures(airflow, learned, maker.observe(5, first=500)).drives
    other = maker.observe(5, first=600, speed=(5000.0, 6000.0))
    unseen = figures(airflow, learned, other).drives
    assert seen["inside"].min() > 0.9
    assert unseen["inside"].max() < 0.1
    assert unseen["se"].min() > 2 * seen["se"].max()


def test_an_unknown_temperature_costs_what_the_answer_to_it_may_be(maker, airflow, learned):
    new = maker.observe(20, first=500, warmth=np.full(20, 20.0))
    nothing = new.with_columns(ambient_temperature=pl.lit(None, dtype=pl.Float64))
    known, unknown = (figures(airflow, learned, frame).drives for frame in (new, nothing))
    extra = (unknown["se"] ** 2 - known["se"] ** 2).to_numpy()
    answer = answer_of(learned)
    np.testing.assert_allclose(extra, answer.mean**2 + answer.sd**2, rtol=1e-6)
    assert (unknown["c_ambient_temperature"] == 0.0).all()


def test_two_regions_are_joined_by_their_precision(maker, airflow):
    frame = maker.observe(40)
    both = pl.concat([frame, frame.with_columns(region=pl.lit("full_load"))])
    found = figures(airflow, learn(airflow, both, PERIOD), both)
    assert found.regions.height == 2 * found.drives.height
    one = found.regions.filter(pl.col("drive") == "v/0003")
    joined = found.drives.filter(pl.col("drive") == "v/0003")
    weight = 1 / one["se"].to_numpy() ** 2
    assert joined["value"][0] == pytest.approx(np.average(one["value"], weights=weight))


def test_a_region_that_the_baseline_never_saw_is_left_out(maker, airflow, learned):
    new = maker.observe(3, first=500).with_columns(region=pl.lit("full_load"))
    found = figures(airflow, learned, new)
    assert found.drives.height == 0
    assert found.drives.columns == figures(airflow, learned, maker.observe(2)).drives.columns

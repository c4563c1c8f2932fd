"""Which drives are the healthy period, and what is said while there are too few."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from healthtrack.baseline import healthy_period
from healthtrack.config import BaselineSettings, VehicleSettings

SETTINGS = BaselineSettings(minimum_drives=20, automatic_drives=30)


@pytest.fixture
def observations(maker):
    return maker.observe(50, 3)


def test_the_first_drives_are_the_healthy_period_where_none_is_stated(observations):
    period = healthy_period(observations.reverse(), VehicleSettings(), SETTINGS)
    assert period.drives == tuple(f"v/{place:04d}" for place in range(30))
    assert (period.start, period.end, period.missing) == (date(2024, 1, 1), date(2024, 1, 30), "")


def test_stated_days_are_kept_both_included(observations):
    stated = VehicleSettings(baseline_from=date(2024, 1, 5), baseline_to=date(2024, 1, 26))
    period = healthy_period(observations, stated, SETTINGS)
    assert len(period.drives) == 22
    assert (period.start, period.end) == (date(2024, 1, 5), date(2024, 1, 26))


def test_too_few_drives_say_how_many_are_there_and_needed(observations):
    few = healthy_period(observations.head(9 * 3), VehicleSettings(), SETTINGS)
    assert few.missing == "have 9 drives, need 20"
    stated = VehicleSettings(baseline_to=date(2024, 1, 5))
    short = healthy_period(observations, stated, SETTINGS)
    assert short.missing == "have 5 drives in the stated healthy period, need 20"


def test_no_drive_at_all_is_a_result(observations):
    nothing = healthy_period(observations.head(0), VehicleSettings(), SETTINGS)
    assert nothing.drives == ()
    assert nothing.start is None
    assert nothing.missing == "have 0 drives, need 20"


def test_drives_without_a_usable_figure_do_not_count(observations):
    blank = observations.with_columns(
        y=pl.when(pl.col("drive") < "v/0010").then(None).otherwise(pl.col("y"))
    )
    period = healthy_period(blank, VehicleSettings(), SETTINGS)
    assert period.drives[0] == "v/0010"


def test_later_drives_do_not_move_the_automatic_period(observations):
    now = healthy_period(observations.head(35 * 3), VehicleSettings(), SETTINGS)
    later = healthy_period(observations, VehicleSettings(), SETTINGS)
    assert now == later

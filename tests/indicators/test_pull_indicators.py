from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.indicators import ALL
from healthtrack.indicators.spool_time import spool_column
from healthtrack.operating import PULL_SCHEMA

VEHICLE = VehicleSettings(displacement_l=2.0)
START = datetime(2024, 3, 1, 7, 0, tzinfo=UTC)


@pytest.fixture
def pulls():
    """Return forty pulls in a long gear and ten in a short one, one a day."""
    count = 50
    short = np.arange(count) % 5 == 4
    frame = pl.DataFrame(
        {
            "drive": [f"otter/{day:03d}" for day in range(count)],
            "t": [START + timedelta(days=day) for day in range(count)],
            "gear_ratio": np.where(short, 45.0, 30.3 + 0.2 * np.sin(np.arange(count))),
            "engine_speed_start": 1500.0,
            "engine_speed_end": 2500.0,
            "manifold_pressure_start": 120.0,
            "manifold_pressure_peak": 205.0,
            "seconds_to_140": 0.6,
            "seconds_to_160": 1.2,
            "seconds_to_180": 2.0,
            "seconds_to_200": pl.Series([None, 3.0, None, None, None] * 10, dtype=pl.Float64),
            "specific_power": np.where(short, 60.0, 40.0),
            "settled_engine_speed": 2400.0,
            "ambient_temperature": 15.0,
            "ambient_pressure": 97.0,
        }
    ).cast({"t": pl.Datetime("us", "UTC")})
    return pl.concat([pl.DataFrame(schema=PULL_SCHEMA), frame], how="diagonal")


@pytest.mark.parametrize("name", ["spool_time", "pull_power"])
def test_pulls_are_compared_in_the_longest_gear_that_is_often_pulled(pulls, name):
    seen = ALL[name].observe(pulls, VEHICLE)
    assert seen.height == 40
    assert seen["region"].unique().to_list() == ["pull"]


def test_a_burst_or_another_start_is_not_compared(pulls):
    odd = pulls.with_columns(
        engine_speed_end=pl.when(pl.int_range(pl.len()) == 0)
        .then(2000.0)
        .otherwise(pl.col("engine_speed_end")),
        engine_speed_start=pl.when(pl.int_range(pl.len()) == 1)
        .then(1250.0)
        .otherwise(pl.col("engine_speed_start")),
    )
    assert ALL["spool_time"].observe(odd, VEHICLE).height == 38


def test_two_odd_pulls_in_a_longer_gear_do_not_decide(pulls):
    odd = pulls.with_columns(
        gear_ratio=pl.when(pl.int_range(pl.len()) < 2).then(22.0).otherwise(pl.col("gear_ratio"))
    )
    assert ALL["pull_power"].observe(odd, VEHICLE).height == 38


def test_spool_time_is_taken_to_the_highest_pressure_on_the_steep_part_of_early_pulls(pulls):
    assert spool_column(pulls) == "seconds_to_180"
    assert ALL["spool_time"].observe(pulls, VEHICLE)["y"].unique().to_list() == [2.0]
    mild = pulls.with_columns(manifold_pressure_peak=190.0)
    assert spool_column(mild) == "seconds_to_160"


def test_a_turbocharger_that_weakens_later_does_not_lower_the_pressure_looked_at(pulls):
    late = pl.int_range(pl.len()) >= 20
    weak = pulls.with_columns(seconds_to_180=pl.when(~late).then(pl.col("seconds_to_180")))
    assert spool_column(weak) == "seconds_to_180"


def test_ten_percent_less_power_is_ten_percent(pulls):
    before = ALL["pull_power"].observe(pulls, VEHICLE)["y"]
    after = ALL["pull_power"].observe(pulls.with_columns(pl.col("specific_power") * 0.9), VEHICLE)[
        "y"
    ]
    assert (after - before).to_numpy() == pytest.approx(100 * np.log(0.9))

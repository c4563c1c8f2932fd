"""``spool_time``: how long boost takes to build in a pull."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.indicators.airflow import CONDITIONS, SPEED
from healthtrack.indicators.boost import PRESSURE
from healthtrack.indicators.declaration import Indicator, Need, Response
from healthtrack.indicators.drives import first_drives
from healthtrack.indicators.pulls import like_pulls
from healthtrack.operating.pull_figures import SPOOL_PRESSURES

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

DEMAND = Need(
    ("pedal", "load", "fuel_per_stroke", "torque"),
    "a measure of demand: pedal, load, injected fuel or torque",
)


STEEP = 0.9
"""The pressure to which time is taken lies at most at this share of the early pulls' peak: above
it boost creeps, and a trifle of pressure is seconds."""


def spool_column(pulls: pl.DataFrame) -> str | None:
    """Name the column of the highest pressure on the steep part of most early pulls."""
    early = first_drives(pulls)
    peak = early["manifold_pressure_peak"].median()
    if not isinstance(peak, int | float):
        return None
    for level in reversed(SPOOL_PRESSURES):
        column = f"seconds_to_{level}"
        if level <= STEEP * peak and 2 * early[column].count() >= early.height:
            return column
    return None


def observe(pulls: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Take the time from the demand to one manifold pressure, the same for all of a vehicle's life.

    A fixed pressure and not a share of the pull's own peak: a weak turbocharger has a low peak.
    """
    like = like_pulls(pulls, vehicle)
    column = spool_column(like)
    seconds = pl.col(column) if column else pl.lit(None, dtype=pl.Float64)
    return (
        like.with_columns(y=seconds)
        .select("drive", "t", "y", "region", "like", *CONDITIONS)
        .drop_nulls("y")
    )


SPOOL_TIME = Indicator(
    name="spool_time",
    label="Spool time",
    unit="s",
    scale="native",
    needs=(SPEED, PRESSURE, DEMAND, Need(("vehicle_speed",), "road speed")),
    predictors=("like",),
    responses=(
        Response(
            "ambient_temperature",
            reference=20.0,
            step=10.0,
            mean=0.0,
            sd=0.1,
            reason="hot air is less of it, but hotter exhaust drives the turbine harder",
        ),
        Response(
            "ambient_pressure",
            reference=98.0,
            step=1.0,
            mean=-0.02,
            sd=0.03,
            reason="thinner air gives the turbine less to start with, about 2 % of the time "
            "per 1 % of density",
        ),
    ),
    concern="high",
    limit=0.6,
    limit_reason="common practice, no source: half a second more is what a driver notices",
    observe=observe,
    meaning="time from full demand to the same boost, in the same gear",
    regions=("pull",),
    source="pulls",
    notice=0.2,
    notice_reason="a poll of half a second can not place the pedal better (common practice, no "
    "source)",
)

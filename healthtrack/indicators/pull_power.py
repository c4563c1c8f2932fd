"""``pull_power``: power at the wheels in a pull, from how the vehicle gains speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.indicators.airflow import CONDITIONS, SPEED
from healthtrack.indicators.declaration import Indicator, Need, Response
from healthtrack.indicators.pulls import like_pulls
from healthtrack.indicators.spool_time import DEMAND

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings


def observe(pulls: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Take the power per mass once boost has settled, of pulls that are alike.

    Without altitude the road's slope is unknown: on another road 1 % of slope is some 10 % of
    power. The test is worth what its repetition is: the same road, the same gear.
    """
    return (
        like_pulls(pulls, vehicle)
        .filter(pl.col("specific_power") > 0.0)
        .with_columns(y=100.0 * pl.col("specific_power").log())
        .select("drive", "t", "y", "region", "like", *CONDITIONS)
        .drop_nulls("y")
    )


PULL_POWER = Indicator(
    name="pull_power",
    label="Pull power",
    unit="%",
    scale="log_percent",
    needs=(SPEED, DEMAND, Need(("vehicle_speed",), "road speed")),
    predictors=("like",),
    responses=(
        Response(
            "ambient_temperature",
            reference=20.0,
            step=10.0,
            mean=-1.0,
            sd=1.0,
            reason="ISO 1585 gives a turbocharged diesel 1 to 2 % per 10 K; modern control hides "
            "most of it (UN R85, supplement 7)",
        ),
        Response(
            "ambient_pressure",
            reference=98.0,
            step=1.0,
            mean=0.3,
            sd=0.4,
            reason="between control that holds power and ISO 1585's 0.7 · engine factor percent "
            "per percent",
        ),
    ),
    concern="low",
    limit=-12.0,
    limit_reason="common practice, no source: a tenth less pull is noticed on every hill",
    observe=observe,
    meaning="power per mass in a full-load acceleration, in the same gear over the same speeds",
    regions=("pull",),
    source="pulls",
    notice=3.0,
    notice_reason="a passenger more, softer tyres or a head wind are 3 % (80 kg of 1700 kg are 5)",
)

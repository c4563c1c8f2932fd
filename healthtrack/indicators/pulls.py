"""What the two indicators of pulls have in common: like is compared with like."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, overload

import numpy as np
import polars as pl

from healthtrack.indicators.conditions import with_surroundings
from healthtrack.indicators.drives import first_drives

if TYPE_CHECKING:
    from collections.abc import Mapping

    from healthtrack.config import VehicleSettings

SAME_GEAR = 0.05
"""Gear ratios this close are the same gear: neighbours are 20 % and more apart."""

WIDE = 1.5
"""Engine speed at the end over that at the start, at least, of a pull that is compared over the
years: the owner's repeatable test (top gear, 60 to 100 km/h: 1.67), not a burst on a hill. On the
demo's vehicles such pulls in one gear scatter by 1 to 1.5 % in power, all pulls by 10 to 30 %."""

SAME_START = 0.08
"""Engine speeds at the start this close to the early pulls' median are alike: spool time depends on
where boost begins."""

FEW = 5
"""Early pulls in a gear that make it worth comparing: the longest such gear is taken, because its
pulls last longest and are measured best; the commonest where there is none."""


def like_pulls(pulls: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Keep the wide pulls in the longest gear of which there are :data:`FEW`; add surroundings.

    They are alike in gear, range and start, so that no surface over speed is needed; ``like`` is
    the constant predictor that stands for it.

    Parameters
    ----------
    pulls : polars.DataFrame
        ``pulls`` of :mod:`healthtrack.records`, all of one vehicle.
    vehicle : VehicleSettings
        The vehicle's settings.
    """
    wide = pulls.filter(pl.col("engine_speed_end") >= WIDE * pl.col("engine_speed_start"))
    frame = with_surroundings(
        wide.with_columns(
            altitude=pl.lit(None, dtype=pl.Float64), region=pl.lit("pull"), like=pl.lit(1.0)
        ),
        vehicle,
    )
    early = first_drives(wide).drop_nulls("gear_ratio").sort("gear_ratio")
    ratios = early["gear_ratio"]
    if not ratios.len():
        return frame.clear()
    near = [int(_alike(ratios, ratio, SAME_GEAR).sum()) for ratio in ratios]
    enough = min(FEW, max(near))
    gear = ratios[next(place for place, count in enumerate(near) if count >= enough)]
    chosen = early.filter(_alike(ratios, gear, SAME_GEAR))
    return frame.filter(
        _alike(pl.col("gear_ratio"), _median(chosen["gear_ratio"]), SAME_GEAR)
        & _alike(pl.col("engine_speed_start"), _median(chosen["engine_speed_start"]), SAME_START)
    )


def are_alike(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two pulls (rows of ``pulls``) can be compared: one gear, one speed at the start."""

    def near(name: str, width: float) -> bool:
        a, b = one.get(name), other.get(name)
        return bool(a and b and abs(math.log(a / b)) <= width)

    return near("gear_ratio", SAME_GEAR) and near("engine_speed_start", SAME_START)


@overload
def _alike(values: pl.Series, middle: float, width: float) -> pl.Series: ...
@overload
def _alike(values: pl.Expr, middle: float, width: float) -> pl.Expr: ...
def _alike(values: pl.Series | pl.Expr, middle: float, width: float) -> pl.Series | pl.Expr:
    return (values / middle).log().abs() <= width


def _median(values: pl.Series) -> float:
    return float(np.median(values.drop_nulls().to_numpy()))

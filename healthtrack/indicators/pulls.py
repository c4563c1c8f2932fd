"""What the two indicators of pulls have in common: like is compared with like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.indicators.conditions import first_drives, with_surroundings

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

SAME_GEAR = 0.05
"""Gear ratios this close are the same gear: neighbours are 20 % and more apart."""

FEW = 5
"""Early pulls in a gear that make it worth comparing: the longest such gear is taken, because its
pulls last longest and are measured best; the commonest where there is none."""


def like_pulls(pulls: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Keep the pulls in the longest gear of which there are :data:`FEW`; add surroundings.

    Parameters
    ----------
    pulls : polars.DataFrame
        ``pulls`` of :mod:`healthtrack.records`, all of one vehicle.
    vehicle : VehicleSettings
        The vehicle's settings.
    """
    frame = with_surroundings(
        pulls.with_columns(altitude=pl.lit(None, dtype=pl.Float64), region=pl.lit("pull")), vehicle
    )
    early = first_drives(pulls)["gear_ratio"].drop_nulls().sort()
    if not early.len():
        return frame.clear()
    near = [int(((early / ratio).log().abs() <= SAME_GEAR).sum()) for ratio in early]
    enough = min(FEW, max(near))
    gear = early[next(place for place, count in enumerate(near) if count >= enough)]
    middle = early.filter((early / gear).log().abs() <= SAME_GEAR).median()
    return frame.filter((pl.col("gear_ratio") / middle).log().abs() <= SAME_GEAR)

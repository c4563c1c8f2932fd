"""Which drives are the healthy period, and what is missing while there are too few."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.config import BaselineSettings, VehicleSettings


@dataclass(frozen=True, slots=True)
class Period:
    """The healthy period: its drives, first and last day, and what is missing (empty: nothing)."""

    drives: tuple[str, ...]
    start: date | None
    end: date | None
    missing: str


def healthy_period(
    observations: pl.DataFrame, vehicle: VehicleSettings, settings: BaselineSettings
) -> Period:
    """Choose the healthy period of one indicator.

    The stated days where the user gave them; else the vehicle's first drives with usable windows,
    ``automatic_drives`` of them or as many as there are once the minimum is reached.

    Parameters
    ----------
    observations : DataFrame
        Of all drives so far: ``drive``, ``t``, ``y``.
    vehicle : VehicleSettings
        Holds the stated period.
    settings : BaselineSettings
        Holds how many drives are needed.
    """
    per_drive = (
        observations.drop_nulls("y")
        .group_by("drive")
        .agg(pl.col("t").min().dt.date().alias("day"), pl.col("t").min())
        .sort("t", "drive")
    )
    stated = vehicle.baseline_from is not None or vehicle.baseline_to is not None
    if vehicle.baseline_from is not None:
        per_drive = per_drive.filter(pl.col("day") >= vehicle.baseline_from)
    if vehicle.baseline_to is not None:
        per_drive = per_drive.filter(pl.col("day") <= vehicle.baseline_to)
    if not stated:
        per_drive = per_drive.head(settings.automatic_drives)
    missing = ""
    if per_drive.height < settings.minimum_drives:
        within = " in the stated healthy period" if stated else ""
        missing = f"have {per_drive.height} drives{within}, need {settings.minimum_drives}"
    days = per_drive["day"]
    return Period(
        drives=tuple(per_drive["drive"].to_list()),
        start=days[0] if per_drive.height else None,
        end=days[-1] if per_drive.height else None,
        missing=missing,
    )

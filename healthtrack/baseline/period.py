"""Which drives are the healthy period, and what is missing while they do not suffice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.baseline.coverage import lacking
from healthtrack.config import MAINTENANCE_KINDS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.config import BaselineSettings, VehicleSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import MaintenanceEvent


@dataclass(frozen=True, slots=True)
class Period:
    """The healthy period: its drives, first and last day, and what is missing (empty: nothing)."""

    drives: tuple[str, ...]
    start: date | None
    end: date | None
    missing: str


@dataclass(frozen=True, slots=True)
class _Asked:
    """Whose drives these are, and how many of what are asked for."""

    indicator: Indicator
    observations: pl.DataFrame
    settings: BaselineSettings


def healthy_period(
    indicator: Indicator,
    observations: pl.DataFrame,
    vehicle: VehicleSettings,
    settings: BaselineSettings,
    events: Sequence[MaintenanceEvent] = (),
) -> Period:
    """Choose the healthy period of one indicator.

    The stated days where the user gave their end. Else the first drives with usable windows, from
    the stated beginning on where there is one: as many as are asked for, and more, up to
    ``longest_drives``, while they cover too little of speed, load and temperature. Work that
    restarts the indicator before they suffice starts the search anew: two sensors make no surface.
    What comes after the period never moves it.

    Parameters
    ----------
    indicator : Indicator
        Its declaration.
    observations : DataFrame
        Of all drives so far: ``drive``, ``t``, ``y``, ``region``, predictors and conditions.
    vehicle : VehicleSettings
        Holds the stated period.
    settings : BaselineSettings
        Holds how much is needed.
    events : sequence of MaintenanceEvent
        Of this vehicle, so far.
    """
    usable = observations.drop_nulls("y")
    asked = _Asked(indicator, usable, settings)
    per_drive = (
        usable.group_by("drive")
        .agg(pl.col("t").min().dt.date().alias("day"), pl.col("t").min())
        .sort("t", "drive")
    )
    if vehicle.baseline_to is not None:
        return _stated(per_drive, vehicle, settings)
    starts = [event for event in events if indicator.name in MAINTENANCE_KINDS[event.kind][1]]
    since, begin = "", vehicle.baseline_from
    if begin is not None:
        per_drive = per_drive.filter(pl.col("day") >= begin)
        starts = [event for event in starts if event.on >= begin]
        since = f" since {begin}"
    starts.sort(key=lambda event: event.on)
    for event in starts:
        before = _automatic(per_drive.filter(pl.col("day") <= event.on), asked, since)
        if not before.missing:
            return before
        per_drive = per_drive.filter(pl.col("day") > event.on)
        since = f" since the work of {event.on}"
    return _automatic(per_drive, asked, since)


def borrowing_period(
    indicator: Indicator,
    observations: pl.DataFrame,
    vehicle: VehicleSettings,
    settings: BaselineSettings,
    events: Sequence[MaintenanceEvent] = (),
) -> Period:
    """Choose the few drives that settle a vehicle's own level where sisters lend the rest.

    As :func:`healthy_period`, with ``borrowing_drives`` of them and nothing asked of what they
    cover: that is what sisters are for.
    """
    few = settings.borrowing_drives
    counts = {"minimum_drives": few, "automatic_drives": few, "longest_drives": few}
    return healthy_period(
        indicator, observations, vehicle, settings.model_copy(update=counts), events
    )


def _stated(
    per_drive: pl.DataFrame, vehicle: VehicleSettings, settings: BaselineSettings
) -> Period:
    if vehicle.baseline_from is not None:
        per_drive = per_drive.filter(pl.col("day") >= vehicle.baseline_from)
    if vehicle.baseline_to is not None:
        per_drive = per_drive.filter(pl.col("day") <= vehicle.baseline_to)
    need = settings.minimum_drives
    have = f"have {_drives(per_drive)} in the stated healthy period, need {need}"
    return _period(per_drive, have if per_drive.height < need else "")


def _automatic(per_drive: pl.DataFrame, asked: _Asked, since: str) -> Period:
    """Return the shortest run of first drives that suffices, or all of them and what they lack."""
    settings = asked.settings
    longest = max(settings.longest_drives, settings.automatic_drives)
    first = min(settings.automatic_drives, max(per_drive.height, settings.minimum_drives))
    missing = _lacking(per_drive, asked)
    if per_drive.height < first:
        have = f"have {_drives(per_drive)}{since}, need {settings.minimum_drives}"
        return _period(per_drive, "; ".join((have, *missing)))
    for count in range(first, min(per_drive.height, longest) + 1):
        drives = per_drive.head(count)
        if count == longest or not _lacking(drives, asked):
            return _period(drives, "")
    have = f"have {_drives(per_drive)}{since}, but "
    rest = f"; it is learned from {longest} drives at the latest"
    return _period(per_drive, have + "; ".join(missing) + rest)


def _lacking(per_drive: pl.DataFrame, asked: _Asked) -> tuple[str, ...]:
    rows = asked.observations.filter(pl.col("drive").is_in(per_drive["drive"].implode()))
    return lacking(asked.indicator, rows, asked.settings)


def _drives(per_drive: pl.DataFrame) -> str:
    return "1 drive" if per_drive.height == 1 else f"{per_drive.height} drives"


def _period(per_drive: pl.DataFrame, missing: str) -> Period:
    days = per_drive["day"]
    return Period(
        drives=tuple(per_drive["drive"].to_list()),
        start=days[0] if per_drive.height else None,
        end=days[-1] if per_drive.height else None,
        missing=missing,
    )

"""Several logs of one drive are one drive.

Many loggers begin a new file every so many minutes. Samples within a drive are one witness, so the
pieces must not count as so many drives.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from healthtrack.records import VehicleHistory

ONE_DRIVE_WITHIN = timedelta(seconds=60)
"""A drive that begins so soon after the end of another goes on with it.

A logger needs a few seconds to close a file and open the next; nobody parks, leaves the car and
drives off again within a minute (common practice, no source). Stops at a pump take longer.
"""


def joined(history: VehicleHistory) -> VehicleHistory:
    """Return a history in which the pieces of one drive are one drive, under the first one's id."""
    names = drive_names(history.drives)
    changed = {piece: whole for piece, whole in names.items() if piece != whole}
    if not changed:
        return history
    return replace(
        history,
        drives=_joined_drives(history.drives, names),
        windows=_standing_for_all(_renamed(history.windows, changed)),
        standstills=_renamed(history.standstills, changed),
        pulls=_renamed(history.pulls, changed),
    )


def drive_names(drives: pl.DataFrame) -> dict[str, str]:
    """Return for each drive the drive that it belongs to: itself, or the one that it goes on with.

    Parameters
    ----------
    drives : frame
        ``drive``, ``started``, ``ended`` of one vehicle.
    """
    if drives.height < 2:
        return {name: name for name in drives["drive"]} if drives.height else {}
    ordered = drives.sort("started", "drive")
    pause = ordered["started"] - ordered["ended"].cum_max().shift()
    begins = (pause > ONE_DRIVE_WITHIN).fill_null(value=True)
    whole = ordered.select(pl.col("drive").first().over(begins.cum_sum())).to_series()
    return dict(zip(ordered["drive"], whole, strict=True))


def _renamed(frame: pl.DataFrame | None, names: dict[str, str]) -> pl.DataFrame | None:
    if frame is None or "drive" not in frame.columns or frame.is_empty():
        return frame
    return frame.with_columns(pl.col("drive").replace(names))


def _standing_for_all(windows: pl.DataFrame | None) -> pl.DataFrame:
    """Give all windows of a drive the standing pressure that one of its pieces has."""
    assert windows is not None
    if "standing_pressure" not in windows.columns or windows.is_empty():
        return windows
    return windows.with_columns(pl.col("standing_pressure").drop_nulls().first().over("drive"))


def _joined_drives(drives: pl.DataFrame, names: dict[str, str]) -> pl.DataFrame:
    merged = (
        drives.sort("started", "drive")
        .with_columns(pl.col("drive").replace(names))
        .group_by("drive", maintain_order=True)
        .agg(
            pl.col("started").min(),
            pl.col("ended").max(),
            pl.col("odometer_km").drop_nulls().last(),
            pl.when(pl.col("distance_km").count() > 0).then(pl.col("distance_km").sum()),
            pl.exclude("started", "ended", "odometer_km", "distance_km", "drive").first(),
        )
    )
    return merged.select(drives.columns)

"""The odometer of drives whose logs do not tell it, from known readings and the distance driven."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.ingest.order import longest_rise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.records import MaintenanceEvent, VehicleHistory

    FloatArray = NDArray[np.float64]


def with_odometer(history: VehicleHistory) -> VehicleHistory:
    """Return a history in which every drive has an odometer, if any reading is known at all.

    Known readings are those of the drives and of the maintenance events; of readings that go
    backwards as few as explain it are left out. Between two readings the distance is shared out as
    the logged distance was driven; before the first and after the last the logged distance itself
    is taken, which leaves out what was driven without a logger.
    """
    drives = history.drives
    if drives.is_empty() or drives["odometer_km"].null_count() == 0:
        return history
    at, driven = _driven(drives)
    anchor_at, anchor_km = _anchors(drives, history.maintenance)
    if not len(anchor_at):
        return history
    order = np.argsort(at, kind="stable")
    ended_by_then = np.searchsorted(at[order], anchor_at, side="right")
    anchor_driven = np.r_[0.0, driven[order]][ended_by_then]
    filled = _shared_out(at, driven, (anchor_at, anchor_driven, anchor_km))
    column = pl.Series("odometer_km", filled, dtype=pl.Float64)
    return replace(history, drives=drives.with_columns(pl.col("odometer_km").fill_null(column)))


def _driven(drives: pl.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Return when each drive ended [s], and how far was driven in all by then. [km]."""
    at = drives["ended"].dt.epoch("us").to_numpy() / 1e6
    order = np.argsort(at, kind="stable")
    driven = np.empty(len(at))
    driven[order] = np.cumsum(drives["distance_km"].fill_null(0.0).to_numpy()[order])
    return at, driven


def _anchors(
    drives: pl.DataFrame, events: tuple[MaintenanceEvent, ...]
) -> tuple[FloatArray, FloatArray]:
    known = drives.drop_nulls("odometer_km")
    at = list(known["ended"].dt.epoch("us").to_numpy() / 1e6)
    km = list(known["odometer_km"])
    for event in events:
        if event.odometer_km is not None:
            at.append(datetime.combine(event.on, time(), tzinfo=UTC).timestamp())
            km.append(event.odometer_km)
    order = np.argsort(at, kind="stable")
    when, reading = np.array(at, dtype=np.float64)[order], np.array(km, dtype=np.float64)[order]
    kept = longest_rise(reading)
    return when[kept], reading[kept]


def _shared_out(
    at: FloatArray, driven: FloatArray, anchors: tuple[FloatArray, FloatArray, FloatArray]
) -> FloatArray:
    anchor_at, anchor_driven, anchor_km = anchors
    after = np.searchsorted(anchor_at, at, side="left")
    filled = np.empty(len(at))
    for row, place in enumerate(after):
        if place == 0:
            filled[row] = anchor_km[0] - (anchor_driven[0] - driven[row])
        elif place == len(anchor_at):
            filled[row] = anchor_km[-1] + (driven[row] - anchor_driven[-1])
        else:
            low, high = place - 1, place
            logged = anchor_driven[high] - anchor_driven[low]
            share = (
                (driven[row] - anchor_driven[low]) / logged
                if logged > 0
                else (at[row] - anchor_at[low]) / (anchor_at[high] - anchor_at[low])
            )
            filled[row] = anchor_km[low] + share * (anchor_km[high] - anchor_km[low])
    return np.maximum(filled, 0.0)

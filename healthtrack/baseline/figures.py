"""One figure per drive: what a drive's windows say against the healthy expectation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.baseline.conditions import with_drive_means
from healthtrack.baseline.surface import design

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.baseline.model import Baseline, RegionModel, ResponseModel
    from healthtrack.indicators.declaration import Indicator

    FloatArray = NDArray[np.float64]

FREEDOM = 4.0
"""Degrees of freedom of the Student-t weights over the windows of a drive."""
INSIDE_SHARE = 0.25
"""A window lies inside what was seen where the error of the expectation has at most this share of
the window's own variance."""
UNKNOWN_STEPS = 1.0
"""A condition that a drive did not log may be this many steps from its reference (one sd)."""


@dataclass(frozen=True)
class Figures:
    """Figures per drive (all regions together) and per drive and region.

    ``drives`` holds ``drive``, ``value``, ``se``, ``windows``, ``inside`` and ``c_<condition>``;
    ``regions`` the same with ``region``. Values and errors in the unit of y.
    """

    drives: pl.DataFrame
    regions: pl.DataFrame


def figures(indicator: Indicator, baseline: Baseline, observations: pl.DataFrame) -> Figures:
    """Measure each drive against the baseline.

    The standard error of a drive holds the scatter of its windows (with the correlation of
    neighbours), the scatter between healthy drives, and the error of the surface where the drive
    was. It leaves out the error of the responses, which all drives share: the drift block carries
    that as states of its own.

    Parameters
    ----------
    indicator : Indicator
        Its declaration.
    baseline : Baseline
        As learned.
    observations : DataFrame
        Of any drives.
    """
    usable = with_drive_means(observations.drop_nulls(["y", *indicator.predictors]))
    parts = []
    for model in baseline.regions:
        rows = usable.filter(pl.col("region") == model.region)
        if rows.height:
            parts.append(_region_figures(indicator, baseline, model, rows))
    if not parts:
        empty = _empty(indicator)
        return Figures(empty.drop("region"), empty)
    regions = pl.concat(parts).sort("drive", "region")
    return Figures(_combine(indicator, regions), regions)


def expectation(
    indicator: Indicator, baseline: Baseline, model: RegionModel, rows: pl.DataFrame
) -> tuple[FloatArray, FloatArray]:
    """Return the healthy value of each window and the variance of the surface there.

    Returns
    -------
    (n,), (n,) float64
        In the unit of y, and squared.
    """
    columns = [rows[name].to_numpy().astype(np.float64) for name in indicator.predictors]
    x = design(model.axes, columns)
    value = (x * np.array(model.coefficients)).sum(axis=1)
    for response in baseline.responses:
        value = value + response.mean * _steps(rows, response)
    variance = _variance(x, np.array(model.covariance), rows["drive"])
    return value, np.maximum(variance, 0.0)


def _variance(x: FloatArray, covariance: FloatArray, drives: pl.Series) -> FloatArray:
    """Return the variance of each row, drive by drive.

    The last digit of a matrix product depends on how many rows it has. What is kept of a drive must
    equal what is measured anew beside other drives.
    """
    result = np.empty(len(x))
    _, group = _by_drive(drives)
    order = np.argsort(group, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        part = x[rows]
        result[rows] = ((part @ covariance) * part).sum(axis=1)
    return result


def _by_drive(drives: pl.Series) -> tuple[pl.Series, NDArray[np.int64]]:
    """Return the drives' names in order, and the place of each row's among them."""
    names = drives.unique().sort()
    return names, drives.cast(pl.Enum(names)).to_physical().to_numpy().astype(np.int64)


def _steps(rows: pl.DataFrame, response: ResponseModel) -> FloatArray:
    if response.condition not in rows.columns:
        return np.zeros(rows.height)
    values = rows[response.condition].to_numpy().astype(np.float64)
    steps = (values - response.reference) / response.step
    return np.asarray(np.nan_to_num(steps, nan=0.0), np.float64)


def _known(rows: pl.DataFrame, condition: str) -> FloatArray:
    if condition not in rows.columns:
        return np.zeros(rows.height)
    return rows[condition].is_not_null().to_numpy().astype(np.float64)


def _region_figures(
    indicator: Indicator, baseline: Baseline, model: RegionModel, rows: pl.DataFrame
) -> pl.DataFrame:
    expected, surface_variance = expectation(indicator, baseline, model, rows)
    residual = rows["y"].to_numpy().astype(np.float64) - expected
    names, group = _by_drive(rows["drive"])
    counts = np.bincount(group)
    base = 1.0 / (model.window_sd**2 + surface_variance)
    value, weight = _robust_means(residual, base, group)
    total = np.bincount(group, weights=weight)

    def average(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(group, weights=weight * values) / total)

    effective = np.maximum(counts * (1 - model.correlation) / (1 + model.correlation), 1.0)
    variance = (
        model.drive_sd**2
        + model.window_sd**2 / np.minimum(effective, counts)
        + average(surface_variance)
    )
    conditions = {}
    for response in baseline.responses:
        unknown = 1.0 - average(_known(rows, response.condition))
        variance = variance + unknown * (response.mean**2 + response.sd**2) * UNKNOWN_STEPS**2
        conditions[f"c_{response.condition}"] = average(_steps(rows, response))
    inside = surface_variance <= INSIDE_SHARE * model.window_sd**2
    return pl.DataFrame(
        {
            "drive": names,
            "region": [model.region] * len(names),
            "value": value,
            "se": np.sqrt(variance),
            "windows": counts.astype(np.int64),
            "inside": np.bincount(group, weights=inside.astype(np.float64)) / counts,
            **conditions,
        }
    )


def _robust_means(
    residual: FloatArray, base: FloatArray, group: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Return each group's Student-t mean and the weights of its rows."""
    weight = base.copy()
    mean = np.zeros(int(group.max()) + 1)
    for _ in range(5):
        mean = np.bincount(group, weights=weight * residual) / np.bincount(group, weights=weight)
        z2 = (residual - mean[group]) ** 2 * base
        weight = base * (FREEDOM + 1) / (FREEDOM + z2)
    return mean, weight


def _combine(indicator: Indicator, regions: pl.DataFrame) -> pl.DataFrame:
    """Join a drive's regions, each weighted by its precision, and turn ratios into percent."""
    conditions = [name for name in regions.columns if name.startswith("c_")]
    weight = 1.0 / pl.col("se") ** 2
    mean = [((pl.col(n) * weight).sum() / weight.sum()).alias(n) for n in ("value", *conditions)]
    joined = (
        regions.group_by("drive", maintain_order=True)
        .agg(
            *mean,
            (1.0 / weight.sum()).sqrt().alias("se"),
            pl.col("windows").sum(),
            ((pl.col("inside") * pl.col("windows")).sum() / pl.col("windows").sum()),
        )
        .sort("drive")
    )
    if indicator.scale == "log_percent":
        joined = joined.with_columns(value=((pl.col("value") / 100).exp() - 1) * 100)
    return joined.select("drive", "value", "se", "windows", "inside", *conditions)


def _empty(indicator: Indicator) -> pl.DataFrame:
    conditions = {f"c_{response.condition}": pl.Float64 for response in indicator.responses}
    return pl.DataFrame(
        schema={
            "drive": pl.String,
            "region": pl.String,
            "value": pl.Float64,
            "se": pl.Float64,
            "windows": pl.Int64,
            "inside": pl.Float64,
            **conditions,
        }
    )

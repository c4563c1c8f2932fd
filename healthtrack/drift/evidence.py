"""What each region says of late: the levels from which a cause can be told.

The drift looks at a drive as a whole; a cause shows itself by *where* it acts. So the late drives'
figures are put together per indicator and region, less what the drift has learned of the offset
and of the weather, with the errors that they share. How the weather acts is learned for an
indicator as a whole; by how much one region answers otherwise is told here, from the earlier
drives, and taken off with its error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.indicators.conditions import ambient_from_manifold
from healthtrack.records import Evidence, RegionEvidence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.baseline import Baseline
    from healthtrack.drift.track import Tracked
    from healthtrack.indicators.declaration import Indicator

    FloatArray = NDArray[np.float64]

LATE_DRIVES = 12
"""Drives that make up 'of late': few enough to be of one level, enough to halve a drive's error."""
LEAST_WINDOWS = 5
"""A region with fewer windows of late says nothing."""
LEAST_COMMON = 8
"""Drives that two regions must share for their correlation to be told; else it is taken as zero."""
DOUBT = 8.0
"""Drives' worth of doubt by which a correlation told from few drives is drawn towards zero."""
MEANS = ("engine_speed", "airflow", "manifold_pressure", "ambient_pressure")
SUMMED = (*MEANS, "ambient_temperature")
TEMPERATURE = "ambient_temperature"
OWN_ANSWER = 0.5
"""How far one region's answer to temperature may differ from the indicator's (sd), of what the
declaration leaves open between vehicles: regions of one engine are more alike than engines."""
FLAT = 1e-6
"""Precision of what nothing is known of beforehand. [1/unit²]"""
FROM_MANIFOLD = "n_from_manifold"
"""Windows whose ambient pressure is the manifold's reading with the engine standing."""


@dataclass(frozen=True)
class Witness:
    """One indicator with all that is needed to hear its regions.

    ``regions`` as :class:`healthtrack.baseline.Figures` has them, with ``n_`` and ``s_``
    (:func:`with_sums`); ``figures`` the tracked drives in order; ``learned`` the baseline that
    they are measured against.
    """

    indicator: Indicator
    regions: pl.DataFrame
    figures: pl.DataFrame
    tracked: Tracked
    learned: Baseline


def with_sums(regions: pl.DataFrame, points: pl.DataFrame) -> pl.DataFrame:
    """Add how many windows of a drive and region hold a channel (``n_``) and their sum (``s_``).

    Also in how many the ambient pressure is the manifold's (:data:`FROM_MANIFOLD`).

    Parameters
    ----------
    regions : DataFrame
        Figures per drive and region.
    points : DataFrame
        ``drive``, ``region`` and channels, one row per observation.

    Returns
    -------
    DataFrame
        The same rows; a channel that is not in ``points`` counts as never measured.
    """
    label = points["drive"] + "|" + points["region"]
    names, group = np.unique(label.to_numpy().astype(str), return_inverse=True)
    columns: dict[str, FloatArray] = {}
    for name in SUMMED:
        known = np.zeros(points.height)
        values = np.zeros(points.height)
        if name in points.columns:
            known = points[name].is_not_null().to_numpy().astype(np.float64)
            values = points[name].cast(pl.Float64).fill_null(0.0).to_numpy()
        # one after the other in order of the rows, whatever other drives there are
        for sign, summed in (("n", known), ("s", values)):
            total = np.bincount(group, weights=summed, minlength=names.size)
            columns[f"{sign}_{name}"] = total.astype(np.float64)
    columns[FROM_MANIFOLD] = np.bincount(
        group, weights=_from_manifold(points), minlength=names.size
    ).astype(np.float64)
    sums = pl.DataFrame({"label": pl.Series(names, dtype=pl.String), **columns})
    labelled = regions.with_columns(label=pl.col("drive") + "|" + pl.col("region"))
    return labelled.join(sums, on="label", how="left", maintain_order="left").drop("label")


def _from_manifold(points: pl.DataFrame) -> FloatArray:
    if "standing_pressure" not in points.columns:
        return np.zeros(points.height)
    if "ambient_pressure" not in points.columns:
        points = points.with_columns(ambient_pressure=pl.lit(None, dtype=pl.Float64))
    return points.select(ambient_from_manifold()).to_series().to_numpy().astype(np.float64)


def evidence(witnesses: Sequence[Witness]) -> Evidence:
    """Put the regions' late levels together, with the correlation of their errors.

    Parameters
    ----------
    witnesses : sequence of Witness
        Of one vehicle; those still learning are left out by the caller.
    """
    heard: list[RegionEvidence] = []
    series: list[pl.DataFrame] = []
    known = False
    follows: dict[str, float] = {}
    for witness in witnesses:
        frame = _with_levels(witness)
        earlier, late = _earlier_and_late(witness)
        for region in frame["region"].unique().sort().to_list():
            whole = frame.filter(pl.col("region") == region)
            own = _own_answer(witness, whole, earlier)
            part = own.taken_off(whole)
            said = _region(witness, region, part.filter(pl.col("drive").is_in(late)), own)
            if said is not None:
                heard.append(said)
                series.append(part.filter(~pl.col("drive").is_in(late)))
        known = known or _temperature_known(witness)
        answer = _follows_manifold(witness, frame.filter(pl.col("drive").is_in(late)))
        if answer:
            follows[witness.indicator.name] = answer
    return Evidence(tuple(heard), _correlation(series), known, follows_manifold=follows)


def _shared(tracked: Tracked) -> tuple[FloatArray, FloatArray]:
    """Return mean (B,) and covariance (B, B) of offset and responses' errors over the grid."""
    carried = tracked.course.carried
    weight = np.exp(carried.log_weight - carried.log_weight.max())
    weight /= weight.sum()
    mean = weight @ carried.mean
    off = carried.mean - mean
    covariance = np.einsum("g,gij->ij", weight, carried.covariance)
    return mean, covariance + np.einsum("g,gi,gj->ij", weight, off, off)


def _with_levels(witness: Witness) -> pl.DataFrame:
    """Add ``level``: the region's figure in the indicator's unit, less offset and weather."""
    frame = witness.regions
    value = pl.col("value")
    if witness.indicator.scale == "log_percent":
        value = ((value / 100.0).exp() - 1.0) * 100.0
    mean, _ = _shared(witness.tracked)
    conditions = [name for name in frame.columns if name.startswith("c_")]
    level = value - float(mean[0])
    for place, name in enumerate(conditions):
        level = level - float(mean[place + 1]) * pl.col(name)
    return frame.with_columns(level=level)


def _earlier_and_late(witness: Witness) -> tuple[list[str], list[str]]:
    """Return the drives before the late ones and before a change that stands; the late ones."""
    drives = witness.figures["drive"].to_list()
    first, since = max(len(drives) - LATE_DRIVES, 0), _since(witness)
    if since is None:
        return drives[:first], drives[first:]
    return drives[: min(first, since)], drives[max(first, since) :]


def _since(witness: Witness) -> int | None:
    """Return the place of the first drive after a change that stands at alert or alarm."""
    if witness.tracked.state[-1] not in {1, 2}:
        return None
    return witness.tracked.last_start + int(witness.tracked.course.since[1])


@dataclass(frozen=True)
class _OwnAnswer:
    """By how much a region answers to temperature beside what its indicator does.

    ``slope`` with ``variance`` per step of temperature from ``learned_at``, the mean of the healthy
    drives, where the region's own surface is right by construction.
    """

    slope: float = 0.0
    variance: float = 0.0
    learned_at: float = 0.0

    def taken_off(self, part: pl.DataFrame) -> pl.DataFrame:
        """Return the region's rows with levels as they would be at ``learned_at``."""
        if not self.variance:
            return part
        return part.with_columns(
            level=pl.when(_temperature_told())
            .then(pl.col("level") - self.slope * (pl.col(f"c_{TEMPERATURE}") - self.learned_at))
            .otherwise(pl.col("level"))
        )

    def error(self, steps: float) -> float:
        """Return the variance that is left at so many steps of temperature."""
        return self.variance * (steps - self.learned_at) ** 2


def _temperature_told() -> pl.Expr:
    # a drive without a temperature stands at the reference itself
    return pl.col(f"c_{TEMPERATURE}") != 0.0


def _own_answer(witness: Witness, part: pl.DataFrame, drives: list[str]) -> _OwnAnswer:
    """Learn one region's own answer to temperature from the earlier ``drives``.

    Generalised least squares with a Gaussian prior on the slope; level and a trend since the
    healthy period are left free, so that a fault that grew with the seasons is not taken for them.
    """
    doubt = [r.prior_sd for r in witness.learned.responses if r.condition == TEMPERATURE]
    if not doubt or f"c_{TEMPERATURE}" not in part.columns:
        return _OwnAnswer()
    in_order = pl.DataFrame({"drive": drives}, schema={"drive": pl.String})
    earlier = in_order.join(part, on="drive", maintain_order="left").filter(_temperature_told())
    healthy = earlier["drive"].is_in(witness.learned.drives)
    if not healthy.any():
        return _OwnAnswer()
    steps = earlier[f"c_{TEMPERATURE}"].to_numpy()
    learned_at = float(steps[healthy.to_numpy()].mean())
    trend = np.cumsum(~healthy.to_numpy()) / earlier.height
    design = np.stack([steps - learned_at, np.ones(earlier.height), trend], axis=1)
    prior = np.diag([1.0 / (OWN_ANSWER * doubt[0]) ** 2, FLAT, FLAT])
    level = earlier["level"].to_numpy()
    weight = 1.0 / (earlier["se"].to_numpy() ** 2 + float(witness.tracked.course.wander_sd) ** 2)
    first, _ = _fitted(design, level, weight, prior)
    # again, with what is left going together from drive to drive
    mean, covariance = _fitted(design, level, weight * _worth(level - design @ first), prior)
    return _OwnAnswer(float(mean[0]), float(covariance[0, 0]), learned_at)


def _fitted(
    design: FloatArray, level: FloatArray, weight: FloatArray, prior: FloatArray
) -> tuple[FloatArray, FloatArray]:
    precision = (design * weight[:, np.newaxis]).T @ design + prior
    covariance = np.asarray(np.linalg.inv(precision), np.float64)
    return covariance @ (design.T @ (weight * level)), covariance


def _worth(residual: FloatArray) -> float:
    """Return what a drive is worth beside its neighbours: (1 − r)/(1 + r) of an AR(1) series."""
    power = float((residual**2).sum())
    if residual.size < LEAST_COMMON or power == 0.0:
        return 1.0
    together = float(np.clip((residual[1:] * residual[:-1]).sum() / power, 0.0, 0.9))
    return (1.0 - together) / (1.0 + together)


def _region(
    witness: Witness, region: str, late: pl.DataFrame, own: _OwnAnswer
) -> RegionEvidence | None:
    if not late.height or late["windows"].sum() < LEAST_WINDOWS:
        return None
    se = late["se"].to_numpy()
    weight = 1.0 / se**2
    level = float((weight * late["level"].to_numpy()).sum() / weight.sum())
    _, covariance = _shared(witness.tracked)
    conditions = [name for name in late.columns if name.startswith("c_")]
    design = np.array(
        [1.0, *((weight * late[name].to_numpy()).sum() / weight.sum() for name in conditions)]
    )
    wander = float(witness.tracked.course.wander_sd) ** 2
    known = covariance[: design.size, : design.size]  # the season comes after the conditions
    variance = 1.0 / weight.sum() + wander + design @ known @ design
    if f"c_{TEMPERATURE}" in conditions:
        variance += own.error(float(design[1 + conditions.index(f"c_{TEMPERATURE}")]))
    return RegionEvidence(
        indicator=witness.indicator.name,
        region=region,
        level=level,
        sd=float(np.sqrt(variance)),
        windows=int(late["windows"].sum()),
        **{name: _mean(late, name) for name in MEANS},
    )


def _follows_manifold(witness: Witness, late: pl.DataFrame) -> float:
    """Return how far the expectation rises per kPa that the manifold's sensor reads too high.

    The answer to ambient pressure as it was taken off the levels: what the baseline learned, and
    what the drift has learned since, from an offset too (which it can not tell from the weather).
    """
    windows = float(late["windows"].sum())
    if not windows:
        return 0.0
    share = min(float(late[FROM_MANIFOLD].sum()) / windows, 1.0)
    mean, _ = _shared(witness.tracked)
    conditions = [name for name in late.columns if name.startswith("c_")]
    for response in witness.learned.responses:
        if response.condition == "ambient_pressure":
            since = float(mean[conditions.index("c_ambient_pressure") + 1])
            return share * (response.mean + since) / response.step
    return 0.0


def _mean(late: pl.DataFrame, name: str) -> float | None:
    """Return the mean of a channel over the windows behind these rows."""
    count = float(late[f"n_{name}"].to_numpy().sum())
    return float(late[f"s_{name}"].to_numpy().sum()) / count if count else None


def _temperature_known(witness: Witness) -> bool:
    return bool((witness.regions["n_ambient_temperature"] > 0).any())


def _correlation(series: Sequence[pl.DataFrame]) -> tuple[tuple[float, ...], ...]:
    """Return the correlation of drive levels between regions, told from the earlier drives."""
    size = len(series)
    matrix = np.eye(size)
    for i in range(size):
        for j in range(i):
            # in order, or the last digit would differ from run to run
            both = series[i].join(series[j], on="drive", suffix="_other", maintain_order="left")
            if both.height < LEAST_COMMON:
                continue
            a, b = _ranks(both["level"]), _ranks(both["level_other"])
            if np.ptp(a) == 0.0 or np.ptp(b) == 0.0:  # always the same: nothing goes together
                continue
            shrink = both.height / (both.height + DOUBT)
            matrix[i, j] = matrix[j, i] = shrink * float(np.corrcoef(a, b)[0, 1])
    least = float(np.linalg.eigvalsh(matrix)[0]) if size else 1.0
    if least < 0.05:
        matrix = (matrix + (0.05 - least) * np.eye(size)) / (1.05 - least)
    return tuple(tuple(row) for row in matrix.tolist())


def _ranks(values: pl.Series) -> FloatArray:
    """Return ranks: an odd drive must not make two regions look alike (Spearman)."""
    return values.rank().to_numpy().astype(np.float64)

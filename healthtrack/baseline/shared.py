"""What vehicles move together: a fuel, a season, a correction of the weather's data.

What a vehicle does alone is told from it by looking at the others only: of each week the robust
middle of the others' residuals, followed by a bank of local levels of which one never moves (a
fleet that shares nothing costs nothing). Weighted by how well each foretold the weeks (West &
Harrison, *Bayesian Forecasting and Dynamic Models*, 2nd ed., ch. 12).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

LEAST_OTHERS = 3
"""Other vehicles that must have driven in a week: of two nobody can say which one moved."""
WEEK = 7.0
"""Days of one look at the fleet: a step that all share is seen after one or two."""
PACES = (0.0, 0.0, 0.15, 0.3)
"""Weekly steps of the common level in the bank (sd), in the spread between vehicles: it never
moves, it stands but for jumps, it moves as a season does, and faster."""
JUMPS = (0.0, 0.01, 0.01, 0.01)
"""Chance per week of a jump (a change of fuel, of the weather's data) in each of them."""
JUMP = 3.0
"""Size of a jump (sd), in the spread between vehicles."""
BELIEF = (0.5, 0.2, 0.2, 0.1)
"""How likely each of them is before any week."""
REMEMBERED = 0.97
"""What a week's evidence for a pace is worth a week later: half after half a year, so that a change
is followed after years of quiet."""
LEAST_WEIGHT = 0.01
PERSISTENCE = 4.0
"""By how much weeks in a row say less than as many alone: each vehicle wanders over some three
weeks, so its weekly means are correlated by 0.6 to 0.7; (1 + r)/(1 − r)."""
FREEDOM = 4.0
"""Degrees of freedom of the Student-t weights over the vehicles: one that fails does not vote."""
SPREAD_BELIEF = 4.0
"""Weeks' worth of the first guess at the spread between vehicles (a drive's own error)."""


@dataclass(frozen=True)
class _Week:
    """What one other vehicle said in one week: mean less what was common when it learned."""

    mean: float
    variance: float


def shared_movement(own: pl.DataFrame, others: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Say for each drive of one vehicle how far all vehicles of its kind have moved by then.

    Causal: a drive is told from the others' drives of the weeks before its own week.

    Parameters
    ----------
    own : DataFrame
        Figures of the vehicle: ``drive``, ``started``, sorted.
    others : sequence of DataFrame
        Figures of the others: ``started``, ``value``, ``se``, ``learned`` (in the healthy period:
        such drives tell where it started from and do not vote). [one unit]

    Returns
    -------
    DataFrame
        ``drive``, ``shared``, ``shared_se`` in the figures' unit; both zero where fewer than
        :data:`LEAST_OTHERS` others had driven.
    """
    weeks = _weeks(own)
    table = [_by_week(frame) for frame in others]
    used = [weeks.min(), *(week for one in table for week in one)]
    first, last = int(min(used)), int(weeks.max())
    course = _course(table, first, last)
    known = [course.get(int(week) - 1, (0.0, 0.0)) for week in weeks]
    return own.select("drive").with_columns(
        shared=pl.Series([level for level, _ in known], dtype=pl.Float64),
        shared_se=pl.Series([error for _, error in known], dtype=pl.Float64),
    )


def without_shared(figures: pl.DataFrame, shared: pl.DataFrame) -> pl.DataFrame:
    """Take from figures what all vehicles share, and add the error of that to theirs.

    Parameters
    ----------
    figures : DataFrame
        ``drive``, ``value``, ``se`` and any other columns.
    shared : DataFrame
        As :func:`shared_movement` gives it.
    """
    joined = figures.join(shared, on="drive", how="left", maintain_order="left")
    return joined.with_columns(
        value=pl.col("value") - pl.col("shared").fill_null(0.0),
        se=(pl.col("se") ** 2 + pl.col("shared_se").fill_null(0.0) ** 2).sqrt(),
    ).drop("shared", "shared_se")


def _weeks(frame: pl.DataFrame) -> NDArray[np.int64]:
    days = frame["started"].dt.epoch("us").to_numpy().astype(np.float64) / 86_400e6
    return np.floor(days / WEEK).astype(np.int64)


def _by_week(frame: pl.DataFrame) -> dict[int, tuple[bool, _Week]]:
    """Return per week whether the vehicle votes, and its precision-weighted mean."""
    weights = 1.0 / frame["se"].to_numpy().astype(np.float64) ** 2
    values = frame["value"].to_numpy().astype(np.float64)
    learned = frame["learned"].to_numpy().astype(bool)
    weeks = _weeks(frame)
    found = {}
    for week in np.unique(weeks).tolist():
        rows = weeks == week
        total = float(weights[rows].sum())
        mean = float((weights[rows] * values[rows]).sum() / total)
        found[week] = (not learned[rows].any(), _Week(mean, 1.0 / total))
    return found


def _course(
    table: Sequence[dict[int, tuple[bool, _Week]]], first: int, last: int
) -> dict[int, tuple[float, float]]:
    """Return the common level and its error at the end of each week."""
    bank = _Bank()
    began: list[list[float]] = [[] for _ in table]
    spread2, worth = 0.0, 0.0
    course = {}
    for week in range(first, last + 1):
        votes = []
        for place, one in enumerate(table):
            if week not in one:
                continue
            votes_now, said = one[week]
            if votes_now:
                start = float(np.mean(began[place])) if began[place] else 0.0
                votes.append(_Week(said.mean + start, said.variance))
            else:
                began[place].append(bank.level)
        if len(votes) >= LEAST_OTHERS:
            if worth == 0.0:
                spread2, worth = float(np.mean([v.variance for v in votes])), SPREAD_BELIEF
            middle, error2, seen2 = _middle(votes, spread2)
            spread2, worth = (worth * spread2 + seen2) / (worth + 1.0), worth + 1.0
            bank.look(middle, PERSISTENCE * error2, spread2)
        course[week] = (bank.level, bank.error)
    return course


def _middle(votes: Sequence[_Week], spread2: float) -> tuple[float, float, float]:
    """Return the robust middle of the vehicles, its variance, and their spread in this week."""
    values = np.array([vote.mean for vote in votes])
    variance = np.array([vote.variance for vote in votes]) + spread2
    middle = float(np.median(values))
    weight = 1.0 / variance
    for _ in range(10):
        z2 = (values - middle) ** 2 / variance
        weight = (FREEDOM + 1.0) / (FREEDOM + z2) / variance
        middle = float((weight * values).sum() / weight.sum())
    off2 = np.minimum((values - middle) ** 2, FREEDOM * variance)
    seen2 = float(off2.sum() / (len(votes) - 1))
    return middle, float(1.0 / weight.sum()), seen2


class _Bank:
    """Local levels of several paces side by side, weighted by what they foretold."""

    def __init__(self) -> None:
        self._mean = np.zeros(len(PACES))
        self._variance = np.zeros(len(PACES))
        self._log_weight = np.log(np.array(BELIEF))

    def look(self, value: float, error2: float, spread2: float) -> None:
        """Go on by a week, and learn from the middle of the fleet in it."""
        jumps = np.array(JUMPS)
        steady = self._variance + np.array(PACES) ** 2 * spread2
        before = np.stack([steady, steady + JUMP**2 * spread2])
        total = before + error2
        off = value - self._mean
        fit = -0.5 * np.log(total) - 0.5 * off**2 / total
        with np.errstate(divide="ignore"):
            fit = fit + np.log(np.stack([1.0 - jumps, jumps]))
        whole = np.logaddexp.reduce(fit, axis=0)
        chance = np.exp(fit - whole)
        gain = before / total
        means = self._mean + gain * off
        self._mean = (chance * means).sum(axis=0)
        self._variance = (chance * (before - gain * before + (means - self._mean) ** 2)).sum(axis=0)
        believed = np.log(np.array(BELIEF))
        weight = REMEMBERED * self._log_weight + (1.0 - REMEMBERED) * believed + whole
        weight = np.maximum(weight - np.logaddexp.reduce(weight), np.log(LEAST_WEIGHT))
        self._log_weight = weight - np.logaddexp.reduce(weight)

    @property
    def level(self) -> float:
        """The common level."""
        return float(np.exp(self._log_weight) @ self._mean)

    @property
    def error(self) -> float:
        """Its standard error, the doubt about the pace included."""
        weight = np.exp(self._log_weight)
        return float(np.sqrt(weight @ (self._variance + (self._mean - self.level) ** 2)))

"""Put what was tracked into the record that reports, JSON and the verdict are made of."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.drift.track import DAYS_PER_YEAR, Z95, Plan, Run, Tracked, smoothed
from healthtrack.records import BaselineSummary, IndicatorFinding, Trend

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import numpy as np
    from numpy.typing import NDArray

    from healthtrack.baseline import Baseline
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import Kind, State

    FloatArray = NDArray[np.float64]

STATES: tuple[State, ...] = ("normal", "alert", "alarm", "learning")
STEP_SHARE = 0.6
"""Share of the step shape in the evidence from which a change is called a step."""


def finding(
    indicator: Indicator,
    baseline: Baseline,
    figures: pl.DataFrame,
    tracked: Tracked,
    plan: Plan,
) -> IndicatorFinding:
    """Say where an indicator stands after its last drive.

    Parameters
    ----------
    indicator, baseline : Indicator, Baseline
        What was measured, and against what.
    figures : DataFrame
        The same rows that were tracked.
    tracked : Tracked
        Their course.
    plan : Plan
        Limit, side and bar.
    """
    code = int(tracked.state[-1])
    state = STATES[code]
    level = float(tracked.level[-1])
    slope, slope_sd = float(tracked.course.slope[-1]), float(tracked.course.slope_sd[-1])
    per_year = _distance_per_year(tracked)
    slopes = (slope, slope - Z95 * slope_sd, slope + Z95 * slope_sd)
    odometer = tracked.axis.has_odometer
    start, end = baseline.start, baseline.end
    restarted = _restarted(figures, tracked)
    return IndicatorFinding(
        indicator=indicator.name,
        unit=indicator.unit,
        state=state,
        reason=_reason(indicator, tracked, code),
        level=level,
        low=float(tracked.low[-1]),
        high=float(tracked.high[-1]),
        slope_per_10000_km=slopes[0] if odometer else None,
        slope_low=slopes[1] if odometer else None,
        slope_high=slopes[2] if odometer else None,
        slope_per_year=slopes[0] * per_year,
        slope_per_year_low=slopes[1] * per_year,
        slope_per_year_high=slopes[2] * per_year,
        kind=_kind(tracked, code),
        **_since(figures, tracked, code),  # type: ignore[arg-type]
        limit=_signed_limit(indicator, plan),
        baseline=BaselineSummary(start, end, len(baseline.drives), restarted, baseline.sisters),
        trend=Trend(_trend(figures, tracked), Smoother(_without_states(tracked.runs))),
    )


def _signed_limit(indicator: Indicator, plan: Plan) -> float:
    return -abs(plan.limit) if indicator.concern == "low" else abs(plan.limit)


def _distance_per_year(tracked: Tracked) -> float:
    """Return distance per year over the last year of drives. [10 000 km]."""
    days, distance = tracked.axis.days, tracked.axis.distance
    recent = days >= days[-1] - DAYS_PER_YEAR
    span = days[-1] - days[recent][0]
    if span < 1.0:
        return 1.5
    return float((distance[-1] - distance[recent][0]) / span * DAYS_PER_YEAR)


def _restarted(figures: pl.DataFrame, tracked: Tracked) -> str | None:
    if tracked.last_start == 0 or tracked.repair_failed:
        return None
    day = figures["started"].dt.date()[tracked.last_start]
    return f"work on the vehicle before {day}"


def _kind(tracked: Tracked, code: int) -> Kind:
    if code not in {1, 2}:
        return "none"
    return "step" if tracked.course.step >= STEP_SHARE else "drift"


def _since(figures: pl.DataFrame, tracked: Tracked, code: int) -> dict[str, float | date | None]:
    """Say when the change began (95 % interval) and when the alert was raised."""
    if code not in {1, 2}:
        return {}
    first = tracked.last_start
    low, middle, high = (int(place) + first for place in tracked.course.since)
    raised = tracked.course.episodes.raised[-1] + first
    places = {"since": middle, "low": max(low - 1, 0), "high": high, "raised": raised}
    days = figures["started"].dt.date()
    said: dict[str, float | date | None] = {
        "since_on": days[places["since"]],
        "since_on_low": days[places["low"]],
        "since_on_high": days[places["high"]],
        "raised_on": days[places["raised"]],
    }
    if tracked.axis.has_odometer:
        km = figures["odometer_km"]
        said |= {
            "since_km": km[places["since"]],
            "since_km_low": km[places["low"]],
            "since_km_high": km[places["high"]],
            "raised_at_km": km[places["raised"]],
        }
    return said


def _reason(indicator: Indicator, tracked: Tracked, code: int) -> str:
    label = indicator.label
    if tracked.settling:
        return f"{label}: {tracked.settling} more drives will settle the new zero after the work"
    if code == 3:
        return f"{label}: every drive so far belongs to the healthy period"
    level, low, high = (float(part[-1]) for part in (tracked.level, tracked.low, tracked.high))
    unit = "" if indicator.unit == "" else f" {indicator.unit}"
    band = f"{low:+.1f} to {high:+.1f}{unit}"
    if code == 0:
        return f"{label} is {level:+.1f}{unit} from healthy ({band}): nothing points to a change"
    stayed = ", as before the work on the vehicle" if tracked.repair_failed else ""
    harm = ", probably beyond its limit" if code == 2 else ""
    return f"{label} is {level:+.1f}{unit} from healthy ({band}){harm}{stayed}"


@dataclass(frozen=True)
class Smoother:
    """Adds what is known now of every drive: it costs as much as the history is long.

    A drawing ends where the verdict says that the level is, its band too.
    """

    runs: tuple[Run, ...]

    def __call__(self, told: pl.DataFrame) -> pl.DataFrame:
        """Return the trend with ``smoothed``, ``smoothed_low`` and ``smoothed_high``."""
        level, sd = smoothed(self.runs)
        low, high = level - Z95 * sd, level + Z95 * sd
        low[-1], high[-1] = self.runs[-1].course.low[-1], self.runs[-1].course.high[-1]
        columns = _band("smoothed", level, (low, high))
        last = ("state", "learned")
        return told.select(
            pl.exclude(*last), *(pl.Series(name, values) for name, values in columns.items()), *last
        )


def _without_states(runs: Sequence[Run]) -> tuple[Run, ...]:
    return tuple(replace(run, state=None) for run in runs)


def _band(
    name: str, middle: FloatArray, edges: tuple[FloatArray, FloatArray]
) -> dict[str, FloatArray]:
    return {name: middle, f"{name}_low": edges[0], f"{name}_high": edges[1]}


def _trend(figures: pl.DataFrame, tracked: Tracked) -> pl.DataFrame:
    columns = ["drive", "started", "odometer_km", "value", "se", "windows", "inside"]
    columns += [name for name in figures.columns if name.startswith("c_")]
    band = _band("filtered", tracked.level, (tracked.low, tracked.high))
    return figures.select(columns).with_columns(
        **{name: pl.Series(values) for name, values in band.items()},
        state=pl.Series([STATES[int(code)] for code in tracked.state]),
        learned=pl.Series(tracked.state == 3),
    )

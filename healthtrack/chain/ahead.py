"""When each indicator reaches its limit: the drift's last state handed to the forecast."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.drift.grid import standard_grid
from healthtrack.forecast import DriftState, Limits, forecast, usage

if TYPE_CHECKING:
    from datetime import date

    import polars as pl

    from healthtrack.drift import Plan, Tracked
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import IndicatorFinding

LEAST_PACE = 0.05
"""However steady a decline was, it may change its slope by so much in 10 000 km.
[limits per 10 000 km]"""


def with_forecast(
    finding: IndicatorFinding,
    indicator: Indicator,
    tracked: Tracked,
    plan: Plan,
    drives: pl.DataFrame,
    as_of: date,
) -> IndicatorFinding:
    """Return the finding with its forecast; unchanged while it is learning.

    Parameters
    ----------
    finding : IndicatorFinding
        Of the indicator's last drive.
    indicator, tracked, plan : Indicator, Tracked, Plan
        What it was found from.
    drives : DataFrame
        All drives up to the day, for usage and odometer.
    as_of : date
        The day.
    """
    if finding.state in {"learning", "no_data"}:
        return finding
    odometer = drives["odometer_km"].drop_nulls()
    foreseen = forecast(
        drift_state(tracked, plan),
        Limits(plan.limit, indicator.concern),
        usage(drives, as_of),
        as_of,
        float(odometer.max()) if odometer.len() else None,  # type: ignore[arg-type]
    )
    return replace(finding, forecast=foreseen)


def drift_state(tracked: Tracked, plan: Plan) -> DriftState:
    """Return level and slope after the last drive, with their errors and how they may move on."""
    grid, course = standard_grid(), tracked.course
    pace = max(float(grid.pace[course.best[1]]), LEAST_PACE) * abs(plan.limit)
    walk = float(grid.walk[course.best[1]]) * abs(plan.limit)
    level_sd, slope_sd = float(course.level_sd[-1]), float(course.slope_sd[-1])
    most = level_sd * slope_sd
    return DriftState(
        level=float(course.level[-1]),
        slope=float(course.slope[-1]),
        level_variance=level_sd**2,
        slope_variance=slope_sd**2,
        covariance=float(np.clip(course.covariance[-1], -most, most)),
        walk_variance=walk**2,
        pace_variance=pace**2,
    )

"""A vehicle with little history, judged by what vehicles of its kind lend it.

Who lends is settled for ever when the borrower's first few drives are complete: the sisters whose
own healthy period had ended by then. So a verdict as of any day rests on nothing that came after.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack import baseline as baselines
from healthtrack import drift, indicators
from healthtrack.chain.following import (
    Followed,
    Learning,
    as_then,
    follow,
    follow_observed,
    healthy_period,
    measure,
    observe,
    plan_of,
    track,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.chain.following import Measured, Observed
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import VehicleHistory


def lent(
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    as_of: date,
    known: Mapping[str, Baseline] | None = None,
) -> tuple[Baseline, ...]:
    """Return what a vehicle can lend: its baselines, each learned from its own drives alone.

    Parameters
    ----------
    history : VehicleHistory
        May hold later drives and events: they are left out.
    vehicle, workspace : VehicleSettings, WorkspaceSettings
        As set.
    as_of : date
        The day, in UTC.
    known : mapping
        Baselines that are kept, by indicator: they are not learned again.
    """
    then = as_then(history, as_of)
    found = []
    for indicator in indicators.observable(then.windows, vehicle)[0]:
        if known is not None and indicator.name in known:
            found.append(known[indicator.name])
            continue
        observed = observe(indicator, then, vehicle)
        if observed is None:
            continue
        period = healthy_period(observed, then, vehicle, workspace)
        if period.missing or period.start is None or period.end is None:
            continue
        chosen = pl.col("drive").is_in(period.drives)
        days = (period.start, period.end)
        learned = baselines.learn(indicator, observed.observations.filter(chosen), days)
        if learned is not None:
            found.append(learned)
    return tuple(found)


def follow_with(
    sisters: Sequence[Baseline],
    indicator: Indicator,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
) -> Followed | Learning:
    """Follow one indicator, borrowing while the vehicle's own healthy period is not complete.

    Once it is, the vehicle stands on its own. Unless what was borrowed had raised an alert by then:
    a period in which something went wrong is not taken for healthy.

    Parameters
    ----------
    sisters : sequence of Baseline
        What all other vehicles of its kind can lend (:func:`lent`); none for a fleet of one.
    indicator, history, vehicle, workspace
        As for :func:`healthtrack.chain.following.follow`.
    """
    if not any(item.indicator == indicator.name for item in sisters):
        return follow(indicator, history, vehicle, workspace)
    observed = observe(indicator, history, vehicle)
    if observed is None:
        return follow(indicator, history, vehicle, workspace)
    borrowed = borrowed_from(sisters, observed, history, vehicle, workspace)
    plan = plan_of(indicator, vehicle, workspace)
    own = healthy_period(observed, history, vehicle, workspace)
    if borrowed is not None and (
        own.missing or (own.end is not None and _raised_by(own.end, borrowed, history, plan))
    ):
        return track(borrowed, history, plan)
    return follow_observed(observed, history, vehicle, workspace)


def borrowed_from(
    sisters: Sequence[Baseline],
    observed: Observed,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
) -> Measured | None:
    """Measure the drives against what sisters lend; None where there is too little even so."""
    few = baselines.borrowing_period(
        observed.indicator,
        observed.observations,
        vehicle,
        workspace.baseline,
        history.maintenance,
    )
    if few.missing or few.end is None:
        return None
    known = [item for item in sisters if item.end <= few.end]
    prior = baselines.pool(observed.indicator, known)
    return None if prior is None else measure(observed, few, history, prior)


def _raised_by(day: date, borrowed: Measured, history: VehicleHistory, plan: drift.Plan) -> bool:
    """Say whether an alert had been raised by the end of the vehicle's own healthy period."""
    until = borrowed.figures.filter(pl.col("started").dt.date() <= day)
    events = [event for event in history.maintenance if event.on <= day]
    tracked = drift.track(until, borrowed.learned, events, plan)
    return bool((tracked.state == 1).any() or (tracked.state == 2).any())

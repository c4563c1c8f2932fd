"""What an analyst asks for behind a verdict: computed only where it is wanted, kept nowhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import drift, indicators
from healthtrack.chain.borrowing import follow_with
from healthtrack.chain.following import Learning, as_then, observe
from healthtrack.drift import Working

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.chain.following import Followed
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.records import VehicleHistory


def workings(
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    as_of: date,
    sisters: Sequence[Baseline] = (),
) -> tuple[Working, ...]:
    """Return what the verdict of a day rests on, per indicator that is not learning any more.

    Parameters are those of :func:`healthtrack.chain.assess`; so is the time it takes.
    """
    then = as_then(history, as_of)
    found = []
    for indicator in indicators.observable(then.windows, vehicle)[0]:
        followed = follow_with(sisters, indicator, then, vehicle, workspace)
        observed = observe(indicator, then, vehicle)
        if isinstance(followed, Learning) or observed is None:
            continue
        points = observed.observations.filter(pl.col("drive").is_in(followed.learned.drives))
        found.append(
            _working(followed, points.select("region", *indicator.predictors).drop_nulls())
        )
    return tuple(found)


def _working(followed: Followed, points: pl.DataFrame) -> Working:
    witness = followed.witness
    mean, sd, watched = drift.foretold(witness.tracked)
    frame = witness.figures.select("drive", "started", "value").with_columns(
        mean=pl.Series(np.where(watched, mean, np.nan)).fill_nan(None),
        sd=pl.Series(np.where(watched, sd, np.nan)).fill_nan(None),
    )
    days = witness.tracked.axis.days[watched]
    years = float(days[-1] - days[0]) / 365.25 if days.size else 0.0
    return Working(
        witness.indicator.name,
        followed.learned,
        points,
        frame,
        years,
        followed.plan.log_bar,
    )

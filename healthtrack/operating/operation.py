"""All that a log shows of the engine's operation, in one go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.operating.demand import full_demand
from healthtrack.operating.grid import by_drive, make_grid
from healthtrack.operating.layout import empty_windows, stacked
from healthtrack.operating.pull_figures import PULL_SCHEMA
from healthtrack.operating.pulls import NEAR_MISS_SCHEMA, find_pulls, pull_grid
from healthtrack.operating.standing import find_standstills
from healthtrack.operating.windows import windows_in
from healthtrack.records import Loss, Operation, Windows

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

_NO_MISSES = pl.DataFrame(schema=NEAR_MISS_SCHEMA)
_NO_PULLS = pl.DataFrame(schema=PULL_SCHEMA)


def find_operation(samples: pl.DataFrame, vehicle: VehicleSettings) -> Operation:
    """Find the windows, standstills and pulls of one or many drives.

    Parameters
    ----------
    samples : polars.DataFrame
        ``samples`` of :mod:`healthtrack.records`.
    vehicle : VehicleSettings
        The vehicle's settings.

    Returns
    -------
    Operation
        The windows' losses include, per reason, the accelerations that were no pulls
        (``pull_cold``, ``pull_lifted``, ``pull_shifted``, ``pull_gap``, ``pull_short``).
    """
    grids, standstills, pulls, misses = [], [], [], []
    for drive, rows in by_drive(samples):
        grids.append(make_grid(drive, rows))
        standstills.append(find_standstills(grids[-1]))
        asked = full_demand(grids[-1])
        if asked is not None and asked.any():  # the finer grid costs as much as all the rest
            found, missed = find_pulls(pull_grid(drive, rows), vehicle)
            pulls.append(found)
            misses.append(missed)
    windows = windows_in(grids)
    near_misses = stacked(misses, _NO_MISSES)
    lost: tuple[Loss, ...] = ()
    if near_misses.height:
        counted = near_misses.group_by("reason").len().sort("reason")
        lost = tuple(Loss(f"pull_{reason}", count) for reason, count in counted.iter_rows())
    return Operation(
        Windows(windows.frame, windows.losses + lost),
        stacked(standstills, empty_windows()),
        stacked(pulls, _NO_PULLS),
        near_misses,
    )

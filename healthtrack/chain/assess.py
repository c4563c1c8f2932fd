"""A history in, a finding out: baseline, drift, diagnosis and advice of one vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack import indicators
from healthtrack.chain.ahead import road_ahead
from healthtrack.chain.following import as_then, log_bar
from healthtrack.chain.judging import judge, judge_vehicle, with_repairs
from healthtrack.chain.repairs import repairs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.records import VehicleFinding, VehicleHistory

__all__ = ["assess", "log_bar"]


def assess(
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    as_of: date,
    sisters: Sequence[Baseline] = (),
) -> VehicleFinding:
    """Say how a vehicle stands at the end of a day, from what was known then.

    Parameters
    ----------
    history : VehicleHistory
        May hold later drives and events: they are left out.
    vehicle, workspace : VehicleSettings, WorkspaceSettings
        As set.
    as_of : date
        The day, in UTC.
    sisters : sequence of Baseline
        What other vehicles of its kind can lend (:func:`healthtrack.chain.lent`).
    """
    then = as_then(history, as_of)
    seen, unseen = indicators.observable(then.windows, vehicle)
    road = road_ahead(then, vehicle, as_of)
    judged = [judge(indicator, then, vehicle, workspace, road, sisters) for indicator in seen]
    finding = judge_vehicle(then, judged, unseen, vehicle, road)
    followed = [item.followed for item in judged if item.followed is not None]
    return with_repairs(finding, repairs(followed, then.maintenance, vehicle))

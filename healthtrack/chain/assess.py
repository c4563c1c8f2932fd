"""A history in, a finding out: baseline, drift, diagnosis and advice of one vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.chain.following import log_bar
from healthtrack.chain.going_on import Asked, assess_whole

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
    return assess_whole(history, Asked(vehicle, workspace, as_of, sisters)).finding

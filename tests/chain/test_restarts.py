"""Work on the vehicle restarts the indicators that it concerns, and no other."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack import drift
from healthtrack.baseline import Baseline
from healthtrack.chain.following import plan_of
from healthtrack.config import MAINTENANCE_KINDS, VehicleSettings, WorkspaceSettings
from healthtrack.indicators import ALL
from healthtrack.records import MaintenanceEvent

FIRST = datetime(2024, 1, 1, 8, tzinfo=UTC)
DRIVES, LEARNED, WORKED = 34, 16, 24


def figures(unit: float) -> pl.DataFrame:
    """Return a drive a day, sound, with figures in a part of the indicator's limit."""
    value = np.random.default_rng(4).normal(0.0, 0.3 * unit, DRIVES)
    return pl.DataFrame(
        {
            "drive": [f"v/{place:03d}" for place in range(DRIVES)],
            "started": [FIRST + timedelta(days=place) for place in range(DRIVES)],
            "odometer_km": 1000.0 + 40.0 * np.arange(DRIVES),
            "value": value,
            "se": np.full(DRIVES, 0.3 * unit),
        }
    )


@pytest.mark.parametrize("kind", sorted(MAINTENANCE_KINDS))
@pytest.mark.parametrize("name", sorted(ALL))
def test_after_work_the_zero_is_settled_anew_where_the_work_concerns_the_indicator(name, kind):
    indicator = ALL[name]
    learned = Baseline(
        indicator=name,
        start=FIRST.date(),
        end=(FIRST + timedelta(days=LEARNED - 1)).date(),
        drives=tuple(f"v/{place:03d}" for place in range(LEARNED)),
        regions=(),
        responses=(),
    )
    day: date = (FIRST + timedelta(days=WORKED)).date()
    plan = plan_of(indicator, VehicleSettings(), WorkspaceSettings())
    event = MaintenanceEvent("e", "v", day, kind)
    tracked = drift.track(figures(abs(indicator.limit) / 8.0), learned, [event], plan)
    concerned = name in MAINTENANCE_KINDS[kind][1]
    assert tracked.last_start == (WORKED + 1 if concerned else 0)
    settling = tracked.state[WORKED + 1 : WORKED + 5]
    assert (settling == 3).all() == concerned


def test_every_kind_of_work_is_a_restart_of_some_indicator_or_says_that_it_is_none():
    """Routine service and other work leave every zero where it was."""
    idle = {kind for kind, (_, concerned) in MAINTENANCE_KINDS.items() if not concerned}
    assert idle == {"service", "other"}
    named = {name for _, concerned in MAINTENANCE_KINDS.values() for name in concerned}
    assert named <= set(ALL)

"""Simulated histories for the bench; the simulator shares no formula with the product."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from demo_history.simulator.fleet import plan_drives, random_fleet
from demo_history.simulator.frames import simulate_windows
from demo_history.simulator.stories import Story
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.records import MaintenanceEvent, VehicleHistory

STORY = Story(years=1.0, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=2.0)


@dataclass(frozen=True)
class Simulated:
    """One vehicle's history with its settings."""

    history: VehicleHistory
    vehicle: VehicleSettings
    workspace: WorkspaceSettings


def simulated(seed=7, low=0.0, begins=0.5, work=None, kind="airflow_sensor_replaced", story=STORY):
    """Live a year; the airflow sensor reads low from a share of it; work that does not help."""
    vehicle = random_fleet(np.random.default_rng(seed), 1)[0]
    plan = plan_drives(np.random.default_rng(100 * seed), [vehicle], story)
    begun = plan.day > np.quantile(plan.day, begins)
    faults = replace(plan.faults, airflow_gain=np.where(begun, low, 0.0))
    seen = simulate_windows(np.random.default_rng(0), [vehicle], replace(plan, faults=faults), 24)
    events = ()
    if work is not None:
        starts = seen.drives.sort("started")["started"]
        on = starts[int(work * starts.len())].date()
        events = (MaintenanceEvent("w1", vehicle.name, on, kind),)
    history = VehicleHistory(
        vehicle.name, seen.drives, seen.windows, maintenance=events, standstills=seen.standstills
    )
    settings = VehicleSettings(**vehicle.settings())
    workspace = WorkspaceSettings(vehicles={vehicle.name: settings})
    return Simulated(history, settings, workspace)


@pytest.fixture(scope="session")
def sound():
    """Return a sound vehicle."""
    return simulated()


@pytest.fixture(scope="session")
def mended_in_vain():
    """Return a vehicle whose sensor reads 8 % low for good, and is replaced in vain."""
    return simulated(low=-0.08, begins=0.5, work=0.75)

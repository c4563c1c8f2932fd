"""Print what a replay and a sweep cost, as ratios to single assessments of the same vehicles.

Process time, so that a busy machine does not count. Run as
``python -m tests.benchmarks.backtest_speed [VEHICLES] [SETTINGS] [SEED]``.
"""

# ruff: noqa: T201 - a script that prints figures
from __future__ import annotations

import sys
import time

import numpy as np

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack.chain import assess
from healthtrack.chain.replay import Kept, replay
from healthtrack.config import AlertSettings, VehicleSettings, WorkspaceSettings
from healthtrack.records import VehicleHistory

STORY = Story(years=2.0, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=2.0)


def main(count: int, settings: int, seed: int) -> None:
    """Replay two years of each vehicle, assess it once, and sweep over settings."""
    rng = np.random.default_rng(seed)
    vehicles = random_fleet(rng, count)
    frames = simulate_fleet(rng, vehicles, STORY, 24).by_vehicle()
    once = one_pass = sweep = 0.0
    drives = days = 0
    for vehicle in vehicles:
        mine = frames[vehicle.name]
        history = VehicleHistory(
            vehicle.name, mine.drives, mine.windows, standstills=mine.standstills
        )
        own = VehicleSettings(**vehicle.settings())
        workspace = WorkspaceSettings(vehicles={vehicle.name: own})
        last = mine.drives["ended"].dt.date().max()
        start = time.process_time()
        assess(history, own, workspace, last)
        once += time.process_time() - start
        start = time.process_time()
        told = replay(history, own, workspace)
        one_pass += time.process_time() - start
        drives, days = drives + mine.drives.height, days + told.verdicts.height
        kept = Kept()
        start = time.process_time()
        for rate in np.geomspace(2.0, 0.01, settings):
            alerts = AlertSettings(false_alerts_per_vehicle_year=float(rate))
            replay(history, own, workspace.model_copy(update={"alerts": alerts}), kept)
        sweep += time.process_time() - start
    print(f"{count} vehicles, {drives} drives, {days} daily verdicts, seed {seed}")
    print(f"one assessment each: {once:.1f} s")
    print(f"replay of all days:  {one_pass:.1f} s, {one_pass / once:.2f} times one assessment")
    print(
        f"sweep of {settings} settings: {sweep:.1f} s, {sweep / one_pass:.1f} times one replay "
        f"({sweep / one_pass / settings:.2f} per setting)"
    )


if __name__ == "__main__":
    arguments = [int(text) for text in sys.argv[1:]]
    main(*(arguments + [100, 50, 1][len(arguments) :]))

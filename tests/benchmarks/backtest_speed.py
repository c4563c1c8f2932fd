"""Print what a replay and a sweep cost, as ratios to single assessments of the same vehicles.

Process time, so that a busy machine does not count. A third of the sweep's settings each moves the
promised rate, the limits, and the length of the healthy period. Run as
``python -m tests.benchmarks.backtest_speed [VEHICLES] [SETTINGS] [SEED]``; with no settings only
replays are timed.
"""

# ruff: noqa: T201 - a script that prints figures
from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack.bench.settings import changed, variant
from healthtrack.chain import assess
from healthtrack.chain import replay as replaying
from healthtrack.chain.replay import Kept, replay
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.records import VehicleHistory

STORY = Story(years=2.0, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=2.0)
STEPS = ("observe", "measure", "track")
"""What a replay does with an indicator: look at windows, learn and measure, follow in time."""


@dataclass
class Costs:
    """Process seconds, and how often each step was taken."""

    once: list[float] = field(default_factory=list)
    one_pass: list[float] = field(default_factory=list)
    sweep: Counter[str] = field(default_factory=Counter)
    steps: dict[str, Counter[str]] = field(default_factory=dict)
    drives: int = 0
    days: int = 0


def sweep_of(count: int) -> dict[str, list[dict[str, float]]]:
    """Return settings to be tried, by what they move."""
    each = count // 3
    return {
        "promised rate": [
            {"false_alerts_per_vehicle_year": float(rate)}
            for rate in np.geomspace(2.0, 0.01, count - 2 * each)
        ],
        "limit": [{"limit.airflow": float(limit)} for limit in np.linspace(-3.0, -12.0, each)],
        "healthy period": [
            {"automatic_drives": float(round(drives))} for drives in np.linspace(21, 40, each)
        ],
    }


def timed(costs: list[float], work):
    """Do work, keep its process time, and return what it gives."""
    start = time.process_time()
    result = work()
    costs.append(time.process_time() - start)
    return result


def counted(counts: Counter[str]) -> dict[str, object]:
    """Count the steps that a replay takes; returns the steps as they were."""
    before = {name: getattr(replaying, name) for name in STEPS}
    for name, step in before.items():

        def counting(*args, name=name, step=step):
            counts[name] += 1
            return step(*args)

        setattr(replaying, name, counting)
    return before


def one_vehicle(history: VehicleHistory, own: VehicleSettings, settings: int, costs: Costs) -> None:
    """Assess once, replay once, sweep."""
    workspace = WorkspaceSettings(vehicles={history.vehicle: own})
    last = history.drives["ended"].dt.date().max()
    timed(costs.once, lambda: assess(history, own, workspace, last))
    told = timed(costs.one_pass, lambda: replay(history, own, workspace))
    costs.drives += history.drives.height
    costs.days += told.verdicts.height
    kept = Kept()
    for kind, tried in sweep_of(settings).items() if settings else ():
        before = counted(costs.steps.setdefault(kind, Counter()))
        start = time.process_time()
        for changes in tried:
            one = changed(workspace, variant(changes))
            replay(history, one.vehicles[history.vehicle], one, kept)
        costs.sweep[kind] += time.process_time() - start
        for name, step in before.items():
            setattr(replaying, name, step)


def main(count: int, settings: int, seed: int) -> None:
    """Replay two years of each vehicle, assess it once, and sweep over settings."""
    costs = Costs()
    rng = np.random.default_rng(seed)
    for vehicle in random_fleet(rng, count):
        mine = simulate_fleet(rng, [vehicle], STORY, 24).of(vehicle.name)
        history = VehicleHistory(
            vehicle.name, mine.drives, mine.windows, standstills=mine.standstills
        )
        one_vehicle(history, VehicleSettings(**vehicle.settings()), settings, costs)
    once, one_pass = np.array(costs.once), np.array(costs.one_pass)
    print(f"{count} vehicles, {costs.drives} drives, {costs.days} daily verdicts, seed {seed}")
    print(f"one assessment each: {once.sum():.1f} s")
    print(
        f"replay of all days:  {one_pass.sum():.1f} s, {one_pass.sum() / once.sum():.2f} times one "
        f"assessment (per vehicle {(one_pass / once).min():.2f} to {(one_pass / once).max():.2f})"
    )
    if not settings:
        return
    whole = sum(costs.sweep.values()) / one_pass.sum()
    print(f"sweep of {settings} settings: {whole:.1f} times one replay")
    for kind, seconds in costs.sweep.items():
        tried = len(sweep_of(settings)[kind]) * count
        took = ", ".join(f"{name} {costs.steps[kind][name] / tried:.2f}" for name in STEPS)
        share = seconds / tried / one_pass.mean()
        print(f"  {kind:15} {share:.2f} replays per setting; per vehicle and setting: {took}")


if __name__ == "__main__":
    arguments = [int(text) for text in sys.argv[1:]]
    main(*(arguments + [100, 50, 1][len(arguments) :]))

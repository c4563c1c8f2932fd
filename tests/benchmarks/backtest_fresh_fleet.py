"""Print what a back-test predicts for a fleet, and what a fresh fleet of the same kind then gives.

Through windows, indicators, baselines and drift, as ``healthtrack backtest run`` does it: vehicles
of unlike make from the demo's simulator, sound but for a fault that is put in from the middle of
what is judged. Run as
``python -m tests.benchmarks.backtest_fresh_fleet [VEHICLES] [KNOWN SEED] [FRESH SEED]``.
"""

# ruff: noqa: T201 - a script that prints figures
from __future__ import annotations

import sys

import numpy as np
import polars as pl
from scipy.stats import binomtest, mannwhitneyu

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack.bench.scoring import Figures, figures
from healthtrack.bench.settings import OWN, variant
from healthtrack.bench.study import SCHEMAS, Task, parse_fault, run_vehicle, scored
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.records import VehicleHistory

STORY = Story(years=1.5, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=1.5)
RATES = (1.0, 6.0)
"""Loose promises beside the one as set, lest there be nothing to count. [a year]"""
FAULT = "airflow_sensor_reads_low:-6:150"


def fleet(seed: int, count: int) -> dict[str, pl.DataFrame]:
    """Return the frames of a back-test of a fleet that nobody has seen."""
    rng = np.random.default_rng(seed)
    vehicles = random_fleet(rng, count)
    frames = simulate_fleet(rng, vehicles, STORY, 24).by_vehicle()
    variants = (OWN, *(variant({"false_alerts_per_vehicle_year": rate}) for rate in RATES))
    parts = []
    for vehicle in vehicles:
        mine = frames[vehicle.name]
        history = VehicleHistory(
            vehicle.name, mine.drives, mine.windows, standstills=mine.standstills
        )
        own = VehicleSettings(**vehicle.settings())
        workspace = WorkspaceSettings(vehicles={vehicle.name: own})
        task = Task(history, workspace, variants, (parse_fault(FAULT),), (), diagnose=False)
        parts.append(run_vehicle(task))
    return {name: pl.concat([part[name] for part in parts]) for name in SCHEMAS}


def delays(frames: dict[str, pl.DataFrame], name: str) -> pl.Series:
    """Return the days from each fault to its alert."""
    found = scored(frames, name).faults.filter(pl.col("outcome") == "found")
    return found["delay_days"].drop_nulls()


def words(told: Figures) -> str:
    """Return a fleet's figures in a line."""
    rate, band = told.false_alerts, told.band
    return (
        f"{rate.count:3} false in {rate.years:5.1f} years: {rate.rate:.2f} "
        f"({rate.low:.2f} to {rate.high:.2f}); {told.recall.count} of {told.recall.of} found, "
        f"{told.delay_days.median:.0f} days, at {100 * (told.reached.median or 0):.0f} % of the "
        f"size; band {100 * (band.share or 0):.1f} %"
    )


def main(count: int, known_seed: int, fresh_seed: int) -> None:
    """Back-test two fleets and hold the second against the first."""
    known, fresh = fleet(known_seed, count), fleet(fresh_seed, count)
    print(f"{count} vehicles each, seeds {known_seed} and {fresh_seed}, {FAULT}")
    for name in known["exposure"]["variant"].unique(maintain_order=True):
        here, there = (figures(scored(frames, name)) for frames in (known, fresh))
        print(f"{name}\n  predicted {words(here)}\n  fresh     {words(there)}")
        counts = [told.false_alerts.count for told in (here, there)]
        share = here.false_alerts.years / (here.false_alerts.years + there.false_alerts.years)
        # two Poisson counts of one rate: the first is binomial given their sum
        rates = binomtest(counts[0], sum(counts), share).pvalue if sum(counts) else 1.0
        late = mannwhitneyu(delays(known, name), delays(fresh, name)).pvalue
        print(f"  one rate: p = {rates:.2f}; one law of delay (rank sum): p = {late:.2f}")


if __name__ == "__main__":
    arguments = [int(text) for text in sys.argv[1:]]
    main(*(arguments + [12, 41, 42][len(arguments) :]))

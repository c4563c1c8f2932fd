"""Print what borrowing from sisters is worth: eight drives with and without, against sixty.

Vehicles of one type (the demo simulator's, with tolerances, places and drivers of their own); the
last one is followed with a baseline from its first 8 drives and its sisters, from 8, 20 and 60 of
its own, and judged on the drives after the sixtieth. Run as
``python -m tests.benchmarks.baseline_sisters [FLEETS] [SEED] [SISTERS]``.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys

import numpy as np
import polars as pl

from demo_history.simulator.fleet import random_sister, random_vehicle
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack import baseline, drift
from healthtrack.chain.following import plan_of
from healthtrack.config import BaselineSettings, VehicleSettings, WorkspaceSettings
from healthtrack.indicators import ALL, observable

NAMES = ("airflow", "boost", "breathing")
WAYS = (("8 and sisters", 8, True), ("20 and sisters", 20, True), ("8 alone", 8, False))
WAYS += (("20 alone", 20, False), ("60 alone", 60, False))
JUDGED = 60
STORY = Story(years=1.6, wander="ar", wander_size=0.005, drives_per_week=1.6)


def observations(vehicle, windows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the observations of the indicators of interest."""
    settings = VehicleSettings(**vehicle.settings())
    seen = [one for one in observable(windows, settings)[0] if one.name in NAMES]
    return {one.name: one.observe(windows, settings).sort("drive", "t") for one in seen}


def own_baseline(name: str, seen: pl.DataFrame):
    """Learn a sister's own baseline as the chain would."""
    period = baseline.healthy_period(ALL[name], seen, VehicleSettings(), BaselineSettings())
    if period.missing:
        return None
    chosen = seen.filter(pl.col("drive").is_in(period.drives))
    return baseline.learn(ALL[name], chosen, (period.start, period.end))


def judge(name: str, seen: pl.DataFrame, drives: pl.DataFrame, learned) -> tuple[float, ...]:
    """Return coverage and half-width of the level, coverage of drives' figures, alerts."""
    indicator = ALL[name]
    unit = abs(indicator.limit) / 8.0
    found = baseline.figures(indicator, learned, seen).drives
    figures = found.join(drives, on="drive").sort("started", "drive")
    plan = plan_of(indicator, VehicleSettings(), WorkspaceSettings())
    tracked = drift.track(figures, learned, (), plan)
    late = slice(JUDGED, None)
    level, sd = tracked.level[late], tracked.level_sd[late]
    inside = np.abs(level) <= 1.96 * sd
    rms = np.sqrt(np.mean(figures["value"].to_numpy()[late] ** 2)) / unit
    width = 1.96 * sd.mean() / unit
    return (
        float(inside.mean()),
        float(width),
        float(rms),
        float(len(tracked.course.episodes.raised)),
    )


def one_fleet(seed: int, sisters: int) -> list[tuple]:
    """Return a row per indicator and way."""
    rng = np.random.default_rng(seed)
    kind = random_vehicle(rng, "kind")
    fleet = [random_sister(rng, kind, f"v{place:02d}") for place in range(sisters + 1)]
    frames = simulate_fleet(rng, fleet, STORY, per_drive=12)
    seen = {v.name: observations(v, frames.of(v.name).windows) for v in fleet}
    me = fleet[-1].name
    drives = frames.of(me).drives.select("drive", "started", "odometer_km")
    rows = []
    for name, mine in seen[me].items():
        lent = [own_baseline(name, seen[v.name][name]) for v in fleet[:-1] if name in seen[v.name]]
        prior = baseline.pool(ALL[name], [one for one in lent if one is not None])
        order = mine.group_by("drive").agg(pl.col("t").min()).sort("t")["drive"].to_list()
        for way, count, borrows in WAYS:
            chosen = mine.filter(pl.col("drive").is_in(order[:count]))
            days = (chosen["t"].min().date(), chosen["t"].max().date())
            learned = baseline.learn(ALL[name], chosen, days, prior if borrows else None)
            if learned is not None:
                told = judge(name, mine, drives, learned)
                rows.append((name, way, len(learned.regions), *told))
    return rows


def main(fleets: int, seed: int, sisters: int) -> None:
    """Print the table after each fleet: the last one is of all."""
    schema = ["indicator", "way", "regions", "coverage %", "half-width", "rms", "alerts"]
    rows: list[tuple] = []
    for place in range(fleets):
        rows += one_fleet(seed + place, sisters)
        print(f"{place + 1} fleets with {sisters} sisters; sizes in an eighth of the limit")
        frame = pl.DataFrame(rows, schema=schema, orient="row").group_by("indicator", "way")
        table = frame.agg(
            pl.col("regions").mean(),
            100 * pl.col("coverage %").mean(),
            pl.col("half-width", "rms").median(),
            pl.col("alerts").sum(),
        )
        for line in table.sort("indicator", "way").iter_rows():
            print("{:12s} {:15s} {:4.1f}  {:5.1f}  {:5.2f}  {:5.2f}  {:3.0f}".format(*line))
        sys.stdout.flush()


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:4]]
    main(*(numbers + [10, 100, 4][len(numbers) :]))

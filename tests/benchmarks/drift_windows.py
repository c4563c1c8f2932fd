"""Print the calibration of the whole chain: simulated windows to baseline, figures and drift.

The windows come from the demo's physical engine (other engines, sensors, roads and drivers than
the estimator knows of). Run as
``python -m tests.benchmarks.drift_windows [VEHICLES] [SEED] [STORY]``.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import polars as pl

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story, Trouble
from healthtrack import baseline, drift, indicators
from healthtrack.config import BaselineSettings, VehicleSettings

BAR_YEARS = 80.0
CONCERN = {"low": -1, "high": 1, "both": 0}
STORIES = {
    "sound, no wander": Story(years=2.5, wander="none"),
    "sound, white": Story(years=2.5, wander="white", wander_size=0.006),
    "sound, AR wander": Story(years=2.5, wander="ar", wander_size=0.006, memory=20.0),
    "sound, seasonal": Story(years=2.5, wander="seasonal", wander_size=0.006),
    "sound, random walk": Story(years=2.5, wander="walk", wander_size=0.006),
    "sound, heavy tails": Story(years=2.5, wander="heavy", wander_size=0.006),
    "sound, gaps": Story(years=2.5, wander="ar", wander_size=0.005, gaps=2, gap_days=90.0),
    "sound, 10 % bad": Story(years=2.5, wander="ar", wander_size=0.005, bad_share=0.10),
    "sound, drivers": Story(years=2.5, wander="ar", wander_size=0.005, driver_changes=3),
    "sound, regions": Story(years=2.5, wander="ar", wander_size=0.005, region_changes=3),
    "airflow -4 % step": Story(
        years=2.5, wander="ar", wander_size=0.005, troubles=(Trouble("airflow_gain", -0.04),)
    ),
    "airflow -6 % ramp": Story(
        years=2.5,
        wander="ar",
        wander_size=0.005,
        troubles=(Trouble("airflow_gain", -0.06, kind="ramp", length=0.4),),
    ),
}


def assess_all(vehicles, frames) -> list[tuple[str, str, pl.DataFrame, drift.Tracked]]:
    """Return (vehicle, indicator, figures, tracked) of everything observable."""
    found = []
    for vehicle in vehicles:
        settings = VehicleSettings(**vehicle.settings())
        one = frames.of(vehicle.name)
        seen, _ = indicators.observable(one.windows, settings)
        for indicator in seen:
            if indicator.source != "windows":
                continue
            observed = indicator.observe(one.windows, settings).sort("drive", "t")
            period = baseline.healthy_period(indicator, observed, settings, BaselineSettings())
            if period.missing:
                continue
            healthy = observed.filter(pl.col("drive").is_in(period.drives))
            learned = baseline.learn(indicator, healthy, (period.start, period.end))
            if learned is None:
                continue
            figures = baseline.figures(indicator, learned, observed).drives.join(
                one.drives.select("drive", "started", "odometer_km"), on="drive"
            )
            figures = figures.sort("started", "drive")
            plan = drift.Plan(
                indicator.limit,
                CONCERN[indicator.concern],
                float(np.log(BAR_YEARS)),
                indicator.notice,
            )
            found.append(
                (vehicle.name, indicator.name, figures, drift.track(figures, learned, (), plan))
            )
    return found


def main(count: int, seed: int, only: str = "") -> None:
    """Simulate each story for ``count`` vehicles and print a line per story and indicator."""
    print(
        f"{count} vehicles a story, seed {seed}; promise {1 / BAR_YEARS:.4f} a year and indicator"
    )
    print("story                indicator            vehicles  coverage %   half-width  false/year")
    for place, (name, story) in enumerate(STORIES.items()):
        if only and only not in name:
            continue
        vehicles = random_fleet(np.random.default_rng([seed, place]), count)
        frames = simulate_fleet(
            np.random.default_rng([seed, place, 1]), vehicles, story, per_drive=12
        )
        results = assess_all(vehicles, frames)
        twins = _sound_twins([seed, place, 1], vehicles, story)
        for indicator in sorted({row[1] for row in results}):
            rows = [row for row in results if row[1] == indicator]
            covered, width, false, years = [], [], 0, 0.0
            for vehicle, _, figures, tracked in rows:
                days = tracked.axis.days
                truth = _truth(story, figures, days, twins.get((vehicle, indicator)))
                after = tracked.state != 3
                if not after.any():
                    continue
                held = (tracked.low <= truth) & (truth <= tracked.high)
                covered.append(held[after].mean())
                width.append(0.5 * (tracked.high - tracked.low)[after].mean())
                raised = np.array(tracked.course.episodes.raised, int)
                before = _share(story, days) == 0.0
                false += int(before[raised].sum())
                years += float((days[before][-1] - days[after][0]) / 365.25)
            print(
                f"{name:20s} {indicator:20s} {len(rows):5d}     {100 * np.mean(covered):5.1f} ± "
                f"{100 * np.std(covered) / np.sqrt(len(covered)):3.1f}   {np.median(width):5.2f}"
                f"      {false / years:.4f} ({false})",
                flush=True,
            )


def _sound_twins(seed: list[int], vehicles, story: Story) -> dict[tuple[str, str], pl.DataFrame]:
    """Return the figures that the same vehicles would have shown without the story's trouble.

    A fault's effect on an indicator is not its size: where recirculation is governed by the airflow
    reading, a sensor that reads low has it closed until the reading is as it was.
    """
    if not story.troubles:
        return {}
    sound = replace(story, troubles=())
    frames = simulate_fleet(np.random.default_rng(seed), vehicles, sound, per_drive=12)
    return {(name, of): figures for name, of, figures, _ in assess_all(vehicles, frames)}


def _share(story: Story, days: np.ndarray) -> np.ndarray:
    """Return how far the trouble has come, 0 to 1."""
    share, total = np.zeros(days.size), story.years * 365.25
    for trouble in story.troubles:
        start = trouble.start * total
        if trouble.kind == "step":
            share += days >= start
        else:
            share += np.clip((days - start) / (trouble.length * total), 0.0, 1.0)
    return share


def _truth(
    story: Story, figures: pl.DataFrame, days: np.ndarray, twin: pl.DataFrame | None
) -> np.ndarray:
    """Return the true level: the trouble's share times what it does to this vehicle's figures."""
    if twin is None:
        return np.zeros(days.size)
    share = _share(story, days)
    both = figures.select("drive", "value").with_columns(share=pl.Series(share))
    both = both.join(twin.select("drive", sound="value"), on="drive")
    moved, how_far = (both["value"] - both["sound"]).to_numpy(), both["share"].to_numpy()
    effect = np.median(moved[how_far > 0.5] / how_far[how_far > 0.5])
    return effect * share


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:3]]
    main(*(numbers + [40, 1][len(numbers) :]), *sys.argv[3:4])

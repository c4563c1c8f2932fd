"""A tenth of the drives in the healthy period is bad: the surface stays where it was without them.

The vehicles are the demo simulator's (engines, sensors, roads and wander that the baseline does not
know); what is bad are airflow, boost, breathing and charge temperature of some drives, anywhere in
the period, in several ways.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack.baseline import healthy_period, learn
from healthtrack.baseline.figures import expectation
from healthtrack.config import BaselineSettings, VehicleSettings
from healthtrack.indicators import observable

VEHICLES = 3
KINDS = ("all one way", "both ways", "under load only", "wild windows")


@dataclass
class Case:
    """One indicator of one vehicle: healthy observations, later ones, what is bad how far."""

    indicator: object
    healthy: pl.DataFrame
    later: pl.DataFrame
    days: tuple

    def spoiled(self, kind: str, rng: np.random.Generator) -> tuple[list[str], pl.DataFrame]:
        """Return which drives are bad, and the healthy observations with them."""
        drives = self.healthy["drive"].unique(maintain_order=True).to_list()
        bad = rng.choice(drives, round(len(drives) / 10), replace=False).tolist()
        size = 1.5 * abs(self.indicator.limit)
        load = pl.col(self.indicator.predictors[-1])
        low, high = load.quantile(0.05), load.quantile(0.95)
        shift = {
            "all one way": pl.lit(-size),
            "both ways": pl.when(pl.col("drive") == bad[0]).then(size).otherwise(-size),
            "under load only": -size * ((load - low) / (high - low)).clip(0.0, 1.0),
            "wild windows": pl.Series(rng.normal(0.0, size, self.healthy.height)),
        }[kind]
        moved = pl.when(pl.col("drive").is_in(bad)).then(pl.col("y") + shift).otherwise("y")
        return bad, self.healthy.with_columns(y=moved)


@pytest.fixture(scope="module")
def cases():
    vehicles = random_fleet(np.random.default_rng(11), VEHICLES)
    story = Story(years=1.0, drives_per_week=2.0)
    frames = simulate_fleet(np.random.default_rng(12), vehicles, story, per_drive=16)
    found = []
    for vehicle in vehicles:
        settings = VehicleSettings(**vehicle.settings())
        windows = frames.of(vehicle.name).windows
        for indicator in observable(windows, settings)[0]:
            if indicator.name in {"airflow", "boost", "breathing", "charge_temperature"}:
                seen = indicator.observe(windows, settings).sort("drive", "t")
                period = healthy_period(indicator, seen, settings, BaselineSettings())
                chosen = pl.col("drive").is_in(period.drives)
                days = (period.start, period.end)
                found.append(Case(indicator, seen.filter(chosen), seen.filter(~chosen), days))
    return found


def moved(case: Case, without, spoiled) -> tuple[np.ndarray, np.ndarray]:
    """Return how far later expectations moved [limit/8], and the error that they claim."""
    shifts, errors = [], []
    for model in without.regions:
        rows = case.later.filter(pl.col("region") == model.region)
        for axis in model.axes:
            rows = rows.filter(pl.col(axis.predictor).is_between(axis.low, axis.high))
        was, _ = expectation(case.indicator, without, model, rows)
        now, variance = expectation(case.indicator, spoiled, spoiled.region(model.region), rows)
        answers = sum(response.sd**2 for response in spoiled.responses)
        shifts.append((now - was) / abs(case.indicator.limit) * 8.0)
        errors.append(np.sqrt(variance + answers) / abs(case.indicator.limit) * 8.0)
    return np.concatenate(shifts), np.concatenate(errors)


@pytest.mark.parametrize("kind", KINDS)
def test_a_tenth_of_bad_drives_moves_the_surface_by_less_than_its_own_error(cases, kind):
    rng = np.random.default_rng(5)
    sizes, shares = [], []
    for case in cases:
        bad, frame = case.spoiled(kind, rng)
        spoiled = learn(case.indicator, frame, case.days)
        without = learn(case.indicator, frame.filter(~pl.col("drive").is_in(bad)), case.days)
        shift, error = moved(case, without, spoiled)
        sizes.append(np.sqrt(np.mean(shift**2)))
        shares.append(np.sqrt(np.mean((shift / error) ** 2)))
    assert len(sizes) >= 3 * VEHICLES
    # a plain mean would move by a tenth of 12: 1.2
    assert np.median(sizes) < 0.45
    assert np.median(shares) < 0.5
    assert max(shares) < 1.96

"""Forecast intervals cover what they say, and beat a straight line through the last ten drives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from healthtrack.forecast import DriftState, first_passage
from healthtrack.forecast.score import relative_accuracy

LIMIT = 8.0
HORIZON = 60_000.0
EVERY = 0.025  # one drive per 250 km, in 10 000 km


@dataclass(frozen=True)
class Life:
    state: DriftState
    left: float  # km truly left; infinite beyond the horizon
    line: float  # the same from a line through the last ten drives


def life(rng: np.random.Generator) -> Life:
    """A level that drifts and wanders to its limit, as someone knows it who filters well."""
    level_sd, slope_sd = 0.4, 0.6
    covariance = 0.3 * level_sd * slope_sd
    walk, pace = 0.2, 0.15
    known = rng.multivariate_normal(
        [0.0, 0.0], [[level_sd**2, covariance], [covariance, slope_sd**2]]
    )
    level, slope = rng.uniform(2.0, 5.0), rng.uniform(1.0, 4.0)
    state = DriftState(
        level + known[0],
        slope + known[1],
        level_sd**2,
        slope_sd**2,
        covariance,
        walk,
        pace,
    )
    past = level - slope * EVERY * np.arange(9, -1, -1) + 0.8 * rng.standard_normal(10)
    trend = np.polyfit(EVERY * np.arange(-9, 1), past, 1)
    line = (LIMIT - trend[1]) / trend[0] if trend[0] > 0 else np.inf
    step = 0.002
    count = int(HORIZON / 10_000.0 / step)
    turns = slope + np.cumsum(np.sqrt(pace * step) * rng.standard_normal(count))
    path = level + np.cumsum(turns * step + np.sqrt(walk * step) * rng.standard_normal(count))
    passed = np.flatnonzero(path >= LIMIT)
    left = (passed[0] + 1) * step * 10_000.0 if passed.size else np.inf
    return Life(state, left, max(line, 0.01) * 10_000.0)


@pytest.fixture(scope="module")
def lives():
    rng = np.random.default_rng(11)
    return [life(rng) for _ in range(200)]


@pytest.fixture(scope="module")
def passages(lives):
    return [first_passage(one.state, LIMIT, horizon_km=HORIZON) for one in lives]


@pytest.mark.slow
def test_the_interval_covers_what_it_says(lives, passages):
    inside = []
    for one, passage in zip(lives, passages, strict=True):
        low, high = passage.quantile(0.025), passage.quantile(0.975)
        inside.append((low or 0.0) <= one.left <= (np.inf if high is None else high))
    # 95 % ± 2·1.5 %
    assert 0.92 <= np.mean(inside) <= 0.98


@pytest.mark.slow
def test_the_median_is_one(lives, passages):
    early = [
        one.left <= (passage.quantile(0.5) or np.inf)
        for one, passage in zip(lives, passages, strict=True)
        if passage.quantile(0.5) is not None
    ]
    # 50 % ± 2·3.5 %
    assert 0.43 <= np.mean(early) <= 0.57


@pytest.mark.slow
def test_it_is_nearer_than_a_line_through_the_last_ten_drives(lives, passages):
    ours, line = [], []
    for one, passage in zip(lives, passages, strict=True):
        middle = passage.quantile(0.5)
        if middle is None or not np.isfinite(one.left):
            continue
        ours.append(relative_accuracy(one.left, middle))
        line.append(relative_accuracy(one.left, min(one.line, HORIZON)))
    assert len(ours) > 100
    assert np.median(ours) > np.median(line) + 0.2

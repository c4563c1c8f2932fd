"""What the drives before foretell of each drive's figure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binomtest

from healthtrack.drift import follow, foretold
from healthtrack.drift.smooth import foretell
from tests.drift.test_track import LEARNED, PLAN, baseline, figures, track


def test_what_is_foretold_is_statsmodels_own_forecast(maker, one_point_grid, reference):
    grid = one_point_grid(wander=0.7, memory_days=9.0, pace=0.4, walk=0.05)
    value = maker.rng.normal(size=120) + np.linspace(0, -5, 120)
    segment = maker.segment(value, pinned=np.arange(120) < 30)
    mean, sd = foretell(segment, follow(segment, 99.0, grid), grid)
    theirs = reference(segment, grid).ssm.filter()
    np.testing.assert_allclose(mean, theirs.forecasts[0], atol=1e-6)
    np.testing.assert_allclose(sd**2, theirs.forecasts_error_cov[0, 0], atol=1e-6)


def test_a_drive_does_not_foretell_itself(maker, one_point_grid):
    grid = one_point_grid(wander=0.7, memory_days=9.0)
    segment = maker.segment(maker.rng.normal(size=40))
    course = follow(segment, 99.0, grid)
    other = replace(segment, value=np.append(segment.value[:-1], 50.0))
    for one, two in zip(
        foretell(segment, course, grid), foretell(other, course, grid), strict=True
    ):
        np.testing.assert_array_equal(one, two)


def test_the_band_that_is_foretold_holds_what_it_promises():
    """40 sound vehicles: the share of their drives in the 95 % band is compatible with 95 %."""
    inside, of = 0, 0
    for seed in range(40):
        frame = figures(np.zeros(120), seed=seed)
        mean, sd, watched = foretold(track(frame, baseline(), (), PLAN))
        assert not watched[:LEARNED].any()
        far = np.abs(frame["value"].to_numpy() - mean)[watched]
        inside += int((far <= 1.96 * sd[watched]).sum())
        of += int(watched.sum())
    share = binomtest(inside, of).proportion_ci(0.999)
    assert share.low - 0.015 <= 0.95 <= share.high + 0.015  # the grid is an approximation


def test_nothing_is_foretold_while_the_vehicle_is_taken_to_be_healthy():
    _, _, watched = foretold(track(figures(np.zeros(80)), baseline(), (), PLAN))
    assert watched.sum() == pytest.approx(80 - LEARNED)

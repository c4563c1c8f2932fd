"""The level filter against statsmodels' Kalman filter and smoother on the same model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from healthtrack.drift import follow, follow_many, smooth
from healthtrack.drift.grid import standard_grid


@pytest.fixture
def case(maker, one_point_grid):
    grid = one_point_grid(wander=0.7, memory_days=9.0, pace=0.4, walk=0.05)
    value = maker.rng.normal(size=120) + np.linspace(0, -5, 120)
    return maker.segment(value, pinned=np.arange(120) < 30), grid


def test_the_likelihood_of_irregular_drives_is_statsmodels_own(case, reference):
    segment, grid = case
    course = follow(segment, 99.0, grid)
    theirs = reference(segment, grid).ssm.loglikeobs()
    np.testing.assert_allclose(course.log_density, theirs, rtol=0, atol=1e-8)


def test_filtered_level_and_slope_are_statsmodels_own(case, reference):
    segment, grid = case
    course = follow(segment, 99.0, grid)
    theirs = reference(segment, grid).ssm.filter()
    np.testing.assert_allclose(course.level, theirs.filtered_state[0], atol=1e-7)
    np.testing.assert_allclose(course.slope, theirs.filtered_state[1], atol=1e-6)
    np.testing.assert_allclose(course.level_sd**2, theirs.filtered_state_cov[0, 0], atol=1e-7)
    np.testing.assert_allclose(course.covariance, theirs.filtered_state_cov[0, 1], atol=1e-6)


def test_the_smoothed_level_is_statsmodels_own(case, reference):
    segment, grid = case
    level, sd = smooth(segment, follow(segment, 99.0, grid), grid)
    theirs = reference(segment, grid).ssm.smooth()
    np.testing.assert_allclose(level, theirs.smoothed_state[0], atol=1e-6)
    np.testing.assert_allclose(sd**2, theirs.smoothed_state_cov[0, 0], atol=1e-6)


def test_the_smoothed_level_ends_where_the_course_says_the_level_is(maker):
    """Over a grid of many points too, whose likeliest alone would end elsewhere."""
    value = maker.rng.normal(size=60) + np.r_[np.zeros(45), np.linspace(0.0, -4.0, 15)]
    pinned = np.arange(60) < 20
    segment = maker.segment(value, standard_grid().wander.size, pinned=pinned)
    course = follow(segment, 99.0)
    level, sd = smooth(segment, course)
    np.testing.assert_allclose(level[-1], course.level[-1], atol=1e-9)
    np.testing.assert_allclose(sd[-1], course.level_sd[-1], atol=1e-9)
    assert not level[pinned].any()
    assert np.abs(np.diff(level[20:])).max() < 1.0  # the shift is spread over the past, no jump


def test_carried_offset_and_response_are_the_posterior_of_a_regression(maker, one_point_grid):
    """With the level pinned and no wander the model is Bayesian linear regression."""
    segment = maker.segment(maker.rng.normal(size=40) + 1.5)
    segment = replace(segment, pinned=np.ones(40, bool))
    carried = follow(segment, 99.0, one_point_grid()).carried
    precision = segment.shared.T @ segment.shared + np.linalg.inv(segment.carried.covariance[0])
    mean = np.linalg.solve(precision, segment.shared.T @ segment.value)
    np.testing.assert_allclose(carried.mean[0], mean, atol=1e-9)
    np.testing.assert_allclose(carried.covariance[0], np.linalg.inv(precision), atol=1e-9)


def test_series_of_unlike_length_run_side_by_side_as_they_run_alone(maker):
    points = standard_grid().wander.size
    segments = [maker.segment(maker.rng.normal(size=n), points) for n in (30, 7, 55, 1)]
    together = follow_many(segments, [4.0] * 4)
    for segment, course in zip(segments, together, strict=True):
        alone = follow(segment, 4.0)
        np.testing.assert_allclose(course.level, alone.level, rtol=0, atol=1e-10)
        np.testing.assert_allclose(course.log_years, alone.log_years, rtol=0, atol=1e-8)
        np.testing.assert_allclose(course.noise, alone.noise, rtol=1e-10)


def test_one_wild_drive_moves_the_level_less_than_three_standard_errors_would(maker):
    points = standard_grid().wander.size
    value = np.zeros(60)
    calm = follow(maker.segment(value, points), 99.0)
    value[50] = 40.0
    wild = follow(maker.segment(value, points, days=np.arange(60.0)), 99.0)
    assert abs(wild.level[50] - calm.level[50]) < 1.5
    assert np.isfinite(wild.log_density).all()


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.8])
def test_the_noise_factor_finds_the_true_scatter(maker, factor):
    points = standard_grid().wander.size
    value = maker.rng.normal(size=400) * factor
    days = np.arange(400) * 60.0  # so far apart that a short wander is noise as well
    segment = maker.segment(value, points, pinned=np.ones(400, bool), days=days)
    course = follow(segment, 99.0)
    scatter = np.sqrt(course.noise + standard_grid().wander[course.best[0]] ** 2)
    # 300 drives' memory: standard error of a standard deviation is factor/√600, taken fourfold
    assert scatter == pytest.approx(factor, rel=4 / np.sqrt(600))


def test_wander_is_told_from_noise(maker):
    """Figures that wander with 1.5 errors over 30 days: the weight goes to that grid point."""
    points = standard_grid().wander.size
    count, keep = 500, np.exp(-1.5 / 30.0)
    wander = np.zeros(count)
    for drive in range(1, count):
        fresh = maker.rng.normal() * 1.5 * np.sqrt(1 - keep**2)
        wander[drive] = keep * wander[drive - 1] + fresh
    value = wander + maker.rng.normal(size=count)
    segment = maker.segment(value, points, pinned=np.ones(count, bool), days=np.arange(count) * 1.5)
    course = follow(segment, 99.0)
    assert 1.0 < course.wander_sd < 2.2
    assert course.noise**0.5 == pytest.approx(1.0, abs=0.2)

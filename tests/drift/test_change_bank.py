"""The change bank against brute force, and the martingale on which the promise rests."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from healthtrack.drift import follow, resume, resume_many
from healthtrack.drift.change import (
    CHANGES_PER_YEAR,
    DAYS_PER_YEAR,
    FAST,
    FAST_SIZE,
    RAMP,
    RAMP_SIZE,
    STEP,
    STEP_SIZE,
    USE,
    USE_PER_YEAR,
    USE_SHARE,
    USE_SIZE,
    use_rate,
    weigh,
)
from healthtrack.drift.state import model_of, stack


def covariance_of(segment, grid):
    apart = np.abs(segment.days[:, None] - segment.days[None, :])
    wander = (grid.wander[0] * segment.scale) ** 2 * np.exp(-apart / grid.memory_days[0])
    shared = segment.shared @ segment.carried.covariance[0] @ segment.shared.T
    return wander + shared + np.diag(segment.se**2)


@pytest.fixture
def case(maker, one_point_grid):
    grid = one_point_grid(wander=0.8, memory_days=12.0, candidates=30)
    value = maker.rng.normal(size=25)
    value[15:] -= 4.0
    return maker.segment(value), grid


def test_the_evidence_is_set_against_what_a_change_of_use_explains(case):
    """By hand: Σ over faults of time × ratio, over one plus the same sum over changes of use."""
    segment, grid = case
    state, course = resume(None, segment, 1e9, grid)
    weighed = weigh(state.bank, model_of([segment], grid), segment.distance[-1:])
    sums = np.exp(weighed.joint(0)).sum(axis=(0, 2))
    fault = sums[:USE].sum() / CHANGES_PER_YEAR
    assert np.exp(course.log_years[-1]) == pytest.approx(fault / (1.0 + sums[USE]))


def test_a_lasting_move_of_one_drives_error_is_no_fault_but_one_of_four_is(maker, one_point_grid):
    grid = one_point_grid(candidates=30)
    noise = np.random.default_rng(3).normal(size=120)
    bar = np.log(80.0)
    for size, raised in ((-1.0, 0), (-4.0, 1)):
        value = noise + np.where(np.arange(120) >= 60, size, 0.0)
        pinned = np.arange(120) < 40
        value -= value[:40].mean()
        course = follow(maker.segment(value, pinned=pinned), bar, grid)
        assert len(course.episodes.raised) == raised


def test_a_vehicle_that_has_kept_its_use_is_ever_less_likely_to_change_it():
    """Some of the vehicles change it now and then: so many of all, less of those left."""
    years = np.linspace(0.0, 4.0, 4001)
    rate = use_rate(years, np.zeros(1))
    assert rate[0] == pytest.approx(USE_SHARE * USE_PER_YEAR)
    assert (np.diff(rate) < 0).all()
    assert use_rate(years, np.ones(1)) == pytest.approx(USE_PER_YEAR)
    # as many have changed after four years as the two kinds of vehicles say
    never = np.exp(-np.trapezoid(rate, years))
    left = 1.0 - USE_SHARE + USE_SHARE * np.exp(-USE_PER_YEAR * years[-1])
    assert never == pytest.approx(left, rel=1e-6)


@pytest.mark.parametrize("side", [0, -1, 1])
@pytest.mark.parametrize("shape", [STEP, RAMP, FAST, USE])
def test_a_candidates_ratio_is_that_of_two_gaussian_densities(case, maker, shape, side):
    segment, grid = case
    segment = maker.segment(segment.value, side=side)
    state, _ = resume(None, segment, 1e9, grid)
    model = model_of([segment], grid)
    weighed = weigh(state.bank, model, segment.distance[-1:])
    healthy = covariance_of(segment, grid)
    nothing = multivariate_normal(np.zeros(25), healthy).logpdf(segment.value)
    for k in (1, 8, 15, 24):
        slot = int(np.flatnonzero(state.bank.start[:, 0] == k)[0])
        ours = weighed.ratio[slot, shape, 0]
        change = np.where(np.arange(25) >= k, 1.0, 0.0)
        if shape in {RAMP, FAST}:
            change *= segment.distance - segment.distance[k - 1]
        limit, scale = segment.limit, segment.scale
        sd = (STEP_SIZE * limit, RAMP_SIZE * limit, FAST_SIZE * limit, USE_SIZE * scale)[shape]
        if side == 0 or shape == USE:
            changed = healthy + sd**2 * np.outer(change, change)
            brute = multivariate_normal(np.zeros(25), changed).logpdf(segment.value) - nothing
        else:  # the size integrated over its side by the trapezoidal rule
            sizes = np.linspace(0, 8 * sd, 8001) * side
            inverse = np.linalg.inv(healthy)
            fit = sizes * (change @ inverse @ segment.value)
            fit -= 0.5 * sizes**2 * (change @ inverse @ change) + 0.5 * (sizes / sd) ** 2
            density = np.exp(fit) * 2 / np.sqrt(2 * np.pi) / sd
            brute = np.log(np.trapezoid(density, dx=abs(sizes[1] - sizes[0])))
        assert ours[0] == pytest.approx(brute, abs=1e-4)


def test_each_candidate_stands_for_the_time_since_the_drive_before(case):
    segment, grid = case
    state, _ = resume(None, segment, 1e9, grid)
    total = state.bank.omega[:, :USE].sum()
    years = (segment.days[-1] - segment.days[0]) / DAYS_PER_YEAR
    assert total == pytest.approx(years, abs=1e-4)
    # a change of use for as long, times how often it comes: nearly as at first, so early on
    often = state.bank.omega[:, USE].sum()
    assert often == pytest.approx(years * USE_PER_YEAR * USE_SHARE, rel=0.2)


def test_joining_candidates_keeps_the_evidence(case, one_point_grid):
    segment, _ = case
    many = one_point_grid(wander=0.8, memory_days=12.0, candidates=30)
    few = one_point_grid(wander=0.8, memory_days=12.0, candidates=12)
    full = follow(segment, 1e9, many).log_years
    joined = follow(segment, 1e9, few).log_years
    np.testing.assert_allclose(full[:12], joined[:12], atol=1e-12)
    assert np.abs(full[12:] - joined[12:]).max() < 0.35


def test_the_evidence_of_healthy_figures_is_the_time_that_passed(maker, one_point_grid):
    """E[R(t)] = t exactly, whatever is unknown (Pollak 1985): 3 000 series of the model itself.

    Counted against a change of use too, the evidence is less in every single series.
    """
    grid = one_point_grid(wander=0.5, memory_days=12.0, candidates=16)
    template = maker.segment(np.zeros(15), limit=0.8)
    root = np.linalg.cholesky(covariance_of(template, grid))
    segments = [replace(template, value=root @ maker.rng.normal(size=15)) for _ in range(3000)]
    results = resume_many([None] * len(segments), segments, [1e9] * len(segments), grid)
    weighed = weigh(
        stack([state for state, _ in results]).bank,
        model_of(segments, grid),
        template.distance[-1:],
    )
    evidence = (np.exp(weighed.ratio) * weighed.odds)[:, :USE].sum(axis=(0, 1, 2))
    evidence /= CHANGES_PER_YEAR
    counted = np.exp([course.log_years[-1] for _, course in results])
    assert (counted < evidence).all()
    passed = (template.days[-1] - template.days[0]) / DAYS_PER_YEAR
    error = evidence.std() / np.sqrt(evidence.size)
    assert abs(evidence.mean() - passed) < 4 * error
    assert error < 0.1 * passed


def test_a_step_is_dated_sized_and_called_a_step(maker, one_point_grid):
    value = maker.rng.normal(size=80) * 0.5
    value[50:] -= 5.0
    segment = maker.segment(value, se=np.full(80, 0.5), pinned=np.arange(80) < 30)
    course = follow(segment, np.log(30.0), one_point_grid(wander=0.4, candidates=40))
    assert course.since[0] <= 50 <= course.since[2]
    assert course.since[2] - course.since[0] <= 4
    assert course.step > 0.9
    assert abs(course.level[-1] + 5.0) < 2.5 * course.level_sd[-1]
    start, found = course.injected[0]
    assert found - start <= 5


def test_a_ramp_is_called_no_step(maker, one_point_grid):
    value = maker.rng.normal(size=160) * 0.5
    segment = maker.segment(value, se=np.full(160, 0.5), pinned=np.arange(160) < 30)
    since = segment.distance[60]
    value -= 6.0 * np.maximum(segment.distance - since, 0.0)
    course = follow(segment, np.log(30.0), one_point_grid(wander=0.4, candidates=40))
    assert course.step < 0.1
    assert course.since[0] <= 60 <= course.since[2]

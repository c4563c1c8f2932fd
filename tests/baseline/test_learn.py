"""Learning: the algebra against brute force, the estimates against what was put in."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy.stats import multivariate_normal

from healthtrack.baseline import figures, from_json, learn, to_json
from healthtrack.baseline.figures import expectation
from healthtrack.baseline.fit import Spread, likeliest, posterior, whitened
from healthtrack.baseline.learn import DRIVE_SD, _problem

PERIOD = (date(2024, 1, 1), date(2024, 3, 1))


@pytest.fixture
def small(maker, airflow):
    """Return a problem of unequal drives and weights, with the covariance of its errors."""
    frame = pl.concat([maker.observe(6, 7), maker.observe(3, 2, first=6)])
    problem = _problem(airflow, frame, None)
    rng = np.random.default_rng(2)
    spread = Spread(np.array([0.8]), np.array([1.3]))
    rows = rng.uniform(0.3, 1.2, problem.y.size)
    groups = rng.uniform(0.5, 1.2, problem.region_of_group.size)
    same = problem.group[:, None] == problem.group[None, :]
    errors = np.diag(spread.window[0] ** 2 / rows)
    errors += np.where(same, spread.drive[0] ** 2 / groups[problem.group][:, None], 0.0)
    return problem, whitened(problem, spread, rows, groups), errors


def test_whitening_is_generalised_least_squares_with_the_explicit_covariance(small):
    problem, (x, y), errors = small
    inverse = np.linalg.inv(errors)
    np.testing.assert_allclose(x.T @ x, problem.x.T @ inverse @ problem.x, atol=1e-8)
    np.testing.assert_allclose(x.T @ y, problem.x.T @ inverse @ problem.y, atol=1e-8)
    np.testing.assert_allclose(y @ y, problem.y @ inverse @ problem.y, rtol=1e-10)


def test_the_posterior_is_that_of_a_gaussian_process_with_the_same_prior(small):
    """The same posterior written with the covariance of the data (Rasmussen & Williams 2.1)."""
    problem, (x, y), errors = small
    belief = problem.beliefs[2]
    mean, covariance = posterior(belief, x, y)
    prior = np.linalg.inv(belief.precision)
    gain = prior @ problem.x.T @ np.linalg.inv(problem.x @ prior @ problem.x.T + errors)
    brute = belief.mean + gain @ (problem.y - problem.x @ belief.mean)
    np.testing.assert_allclose(problem.x @ mean, problem.x @ brute, atol=1e-5)
    spread = problem.x @ (prior - gain @ problem.x @ prior) @ problem.x.T
    np.testing.assert_allclose(problem.x @ covariance @ problem.x.T, spread, atol=1e-5)


def test_the_smoothness_is_the_likeliest_by_the_density_of_the_data(small):
    problem, (x, y), errors = small
    density = [
        multivariate_normal(
            problem.x @ belief.mean,
            problem.x @ np.linalg.inv(belief.precision) @ problem.x.T + errors,
        ).logpdf(problem.y)
        for belief in problem.beliefs
    ]
    assert likeliest(problem.beliefs, x, y) is problem.beliefs[int(np.argmax(density))]


def test_surface_scatter_and_answer_to_the_weather_are_found_within_their_errors(maker, airflow):
    learned = learn(airflow, maker.observe(60), PERIOD)
    model = learned.region("part_load")
    assert model.window_sd == pytest.approx(maker.window_sd, rel=0.15)
    assert model.drive_sd == pytest.approx(maker.drive_sd, rel=0.35)
    answer = next(r for r in learned.responses if r.condition == "ambient_temperature")
    assert abs(answer.mean - maker.answer) < 2.5 * answer.sd
    assert answer.sd < 0.3 < answer.prior_sd
    new = maker.observe(30, first=100)
    value, variance = expectation(airflow, learned, model, new)
    z = (value - maker.healthy(new)) / np.sqrt(variance)
    assert 0.3 < np.sqrt(np.mean(z**2)) < 2.0


def test_one_temperature_leaves_the_answer_to_the_weather_as_it_was_believed(maker, airflow):
    learned = learn(airflow, maker.observe(40, warmth=np.full(40, 20.0)), PERIOD)
    answer = next(r for r in learned.responses if r.condition == "ambient_temperature")
    assert answer.sd == pytest.approx(answer.prior_sd, rel=0.02)
    assert answer.mean == pytest.approx(answer.prior_mean, abs=0.05)


def test_the_error_of_the_surface_grows_outside_what_was_seen(maker, airflow):
    learned = learn(airflow, maker.observe(40, speed=(1500.0, 2500.0)), PERIOD)
    at = maker.observe(1, 4, warmth=np.full(1, 20.0)).with_columns(
        engine_speed=pl.Series([2000.0, 2500.0, 2800.0, 3500.0]), demand=pl.lit(50.0)
    )
    _, variance = expectation(airflow, learned, learned.region("part_load"), at)
    assert (np.diff(variance) > 0).all()
    assert variance[3] > 10 * variance[0]


def healthy_error(maker, airflow, learned):
    at = maker.observe(40, first=900, warmth=np.full(40, 20.0))
    value, _ = expectation(airflow, learned, learned.region("part_load"), at)
    return float((value - maker.healthy(at)).mean())


def test_bad_drives_in_the_healthy_period_hardly_move_it(maker, airflow):
    offset = np.tile([-0.7, 0.7, 0.3, -0.3], 15)
    clean = healthy_error(maker, airflow, learn(airflow, maker.observe(60, offset=offset), PERIOD))
    offset[::10] -= 12.0
    dirty = healthy_error(maker, airflow, learn(airflow, maker.observe(60, offset=offset), PERIOD))
    # a plain mean would move by 1.2
    assert abs(dirty - clean) < 0.45


def test_a_temperature_that_moves_within_a_drive_only_says_nothing_of_the_weather(maker, airflow):
    """A figure that holds the sensor itself moves against its steps, whatever the weather does."""
    frame = maker.observe(60)
    steps = np.random.default_rng(3).normal(0.0, 0.6, frame.height)
    stepped = frame.with_columns(
        pl.col("y") - pl.Series(steps * 10.0), pl.col("ambient_temperature") + pl.Series(steps)
    )
    answers = [learn(airflow, f, PERIOD).responses[0] for f in (frame, stepped)]
    assert answers[1].mean == pytest.approx(answers[0].mean, abs=0.5)
    assert abs(answers[1].mean - maker.answer) < 3 * answers[1].sd


def test_another_unit_changes_nothing(maker, airflow):
    """Of 1 K a thousand mK: every size scales, nothing else moves."""
    frame = maker.observe(30)
    thousand = replace(
        airflow,
        limit=1000.0 * airflow.limit,
        responses=tuple(
            replace(r, mean=1000.0 * r.mean, sd=1000.0 * r.sd) for r in airflow.responses
        ),
    )
    one = learn(airflow, frame, PERIOD)
    other = learn(thousand, frame.with_columns(pl.col("y") * 1000.0), PERIOD)
    a, b = one.regions[0], other.regions[0]
    np.testing.assert_allclose(b.coefficients, np.array(a.coefficients) * 1000.0, rtol=1e-6)
    np.testing.assert_allclose(b.covariance, np.array(a.covariance) * 1e6, rtol=1e-5, atol=1e-3)
    assert b.drive_sd == pytest.approx(1000.0 * a.drive_sd)


def test_a_long_drive_does_not_outvote_many_short_ones(maker, airflow):
    short = maker.observe(30, 10, offset=np.zeros(30))
    long = maker.observe(1, 3000, first=50, offset=np.array([5.0]), warmth=np.full(1, 20.0))
    learned = learn(airflow, pl.concat([short, long]), PERIOD)
    assert abs(healthy_error(maker, airflow, learned)) < 0.6


def test_few_windows_or_few_drives_are_no_baseline(maker, airflow):
    assert learn(airflow, maker.observe(4, 30), PERIOD) is None
    assert learn(airflow, maker.observe(9, 2), PERIOD) is None


def test_with_few_drives_the_scatter_between_them_leans_on_what_is_believed(maker, airflow):
    learned = learn(airflow, maker.observe(6, 40, offset=np.zeros(6)), PERIOD)
    assert learned.region("part_load").drive_sd > 0.5 * DRIVE_SD


def test_learning_again_gives_the_same_digest_and_json_keeps_every_digit(maker, airflow):
    frame = maker.observe(30)
    once, twice = learn(airflow, frame, PERIOD), learn(airflow, frame.reverse(), PERIOD)
    assert once.digest() == twice.digest()
    again = from_json(to_json(once))
    assert again == once
    new = maker.observe(5, first=100)
    assert figures(airflow, again, new).drives.equals(figures(airflow, once, new).drives)


def test_a_stored_baseline_of_another_version_is_learned_anew(maker, airflow):
    text = to_json(learn(airflow, maker.observe(30), PERIOD))
    assert from_json(text.replace('"version":2', '"version":1')) is None

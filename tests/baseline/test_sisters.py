"""What sisters say: the algebra by construction, the borrowing by vehicles whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import figures, from_json, learn, pool, to_json
from healthtrack.baseline.figures import expectation
from healthtrack.baseline.sisters import _change_of_axes, joint_covariance, prior_region
from healthtrack.baseline.surface import Axis, design

PERIOD = (date(2024, 1, 1), date(2024, 3, 1))
WIDE = (Axis("engine_speed", 1000.0, 3400.0), Axis("demand", 10.0, 90.0))
NARROW = (Axis("engine_speed", 1400.0, 2600.0), Axis("demand", 30.0, 60.0))


@pytest.fixture
def sister(maker, airflow):
    """Return baselines of vehicles of one kind, each with a level of its own."""

    def make(level: float, drives: int = 40, **changed: object):
        frame = maker.observe(drives, **changed).with_columns(pl.col("y") + level)
        return learn(airflow, frame, PERIOD)

    return make


def surface(airflow, learned, frame):
    return expectation(airflow, learned, learned.region("part_load"), frame)


def test_a_plane_with_its_product_is_the_same_on_any_axes():
    """Linear functions go on linearly beyond the axes, so nothing is lost in the change."""
    rng = np.random.default_rng(1)
    x, z = rng.uniform(900, 3600, 400), rng.uniform(5, 95, 400)
    plane = 3.0 + x / 500.0 - z / 20.0 + x * z / 1e5
    coefficients = np.linalg.lstsq(design(NARROW, [x, z]), plane, rcond=None)[0]
    wider = _change_of_axes(NARROW, WIDE) @ coefficients
    np.testing.assert_allclose(design(WIDE, [x, z]) @ wider, plane, atol=1e-6)


def test_a_level_stays_a_level_on_any_axes():
    size = WIDE[0].size * WIDE[1].size
    np.testing.assert_allclose(_change_of_axes(NARROW, WIDE) @ np.ones(size), 1.0, atol=1e-9)


def test_the_level_is_free_and_the_shape_is_not(airflow, sister):
    prior = pool(airflow, [sister(level) for level in (-6.0, 0.0, 5.0)])
    known = prior_region(prior, airflow, "part_load", prior.regions[0].axes)
    covariance = joint_covariance([known], airflow, 1.0)
    size = known.mean.size
    at = [np.array([1800.0, 2400.0]), np.array([35.0, 55.0])]
    one, other = design(known.axes, at)
    assert np.sqrt(one @ covariance @ one) > 50.0
    between = one - other
    assert np.sqrt(between @ covariance @ between) < 3.0
    assert size == covariance.shape[0]


def test_sisters_of_different_levels_are_as_good_as_sisters_of_one(airflow, sister):
    same = pool(airflow, [sister(0.0) for _ in range(3)]).regions[0]
    apart = pool(airflow, [sister(level) for level in (-6.0, 0.0, 5.0)]).regions[0]
    ratio = np.trace(apart.covariance) / np.trace(same.covariance)
    assert 0.5 < ratio < 2.0


def test_with_few_drives_of_its_own_a_borrowed_surface_is_nearer_and_surer(maker, airflow, sister):
    prior = pool(airflow, [sister(level) for level in (-3.0, 0.0, 3.0, 1.0)])
    few = maker.observe(8, 12, first=200, speed=(1400.0, 2200.0))
    alone, borrowed = learn(airflow, few, PERIOD), learn(airflow, few, PERIOD, prior)
    at = maker.observe(40, first=300, warmth=np.full(40, 18.0))
    errors = []
    for learned in (alone, borrowed):
        value, variance = surface(airflow, learned, at)
        off = value - maker.healthy(at)
        errors.append((np.sqrt(np.mean(off**2)), np.sqrt(np.mean(variance))))
        # the claimed error is the made one, within what eight drives' own level allows
        assert np.mean(np.abs(off) <= 1.96 * np.sqrt(variance + 4 * 0.7**2 / 8)) > 0.9
    assert errors[1][0] < errors[0][0]
    assert errors[1][1] < errors[0][1]
    answer = next(r for r in borrowed.responses if r.condition == "ambient_temperature")
    assert answer.prior_sd < 0.5 * next(r.sd for r in airflow.responses)
    assert abs(answer.mean - maker.answer) < 3 * answer.sd
    assert borrowed.sisters == 4


def test_borrowing_costs_width_against_a_long_history_of_its_own(maker, airflow, sister):
    prior = pool(airflow, [sister(level) for level in (-3.0, 0.0, 3.0)])
    borrowed = learn(airflow, maker.observe(8, 12, first=200), PERIOD, prior)
    at = maker.observe(40, first=300)
    own = learn(airflow, maker.observe(60, 12, first=200), PERIOD)
    assert surface(airflow, borrowed, at)[1].mean() > surface(airflow, own, at)[1].mean()


def test_a_stranger_among_the_kind_is_believed_less(maker, airflow, sister):
    """Sisters agree with each other, and this vehicle's own sixty drives say otherwise."""
    prior = pool(airflow, [sister(0.0), sister(1.0), sister(-1.0)])
    stranger = maker.observe(60, 12, first=200)
    bent = 8.0 * np.sin(stranger["engine_speed"].to_numpy() / 300.0)
    learned = learn(airflow, stranger.with_columns(pl.col("y") + pl.Series(bent)), PERIOD, prior)
    at = maker.observe(40, first=400, speed=(1500.0, 2700.0))
    truth = maker.healthy(at) + 8.0 * np.sin(at["engine_speed"].to_numpy() / 300.0)
    value, _ = surface(airflow, learned, at)
    assert np.sqrt(np.mean((value - truth - (value - truth).mean()) ** 2)) < 2.0


def test_one_sister_is_worth_less_than_four(airflow, sister):
    one = pool(airflow, [sister(0.0)]).regions[0]
    four = pool(airflow, [sister(level) for level in (0.0, 1.0, -1.0, 2.0)]).regions[0]
    assert np.trace(one.covariance) > np.trace(four.covariance)
    assert one.weight < four.weight


def test_sisters_that_borrowed_themselves_and_other_indicators_say_nothing(airflow, sister):
    known = sister(0.0)
    assert pool(airflow, []) is None
    assert pool(airflow, [replace(known, sisters=2)]) is None
    assert pool(airflow, [replace(known, indicator="boost")]) is None
    assert pool(airflow, [known, replace(known, sisters=1)]).sisters == 1


def test_a_region_that_no_sister_has_is_learned_alone(maker, airflow, sister):
    prior = pool(airflow, [sister(0.0), sister(2.0)])
    frame = maker.observe(30, 12, first=200)
    both = pl.concat([frame, frame.with_columns(region=pl.lit("full_load"))])
    learned = learn(airflow, both, PERIOD, prior)
    assert {model.region for model in learned.regions} == {"part_load", "full_load"}
    new = maker.observe(10, first=400).with_columns(region=pl.lit("full_load"))
    assert figures(airflow, learned, new).drives["value"].abs().max() < 6.0


def test_the_order_of_sisters_is_none_of_it_and_json_keeps_every_digit(maker, airflow, sister):
    sisters = [sister(2.0 * place, first=50 * place) for place in range(3)]
    few = maker.observe(8, 12, first=200)
    once = learn(airflow, few, PERIOD, pool(airflow, sisters))
    twice = learn(airflow, few, PERIOD, pool(airflow, sisters[::-1]))
    assert once.digest() == twice.digest()
    assert from_json(to_json(once)) == once

"""Scores of forecasts against values that follow from their published definitions."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.forecast.passage import Passage
from healthtrack.forecast.score import (
    alpha_lambda,
    asymmetric_penalty,
    in_cone,
    prognostic_horizon,
    relative_accuracy,
)


@pytest.mark.published("Saxena et al., PHM 2008: exp(−d/13) − 1 early, exp(d/10) − 1 late")
@pytest.mark.parametrize(
    ("error", "penalty"),
    [(-13.0, 1.7182818), (10.0, 1.7182818), (-10.0, 1.1581055), (13.0, 2.6692967)],
)
def test_late_forecasts_cost_more_than_early_ones(error, penalty):
    assert asymmetric_penalty(np.array([error]), np.array([0.0])) == pytest.approx(penalty)


@pytest.mark.published("Saxena et al., IJPHM 1(1), 2010: RA = 1 − |true − predicted| / true")
def test_relative_accuracy_is_one_less_the_relative_error():
    assert relative_accuracy(100.0, 80.0) == pytest.approx(0.8)
    assert relative_accuracy(100.0, 100.0) == 1.0
    assert relative_accuracy(100.0, 250.0) == pytest.approx(-0.5)


@pytest.mark.published("Saxena et al., IJPHM 1(1), 2010: α-λ, share within ±α of the truth")
def test_the_cone_holds_what_lies_within_alpha_of_the_truth():
    # uniform between 0 and 20 000 km: ±25 % of 8 000 km is a fifth of it
    even = Passage(np.array([0.0, 20_000.0]), np.array([0.0, 1.0]))
    assert in_cone(even, 8_000.0) == pytest.approx(0.2)
    assert not alpha_lambda(even, 8_000.0)
    assert alpha_lambda(even, 8_000.0, alpha=0.9, beta=0.7)


@pytest.mark.published("Saxena et al., IJPHM 1(1), 2010: end of life less the first good moment")
def test_the_horizon_is_the_distance_left_from_which_all_went_well():
    left = np.array([1_000.0, 5_000.0, 9_000.0, 13_000.0])
    assert prognostic_horizon(left, np.array([True, True, False, True])) == 5_000.0
    assert prognostic_horizon(left, np.array([True, True, True, True])) == 13_000.0
    assert prognostic_horizon(left, np.array([False, True, True, True])) is None

"""Charge cooler and intake restriction."""

import numpy as np
import pytest

from healthtrack.airpath import cooler, intake

# Kays and London's relations for C = 0.25 at one, two, three transfer units, worked by hand
UNITS = np.array([1.0, 2.0, 3.0])


@pytest.mark.published("Kays and London, Compact Heat Exchangers: counterflow, C = 0.25")
def test_counterflow_effectiveness():
    found = cooler.counterflow_effectiveness(UNITS, 0.25)
    assert found == pytest.approx([0.5983, 0.8228, 0.9188], abs=5e-5)


@pytest.mark.published("Incropera and DeWitt: crossflow, both unmixed, C = 0.25 (from memory)")
def test_crossflow_effectiveness():
    found = cooler.crossflow_effectiveness(UNITS, 0.25)
    assert found == pytest.approx([0.5872, 0.8033, 0.8964], abs=5e-5)


def test_a_crossflow_cooler_in_endless_air_is_the_one_stream_limit():
    assert cooler.crossflow_effectiveness(UNITS, 1e-9) == pytest.approx(1 - np.exp(-UNITS))


def test_150_cooled_to_50_in_air_of_25_is_four_fifths():
    assert cooler.effectiveness(150.0, 50.0, 25.0) == pytest.approx(0.8)
    assert cooler.charge_temperature(150.0, 25.0, 0.8) == pytest.approx(50.0)
    assert np.isnan(cooler.effectiveness(25.0, 25.0, 25.0))


def test_a_turbulent_restriction_is_the_same_at_every_flow_and_density():
    flow = np.array([0.03, 0.06, 0.12])
    density = np.array([1.1, 1.2, 1.25])
    sag = 2500.0 * (flow / 0.1) ** 2 * 1.2 / density
    assert intake.restriction(sag, flow, density) == pytest.approx(2500.0)


def test_under_20_grams_a_second_no_restriction_is_computed():
    assert np.isnan(intake.restriction(100.0, 0.019, 1.2))


@pytest.mark.parametrize("exponent", [1.0, 1.6, 2.0])
def test_the_exponent_of_a_restriction_is_found(exponent):
    flow = np.linspace(0.03, 0.14, 40)
    density = np.linspace(1.1, 1.25, 40)
    sag = 1800.0 * (density / 1.2) * (flow / 0.1 * 1.2 / density) ** exponent
    law = intake.fit_restriction(sag, flow, density)
    assert law.exponent == pytest.approx(exponent, abs=1e-6)
    assert law.at_reference == pytest.approx(1800.0, rel=1e-6)


def test_the_fitted_exponent_never_leaves_physics():
    flow = np.linspace(0.03, 0.14, 40)
    assert intake.fit_restriction(flow**3, flow, np.full(40, 1.2)).exponent == 2.0
    assert intake.fit_restriction(flow**0.3, flow, np.full(40, 1.2)).exponent == 1.0


def test_an_exponents_standard_error_covers_the_truth():
    rng = np.random.default_rng(5)
    flow = np.linspace(0.03, 0.14, 30)
    hits = 0
    for _ in range(200):
        sag = 1800.0 * (flow / 0.1) ** 1.6 * np.exp(rng.normal(0, 0.05, 30))
        law = intake.fit_restriction(sag, flow, np.full(30, 1.2))
        hits += abs(law.exponent - 1.6) < 2.05 * law.exponent_se
    assert hits >= 180  # 95 % of 200 is 190; five binomial standard deviations would be 175


def test_too_few_points_or_too_little_spread_fit_nothing():
    assert intake.fit_restriction(np.ones(5), np.linspace(0.03, 0.1, 5), np.ones(5)) is None
    assert intake.fit_restriction(np.ones(50), np.linspace(0.1, 0.11, 50), np.ones(50)) is None

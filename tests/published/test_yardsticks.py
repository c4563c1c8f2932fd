"""Charts and trend tests against the examples that were printed with them."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.bench.yardsticks import (
    cusum,
    ewma,
    ewma_sd,
    first_over,
    mann_kendall,
    page_hinkley,
    sen_slope,
)

# fmt: off
EWMA_EXAMPLE = np.array([
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
])
EWMA_PRINTED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]
CUSUM_EXAMPLE = np.array([
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
])
TABLE_9_1 = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
    9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
    10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
])
# fmt: on


@pytest.mark.published("NIST/SEMATECH e-Handbook 6.3.2.4")
def test_the_handbooks_ewma_chart():
    path = ewma(EWMA_EXAMPLE, 0.3, target=50.0)
    # two of the printed figures are cut, not rounded
    np.testing.assert_allclose(path, EWMA_PRINTED, atol=0.0101)
    half = 3 * 2.0539 * ewma_sd(0.3)
    assert (50 + half, 50 - half) == pytest.approx((52.5884, 47.4115), abs=2e-4)
    assert first_over(np.abs(path - 50), half) == -1


@pytest.mark.published("NIST/SEMATECH e-Handbook 6.3.2.3")
def test_the_handbooks_cusum_chart_signals_at_the_fourteenth():
    upper, lower = cusum(CUSUM_EXAMPLE, 0.3175, target=325.0)
    printed = {5: 0.03, 13: 3.01, 14: 4.94, 15: 7.45, 16: 10.63, 17: 11.99, 18: 14.44, 20: 19.04}
    for place, value in printed.items():
        assert upper[place - 1] == pytest.approx(value, abs=0.006)
    assert lower[6] == pytest.approx(0.56, abs=0.006)
    assert first_over(upper, 4.1959) + 1 == 14


@pytest.mark.published("Montgomery, Introduction to Statistical Quality Control, table 9.1")
def test_montgomerys_series_signals_at_the_twenty_ninth_on_both_charts():
    path = ewma(TABLE_9_1 - 10.0, 0.1)
    limits = np.array([2.7 * ewma_sd(0.1, place + 1) for place in range(30)])
    assert first_over(np.abs(path) - limits, 0.0) + 1 == 29
    assert 10 + path[27:29] == pytest.approx([10.57314, 10.64682], abs=1e-5)
    upper, lower = cusum(TABLE_9_1 - 10.0, 0.5)
    assert first_over(upper, 5.0) + 1 == 29
    assert upper[27:29] == pytest.approx([4.47, 5.28], abs=1e-9)
    assert lower.max() == pytest.approx(1.77, abs=1e-9)


@pytest.mark.slow
@pytest.mark.published("Lucas & Saccucci 1990, table 3; Montgomery tables 9.3 and 9.11")
@pytest.mark.parametrize(
    ("chart", "shift", "printed"),
    [("ewma", 0.5, 31.3), ("ewma", 1.0, 10.3), ("cusum", 0.5, 38.0), ("cusum", 1.0, 10.4)],
)
def test_mean_run_lengths_are_those_of_the_tables(chart, shift, printed):
    values = np.random.default_rng(3).normal(shift, 1.0, (400, 4000))
    if chart == "ewma":
        over = np.abs(ewma(values, 0.1)) > 2.814 * ewma_sd(0.1)
    else:
        over = np.maximum(*cusum(values, 0.5)) > 5.0
    assert over.any(axis=0).all()
    lengths = np.argmax(over, axis=0) + 1
    error = lengths.std() / np.sqrt(lengths.size)
    assert abs(lengths.mean() - printed) < 4 * error + 0.05


@pytest.mark.slow
@pytest.mark.published("Gan 1992, cumulative sums under linear drift, quoted by Zou et al. 2009")
@pytest.mark.parametrize(("drift", "printed"), [(0.05, 21.4), (0.1, 15.0), (0.5, 6.95)])
def test_run_lengths_under_a_linear_drift_are_those_printed(drift, printed):
    rng = np.random.default_rng(4)
    values = rng.normal(size=(200, 6000)) + drift * np.arange(200)[:, None]
    lengths = np.argmax(cusum(values, 0.25)[0] > 8.0, axis=0) + 1
    error = lengths.std() / np.sqrt(lengths.size)
    assert abs(lengths.mean() - printed) < 4 * error + 0.05


@pytest.mark.published("EPA QA/G-9, 2000, p. 109")
def test_mann_kendall_with_ties():
    found = mann_kendall(np.array([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], float))
    assert found.score == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=5e-4)


# fmt: off
SULFATE_TIMES = np.array([
    89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6,
    93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8,
])
SULFATE = np.array([
    480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540,
    590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590,
], float)
# fmt: on


@pytest.mark.published("EPA Unified Guidance 2009, example 17-6; interval as in EnvStats' manual")
def test_the_sulfate_example_of_mann_kendall_and_sen():
    found = mann_kendall(SULFATE)
    assert (found.score, found.variance) == (194, 1428)
    assert found.z == pytest.approx(5.107322, abs=1e-6)
    assert found.probability == pytest.approx(3.267574e-07, rel=1e-6)
    slope = sen_slope(SULFATE_TIMES, SULFATE)
    assert slope == pytest.approx((26.66667, 20.0, 35.71182), abs=1e-4)


@pytest.mark.published("EPA Unified Guidance 2009, example 17-7")
def test_the_sodium_example_of_sen():
    times = np.array([89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3])
    sodium = np.array([56, 53, 51, 55, 52, 60, 62, 59, 61, 63], float)
    assert sen_slope(times, sodium)[0] == pytest.approx(4 / 3, abs=1e-9)


def test_page_hinkley_stays_low_in_control_and_climbs_after_a_shift():
    values = np.concatenate([np.zeros(100), np.ones(50)])
    path = page_hinkley(values, 0.1)
    assert path[:100].max() <= 1e-9
    assert (np.diff(path[100:]) > 0).all()

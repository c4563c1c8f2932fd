from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator, RBFInterpolator

from healthtrack.airpath.compressor import Reference
from healthtrack.airpath.compressor_map import CompressorMap, Line, surge_margin


@pytest.fixture
def scattered(compressor):
    """Return the coarse map's points as scipy's interpolators want them, and test points."""
    chart = compressor.map()
    points = np.concatenate([np.column_stack((x.flow, x.ratio)) for x in chart.speed_lines])
    values = np.concatenate([x.efficiency for x in chart.speed_lines])
    scale = points.max(axis=0)
    flow, ratio, speed = compressor.random_points(400)
    asked = np.column_stack((flow, ratio)) / scale
    return points / scale, values, asked, compressor.efficiency(flow, speed)


def test_a_smooth_map_of_seven_lines_is_recovered_within_a_twentieth_of_a_point(compressor):
    flow, ratio, speed = compressor.random_points(400)
    seen = compressor.map().at(flow, ratio)
    assert (seen.place == "inside").mean() > 0.99
    inside = seen.place == "inside"
    error = np.abs(seen.efficiency - compressor.efficiency(flow, speed))[inside]
    assert error.max() < 0.0005
    assert np.abs(seen.speed / speed - 1)[inside].max() < 0.002


def test_a_finer_map_is_recovered_better(compressor):
    flow, ratio, speed = compressor.random_points(400)
    worst = []
    for lines, points in ((4, 5), (7, 9), (13, 17)):
        seen = compressor.map(lines, points).at(flow, ratio)
        inside = seen.place == "inside"
        error = np.abs(seen.efficiency - compressor.efficiency(flow, speed))[inside]
        worst.append(error.max())
    assert worst[0] > worst[1] > worst[2]
    assert worst[2] < 0.001


def test_joined_lines_beat_scipys_generic_interpolators(compressor, scattered):
    points, values, asked, truth = scattered
    flow, ratio, _ = compressor.random_points(400)
    seen = compressor.map().at(flow, ratio)
    inside = seen.place == "inside"
    ours = np.sqrt(((seen.efficiency - truth)[inside] ** 2).mean())
    for yardstick in (
        NearestNDInterpolator(points, values),
        LinearNDInterpolator(points, values),
        RBFInterpolator(points, values, kernel="thin_plate_spline"),
    ):
        theirs = np.sqrt(np.nanmean((yardstick(asked) - truth)[inside] ** 2))
        assert ours < theirs


def test_the_stated_interpolation_error_is_honest(compressor):
    flow, ratio, speed = compressor.random_points(400)
    chart = compressor.map()
    seen = chart.at(flow, ratio)
    inside = seen.place == "inside"
    found = (seen.efficiency - compressor.efficiency(flow, speed))[inside]
    assert np.sqrt((found**2).mean()) < chart.interpolation_error * 1.5
    assert chart.interpolation_error < 0.01


def test_the_stated_error_covers_what_noise_on_the_sensors_does(compressor):
    chart = compressor.map()
    rng = np.random.default_rng(4)
    flow, ratio, speed = compressor.random_points(1500, seed=2)
    noisy_flow = flow * (1 + 0.03 * rng.normal(size=flow.size))
    noisy_ratio = ratio + 0.02 * rng.normal(size=flow.size)
    seen = chart.at(noisy_flow, noisy_ratio, flow_error=0.03 * flow, ratio_error=0.02)
    known = np.isfinite(seen.efficiency)
    pull = ((seen.efficiency - compressor.efficiency(flow, speed)) / seen.efficiency_error)[known]
    # curvature near the hill's top makes errors smaller than linear there, larger on the flanks
    assert 0.90 < (np.abs(pull) < 1.96).mean() <= 1.0


def test_outside_the_map_is_an_answer(compressor):
    chart = compressor.map()
    middle = chart.speed_lines[3]
    at = float(middle.ratio[2])
    where = chart.at(
        np.array([0.2 * middle.flow[0], 1.02 * chart.choke.flow[-1], 0.09, 0.05, middle.flow[4]]),
        np.array([at, at, 4.9, 1.01, middle.ratio[4]]),
    )
    assert where.place.tolist() == ["surge", "choke", "above", "below", "inside"]
    assert np.isnan(where.efficiency[:4]).all()
    assert where.surge_margin[0] < 0
    assert where.choke_margin[1] < 0


def test_surge_margins_by_three_definitions_are_those_worked_by_hand():
    # at W 0.10 and π 2.0; surge line through (0.08, 2.0) and, on the same speed line, (0.09, 2.4)
    assert surge_margin(0.10, 2.0, 0.09, 2.4) == pytest.approx(33.33, abs=0.01)
    assert surge_margin(0.10, 2.0, 0.10, 2.4) == pytest.approx(20.0)
    surge = Line(np.array([0.04, 0.08, 0.12]), np.array([1.5, 2.0, 2.5]))
    choke = Line(np.array([0.10, 0.16, 0.20]), np.array([1.2, 1.6, 2.2]))
    chart = CompressorMap("x", "x", Reference(298.15, 1e5), (), surge, choke)
    at = chart.at(np.array([0.10]), np.array([2.0]))
    assert at.surge_margin == pytest.approx(20.0)
    by_flow = chart.at(np.array([0.08]), np.array([1.6]), margin="constant_flow")
    assert by_flow.surge_margin == pytest.approx(25.0)


def test_the_margin_at_constant_speed_uses_the_surge_point_of_the_same_speed(compressor):
    chart = compressor.map()
    line = chart.speed_lines[4]
    found = chart.at(line.flow[5:6], line.ratio[5:6] - 1e-9, margin="constant_speed")
    by_hand = surge_margin(line.flow[5], line.ratio[5], line.flow[0], line.ratio[0])
    assert found.surge_margin[0] == pytest.approx(float(by_hand), abs=0.2)


def test_a_map_of_contours_alone_still_gives_efficiency(compressor):
    full = compressor.map()
    angles = np.linspace(0, 2 * np.pi, 25)
    contours = []
    for level, size in ((0.74, 0.4), (0.70, 0.8)):
        contours.append(
            Line(0.07 + 0.02 * size * np.cos(angles), 1.8 + 0.3 * size * np.sin(angles), level)
        )
    chart = CompressorMap(
        "x", "x", full.reference, (), full.surge, full.choke, contours=tuple(contours)
    )
    seen = chart.at(np.array([0.07, 0.078]), np.array([1.8, 1.8]))
    assert seen.efficiency[0] > 0.74
    assert seen.efficiency[1] == pytest.approx(0.74, abs=0.002)
    assert np.isnan(seen.speed).all()


def test_the_peak_of_the_map_is_the_best_it_shows(compressor):
    assert compressor.map().peak_efficiency == pytest.approx(0.76, abs=0.002)


def test_the_stated_error_covers_what_a_shaky_pen_does(compressor):
    # every point of the map digitised with 1 % error in flow and 0.5 % in pressure ratio
    truth = compressor.map()
    flow, ratio, speed = compressor.random_points(300)
    inside_band = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        lines = tuple(
            replace(
                line,
                flow=np.sort(line.flow * (1 + 0.01 * rng.normal(size=line.flow.size))),
                ratio=line.ratio * (1 + 0.005 * rng.normal(size=line.flow.size)),
            )
            for line in truth.speed_lines
        )
        shaky = replace(truth, speed_lines=lines)
        seen = shaky.at(flow, ratio)
        known = np.isfinite(seen.efficiency)
        error = np.abs(seen.efficiency - compressor.efficiency(flow, speed))[known]
        inside_band.append((error < 1.96 * seen.efficiency_error[known]).mean())
    # the surface between lines averages several points, so the errors come out a little wide
    assert np.mean(inside_band) > 0.93

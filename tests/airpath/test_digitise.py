"""A chart with known curves, clicked with known jitter, comes back within the stated error."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.airpath.digitise import (
    Axes,
    MapWords,
    Traced,
    digitise,
    map_files,
    stated_errors,
    to_pixels,
)
from healthtrack.airpath.map_file import read_map
from healthtrack.errors import MapError
from tests.web.charts import SPEEDS, draw_chart, speed_line

WORDS = MapWords("invented", "drawn by matplotlib", 298.15, 100.0, "kg/s", "rpm")
VALUES = np.array([[0.0, 1.0], [0.2, 1.0], [0.0, 1.0], [0.0, 3.0]])


@pytest.fixture(scope="module")
def chart(tmp_path_factory):
    return draw_chart(tmp_path_factory.mktemp("chart") / "chart.png")


def straight(chart, rng=None):
    """Axes as clicked: within one pixel where there is chance."""
    pixels = np.array(chart.axis_pixels)
    return Axes(pixels + (0 if rng is None else rng.uniform(-1, 1, pixels.shape)), VALUES)


def askew(chart, warp, rng=None):
    pixels = warp(chart.corners[0])
    noise = 0 if rng is None else rng.uniform(-1, 1, pixels.shape)
    return Axes(pixels + noise, chart.corners[1], askew=True)


def photographed(points):
    """A photograph of the chart from the side: turned, and smaller towards one edge."""
    points = np.asarray(points, float)
    depth = 1.0 + 2.5e-4 * points[:, 0] + 1.0e-4 * points[:, 1]
    turned = points @ np.array([[0.98, 0.10], [-0.12, 0.97]]).T
    return turned / depth[:, None] + 40.0


def shear_and_turn(points):
    return np.asarray(points, float) @ np.array([[0.95, 0.30], [-0.20, 1.02]]).T + 15.0


def test_without_jitter_the_curves_come_back_exactly(chart):
    for _, _, flow, ratio in chart.truth:
        pixels = to_pixels(straight(chart), flow, ratio)
        read = digitise(straight(chart), pixels)
        assert np.abs(read.flow - flow).max() < 1e-12
        assert np.abs(read.ratio - ratio).max() < 1e-12


def test_places_agree_with_those_that_matplotlib_drew(chart):
    for (_, _, flow, ratio), (_, _, pixels) in zip(chart.truth, chart.lines, strict=True):
        read = digitise(straight(chart), pixels)
        assert np.allclose(read.flow, flow, atol=1e-9)
        assert np.allclose(read.ratio, ratio, atol=1e-9)


def test_a_turned_and_sheared_picture_reads_the_same_from_two_points_an_axis(chart):
    axes = Axes(shear_and_turn(chart.axis_pixels), VALUES)
    for (_, _, flow, ratio), (_, _, pixels) in zip(chart.truth, chart.lines, strict=True):
        read = digitise(axes, shear_and_turn(pixels))
        assert np.allclose(read.flow, flow, atol=1e-9)
        assert np.allclose(read.ratio, ratio, atol=1e-9)


def test_a_skewed_photograph_reads_the_same_from_four_points(chart):
    axes = askew(chart, photographed)
    for (_, _, flow, ratio), (_, _, pixels) in zip(chart.truth, chart.lines, strict=True):
        read = digitise(axes, photographed(pixels))
        assert np.allclose(read.flow, flow, atol=1e-9)
        assert np.allclose(read.ratio, ratio, atol=1e-9)


@pytest.mark.parametrize("kind", ["straight", "askew"])
def test_clicks_within_one_pixel_are_recovered_within_the_stated_error(chart, kind):
    """The band of 1.96 stated standard deviations holds at least 95 in 100 of all points.

    Jitter is even within ±1 pixel in each direction (sd 0.58); the stated error counts a click as
    1 pixel, for the line's own width, so that more than 95 % is right.
    """
    rng = np.random.default_rng(5)
    inside, total = np.zeros(2), 0
    for _ in range(60):
        warp = photographed if kind == "askew" else np.asarray
        axes = askew(chart, photographed, rng) if kind == "askew" else straight(chart, rng)
        found, errors = [], []
        for (_, _, flow, ratio), (_, _, pixels) in zip(chart.truth, chart.lines, strict=True):
            clicked = warp(np.array(pixels))
            read = digitise(axes, clicked + rng.uniform(-1, 1, clicked.shape))
            found.append(read)
            errors.append(np.column_stack((read.flow / flow - 1, read.ratio / ratio - 1)))
        stated = np.array(stated_errors(found))
        off = np.abs(np.concatenate(errors))
        inside += (off <= 1.96 * stated).sum(axis=0)
        total += len(off)
    assert (inside / total >= 0.95).all()


def test_the_error_of_each_point_is_that_of_many_clicks(chart):
    """Standard deviations over 400 clickings with Gaussian jitter of one pixel."""
    rng = np.random.default_rng(7)
    pixels = np.array(chart.lines[1][2])
    stated = digitise(straight(chart), pixels)
    axis = np.array(chart.axis_pixels)
    many = [
        digitise(
            Axes(axis + rng.normal(size=axis.shape), VALUES), pixels + rng.normal(size=pixels.shape)
        )
        for _ in range(400)
    ]
    flow_sd = np.std([one.flow for one in many], axis=0)
    ratio_sd = np.std([one.ratio for one in many], axis=0)
    # 400 repeats know a standard deviation to 3.5 %; four of those
    assert np.abs(stated.flow_error / flow_sd - 1).max() < 0.15
    assert np.abs(stated.ratio_error / ratio_sd - 1).max() < 0.15


def test_the_saved_files_are_a_map_with_its_error_and_its_speeds(chart, tmp_path):
    rng = np.random.default_rng(3)
    lines = [
        Traced(kind, np.array(pixels) + rng.uniform(-1, 1, (len(pixels), 2)), value)
        for kind, value, pixels in chart.lines
    ]
    head, points = map_files(WORDS, straight(chart, rng), lines, "drawn.csv")
    (tmp_path / "drawn.toml").write_text(head)
    (tmp_path / "drawn.csv").write_text(points)
    read = read_map(tmp_path / "drawn.toml")
    assert tuple(line.speed for line in read.speed_lines) == SPEEDS
    assert 0.001 < read.flow_error < 0.05
    for line in read.speed_lines:
        share = np.linspace(0, 1, 400)
        flow, ratio = speed_line(line.speed, share)
        expected = np.interp(line.flow, flow, ratio)
        inner = slice(1, -1)
        off = np.abs(line.ratio / expected - 1)[inner]
        # off in flow moves the ratio by the line's slope too
        slope = np.abs(np.gradient(expected, line.flow)) * line.flow / expected
        allowed = 3.0 * np.hypot(read.ratio_error, slope * read.flow_error)[inner]
        assert (off <= allowed).all()


def test_a_contour_that_was_traced_all_around_is_closed_and_an_open_one_is_not():
    from healthtrack.airpath.digitise import _is_round

    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    around = np.column_stack((100 + 50 * np.cos(angle), 100 + 30 * np.sin(angle)))
    assert _is_round(around)
    assert not _is_round(around[:14])


@pytest.mark.parametrize(
    ("pixels", "values", "free"),
    [
        ([[0, 0], [1, 0], [0, 0], [0, 100]], VALUES, False),
        ([[0, 0], [100, 0], [0, 0], [100, 5]], VALUES, False),
        ([[0, 0], [100, 0], [0, 0], [0, 100]], VALUES * 0, False),
        ([[0, 0], [50, 0], [100, 0], [150, 0]], [[0, 1], [1, 1], [0, 2], [1, 2]], True),
        ([[0, 0], [50, 0], [0, 50], [50, 50]], [[0, 1], [1, 1], [0, 1], [1, 1]], True),
    ],
)
def test_axes_that_fix_nothing_are_refused_with_words(pixels, values, free):
    with pytest.raises(MapError):
        digitise(Axes(np.array(pixels, float), np.array(values, float), free), [[1, 1]])

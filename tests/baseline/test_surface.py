"""The smooth surface: what a spline must do whatever its coefficients."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.baseline.surface import DEGREE, SEGMENTS, Axis, axis_over, design, penalty

AXIS = Axis("engine_speed", 1000.0, 3000.0)


def test_the_basis_adds_up_to_one_inside_and_outside_what_was_seen():
    values = np.linspace(200.0, 4000.0, 77)
    np.testing.assert_allclose(AXIS.basis(values).sum(axis=1), 1.0, atol=1e-12)
    assert AXIS.basis(values).shape == (77, SEGMENTS + DEGREE)


def test_outside_the_surface_goes_on_linearly_with_value_and_slope_of_the_edge():
    coefficients = np.random.default_rng(1).normal(size=AXIS.size)
    for edge, outward in ((1000.0, -1.0), (3000.0, 1.0)):
        beyond = edge + outward * np.array([0.0, 100.0, 200.0, 700.0])
        curve = AXIS.basis(beyond) @ coefficients
        inner = AXIS.basis(edge - outward * np.array([0.0, 1e-4])) @ coefficients
        slope = (inner[0] - inner[1]) / 1e-4
        np.testing.assert_allclose(curve, curve[0] + slope * np.abs(beyond - edge), atol=1e-4)


def test_planes_and_their_products_cost_nothing_and_curves_do():
    """Second differences of evenly spaced B-spline coefficients: linear functions have none."""
    axes = (AXIS, Axis("demand", 0.0, 100.0))
    x, z = np.meshgrid(np.linspace(1000, 3000, 40), np.linspace(0, 100, 40))
    matrix = design(axes, [x.ravel(), z.ravel()])
    cost = penalty(axes)

    def roughness(surface: np.ndarray) -> float:
        coefficients = np.linalg.lstsq(matrix, surface.ravel(), rcond=None)[0]
        return float(coefficients @ cost @ coefficients)

    plane = 3.0 + x / 500.0 - z / 20.0 + x * z / 1e5
    assert roughness(plane) == pytest.approx(0.0, abs=1e-8)
    assert roughness(np.sin(x / 300.0)) > 1.0


def test_a_tensor_product_is_the_product_of_its_axes():
    other = Axis("demand", 0.0, 100.0)
    x, z = np.array([1500.0, 2000.0]), np.array([10.0, 90.0])
    both = design((AXIS, other), [x, z]).reshape(2, AXIS.size, other.size)
    np.testing.assert_allclose(both[0], np.outer(AXIS.basis(x)[0], other.basis(z)[0]))


def test_the_axis_spans_the_bulk_and_a_constant_predictor_is_no_error():
    values = np.concatenate([np.linspace(0.0, 100.0, 999), [1e6]])
    assert axis_over("demand", values).high < 110.0
    constant = axis_over("demand", np.full(50, 30.0))
    assert constant.high > constant.low
    assert np.isfinite(constant.basis(np.array([0.0, 30.0, 60.0]))).all()

"""Surfaces through the lines of a compressor map.

A map's lines are far apart across, and dense along: generic interpolators on scattered points make
ridges of them. Here each speed line is followed from surge (0) to choke (1), and lines are joined
at equal position; what lies between is monotone where the lines are (PCHIP; Fritsch and Carlson,
*SIAM J. Numer. Anal.* 17, 1980).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.interpolate import (
    Akima1DInterpolator,
    LinearNDInterpolator,
    PchipInterpolator,
    RBFInterpolator,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

ALONG, ACROSS = 41, 41
"""Mesh of the joined lines; linear between its points errs by some 1e-4 in efficiency."""

FEWEST_LINES = 3
"""Speed lines that it takes to join them."""


class HasSpeed(Protocol):
    """A speed line (:class:`healthtrack.airpath.compressor_map.SpeedLine`)."""

    @property
    def speed(self) -> float:
        """Corrected shaft speed. [rpm]."""
        ...

    @property
    def flow(self) -> FloatArray:
        """Corrected flow, rising. [kg/s]."""
        ...

    @property
    def ratio(self) -> FloatArray:
        """Pressure ratio."""
        ...

    @property
    def efficiency(self) -> FloatArray | None:
        """Isentropic efficiency, None where not known."""
        ...


class HasLevel(Protocol):
    """A contour (:class:`healthtrack.airpath.compressor_map.Line`)."""

    @property
    def flow(self) -> FloatArray:
        """Corrected flow. [kg/s]."""
        ...

    @property
    def ratio(self) -> FloatArray:
        """Pressure ratio."""
        ...

    @property
    def level(self) -> float:
        """Efficiency along the contour."""
        ...


@dataclass(frozen=True)
class MapSurface:
    """Efficiency and shaft speed over corrected flow and pressure ratio, NaN where not known."""

    _efficiency: Callable[[FloatArray], FloatArray] | None
    _speed: Callable[[FloatArray], FloatArray] | None
    _scale: FloatArray

    def efficiency(self, flow: FloatArray, ratio: FloatArray) -> FloatArray:
        """Isentropic efficiency at given points."""
        return self._at(self._efficiency, flow, ratio)

    def speed(self, flow: FloatArray, ratio: FloatArray) -> FloatArray:
        """Corrected shaft speed at given points. [rpm]."""
        return self._at(self._speed, flow, ratio)

    def _at(
        self,
        surface: Callable[[FloatArray], FloatArray] | None,
        flow: FloatArray,
        ratio: FloatArray,
    ) -> FloatArray:
        flow, ratio = np.broadcast_arrays(flow, ratio)
        if surface is None:
            return np.full(flow.shape, np.nan)
        points = np.column_stack((flow.ravel(), ratio.ravel())) / self._scale
        answer = np.full(points.shape[0], np.nan)
        known = np.isfinite(points).all(axis=1)
        if known.any():
            answer[known] = surface(points[known])
        return answer.reshape(flow.shape)


def fit_surface(lines: Sequence[HasSpeed], contours: Sequence[HasLevel]) -> MapSurface:
    """Fit the surfaces: by joined speed lines where there are enough, else by the contours."""
    every = [(line.flow, line.ratio) for line in lines]
    every += [(contour.flow, contour.ratio) for contour in contours]
    if not every:
        return MapSurface(None, None, np.ones(2))
    scale = np.array([max(flow.max() for flow, _ in every), max(r.max() for _, r in every)])
    speed = efficiency = None
    if len(lines) >= FEWEST_LINES:
        flow, ratio, values = _joined(lines)
        points = np.column_stack((flow.ravel(), ratio.ravel())) / scale
        speed = LinearNDInterpolator(points, values[..., 0].ravel())
        if all(line.efficiency is not None for line in lines):
            efficiency = LinearNDInterpolator(points, values[..., 1].ravel())
    if efficiency is None and contours:
        points = np.concatenate([np.column_stack((c.flow, c.ratio)) for c in contours]) / scale
        levels = np.concatenate([np.full(c.flow.size, c.level) for c in contours])
        distinct, first = np.unique(points.round(6), axis=0, return_index=True)
        efficiency = RBFInterpolator(distinct, levels[first], kernel="thin_plate_spline")
    return MapSurface(efficiency, speed, scale)


def inside_polygon(outline: FloatArray, x: FloatArray, y: FloatArray) -> NDArray[np.bool_]:
    """Tell which points lie inside a polygon, by counting crossings of a ray to the right.

    Parameters
    ----------
    outline : (m, 2) float64
        Corners in order; the last is joined to the first.
    x, y : (n,) float64
        Points. NaN is outside.
    """
    x, y = np.broadcast_arrays(x, y)
    inside = np.zeros(x.shape, dtype=bool)
    ends = np.roll(outline, -1, axis=0)
    for (x0, y0), (x1, y1) in zip(outline, ends, strict=True):
        if y0 == y1:
            continue
        spans = (y0 > y) != (y1 > y)
        inside ^= spans & (x < x0 + (y - y0) / (y1 - y0) * (x1 - x0))
    return inside


def _joined(lines: Sequence[HasSpeed]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mesh of joined lines: flow, ratio and (speed, efficiency), each ACROSS by ALONG."""
    along = np.linspace(0.0, 1.0, ALONG)
    speeds = np.array([line.speed for line in lines])
    rows = []
    for line in lines:
        share = (line.flow - line.flow[0]) / (line.flow[-1] - line.flow[0])
        efficiency = line.efficiency if line.efficiency is not None else np.zeros(line.flow.size)
        rows.append(
            np.column_stack(
                (
                    line.flow[0] + along * (line.flow[-1] - line.flow[0]),
                    PchipInterpolator(share, line.ratio)(along),
                    _bowed(share, efficiency)(along),
                )
            )
        )
    across = np.linspace(speeds[0], speeds[-1], ACROSS)
    stacked = np.stack(rows)
    mesh = PchipInterpolator(speeds, stacked[..., :2], axis=0)(across)
    peak = _bowed(speeds, stacked[..., 2])(across)
    named = np.broadcast_to(across[:, None], mesh.shape[:2])
    return mesh[..., 0], mesh[..., 1], np.stack((named, peak), axis=-1)


def _bowed(x: FloatArray, y: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Interpolate what has a hump: monotone interpolation would cut it off between two points."""
    curve: Callable[[FloatArray], FloatArray] = Akima1DInterpolator(x, y, method="makima")
    return curve

"""A compressor map: efficiency, shaft speed and margins at any point, or "outside the map".

Flow in a map is corrected to the map's own reference conditions (:class:`.compressor.Reference`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.interpolate import PchipInterpolator

from healthtrack.airpath.map_surface import MapSurface, fit_surface, inside_polygon

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from healthtrack.airpath.compressor import Reference

    FloatArray = NDArray[np.float64]

SurgeMargin = Literal["constant_pressure_ratio", "constant_flow", "constant_speed"]

SURGE_MARGINS: dict[SurgeMargin, str] = {
    "constant_pressure_ratio": "flow above the surge line's at the same pressure ratio, in percent "
    "of the flow",
    "constant_flow": "pressure ratio of the surge line at the same flow over that of the point, "
    "less one, in percent",
    "constant_speed": "(π_s/π)·(W/W_s) − 1 with the surge point of the same shaft speed, in "
    "percent",
}
"""Definitions of the surge margin in use, and their words."""

PLACES = ("inside", "surge", "choke", "above", "below")
"""Where a point lies: inside the map, left of the surge line, right of the choke line, or over or
under the speeds that the map shows."""


@dataclass(frozen=True)
class SpeedLine:
    """One line of constant corrected shaft speed, from surge to choke."""

    speed: float
    flow: FloatArray
    ratio: FloatArray
    efficiency: FloatArray | None = None


@dataclass(frozen=True)
class Line:
    """Any other line: surge, choke, or the contour of one efficiency (``level``)."""

    flow: FloatArray
    ratio: FloatArray
    level: float = float("nan")


@dataclass(frozen=True)
class MapPoints:
    """What the map says at given points; arrays of the points' length.

    ``efficiency`` and ``speed`` are NaN outside the map. ``efficiency_error`` is one standard
    deviation from digitising, interpolation and the sensors. Margins are in percent, negative
    beyond the line.
    """

    place: NDArray[np.str_]
    efficiency: FloatArray
    efficiency_error: FloatArray
    speed: FloatArray
    surge_margin: FloatArray
    choke_margin: FloatArray


@dataclass(frozen=True)
class CompressorMap:
    """A compressor map.

    Parameters
    ----------
    name, source : str
        What it is of and where it comes from.
    reference : Reference
        Conditions to which its flow and speed are corrected.
    speed_lines : tuple of SpeedLine
        In order of speed. Flow in kg/s, speed in rpm.
    surge, choke : Line
        In order of pressure ratio.
    contours : tuple of Line
        Closed, any order.
    flow_error, ratio_error : float
        Standard deviation of digitising, relative.
    """

    name: str
    source: str
    reference: Reference
    speed_lines: tuple[SpeedLine, ...]
    surge: Line
    choke: Line
    contours: tuple[Line, ...] = ()
    flow_error: float = 0.01
    ratio_error: float = 0.005

    @cached_property
    def surface(self) -> MapSurface:
        """Efficiency and speed as surfaces over flow and pressure ratio."""
        return fit_surface(self.speed_lines, self.contours)

    @cached_property
    def interpolation_error(self) -> float:
        """Standard deviation of the efficiency where the map shows no line.

        Each inner speed line is left out in turn and predicted from the others; the error of the
        map as it is has half the distance to bridge and is taken as a quarter of that (errors of
        interpolation go at least with the square of the distance).
        """
        lines = self.speed_lines
        if len(lines) < 4 or any(line.efficiency is None for line in lines):
            return 0.01
        errors = []
        for place in range(1, len(lines) - 1):
            left = fit_surface(lines[:place] + lines[place + 1 :], ())
            guess = left.efficiency(lines[place].flow, lines[place].ratio)
            errors.append(guess - np.asarray(lines[place].efficiency))
        together = np.concatenate(errors)
        together = together[np.isfinite(together)]
        return float(np.sqrt((together**2).mean()) / 4.0) if together.size else 0.01

    @cached_property
    def peak_efficiency(self) -> float:
        """Greatest efficiency that the map shows."""
        shown = [line.efficiency.max() for line in self.speed_lines if line.efficiency is not None]
        shown += [line.level for line in self.contours]
        return float(max(shown)) if shown else float("nan")

    def at(
        self,
        flow: ArrayLike,
        ratio: ArrayLike,
        *,
        flow_error: ArrayLike = 0.0,
        ratio_error: ArrayLike = 0.0,
        margin: SurgeMargin = "constant_pressure_ratio",
    ) -> MapPoints:
        """Read the map at given points.

        Parameters
        ----------
        flow : (n,) float64
            Corrected to the map's reference. [kg/s]
        ratio : (n,) float64
            Pressure ratio.
        flow_error, ratio_error : (n,) float64
            Standard deviations that the sensors bring. [kg/s], dimensionless
        margin : SurgeMargin
            Which definition of the surge margin; see :data:`SURGE_MARGINS`.
        """
        flow, ratio = np.broadcast_arrays(
            np.asarray(flow, dtype=np.float64), np.asarray(ratio, dtype=np.float64)
        )
        place = self._place(flow, ratio)
        inside = place == "inside"
        efficiency = np.where(inside, self.surface.efficiency(flow, ratio), np.nan)
        speed = np.where(inside, self.surface.speed(flow, ratio), np.nan)
        return MapPoints(
            place=place,
            efficiency=efficiency,
            efficiency_error=np.where(
                inside,
                self._efficiency_error(
                    flow,
                    ratio,
                    np.hypot(np.asarray(flow_error), self.flow_error * flow),
                    np.hypot(np.asarray(ratio_error), self.ratio_error * ratio),
                ),
                np.nan,
            ),
            speed=speed,
            surge_margin=self._surge_margin(flow, ratio, speed, margin),
            choke_margin=100.0 * (_flow_at(self.choke, ratio) - flow) / _flow_at(self.choke, ratio),
        )

    def _place(self, flow: FloatArray, ratio: FloatArray) -> NDArray[np.str_]:
        low, high = self.surge.ratio.min(), max(line.ratio.max() for line in self._bounds())
        left = flow < _flow_at(self.surge, ratio, to_origin=True)
        right = flow > _flow_at(self.choke, ratio)
        inside = inside_polygon(self.outline, flow, ratio)
        floor = min(low, *(line.ratio.min() for line in self._bounds()))
        chosen = np.select(
            [inside, ratio > high, left, right, ratio < floor],
            ["inside", "above", "surge", "choke", "below"],
            # between surge and choke, but over the highest or under the lowest speed line
            np.where(ratio > 0.5 * (low + high), "above", "below"),
        )
        return np.asarray(chosen, dtype=np.str_)

    def _bounds(self) -> tuple[Line | SpeedLine, ...]:
        return (*self.speed_lines, self.surge, self.choke)

    @cached_property
    def outline(self) -> FloatArray:
        """Polygon around the map: up the surge line, along the top, down the choke line, back."""
        parts = [np.column_stack((self.surge.flow, self.surge.ratio))]
        parts += [np.column_stack((line.flow, line.ratio)) for line in self.speed_lines[-1:]]
        parts.append(np.column_stack((self.choke.flow, self.choke.ratio))[::-1])
        parts += [np.column_stack((line.flow, line.ratio))[::-1] for line in self.speed_lines[:1]]
        return np.concatenate(parts)

    def _efficiency_error(
        self, flow: FloatArray, ratio: FloatArray, flow_sd: FloatArray, ratio_sd: FloatArray
    ) -> FloatArray:
        """Propagate errors by the surface's slope, one-sided at the map's edge."""
        here = self.surface.efficiency(flow, ratio)

        def swing(up: FloatArray, down: FloatArray) -> FloatArray:
            both = np.abs(up - down) / 2.0
            one = np.fmax(np.abs(up - here), np.abs(down - here))
            return np.nan_to_num(np.where(np.isfinite(both), both, one))

        along_flow = swing(
            self.surface.efficiency(flow + flow_sd, ratio),
            self.surface.efficiency(flow - flow_sd, ratio),
        )
        along_ratio = swing(
            self.surface.efficiency(flow, ratio + ratio_sd),
            self.surface.efficiency(flow, ratio - ratio_sd),
        )
        variance = along_flow**2 + along_ratio**2 + self.interpolation_error**2
        return np.asarray(np.sqrt(variance), dtype=np.float64)

    def _surge_margin(
        self, flow: FloatArray, ratio: FloatArray, speed: FloatArray, margin: SurgeMargin
    ) -> FloatArray:
        if margin == "constant_pressure_ratio":
            return 100.0 * (flow - _flow_at(self.surge, ratio, to_origin=True)) / flow
        if margin == "constant_flow":
            return 100.0 * (_ratio_at(self.surge, flow) / ratio - 1.0)
        speeds = np.array([line.speed for line in self.speed_lines])
        if speeds.size < 2:
            return np.full(flow.shape, np.nan)
        ends = np.array([(line.flow[0], line.ratio[0]) for line in self.speed_lines])
        surge = np.asarray(PchipInterpolator(speeds, ends, extrapolate=False)(speed), np.float64)
        return surge_margin(flow, ratio, surge[..., 0], surge[..., 1])


def surge_margin(
    flow: ArrayLike, ratio: ArrayLike, surge_flow: ArrayLike, surge_ratio: ArrayLike
) -> FloatArray:
    """Surge margin of the constant-speed definition from the two points. [%].

    Returns
    -------
    (n,) float64
        100·[(π_s/π)·(W/W_s) − 1]; with equal flows it is the constant-flow definition.
    """
    pressure = np.asarray(surge_ratio, dtype=np.float64) / np.asarray(ratio, dtype=np.float64)
    share = np.asarray(flow, dtype=np.float64) / np.asarray(surge_flow, dtype=np.float64)
    return np.asarray(100.0 * (pressure * share - 1.0))


def _flow_at(line: Line, ratio: FloatArray, *, to_origin: bool = False) -> FloatArray:
    """Flow of a surge or choke line at a pressure ratio; constant beyond its ends.

    A surge line goes on to no flow at a pressure ratio of one, where every compressor ends.
    """
    ratios, flows = line.ratio, line.flow
    if to_origin and ratios[0] > 1.0:
        ratios, flows = np.concatenate(([1.0], ratios)), np.concatenate(([0.0], flows))
    return np.asarray(
        PchipInterpolator(ratios, flows)(np.clip(ratio, ratios[0], ratios[-1])), dtype=np.float64
    )


def _ratio_at(line: Line, flow: FloatArray) -> FloatArray:
    """Pressure ratio of a line at a flow; NaN beyond its ends."""
    flows = np.concatenate(([0.0], line.flow))
    ratios = np.concatenate(([1.0], line.ratio))
    return np.asarray(PchipInterpolator(flows, ratios, extrapolate=False)(flow), dtype=np.float64)

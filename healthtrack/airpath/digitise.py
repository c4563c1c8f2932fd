"""A compressor map read off a picture: from clicked pixels to flow and pressure ratio, with error.

Two points on each axis fix a picture that is scaled, turned or sheared; four points anywhere fix
one that was photographed askew (a plane seen in perspective: eight numbers, Hartley and Zisserman,
*Multiple View Geometry in Computer Vision*, 2nd ed., 4.1).

Every click is off by some pixels, those that fix the axes as well as those that trace a line. Both
are carried to flow and ratio by the slope of the whole calculation.
"""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from healthtrack.errors import MapError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

CLICK = 1.0
"""Standard deviation of a click, in each direction: a careful one lands within one pixel, and a
printed line is about as wide. [pixels]"""

STEP = 0.25
"""Step of the difference quotients. [pixels]"""

COVERED = 0.9
"""Share of the traced points whose own standard deviation the stated one is not under."""

TracedKind = Literal["speed_line", "surge", "choke", "efficiency"]


@dataclass(frozen=True)
class Axes:
    """What fixes a picture's axes.

    Parameters
    ----------
    pixels : (4, 2) float64
        Two points on the flow axis and two on the ratio axis; or, ``askew``, four anywhere.
    values : (4, 2) float64
        Flow and ratio there. With axis points, only the flow of the first two and the ratio of the
        last two count.
    askew : bool
        Whether four free points are given.
    """

    pixels: FloatArray
    values: FloatArray
    askew: bool = False


@dataclass(frozen=True)
class Traced:
    """One line that was traced: its kind, its speed or efficiency, the clicked pixels (n, 2)."""

    kind: TracedKind
    pixels: FloatArray
    value: float | None = None


@dataclass(frozen=True)
class Digitised:
    """Flow, ratio (n,) of one line and their standard deviations."""

    flow: FloatArray
    ratio: FloatArray
    flow_error: FloatArray
    ratio_error: FloatArray


@dataclass(frozen=True)
class MapWords:
    """What the picture does not show but its print does."""

    name: str
    source: str
    reference_temperature_k: float
    reference_pressure_kpa: float
    flow_unit: str
    speed_unit: str


def digitise(axes: Axes, pixels: ArrayLike, click: float = CLICK) -> Digitised:
    """Read points off a picture.

    Parameters
    ----------
    axes : Axes
        What fixes the axes.
    pixels : (n, 2) float64
        Where was clicked.
    click : float
        Standard deviation of every click, in each direction. [pixels]

    Raises
    ------
    MapError
        The axes are not fixed: points lie on one another or on one line, or values are equal.
    """
    points = np.asarray(pixels, dtype=np.float64).reshape(-1, 2)
    place = _reader(axes)
    here = place(points)
    variance = np.zeros_like(here)
    for column in (0, 1):  # the click itself
        moved = points.copy()
        moved[:, column] += STEP
        variance += ((place(moved) - here) / STEP * click) ** 2
    for row in range(4):  # the clicks that fixed the axes
        for column in (0, 1):
            shifted = axes.pixels.copy()
            shifted[row, column] += STEP
            other = _reader(Axes(shifted, axes.values, axes.askew))
            variance += ((other(points) - here) / STEP * click) ** 2
    sd = np.sqrt(variance)
    return Digitised(here[:, 0], here[:, 1], sd[:, 0], sd[:, 1])


def _reader(axes: Axes) -> Callable[[FloatArray], FloatArray]:
    """Return the function from pixels (n, 2) to flow and ratio (n, 2)."""
    matrix = _perspective(axes) if axes.askew else _parallel(axes)

    def read(points: FloatArray) -> FloatArray:
        ahead = np.column_stack((points, np.ones(len(points)))) @ matrix.T
        return np.asarray(ahead[:, :2] / ahead[:, 2:])

    return read


def _parallel(axes: Axes) -> FloatArray:
    """Flow runs along the first two points, ratio along the last two."""
    along, up = axes.pixels[1] - axes.pixels[0], axes.pixels[3] - axes.pixels[2]
    basis = np.column_stack((along, up))
    _refuse_flat(basis, axes)
    flows, ratios = axes.values[:2, 0], axes.values[2:, 1]
    if flows[0] == flows[1] or ratios[0] == ratios[1]:
        raise MapError("two points on one axis have the same value; give two different ones.")
    inverse = np.linalg.inv(basis)
    flow = inverse[0] * (flows[1] - flows[0])
    ratio = inverse[1] * (ratios[1] - ratios[0])
    return np.array(
        [
            [*flow, flows[0] - flow @ axes.pixels[0]],
            [*ratio, ratios[0] - ratio @ axes.pixels[2]],
            [0.0, 0.0, 1.0],
        ]
    )


def _perspective(axes: Axes) -> FloatArray:
    """Eight numbers from four points; values are scaled so that the equations stay even."""
    low = axes.values.min(axis=0)
    width = np.ptp(axes.values, axis=0)
    if (width <= 0).any():
        raise MapError("the four points need two flows and two pressure ratios at least.")
    rows, known = [], []
    for (x, y), (u, v) in zip(axes.pixels, (axes.values - low) / width, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        known += [u, v]
    equations = np.array(rows, dtype=np.float64)
    scale = np.abs(equations).max(axis=0)
    if (scale == 0).any() or np.linalg.cond(equations / scale) > 1e10:
        raise MapError("three of the four points lie on one line; spread them to the corners.")
    solved = np.append(np.linalg.solve(equations / scale, np.array(known)) / scale, 1.0)
    back = np.array([[width[0], 0, low[0]], [0, width[1], low[1]], [0, 0, 1.0]])
    return np.asarray(back @ solved.reshape(3, 3))


def _refuse_flat(basis: FloatArray, axes: Axes) -> None:
    lengths = np.linalg.norm(basis, axis=0)
    if (lengths < 5.0).any():
        raise MapError("two points of one axis lie on one another; mark them further apart.")
    sine = abs(np.linalg.det(basis)) / lengths.prod()
    if sine < math.sin(math.radians(10)):
        raise MapError("the two axes run in one direction; mark two points on each axis.")
    assert axes.pixels.shape == (4, 2)


def to_pixels(axes: Axes, flow: ArrayLike, ratio: ArrayLike) -> FloatArray:
    """Return where points of the map lie on the picture, (n, 2), to be drawn over it."""
    matrix = np.linalg.inv(_perspective(axes) if axes.askew else _parallel(axes))
    points = np.column_stack(
        (np.asarray(flow, np.float64), np.asarray(ratio, np.float64), np.ones(np.size(flow)))
    )
    back = points @ matrix.T
    return np.asarray(back[:, :2] / back[:, 2:])


def stated_errors(lines: Sequence[Digitised]) -> tuple[float, float]:
    """Return the relative standard deviations of flow and ratio that a map file states.

    Nine in ten of the traced points are no worse: points of little flow are the worst in percent.
    """
    flow = np.concatenate([line.flow_error / np.abs(line.flow) for line in lines])
    ratio = np.concatenate([line.ratio_error / np.abs(line.ratio) for line in lines])
    return float(np.quantile(flow, COVERED)), float(np.quantile(ratio, COVERED))


def map_files(
    words: MapWords, axes: Axes, lines: Sequence[Traced], points_name: str, click: float = CLICK
) -> tuple[str, str]:
    """Return a map as its two files: the TOML head and the CSV of points.

    Parameters
    ----------
    words : MapWords
        What stands in print.
    axes, lines : Axes, sequence of Traced
        What was clicked.
    points_name : str
        Name of the CSV file.
    click : float
        Standard deviation of a click. [pixels]

    Raises
    ------
    MapError
        Nothing was traced, or the axes are not fixed.
    """
    if not lines:
        raise MapError("nothing is traced yet.")
    found = [digitise(axes, line.pixels, click) for line in lines]
    flow_error, ratio_error = stated_errors(found)
    head = {
        "name": words.name,
        "source": words.source,
        "points": points_name,
        "reference_temperature_k": words.reference_temperature_k,
        "reference_pressure_kpa": words.reference_pressure_kpa,
        "flow_unit": words.flow_unit,
        "speed_unit": words.speed_unit,
        "flow_error_percent": round(100 * flow_error, 3),
        "ratio_error_percent": round(100 * ratio_error, 3),
    }
    text = "".join(
        f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in head.items()
    )
    return text, _points(lines, found)


def _points(lines: Sequence[Traced], found: Sequence[Digitised]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        ("kind", "line", "corrected_flow", "pressure_ratio", "efficiency", "shaft_speed")
    )
    for number, (line, read) in enumerate(zip(lines, found, strict=True), start=1):
        efficiency = line.value if line.kind == "efficiency" else None
        speed = line.value if line.kind == "speed_line" else None
        rows = list(zip(read.flow.tolist(), read.ratio.tolist(), strict=True))
        if line.kind == "speed_line":
            rows.sort()
        if line.kind == "efficiency" and _is_round(line.pixels):
            rows.append(rows[0])
        for flow, ratio in rows:
            writer.writerow(
                (
                    line.kind,
                    f"{line.kind}-{number}",
                    f"{flow:.6g}",
                    f"{ratio:.5g}",
                    "" if efficiency is None else f"{efficiency:g}",
                    "" if speed is None else f"{speed:g}",
                )
            )
    return stream.getvalue()


def _is_round(pixels: FloatArray) -> bool:
    """Whether a contour was traced nearly all around: its gap is no wider than its own steps."""
    if len(pixels) < 4:
        return False
    steps = np.linalg.norm(np.diff(pixels, axis=0), axis=1)
    gap = float(np.linalg.norm(pixels[0] - pixels[-1]))
    return 0.0 < gap <= 2.5 * float(np.median(steps))

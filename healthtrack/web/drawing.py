"""Figures as SVG: places of points in a frame, so that templates need no arithmetic."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report.numbers import number
from healthtrack.report.timeline import round_steps

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass(frozen=True)
class Tick:
    """A place along an axis with its words."""

    at: float
    words: str


@dataclass(frozen=True)
class Frame:
    """A drawing's area in its own units, and the ranges that it shows."""

    width: float
    height: float
    low_x: float
    high_x: float
    low_y: float
    high_y: float

    def across(self, x: float) -> float:
        """Return where a value lies from the left."""
        return round(self.width * (x - self.low_x) / (self.high_x - self.low_x), 2)

    def down(self, y: float) -> float:
        """Return where a value lies from the top."""
        return round(self.height * (self.high_y - y) / (self.high_y - self.low_y), 2)

    def line(self, xs: Iterable[float], ys: Iterable[float]) -> str:
        """Return the points of a polyline; what is no number is left out."""
        pairs = ((x, y) for x, y in zip(xs, ys, strict=True) if _known(x) and _known(y))
        return " ".join(f"{self.across(x)},{self.down(y)}" for x, y in pairs)

    def ticks_x(self, most: int = 6) -> list[Tick]:
        """Return round numbers along the bottom."""
        return _ticks(self.low_x, self.high_x, most, self.across)

    def ticks_y(self, most: int = 6) -> list[Tick]:
        """Return round numbers up the side."""
        return _ticks(self.low_y, self.high_y, most, self.down)


def frame_around(
    xs: Sequence[float], ys: Sequence[float], width: float, height: float, margin: float = 0.05
) -> Frame:
    """Return a frame that shows all points, with a margin."""
    low_x, high_x = _ends(xs, margin)
    low_y, high_y = _ends(ys, margin)
    return Frame(width, height, low_x, high_x, low_y, high_y)


def _ends(values: Sequence[float], margin: float) -> tuple[float, float]:
    known = [float(value) for value in values if _known(value)]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    room = margin * (high - low) or 1.0
    return low - room, high + room


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _ticks(low: float, high: float, most: int, place: object) -> list[Tick]:
    steps = round_steps(low, high, most)
    gap = steps[1] - steps[0] if len(steps) > 1 else 1.0
    decimals = max(0, math.ceil(-math.log10(gap) - 1e-9))
    assert callable(place)
    return [Tick(place(step), number(step, decimals)) for step in steps]

"""Columns of a table: each as wide as what stands in it, and the rest of the line shared out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

GAP = 3.0
"""Between columns, where there is room for it. [mm]."""
LEAST_GAP = 1.2


class Span(NamedTuple):
    """Where a column begins and ends. [mm]."""

    left: float
    right: float

    @property
    def width(self) -> float:
        """How wide it is. [mm]."""
        return self.right - self.left

    @property
    def middle(self) -> float:
        """Its middle. [mm]."""
        return (self.left + self.right) / 2


@dataclass(frozen=True, slots=True)
class Column:
    """What a column needs, and how wide it may become. [mm]."""

    width: float
    most: float | None = None


def lay_out(left: float, right: float, columns: Mapping[str, Column]) -> dict[str, Span]:
    """Place columns side by side from ``left`` to ``right`` [mm].

    What is left over goes to the columns that may grow, in proportion to how far they may, and
    then to the gaps. Where there is not enough, gaps narrow to :data:`LEAST_GAP`.

    Examples
    --------
    >>> spans = lay_out(0.0, 100.0, {"name": Column(20.0), "figure": Column(30.0, 44.0)})
    >>> spans["name"].right, spans["figure"].left, spans["figure"].right
    (20.0, 56.0, 100.0)
    """
    gaps = max(len(columns) - 1, 1)
    free = right - left - sum(column.width for column in columns.values())
    grow = {name: max((c.most or c.width) - c.width, 0.0) for name, c in columns.items()}
    wanted = sum(grow.values())
    given = min(max(free - GAP * gaps, 0.0), wanted)
    gap = max((free - given) / gaps, LEAST_GAP)
    placed: dict[str, Span] = {}
    x = left
    for name, column in columns.items():
        width = column.width + (given * grow[name] / wanted if wanted else 0.0)
        placed[name] = Span(x, x + width)
        x += width + gap
    return placed

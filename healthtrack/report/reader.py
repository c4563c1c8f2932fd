"""Who reads: the units and the marks in numbers that a report or a letter is written in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report.marks import PLAIN, Marks
from healthtrack.report.shown import SI, ShownUnits

if TYPE_CHECKING:
    from healthtrack.config import ReportSettings


@dataclass(frozen=True, slots=True)
class Reader:
    """How a reader writes quantities: units, and the marks in numbers."""

    units: ShownUnits = SI
    marks: Marks = PLAIN

    @classmethod
    def of(cls, settings: ReportSettings) -> Reader:
        """Return what the settings of reports say."""
        return cls(ShownUnits.of(settings), Marks.of(settings))


PLAIN_READER = Reader()
"""The store's units, a decimal point, thin spaces."""

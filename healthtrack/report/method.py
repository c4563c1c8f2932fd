"""The end: how the verdict came about, in plain words, with the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from healthtrack.report import style, words
from healthtrack.report.page import wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import VehicleFinding
    from healthtrack.report.flow import Flow
    from healthtrack.report.style import Type
    from healthtrack.report.words import Paragraph

TERM_WIDTH = 38.0
COLUMN_TERM = 26.0
GUTTER = 6.0


def draw_method(flow: Flow, finding: VehicleFinding) -> None:
    """Write method, words and cautions."""
    flow.space(3.0)
    flow.heading("How this verdict came about", with_next=30.0)
    flow.bookmark("Method and words")
    for term in words.METHOD:
        _draw(flow, _wrapped(flow, term, TERM_WIDTH, flow.paper.inner_width), 0.0)
        flow.space(0.8)
    shown = [
        words.Paragraph(words.label(item.indicator), words.meaning(item.indicator))
        for item in finding.indicators
        if words.meaning(item.indicator)
    ]
    flow.space(1.0)
    flow.heading("Words", aside="the indicators of this vehicle, and what is said of them")
    _in_columns(flow, [*shown, *words.GLOSSARY])
    flow.space(1.0)
    flow.heading("Cautions", with_next=14.0)
    flow.items(words.CAUTIONS, style.SMALL, numbered=False)


class Wrapped(NamedTuple):
    """A term and its text in lines, and how far to the right the text begins [mm]."""

    left: list[str]
    right: list[str]
    indent: float

    @property
    def height(self) -> float:
        """How much it takes [mm]."""
        return max(len(self.left), len(self.right)) * style.SMALL.leading + 0.8


def _wrapped(flow: Flow, term: Paragraph, indent: float, width: float) -> Wrapped:
    left = wrap(term.heading, indent - 2.0, style.SMALL_STRONG)
    wrapped = Wrapped(left, wrap(term.text, width - indent, style.SMALL), indent)
    flow.need(wrapped.height)
    return wrapped


def _draw(flow: Flow, term: Wrapped, across: float, *, advance: bool = True) -> None:
    """Write a term on the left, its text on the right."""
    columns: tuple[tuple[list[str], float, Type], ...] = (
        (term.left, 0.0, style.SMALL_STRONG),
        (term.right, term.indent, style.SMALL),
    )
    for lines, indent, kind in columns:
        for index, line in enumerate(lines, start=1):
            y = flow.y + index * kind.leading
            flow.page.text(flow.paper.left + across + indent, y, line, kind)
    if advance:
        flow.space(term.height)


def _in_columns(flow: Flow, terms: Sequence[Paragraph]) -> None:
    """Write short terms in two columns, row by row."""
    width = (flow.paper.inner_width - GUTTER) / 2
    for first in range(0, len(terms), 2):
        row = [_wrapped(flow, term, COLUMN_TERM, width) for term in terms[first : first + 2]]
        flow.need(max(term.height for term in row))
        for index, term in enumerate(row):
            _draw(flow, term, index * (width + GUTTER), advance=False)
        flow.space(max(term.height for term in row))

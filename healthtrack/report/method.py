"""The last page: how the verdict came about, in plain words, with the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.report import style, words
from healthtrack.report.page import wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import VehicleFinding
    from healthtrack.report.flow import Flow
    from healthtrack.report.words import Paragraph

TERM_WIDTH = 38.0


def draw_method(flow: Flow, finding: VehicleFinding) -> None:
    """Write the page of method, words and cautions."""
    flow.new_page()
    flow.bookmark("Method and words")
    flow.heading("How this verdict came about")
    _terms(flow, words.METHOD)
    flow.space(2.0)
    shown = [
        words.Paragraph(words.label(item.indicator), words.meaning(item.indicator))
        for item in finding.indicators
        if words.meaning(item.indicator)
    ]
    if shown:
        flow.heading("The indicators")
        _terms(flow, shown)
        flow.space(2.0)
    flow.heading("Words")
    _terms(flow, words.GLOSSARY)
    flow.space(2.0)
    flow.heading("Cautions")
    flow.items(words.CAUTIONS, numbered=False)


def _terms(flow: Flow, terms: Sequence[Paragraph]) -> None:
    """Write terms on the left, their text on the right."""
    paper = flow.paper
    for term in terms:
        left = wrap(term.heading, TERM_WIDTH - 3.0, style.STRONG)
        right = wrap(term.text, paper.inner_width - TERM_WIDTH, style.BODY)
        height = max(len(left), len(right)) * style.BODY.leading + 1.6
        flow.need(height)
        for column, x, kind in (
            (left, paper.left, style.STRONG),
            (right, paper.left + TERM_WIDTH, style.BODY),
        ):
            y = flow.y
            for line in column:
                y += style.BODY.leading
                flow.page.text(x, y, line, kind)
        flow.space(height)

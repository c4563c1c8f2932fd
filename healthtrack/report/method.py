"""The end: how the verdict came about, in plain words, with the cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from healthtrack.report import style, words
from healthtrack.report.page import wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import VehicleFinding
    from healthtrack.report.flow import Flow
    from healthtrack.report.style import Type
    from healthtrack.report.words import Paragraph

GUTTER = 6.0


@dataclass(frozen=True, slots=True)
class Setting:
    """The type in which terms are set, and how wide they are in one column and in two [mm]."""

    term: Type
    text: Type
    wide: float
    narrow: float
    air: float


CLOSE = Setting(style.SMALL_STRONG, style.SMALL, 38.0, 26.0, 0.8)
"""Below other content."""
ROOMY = Setting(style.STRONG, style.BODY, 38.0, 31.0, 2.0)
"""On a page of its own, where there is room to read it easily."""


def draw_method(flow: Flow, finding: VehicleFinding, setting: Setting = CLOSE) -> None:
    """Write method, words and cautions."""
    flow.space(3.0)
    flow.heading("How this verdict came about", with_next=30.0)
    flow.bookmark("Method and words")
    for term in words.METHOD:
        _draw(flow, _wrapped(flow, term, setting, flow.paper.inner_width), 0.0)
        flow.space(setting.air)
    flow.space(1.0)
    flow.heading("Words", aside="the indicators of this vehicle, and what is said of them")
    _in_columns(flow, [*_meanings(finding, setting), *words.GLOSSARY], setting)
    flow.space(setting.air)
    flow.heading("Cautions", with_next=14.0)
    flow.items(words.CAUTIONS, setting.text, numbered=False)


def _meanings(finding: VehicleFinding, setting: Setting) -> list[Paragraph]:
    """Say what each indicator of the vehicle means; with room, also what it could not observe."""
    names = [item.indicator for item in finding.indicators]
    if setting is ROOMY:
        names += [item.indicator for item in finding.not_observable if item.indicator not in names]
    return [
        words.Paragraph(words.label(name), words.meaning(name))
        for name in names
        if words.meaning(name)
    ]


class Wrapped(NamedTuple):
    """A term and its text in lines, and how far to the right the text begins [mm]."""

    left: list[str]
    right: list[str]
    indent: float
    setting: Setting

    @property
    def height(self) -> float:
        """How much it takes [mm]."""
        leading, air = self.setting.text.leading, min(self.setting.air, 1.2)
        return max(len(self.left), len(self.right)) * leading + air


def _wrapped(
    flow: Flow, term: Paragraph, setting: Setting, width: float, *, narrow: bool = False
) -> Wrapped:
    indent = setting.narrow if narrow else setting.wide
    left = wrap(term.heading, indent - 2.0, setting.term)
    wrapped = Wrapped(left, wrap(term.text, width - indent, setting.text), indent, setting)
    flow.need(wrapped.height)
    return wrapped


def _draw(flow: Flow, term: Wrapped, across: float, *, advance: bool = True) -> None:
    """Write a term on the left, its text on the right."""
    columns: tuple[tuple[list[str], float, Type], ...] = (
        (term.left, 0.0, term.setting.term),
        (term.right, term.indent, term.setting.text),
    )
    for lines, indent, kind in columns:
        for index, line in enumerate(lines, start=1):
            y = flow.y + index * kind.leading
            flow.page.text(flow.paper.left + across + indent, y, line, kind)
    if advance:
        flow.space(term.height)


def _in_columns(flow: Flow, terms: Sequence[Paragraph], setting: Setting) -> None:
    """Write short terms in two columns, row by row."""
    width = (flow.paper.inner_width - GUTTER) / 2
    for first in range(0, len(terms), 2):
        row = [
            _wrapped(flow, term, setting, width, narrow=True) for term in terms[first : first + 2]
        ]
        flow.need(max(term.height for term in row))
        for index, term in enumerate(row):
            _draw(flow, term, index * (width + GUTTER), advance=False)
        flow.space(max(term.height for term in row))

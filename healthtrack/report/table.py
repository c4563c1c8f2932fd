"""Every indicator as one row of a single aligned table: level, band, limit and trend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report import style, words
from healthtrack.report.columns import GAP, Column, Span, lay_out
from healthtrack.report.facts import limit_sides, limit_words, others_words, since_words, slope
from healthtrack.report.numbers import (
    NOTHING,
    THIN,
    decimals_for,
    number,
    quantity,
    short_day,
    span,
    typeset,
)
from healthtrack.report.page import text_width, wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.report.flow import Flow
    from healthtrack.report.page import Page

MARK = 3.2
"""Width of the mark of a state. [mm]."""
ARROW = 5.6
"""Width of a trend's arrow, with the air between it and its number. [mm]."""
SMALL_FIGURE = Column(28.0, 44.0)
LIMIT_ROOM = 1.45
"""How far a small figure reaches, in limits."""


@dataclass(frozen=True)
class Layout:
    """Where the table's columns stand, and what its trends count by."""

    at: dict[str, Span]
    per: str
    distance: str

    @property
    def label(self) -> float:
        """Where words begin. [mm]."""
        return self.at["label"].left


def layout(flow: Flow, finding: VehicleFinding) -> Layout:
    """Lay the table out: every column is as wide as the widest that stands in it."""
    known = [item for item in finding.indicators if item.level is not None]
    distance = flow.units.distance
    slopes = (slope(item, distance) for item in finding.indicators)
    per = next((s.per for s in slopes if s), f"per 10{THIN}000{THIN}{distance}")

    def widest(head: str, told: Sequence[float]) -> Column:
        return Column(max([text_width(head, style.TINY), *told]))

    def strong(told: str) -> float:
        return text_width(told, style.STRONG)

    def small(told: str) -> float:
        return text_width(told, style.SMALL)

    labels = [strong(words.label(item.indicator)) for item in known]
    columns = {
        "marked": widest("", [MARK + GAP + label for label in labels]),
        "figure": SMALL_FIGURE,
        "level": widest("level", [strong(_level_words(item)) for item in known]),
        "band": widest("95 % band", [small(_band_words(item)) for item in known]),
        "limit": widest("limit", [small(limit_words(item)) for item in known]),
        "trend": widest(
            f"trend {per}",
            [
                ARROW + text_width(value, style.BODY) + small(f" {band}")
                for value, band in (_trend_words(item, per, distance) for item in known)
            ],
        ),
    }
    paper = flow.paper
    at = lay_out(paper.left, paper.right_edge, columns)
    left, right = at["marked"]
    at |= {"mark": Span(left, left + MARK), "label": Span(left + MARK + GAP, right)}
    return Layout(at, per, distance)


def draw_table(flow: Flow, finding: VehicleFinding) -> None:
    """Write every indicator as one row of a single aligned table."""
    known = any(item.level is not None for item in finding.indicators)
    aside = "level now with its 95 % band, against the healthy value and the limit"
    flow.heading("Indicators", with_next=22.0, aside=aside if known else "")
    table = layout(flow, finding)
    if known:
        _table_head(flow, table)
    else:
        flow.space(1.0)
    for item in finding.indicators:
        if item.level is None:
            continue
        room = flow.paper.right_edge - table.label
        reason = _beside_state(_reason(item, table.distance), item, room)
        height = 6.4 + len(reason) * style.SMALL.leading + 1.2
        if flow.need(height):
            _table_head(flow, table)
        _row(flow, table, item, reason)
        flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y)
    for items, said in _silent(finding):
        _silent_row(flow, table, items, said)
        flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y)


def _silent(finding: VehicleFinding) -> list[tuple[list[IndicatorFinding], str]]:
    """Put indicators without a level together that have the same to say."""
    together: dict[tuple[str, str], list[IndicatorFinding]] = {}
    for item in finding.indicators:
        if item.level is None:
            said = item.reason or words.meaning(item.indicator)
            said = words.without_state(said)
            together.setdefault((item.state, said), []).append(item)
    return [(items, typeset(said)) for (_, said), items in together.items()]


def _silent_row(flow: Flow, table: Layout, items: list[IndicatorFinding], said: str) -> None:
    room = flow.paper.right_edge - table.label
    names = wrap(", ".join(_names(items)), room, style.STRONG, 2)
    reasons = _beside_state(said, items[0], room)
    height = 1.6 + len(names) * style.STRONG.leading + len(reasons) * style.SMALL.leading
    flow.need(height)
    y = flow.y + 0.4
    flow.page.mark(table.at["mark"].middle, y + style.STRONG.leading - 1.2, items[0].state, 5.5)
    for line in names:
        y += style.STRONG.leading
        flow.page.text(table.label, y, line, style.STRONG)
    _said(flow.page, (table.label, y), items[0], reasons)
    flow.space(height)


def _beside_state(said: str, item: IndicatorFinding, room: float) -> list[str]:
    """Break what is said into lines, the first of which stands behind the word of the state."""
    word = style.MARKS[item.state].word
    lines = wrap(f"{word}  {said}", room, style.SMALL, 3)
    lines[0] = lines[0][len(word) :].strip()
    return lines


def _said(
    page: Page, at: tuple[float, float], item: IndicatorFinding, lines: Sequence[str]
) -> None:
    """Write the word of the state, and what is said of it, below ``at`` [mm]."""
    (x, y), mark = at, style.MARKS[item.state]
    page.text(x, y + style.SMALL.leading, mark.word, style.SMALL_STRONG, colour=mark.colour)
    beside = text_width(f"{mark.word}  ", style.SMALL_STRONG)
    for index, line in enumerate(lines):
        y += style.SMALL.leading
        page.text(x if index else x + beside, y, line, style.SMALL, colour=style.SOFT)


def _names(items: list[IndicatorFinding]) -> list[str]:
    first, *rest = (words.label(item.indicator) for item in items)
    return [first, *(name[:1].lower() + name[1:] for name in rest)]


def _reason(item: IndicatorFinding, distance: str) -> str:
    """Say what the numbers of the row do not."""
    since = since_words(item, distance)
    if item.state in ("alert", "alarm") and since:
        raised = f", raised on {short_day(item.raised_on)}" if item.raised_on else ""
        return typeset("; ".join(filter(None, (since + raised, others_words(item)))))
    reason = item.reason or words.meaning(item.indicator)
    if item.level is not None and item.state == "normal":
        reason = reason.rpartition(": ")[2]
    return typeset(reason)


def _table_head(flow: Flow, table: Layout) -> None:
    page, figure = flow.page, table.at["figure"]
    flow.space(3.8)
    step = figure.width / 2 / LIMIT_ROOM
    for x, text in (
        (figure.middle - step, "limit"),
        (figure.middle, "healthy"),
        (figure.middle + step, "limit"),
    ):
        page.text(x, flow.y, text, style.TINY, colour=style.SOFT, align="center")
    for name, text in (
        ("level", "level"),
        ("band", "95 % band"),
        ("limit", "limit"),
        ("trend", f"trend {table.per}"),
    ):
        right = table.at[name].right
        page.text(right, flow.y, text, style.TINY, colour=style.SOFT, align="right")
    flow.space(1.6)
    page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.FAINT)


def _row(flow: Flow, table: Layout, item: IndicatorFinding, reason: Sequence[str]) -> None:
    page = flow.page
    baseline = flow.y + 5.0
    page.mark(table.at["mark"].middle, baseline - 1.2, item.state, 5.5)
    page.text(table.label, baseline, words.label(item.indicator), style.STRONG)
    _level(page, table, baseline, item)
    _slope(page, table, baseline, item)
    _said(page, (table.label, baseline + 0.2), item, reason)
    flow.space(6.4 + len(reason) * style.SMALL.leading + 1.2)


def _level_words(item: IndicatorFinding) -> str:
    return quantity(item.level, item.unit, decimals_for(item.low, item.high))


def _band_words(item: IndicatorFinding) -> str:
    return span(item.low, item.high, decimals_for(item.low, item.high))


def _level(page: Page, table: Layout, baseline: float, item: IndicatorFinding) -> None:
    at = table.at
    page.text(at["level"].right, baseline, _level_words(item), style.STRONG, align="right")
    page.text(at["band"].right, baseline, _band_words(item), style.SMALL, align="right")
    page.text(at["limit"].right, baseline, limit_words(item), style.SMALL, align="right")
    if item.limit:
        _small_figure(page, at["figure"], baseline - 1.3, item)


def _small_figure(page: Page, at: Span, y: float, item: IndicatorFinding) -> None:
    """Level and band on a line where the limits of all rows stand below each other."""
    reach = at.width / 2
    per_unit = reach / (LIMIT_ROOM * abs(item.limit or 1.0))

    def place(value: float) -> float:
        return at.middle + max(-reach, min(reach, value * per_unit))

    page.rule(at.left, at.right, y, style.HAIR, 0.7)
    page.line((at.middle, at.middle), (y - 1.6, y + 1.6), style.FAINT, 0.8)
    for side in limit_sides(item):
        x = place(side * abs(item.limit or 0.0))
        page.line((x, x), (y - 2.2, y + 2.2), style.INK, 1.2)
    if item.low is not None and item.high is not None:
        x0, x1 = place(item.low), place(item.high)
        page.box(x0, y - 1.2, max(x1 - x0, 0.3), 2.4, style.DATA_BAND)
        for x in (x0, x1):
            page.line((x, x), (y - 1.2, y + 1.2), style.DATA, 0.8)
    if item.level is not None:
        page.mark(place(item.level), y, item.state, 4.2)


def _trend_words(item: IndicatorFinding, per: str, distance: str) -> tuple[str, str]:
    """Write a trend and its band; by what it counts, where the column's head names another."""
    trend = slope(item, distance)
    if trend is None:
        return NOTHING, ""
    decimals = decimals_for(trend.low, trend.high)
    value = number(trend.value, decimals)
    if trend.per != per:
        value = f"{trend.per} {value}"
    return value, f"({span(trend.low, trend.high, decimals)})"


def _slope(page: Page, table: Layout, baseline: float, item: IndicatorFinding) -> None:
    trend, right = slope(item, table.distance), table.at["trend"].right
    value, band = _trend_words(item, table.per, table.distance)
    if trend is None:
        page.text(right, baseline, value, style.BODY, align="right")
        return
    x = right - text_width(f"{band} ", style.SMALL)
    page.text(x, baseline, value, style.BODY, align="right")
    page.text(right, baseline, band, style.SMALL, colour=style.SOFT, align="right")
    arrow = table.at["trend"].left + 2.0  # all arrows below each other, clear of every number
    page.arrow(arrow, baseline - 1.2, trend.arrow, style.INK)

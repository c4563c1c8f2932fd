"""Page one: the vehicle, the verdict, what to do next, and every indicator in one table."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from healthtrack.report import style, words
from healthtrack.report.facts import limit_sides, limit_words, since_words, slope
from healthtrack.report.numbers import (
    NOTHING,
    count,
    day,
    decimals_for,
    number,
    quantity,
    short_day,
    span,
    typeset,
)
from healthtrack.report.page import text_width, wrap
from healthtrack.report.todo import draw_next

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings
    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.report.flow import Flow
    from healthtrack.report.page import Page

DOT = " \N{MIDDLE DOT} "


class Columns(NamedTuple):
    """Where the table's columns stand [mm]."""

    mark: float
    label: float
    middle: float
    reach: float
    level: float
    band: float
    limit: float
    arrow: float
    slope: float


def draw_front(flow: Flow, finding: VehicleFinding, vehicle: VehicleSettings) -> None:
    """Write page one, and on to the next where there is more than it holds."""
    flow.bookmark("Verdict")
    _title(flow, finding, vehicle)
    _verdict(flow, finding)
    flow.space(2.5)
    draw_next(flow, finding)
    if finding.indicators:
        flow.space(2.5)
        draw_table(flow, finding)
    if finding.not_observable:
        flow.space(2.5)
        flow.heading("What could not be observed")
        flow.items(
            (
                f"{words.label(item.indicator)}: needs {item.needs}"
                for item in finding.not_observable
            ),
            numbered=False,
        )


def _title(flow: Flow, finding: VehicleFinding, vehicle: VehicleSettings) -> None:
    page, paper = flow.page, flow.paper
    right = f"as of {day(finding.as_of)}"
    page.text(paper.left, flow.y, "Condition of the air path", style.SMALL, colour=style.SOFT)
    page.text(paper.right_edge, flow.y, right, style.SMALL, colour=style.SOFT, align="right")
    flow.space(10.5)
    name = words.vehicle_title(finding, vehicle)
    kind = style.TITLE
    if len(wrap(name, paper.inner_width, kind)) > 2:
        kind = style.LONG_TITLE
        flow.space(-2.0)
    for line in wrap(name, paper.inner_width, kind, 4):
        page.text(paper.left, flow.y, line, kind)
        flow.space(kind.leading)
    flow.space(style.SMALL.leading + 2.0 - kind.leading)
    for line in wrap(_facts(finding), paper.inner_width, style.SMALL, 3):
        page.text(paper.left, flow.y, line, style.SMALL, colour=style.SOFT)
        flow.space(style.SMALL.leading)
    flow.space(3.0)


def _facts(finding: VehicleFinding) -> str:
    facts = [f"vehicle {finding.vehicle}"]
    if finding.first_drive and finding.last_drive:
        first, last = finding.first_drive.date(), finding.last_drive.date()
        facts.append(day(first) if first == last else f"{day(first)} to {day(last)}")
    facts.append(count(finding.drives, "drive"))
    if finding.windows:
        facts.append(count(finding.windows, "window"))
    if finding.odometer_km is not None:
        facts.append(f"odometer {quantity(finding.odometer_km, 'km', 0)}")
    return DOT.join(fact.replace(" ", "\N{NO-BREAK SPACE}") for fact in facts)


def _verdict(flow: Flow, finding: VehicleFinding) -> None:
    page, paper = flow.page, flow.paper
    mark = style.MARKS[finding.state]
    inside = paper.left + 6.0
    lines = wrap(typeset(finding.reason), paper.inner_width - 12.0, style.LEAD)
    height = 11.0 + len(lines) * style.LEAD.leading + 2.6
    page.box(paper.left, flow.y, paper.inner_width, height, style.WASH)
    page.box(paper.left, flow.y, 1.4, height, mark.colour)
    baseline = flow.y + 8.2
    page.mark(inside + 1.4, baseline - 1.8, finding.state, 8.5)
    page.text(inside + 6.0, baseline, mark.word.capitalize(), style.WORD, colour=mark.colour)
    baseline += 1.2
    for line in lines:
        baseline += style.LEAD.leading
        page.text(inside, baseline, line, style.LEAD)
    flow.space(height)


def columns(flow: Flow) -> Columns:
    """Return the places of the table's columns on this paper."""
    left, right = flow.paper.left, flow.paper.right_edge
    return Columns(
        mark=left + 1.6,
        label=left + 6.0,
        middle=left + 66.0,
        reach=22.0,
        level=left + 104.0,
        band=left + 128.5,
        limit=left + 141.0,
        arrow=left + 145.5,
        slope=right,
    )


def draw_table(flow: Flow, finding: VehicleFinding) -> None:
    """Write every indicator as one row of a single aligned table."""
    known = any(item.level is not None for item in finding.indicators)
    aside = "level now with its 95 % band, against the healthy value and the limit"
    flow.heading("Indicators", with_next=22.0, aside=aside if known else "")
    per = next((s.per for s in map(slope, finding.indicators) if s), "per 10 000 km")
    if known:
        _table_head(flow, per)
    else:
        flow.space(1.0)
    for item in finding.indicators:
        if item.level is None:
            continue
        reason = wrap(_reason(item), flow.paper.right_edge - columns(flow).label, style.SMALL, 3)
        height = 6.4 + len(reason) * style.SMALL.leading + 1.2
        if flow.need(height) and known:
            _table_head(flow, per)
        _row(flow, item, reason, per)
        flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y)
    for items, said in _silent(finding):
        _silent_row(flow, items, said)
        flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y)


def _silent(finding: VehicleFinding) -> list[tuple[list[IndicatorFinding], str]]:
    """Put indicators without a level together that have the same to say."""
    together: dict[tuple[str, str], list[IndicatorFinding]] = {}
    for item in finding.indicators:
        if item.level is None:
            said = item.reason or words.meaning(item.indicator)
            said = re.sub(r"^learning: ", "", said)
            together.setdefault((item.state, said), []).append(item)
    return [(items, typeset(said)) for (_, said), items in together.items()]


def _silent_row(flow: Flow, items: list[IndicatorFinding], said: str) -> None:
    at = columns(flow)
    room = flow.paper.right_edge - at.label
    names = wrap(", ".join(_names(items)), room, style.STRONG, 2)
    mark = style.MARKS[items[0].state]
    reasons = wrap(f"{mark.word}  {said}", room, style.SMALL, 3)
    height = 1.6 + len(names) * style.STRONG.leading + len(reasons) * style.SMALL.leading
    flow.need(height)
    y = flow.y + 0.4
    flow.page.mark(at.mark, y + style.STRONG.leading - 1.2, items[0].state, 5.5)
    for line in names:
        y += style.STRONG.leading
        flow.page.text(at.label, y, line, style.STRONG)
    for index, line in enumerate(reasons):
        y += style.SMALL.leading
        x, text = at.label, line
        if index == 0:
            flow.page.text(x, y, mark.word, style.SMALL_STRONG, colour=mark.colour)
            x += text_width(f"{mark.word}  ", style.SMALL_STRONG)
            text = line[len(mark.word) :].strip()
        flow.page.text(x, y, text, style.SMALL, colour=style.SOFT)
    flow.space(height)


def _names(items: list[IndicatorFinding]) -> list[str]:
    first, *rest = (words.label(item.indicator) for item in items)
    return [first, *(name[:1].lower() + name[1:] for name in rest)]


def _reason(item: IndicatorFinding) -> str:
    """Say what the numbers of the row do not."""
    since = since_words(item)
    if item.state in ("alert", "alarm") and since:
        raised = f", raised on {short_day(item.raised_on)}" if item.raised_on else ""
        return typeset(since + raised)
    reason = item.reason or words.meaning(item.indicator)
    if item.level is not None and item.state == "normal":
        reason = reason.rpartition(": ")[2]
    return typeset(reason)


def _table_head(flow: Flow, per: str) -> None:
    page, at = flow.page, columns(flow)
    flow.space(3.8)
    step = at.reach / LIMIT_ROOM
    for x, text in (
        (at.middle - step, "limit"),
        (at.middle, "healthy"),
        (at.middle + step, "limit"),
    ):
        page.text(x, flow.y, text, style.TINY, colour=style.SOFT, align="center")
    for x, text in (
        (at.level, "level"),
        (at.band, "95 % band"),
        (at.limit, "limit"),
        (at.slope, f"trend {per}"),
    ):
        page.text(x, flow.y, text, style.TINY, colour=style.SOFT, align="right")
    flow.space(1.6)
    page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.FAINT)


def _row(flow: Flow, item: IndicatorFinding, reason: list[str], per: str) -> None:
    page, at = flow.page, columns(flow)
    mark = style.MARKS[item.state]
    baseline = flow.y + 5.0
    page.mark(at.mark, baseline - 1.2, item.state, 5.5)
    page.text(at.label, baseline, words.label(item.indicator), style.STRONG)
    if item.level is not None:
        _level(page, at, baseline, item)
        _slope(page, at, baseline, item, per)
    for index, line in enumerate(reason):
        y = baseline + (index + 1) * style.SMALL.leading + 0.2
        x = at.label
        if index == 0:
            page.text(x, y, mark.word, style.SMALL_STRONG, colour=mark.colour)
            x += text_width(f"{mark.word}  ", style.SMALL_STRONG)
        page.text(x, y, line, style.SMALL, colour=style.SOFT)
    flow.space(6.4 + len(reason) * style.SMALL.leading + 1.2)


def _level(page: Page, at: Columns, baseline: float, item: IndicatorFinding) -> None:
    decimals = decimals_for(item.low, item.high)
    page.text(
        at.level, baseline, quantity(item.level, item.unit, decimals), style.STRONG, align="right"
    )
    page.text(at.band, baseline, span(item.low, item.high, decimals), style.SMALL, align="right")
    page.text(at.limit, baseline, limit_words(item), style.SMALL, align="right")
    if item.limit:
        _small_figure(page, at, baseline - 1.3, item)


LIMIT_ROOM = 1.45
"""How far a small figure reaches, in limits."""


def _small_figure(page: Page, at: Columns, y: float, item: IndicatorFinding) -> None:
    """Level and band on a line where the limits of all rows stand below each other."""
    per_unit = at.reach / (LIMIT_ROOM * abs(item.limit or 1.0))

    def place(value: float) -> float:
        return at.middle + max(-at.reach, min(at.reach, value * per_unit))

    page.rule(at.middle - at.reach, at.middle + at.reach, y, style.HAIR, 0.7)
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


def _slope(page: Page, at: Columns, baseline: float, item: IndicatorFinding, per: str) -> None:
    trend = slope(item)
    if trend is None:
        page.text(at.slope, baseline, NOTHING, style.BODY, align="right")
        return
    decimals = decimals_for(trend.low, trend.high)
    band = f"({span(trend.low, trend.high, decimals)})"
    value = number(trend.value, decimals)
    if trend.per != per:  # the column's head names the other one
        value = f"{trend.per} {value}"
    page.arrow(at.arrow, baseline - 1.2, trend.arrow, style.INK)
    x = at.slope - text_width(f"{band} ", style.SMALL)
    page.text(x, baseline, value, style.BODY, align="right")
    page.text(at.slope, baseline, band, style.SMALL, colour=style.SOFT, align="right")


def baseline_words(finding: VehicleFinding) -> str:
    """Say from what the healthy expectation was learned."""
    base = finding.baseline
    if base is None:
        return "There is no healthy expectation yet."
    restarted = f" Learning was restarted by: {base.restarted_by}." if base.restarted_by else ""
    lent = (
        f", and borrows from {count(base.sisters, 'vehicle')} of its kind: the bands are wider"
        if base.sisters
        else ""
    )
    return (
        f"The healthy expectation was learned from {count(base.drives, 'drive')} between "
        f"{short_day(base.start)} and {short_day(base.end)}{lent}.{restarted}"
    )

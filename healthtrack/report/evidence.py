"""Causes, forecasts, maintenance and data quality: what the verdict rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.report import style, words
from healthtrack.report.front import limit_ahead, limit_decimals
from healthtrack.report.numbers import (
    NOTHING,
    THIN,
    decimals_for,
    number,
    percent,
    quantity,
    short_day,
    span,
)
from healthtrack.report.page import shorten, wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import (
        CauseFinding,
        IndicatorFinding,
        MaintenanceEvent,
    )
    from healthtrack.report.flow import Flow

ROW = 5.4


def draw_causes(flow: Flow, causes: Sequence[CauseFinding]) -> None:
    """Write the causes with their probabilities as bars of one scale."""
    if not causes:
        return
    flow.space(3.0)
    flow.heading("Probable causes", with_next=16.0, aside="probability, and the size of the fault")
    flow.bookmark("Causes")
    paper = flow.paper
    bar, reach = paper.left + 60.0, 52.0
    for item in sorted(causes, key=lambda cause: -cause.probability):
        flow.need(ROW)
        y = flow.y + 4.2
        label = shorten(words.cause(item.cause), 57.0, style.BODY)
        flow.page.text(paper.left, y, label, style.BODY)
        flow.page.box(bar, y - 2.9, reach, 3.2, style.WASH)
        flow.page.box(bar, y - 2.9, max(reach * item.probability, 0.2), 3.2, style.DATA)
        flow.page.text(
            bar + reach + 19.0, y, percent(item.probability), style.STRONG, align="right"
        )
        flow.page.text(paper.right_edge, y, size_words(item), style.SMALL, align="right")
        flow.space(ROW)
        meaning = words.cause_size(item.cause)
        if meaning and item.size is not None:
            flow.page.text(
                paper.right_edge, y + 3.2, meaning, style.TINY, colour=style.SOFT, align="right"
            )
            flow.space(2.6)


def size_words(item: CauseFinding) -> str:
    """Write the size of a fault with its 95 % band."""
    if item.size is None:
        return ""
    decimals = decimals_for(item.size_low, item.size_high)
    text = quantity(item.size, item.unit or "", decimals)
    if item.size_low is not None and item.size_high is not None:
        text += f" ({span(item.size_low, item.size_high, decimals)})"
    return text


def draw_forecasts(flow: Flow, indicators: Sequence[IndicatorFinding]) -> None:
    """Write when each limit is reached."""
    known = [item for item in indicators if item.forecast is not None and forecast_words(item)]
    if not known:
        return
    flow.space(3.0)
    flow.heading("Forecast", aside="when a limit is reached if the trend goes on as it does")
    flow.bookmark("Forecast")
    for item in known:
        limit = quantity(limit_ahead(item), item.unit, limit_decimals(item))
        flow.paragraph(f"{words.label(item.indicator)} reaches {limit} {forecast_words(item)}.")


def forecast_words(item: IndicatorFinding) -> str:
    """Say at which odometer, in which interval, and about when a limit is reached."""
    far = item.forecast
    if far is None or (far.limit_km is None and far.limit_on is None and far.limit_km_low is None):
        return ""
    parts = []
    if far.limit_km is not None:
        decimals = min(0, decimals_for(far.limit_km_low, far.limit_km_high))
        parts.append(f"at about {quantity(far.limit_km, 'km', decimals)}")
        if far.limit_km_low is not None and far.limit_km_high is not None:
            between = span(far.limit_km_low, far.limit_km_high, decimals)
            parts.append(f"(95 % between {between.replace(' to ', ' and ')})")
    if far.limit_km_low is not None and far.limit_km_high is None:
        parts.append(f"not before {quantity(far.limit_km_low, 'km', -3)}")
    if far.limit_on is not None:
        parts.append(f"around {short_day(far.limit_on)}")
    return ", ".join(parts).replace(", (", " (")


def draw_maintenance(flow: Flow, events: Sequence[MaintenanceEvent]) -> None:
    """Write the numbered list of maintenance events; the numbers stand under the trends."""
    flow.space(3.0)
    flow.heading("Maintenance events")
    flow.bookmark("Maintenance")
    paper = flow.paper
    if not events:
        flow.paragraph("None is on the list.", colour=style.SOFT)
        return
    for index, event in enumerate(events, start=1):
        what = MAINTENANCE_KINDS.get(event.kind, (words.reason(event.kind), ()))[0]
        text = f"{what}: {event.note}" if event.note.strip() else what
        lines = wrap(text[:1].upper() + text[1:], paper.right_edge - paper.left - 62.0, style.SMALL)
        flow.need(len(lines[:3]) * style.SMALL.leading + 0.6)
        y = flow.y + style.SMALL.leading
        flow.page.text(paper.left + 5.0, y, str(index), style.SMALL_STRONG, align="right")
        flow.page.text(paper.left + 8.5, y, short_day(event.on), style.SMALL)
        odometer = number(event.odometer_km, 0)
        unit = "" if odometer == NOTHING else f"{THIN}km"
        flow.page.text(paper.left + 54.0, y, odometer + unit, style.SMALL, align="right")
        for line in lines[:3]:
            flow.page.text(paper.left + 62.0, y, line, style.SMALL)
            y += style.SMALL.leading
        flow.space(len(lines[:3]) * style.SMALL.leading + 0.6)

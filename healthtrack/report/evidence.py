"""Forecasts, and the list of maintenance events."""

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
    quantity,
    short_day,
    span,
)
from healthtrack.report.page import wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import (
        IndicatorFinding,
        MaintenanceEvent,
    )
    from healthtrack.report.flow import Flow

ROW = 5.4


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

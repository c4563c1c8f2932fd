"""Forecasts, and the list of maintenance events."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.report import style, words
from healthtrack.report.facts import limit_ahead, limit_decimals
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
from healthtrack.report.page import wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.records import (
        Forecast,
        IndicatorFinding,
        MaintenanceEvent,
    )
    from healthtrack.report.flow import Flow

MANY_EVENTS = 20
"""With more maintenance events than this each has one line."""

WORTH_SAYING = 0.02
"""Chances under this are not told."""


def draw_forecasts(flow: Flow, indicators: Sequence[IndicatorFinding]) -> None:
    """Write when each limit is reached, where that can be said."""
    known = [(item, forecast_words(item, flow.units.distance)) for item in indicators]
    known = [(item, text) for item, text in known if text]
    if not known:
        return
    flow.space(3.0)
    flow.heading("Forecast", aside="when a limit is reached if things go on as they do")
    flow.bookmark("Forecast")
    for item, text in known:
        limit = item.forecast.limit if item.forecast is not None else None
        if limit is None:
            limit = limit_ahead(item)
        reached = quantity(limit, item.unit, limit_decimals(item))
        flow.paragraph(f"{words.label(item.indicator)}, limit {reached}: {text}.")


def forecast_words(item: IndicatorFinding, distance: str = "km") -> str:
    """Say whether and when a limit is reached, and how likely before the next service.

    Empty where there is nothing worth a sentence: not asked, or not within the horizon.
    """
    far = item.forecast
    if far is None:
        return ""
    if far.answer == "reached":
        return "reached already"
    when = _when(far, distance)
    if far.answer == "too_uncertain":
        chance = far.probability or 0.0
        if chance < WORTH_SAYING:
            return ""
        within = f" within {quantity(far.horizon_km, distance, -3)}" if far.horizon_km else ""
        return f"{percent(chance)} probable{within}, but no date is worth planning with"
    if not when or far.answer == "not_within_horizon":
        return ""
    service = far.before_service
    if service is not None and service >= WORTH_SAYING:
        when += f"; {percent(service)} probable before the next service"
    return when


def _when(far: Forecast, distance: str) -> str:
    parts = []
    if far.limit_km is not None:
        late = far.limit_km_high
        if late is None and far.limit_km_low is not None:
            late = 2 * far.limit_km - far.limit_km_low
        decimals = min(-2, decimals_for(far.limit_km_low, late))
        text = f"at about {quantity(far.limit_km, distance, decimals)}"
        if far.limit_km_low is not None and far.limit_km_high is not None:
            between = span(far.limit_km_low, far.limit_km_high, decimals)
            text += f" (95 % between {between.replace(' to ', ' and ')})"
        elif far.limit_km_low is not None:
            text += f" (not before {quantity(far.limit_km_low, distance, -3)})"
        parts.append(text)
    if far.limit_on is not None:
        text = f"around {short_day(far.limit_on)}"
        if far.limit_on_low is not None and far.limit_on_high is not None:
            text += f" ({short_day(far.limit_on_low)} to {short_day(far.limit_on_high)})"
        elif far.limit_on_low is not None:
            text += f" (not before {short_day(far.limit_on_low)})"
        parts.append(text)
    return ", ".join(parts)


def draw_maintenance(flow: Flow, events: Sequence[MaintenanceEvent]) -> None:
    """Write the numbered list of maintenance events; the numbers stand under the trends."""
    flow.space(2.0)
    flow.heading("Maintenance events", with_next=8.0)
    flow.bookmark("Maintenance")
    paper = flow.paper
    if not events:
        flow.paragraph("None is on the list.", colour=style.SOFT)
        return
    most = 3 if len(events) <= MANY_EVENTS else 1
    for index, event in enumerate(events, start=1):
        what = MAINTENANCE_KINDS.get(event.kind, (words.reason(event.kind), ()))[0]
        text = f"{what}: {event.note}" if event.note.strip() else what
        width = paper.inner_width - 62.0
        lines = wrap(text[:1].upper() + text[1:], width, style.SMALL, most)
        flow.need(len(lines) * style.SMALL.leading + 0.6)
        y = flow.y + style.SMALL.leading
        flow.page.text(paper.left + 5.0, y, str(index), style.SMALL_STRONG, align="right")
        flow.page.text(paper.left + 8.5, y, short_day(event.on), style.SMALL)
        odometer = number(event.odometer_km, 0)
        unit = "" if odometer == NOTHING else f"{THIN}{flow.units.distance}"
        flow.page.text(paper.left + 54.0, y, odometer + unit, style.SMALL, align="right")
        for line in lines:
            flow.page.text(paper.left + 62.0, y, line, style.SMALL, own_words=True)
            y += style.SMALL.leading
        flow.space(len(lines) * style.SMALL.leading + 0.6)

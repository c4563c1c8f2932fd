"""A course as numbers for the browser's own drawing, and as a small line on the board."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from healthtrack.report import words
from healthtrack.report.facts import limit_ahead, limit_sides
from healthtrack.report.lines import Lines, broken, learned_spans, value_range
from healthtrack.web.drawing import Frame

if TYPE_CHECKING:
    from collections.abc import Iterable

    from healthtrack.records import IndicatorFinding, VehicleFinding
    from healthtrack.report.timeline import Timeline

SPARK = (120.0, 28.0)
SPARK_POINTS = 60


def course(finding: VehicleFinding, item: IndicatorFinding, axis: Timeline) -> dict[str, Any]:
    """Return an indicator's course over the shared axis, ready for JSON.

    Every list under ``drives`` has one entry per drive; gaps in level and band are null.
    """
    assert item.trend is not None
    frame = item.trend.frame.sort("started")
    lines = Lines.of(item.trend, axis)
    cut = broken(lines, item, finding.maintenance, axis)
    low, high = value_range(lines, item)
    far = item.forecast
    fan = [
        {"x": _number(at), "low": point.low, "middle": point.middle, "high": point.high}
        for point in (far.fan if far is not None else ())
        if (at := axis.place_of_day(point.on, point.km) if point.on else point.km) is not None
    ]
    return {
        "indicator": item.indicator,
        "label": words.label(item.indicator),
        "unit": item.unit,
        "axis": {"kind": axis.kind, "unit": axis.distance, "low": axis.low, "high": axis.high},
        "low": low,
        "high": high,
        "x": _numbers(lines.x),
        "value": _numbers(lines.value),
        "drive": frame["drive"].to_list(),
        "day": [f"{moment:%Y-%m-%d}" for moment in frame["started"].to_list()],
        "level": {
            "x": _numbers(cut.x),
            "middle": _numbers(cut.level),
            "low": _numbers(cut.low),
            "high": _numbers(cut.high),
        },
        "learned": learned_spans(lines),
        "limits": [side * abs(item.limit) for side in limit_sides(item)] if item.limit else [],
        "events": [
            {"x": at, "words": f"{event.on:%Y-%m-%d}: {event.kind.replace('_', ' ')}"}
            for event in finding.maintenance
            if (at := axis.place_of_event(event)) is not None
        ],
        "fan": fan,
    }


def spark(item: IndicatorFinding) -> dict[str, Any] | None:
    """Return a small line of a level between healthy and its limit; None where there is none."""
    limit = limit_ahead(item)
    if item.trend is None or not limit or item.trend.frame.height < 2:
        return None
    frame = item.trend.frame.sort("started").select("started", "smoothed").drop_nulls()
    moments = [moment.timestamp() for moment in frame["started"].to_list()]
    levels = frame["smoothed"].to_list()
    if len(levels) < 2 or moments[-1] <= moments[0]:
        return None
    step = max(1, len(levels) // SPARK_POINTS)
    kept = [*range(0, len(levels) - 1, step), len(levels) - 1]
    share = [min(1.35, max(-0.35, levels[at] / limit)) for at in kept]
    upward = limit > 0
    drawn = Frame(*SPARK, moments[0], moments[-1], -0.4 if upward else 1.4, 1.4 if upward else -0.4)
    return {
        "points": drawn.line([moments[at] for at in kept], share),
        "end": (drawn.across(moments[-1]), drawn.down(share[-1])),
        "zero": drawn.down(0.0),
        "limit": drawn.down(1.0),
        "width": SPARK[0],
        "height": SPARK[1],
    }


def day_of(axis: Timeline, at: float) -> str | None:
    """Return the day at a place on an axis of days."""
    if axis.kind != "date":
        return None
    return f"{datetime.fromtimestamp(at * 86_400.0, tz=UTC):%Y-%m-%d}"


def _numbers(values: Iterable[float]) -> list[float | None]:
    return [_number(value) for value in values]


def _number(value: float) -> float | None:
    return round(float(value), 5) if math.isfinite(value) else None

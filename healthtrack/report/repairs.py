"""What each repair changed: single drives before it and after it, as they were measured."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.report import style, words
from healthtrack.report.lines import restarts
from healthtrack.report.numbers import count, quantity, short_day, span
from healthtrack.report.page import shorten

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.records import IndicatorFinding, MaintenanceEvent, VehicleFinding
    from healthtrack.report.flow import Flow

DRIVES = 15
"""Drives that are looked at on either side of a repair."""
FEWEST = 4
"""With fewer drives on a side nothing is said of it."""


class Side(NamedTuple):
    """Single drives on one side of a repair: their middle, and the range of nine in ten."""

    drives: int
    middle: float
    low: float
    high: float


class Effect(NamedTuple):
    """A repair and an indicator that it may have changed."""

    event: MaintenanceEvent
    item: IndicatorFinding
    before: Side | None
    after: Side | None


def effects(finding: VehicleFinding) -> list[Effect]:
    """Put the drives before and after every repair side by side, per indicator.

    Drives beyond the next repair of the same indicator do not count. The ranges describe the
    drives that were measured; they are no intervals of anything that was estimated.
    """
    found = []
    for item in finding.indicators:
        if item.trend is None or not item.trend.frame.height:
            continue
        own = [event for event in finding.maintenance if restarts(event, item.indicator)]
        days = [event.on for event in own]
        frame = item.trend.frame.sort("started").select("started", "value").drop_nulls()
        on = frame["started"].dt.date()
        for index, event in enumerate(own):
            since = days[index - 1] if index else date.min
            until = days[index + 1] if index + 1 < len(days) else date.max
            before = frame.filter((on > since) & (on < event.on))
            after = frame.filter((on > event.on) & (on < until))
            sides = _side(before.tail(DRIVES)), _side(after.head(DRIVES))
            if any(sides):
                found.append(Effect(event, item, *sides))
    return sorted(found, key=lambda effect: effect.event.on)


def _side(frame: pl.DataFrame) -> Side | None:
    values: NDArray[np.float64] = frame["value"].to_numpy().astype(np.float64)
    if values.size < FEWEST:
        return None
    low, middle, high = (float(value) for value in np.quantile(values, (0.05, 0.5, 0.95)))
    return Side(int(values.size), middle, low, high)


def draw_repairs(flow: Flow, finding: VehicleFinding) -> None:
    """Write what was measured before and after each repair."""
    found = effects(finding)
    if not found:
        return
    flow.space(3.0)
    flow.heading(
        "Before and after work on the vehicle",
        with_next=16.0,
        aside="the middle of single drives, and the range of nine in ten",
    )
    flow.bookmark("Before and after")
    paper = flow.paper
    at = (paper.left + 78.0, paper.left + 126.0, paper.right_edge)
    flow.space(3.6)
    for x, text in zip(at[1:], ("before", "after"), strict=True):
        flow.page.text(x, flow.y, text, style.TINY, colour=style.SOFT, align="right")
    flow.space(0.8)
    for effect in found:
        flow.need(5.2)
        y = flow.y + 4.0
        kind = MAINTENANCE_KINDS.get(effect.event.kind, (words.reason(effect.event.kind), ()))[0]
        text = f"{short_day(effect.event.on)}: {kind}"
        flow.page.text(paper.left, y, shorten(text, 62.0, style.SMALL), style.SMALL)
        label = shorten(words.label(effect.item.indicator), 24.0, style.SMALL_STRONG)
        flow.page.text(paper.left + 64.0, y, label, style.SMALL_STRONG)
        for x, side in zip(at[1:], (effect.before, effect.after), strict=True):
            flow.page.text(x, y, _side_words(side, effect.item.unit), style.SMALL, align="right")
        flow.space(5.2)
        flow.page.rule(paper.left, paper.right_edge, flow.y)


def _side_words(side: Side | None, unit: str) -> str:
    if side is None:
        return f"fewer than {count(FEWEST, 'drive')}"
    return f"{quantity(side.middle, unit, 1)} ({span(side.low, side.high, 1)})"

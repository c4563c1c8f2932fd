"""What each repair changed: single drives before it and after it, as they were measured."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.report import style, words
from healthtrack.report.columns import Column, Span, lay_out
from healthtrack.report.lines import restarts
from healthtrack.report.numbers import (
    NOTHING,
    count,
    decimals_for,
    percent,
    quantity,
    short_day,
    span,
)
from healthtrack.report.page import text_width

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.records import (
        IndicatorFinding,
        MaintenanceEvent,
        RepairChange,
        RepairFinding,
        VehicleFinding,
    )
    from healthtrack.report.flow import Flow

MOST_EVENTS = 6
"""Works on the vehicle that are shown, the latest."""
ROW = 5.2
"""Height of a row. [mm]."""
HEADS = {"before": "before", "after": "after", "change": "change, 95 % band"}
FIGURE_HEAD = "before over after"

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
    changes: tuple[RepairChange, ...] = ()

    @property
    def whole(self) -> RepairChange | None:
        """How far the level moved over the work, all regions together."""
        return next((change for change in self.changes if change.region == "all"), None)


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
            changes = _changes(finding, event, item.indicator)
            if any(sides) or changes:
                found.append(Effect(event, item, *sides, changes))
    return sorted(found, key=lambda effect: effect.event.on)


def _repair(finding: VehicleFinding, event: MaintenanceEvent) -> RepairFinding | None:
    return next((repair for repair in finding.repairs if repair.event == event.event), None)


def _changes(
    finding: VehicleFinding, event: MaintenanceEvent, indicator: str
) -> tuple[RepairChange, ...]:
    done = _repair(finding, event)
    told = done.changes if done is not None else ()
    return tuple(change for change in told if change.indicator == indicator)


def _side(frame: pl.DataFrame) -> Side | None:
    values: NDArray[np.float64] = frame["value"].to_numpy().astype(np.float64)
    if values.size < FEWEST:
        return None
    low, middle, high = (float(value) for value in np.quantile(values, (0.05, 0.5, 0.95)))
    return Side(int(values.size), middle, low, high)


def draw_repairs(flow: Flow, finding: VehicleFinding) -> None:
    """Write what was measured before and after each repair, and how far the level moved."""
    found = effects(finding)
    if not found:
        return
    flow.space(3.0)
    flow.heading(
        "Before and after work on the vehicle",
        with_next=24.0,
        aside="the middle of single drives with the range of nine in ten; the change with its band",
    )
    flow.bookmark("Before and after")
    at = _columns(flow, found)
    _head(flow, at)
    before: MaintenanceEvent | None = None
    latest = list(dict.fromkeys(effect.event for effect in found))[-MOST_EVENTS:]
    shown = [effect for effect in found if effect.event in latest]
    for effect in shown:
        if effect.event is not before:
            if flow.need(style.STRONG.leading + style.SMALL.leading + ROW + 2.5):
                _head(flow, at)
            _event(flow, effect.event, _repair(finding, effect.event))
            before = effect.event
        elif flow.need(ROW):
            _head(flow, at)
        _row(flow, at, effect, _ends(shown, effect.item.indicator))
    events = len({effect.event for effect in found})
    if events > MOST_EVENTS:
        told = f"The latest {MOST_EVENTS} of {events} works that may have changed something."
        flow.paragraph(told, style.SMALL, colour=style.SOFT)


def _columns(flow: Flow, found: Sequence[Effect]) -> dict[str, Span]:
    def column(head: str, told: Iterable[str]) -> Column:
        return Column(
            max([text_width(head, style.TINY), *(text_width(one, style.SMALL) for one in told)])
        )

    labels = [text_width(words.label(one.item.indicator), style.SMALL_STRONG) for one in found]
    columns = {
        "label": Column(max(labels)),
        "figure": Column(text_width(FIGURE_HEAD, style.TINY), 34.0),
        "before": column(HEADS["before"], (_side_words(e.before, e.item.unit) for e in found)),
        "after": column(HEADS["after"], (_side_words(e.after, e.item.unit) for e in found)),
        "change": column(HEADS["change"], map(_change_words, found)),
    }
    return lay_out(flow.paper.left, flow.paper.right_edge, columns)


def _head(flow: Flow, at: dict[str, Span]) -> None:
    flow.space(3.6)
    flow.page.text(at["figure"].left, flow.y, FIGURE_HEAD, style.TINY, colour=style.SOFT)
    for name, text in HEADS.items():
        flow.page.text(at[name].right, flow.y, text, style.TINY, colour=style.SOFT, align="right")
    flow.space(1.2)
    flow.page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.FAINT)


def _event(flow: Flow, event: MaintenanceEvent, done: RepairFinding | None) -> None:
    """Write what was done and when, and what it says of the fault before it."""
    kind = MAINTENANCE_KINDS.get(event.kind, (words.reason(event.kind), ()))[0]
    flow.space(0.6)
    flow.paragraph(f"{short_day(event.on)}: {kind}", style.SMALL_STRONG)
    flow.space(0.5)
    if done is None:
        return
    told = f"What was wrong before is gone: {percent(done.gone)} probable."
    likely = max(done.causes, key=lambda cause: cause.probability, default=None)
    if likely is not None and likely.cause not in ("none", "unknown"):
        cause = words.cause(likely.cause).lower()
        told += f" With what the work has shown, it was {cause} ({percent(likely.probability)})."
    flow.paragraph(told, style.SMALL, colour=style.SOFT)
    flow.space(0.5)


def _ends(shown: Sequence[Effect], indicator: str) -> tuple[float, float]:
    """Return the ends of the axis that all rows of an indicator share; healthy is inside."""
    ends = [0.0]
    ends += [
        end
        for effect in shown
        if effect.item.indicator == indicator
        for side in (effect.before, effect.after)
        if side is not None
        for end in (side.low, side.high)
    ]
    return min(ends), max(ends)


def _row(flow: Flow, at: dict[str, Span], effect: Effect, ends: tuple[float, float]) -> None:
    page, y = flow.page, flow.y + 3.9
    label = words.label(effect.item.indicator)
    page.text(at["label"].left, y, label, style.SMALL_STRONG)
    _figure(flow, at["figure"], y - 1.1, effect, ends)
    unit = effect.item.unit
    for name, text in (
        ("before", _side_words(effect.before, unit)),
        ("after", _side_words(effect.after, unit)),
        ("change", _change_words(effect)),
    ):
        page.text(at[name].right, y, text, style.SMALL, align="right")
    flow.space(ROW)
    parts = [change for change in effect.changes if change.region != "all"]
    if parts:
        told = "; ".join(f"{_region(part.region)} {_moved(part, unit)}" for part in parts)
        flow.paragraph(f"By region: {told}", style.TINY, colour=style.SOFT)
        flow.space(0.8)
    page = flow.page
    page.rule(flow.paper.left, flow.paper.right_edge, flow.y, style.HAIR, 0.35)


def _figure(flow: Flow, at: Span, y: float, effect: Effect, ends: tuple[float, float]) -> None:
    """Draw both sides above each other on one axis: before grey, after blue, healthy upright."""
    low, high = ends
    if not high > low:
        return

    def place(value: float) -> float:
        return at.left + at.width * (value - low) / (high - low)

    page = flow.page
    for side, down, fill, colour in (
        (effect.before, -0.95, style.HAIR, style.SOFT),
        (effect.after, 0.95, style.DATA_BAND, style.DATA),
    ):
        if side is not None:
            x0, x1 = place(side.low), place(side.high)
            page.box(x0, y + down - 0.7, max(x1 - x0, 0.3), 1.4, fill)
            x = place(side.middle)
            page.line((x, x), (y + down - 0.7, y + down + 0.7), colour, 1.4)
    page.line((place(0.0), place(0.0)), (y - 1.9, y + 1.9), style.INK, 0.6)


def _side_words(side: Side | None, unit: str) -> str:
    if side is None:
        return f"fewer than {count(FEWEST, 'drive')}"
    decimals = decimals_for(side.low, side.high)
    return f"{quantity(side.middle, unit, decimals)} ({span(side.low, side.high, decimals)})"


def _change_words(effect: Effect) -> str:
    return NOTHING if effect.whole is None else _moved(effect.whole, effect.item.unit)


def _moved(change: RepairChange, unit: str) -> str:
    decimals = decimals_for(change.low, change.high)
    moved = quantity(change.change, unit, decimals, sign=True)
    return f"{moved} ({span(change.low, change.high, decimals)})"


def _region(name: str) -> str:
    return words.REGIONS.get(name, name.replace("_", " "))

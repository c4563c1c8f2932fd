"""Trends: one panel per indicator, all over the same axis, so that they can be compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.transforms import Bbox

from healthtrack.report import style, words
from healthtrack.report.facts import is_foreseen, limit_decimals, limit_sides, since_words
from healthtrack.report.lines import Lines, broken, value_range
from healthtrack.report.numbers import decimals_for, number, quantity, two_digits, typeset
from healthtrack.report.page import MM_PER_POINT, shorten, text_width
from healthtrack.report.panel import Panel, draw_panel, steps_on
from healthtrack.report.timeline import round_steps, timeline

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.records import IndicatorFinding, MaintenanceEvent, VehicleFinding
    from healthtrack.report.flow import Flow
    from healthtrack.report.style import Paper
    from healthtrack.report.timeline import Timeline

PANEL_LEFT = 11.0
PANEL_RIGHT = 27.0
PANEL_HEAD = 9.0
QUIET_HEAD = 7.4
HEADING = 10.4
CALENDAR = 4.0
AXIS_FOOT = 9.5
EVENT_FOOT = 4.5
EVENT_APART = 9.5
MOST_HEIGHT = 40.0
LEAST_HEIGHT = 30.0
QUIET_MOST = 20.0
QUIET_LEAST = 13.0
ALL_QUIET_MOST = 28.0
"""What says nothing new is drawn lower. [mm]."""


@dataclass(frozen=True)
class EventMark:
    """Events that stand so close on the axis that they share one label."""

    x: float
    words: str


@dataclass(frozen=True)
class Place:
    """Where a panel lies on its page, and what its axes count. [mm]."""

    left: float
    top: float
    width: float
    height: float
    axis: Timeline
    low: float
    high: float

    @property
    def right(self) -> float:
        """Where the panel ends. [mm]."""
        return self.left + self.width

    @property
    def foot(self) -> float:
        """The panel's lower edge. [mm]."""
        return self.top + self.height

    def across(self, at: float) -> float:
        """Return where a place of the shared axis lies on the page. [mm]."""
        return self.left + self.width * (at - self.axis.low) / (self.axis.high - self.axis.low)

    def down(self, value: float) -> float:
        """Return where a value lies on the page. [mm]."""
        return self.top + self.height * (self.high - value) / (self.high - self.low)


def drawable(item: IndicatorFinding) -> bool:
    """Return whether an indicator has a trend to draw; a single drive makes none."""
    return item.trend is not None and item.trend.frame.height > 1


def finding_timeline(finding: VehicleFinding, distance: str = "km") -> Timeline:
    """Choose the shared axis of a finding's trends, with room for its forecasts."""
    trends = [item.trend for item in finding.indicators if item.trend is not None]
    beyond: list[tuple[float | None, date | None]] = []
    for item in finding.indicators:
        far = item.forecast
        if far is not None and drawable(item) and is_foreseen(far):
            beyond += [(far.limit_km, far.limit_on), (far.limit_km_high, far.limit_on_high)]
    return replace(timeline(trends, beyond), distance=distance)


def draw_trends(flow: Flow, finding: VehicleFinding) -> None:
    """Write the pages of trends."""
    shown = [item for item in finding.indicators if drawable(item)]
    silent = [item for item in finding.indicators if not drawable(item) and item.level is not None]
    around = HEADING + CALENDAR + AXIS_FOOT + EVENT_FOOT
    if flow.room < around + sum(_least(item) + _head(item) for item in shown):
        flow.new_page()
    else:
        flow.space(3.0)
    flow.bookmark("Trends")
    flow.heading("Trends", aside="every drive (faint), the level and its 95 % band")
    axis = finding_timeline(finding, flow.units.distance)
    marks = event_marks(finding.maintenance, axis, flow.paper)
    while shown:
        shown = shown[_page_of_panels(flow, shown, finding.maintenance, axis, marks) :]
        if shown:
            flow.new_page()
    for item in silent:
        flow.paragraph(
            f"{words.label(item.indicator)}: nothing to draw. {typeset(item.reason)}",
            style.SMALL,
            colour=style.SOFT,
        )


def _page_of_panels(
    flow: Flow,
    shown: Sequence[IndicatorFinding],
    events: Sequence[MaintenanceEvent],
    axis: Timeline,
    marks: Sequence[EventMark],
) -> int:
    """Fill the rest of a page; return how many panels found a place."""
    calendar = CALENDAR if axis.calendar() else 0.0
    foot = AXIS_FOOT + (EVENT_FOOT if marks else 0.0)
    room = flow.room - foot - calendar
    taken = np.cumsum([_least(item) + _head(item) for item in shown])
    fits = max(1, int(np.searchsorted(taken, room, side="right")))
    pages = -(-len(shown) // fits)
    these = shown[: -(-len(shown) // pages)]  # the pages share the panels evenly
    _draw_panels(flow, these, events, axis, marks, heights(these, room - sum(map(_head, these))))
    return len(these)


def heights(these: Sequence[IndicatorFinding], room: float) -> list[float]:
    """Share ``room`` [mm] between panels: what moved gets more of it than what is quiet."""
    least = np.array([_least(item) for item in these])
    most = np.array([QUIET_MOST if item.state == "normal" else MOST_HEIGHT for item in these])
    if all(item.state == "normal" for item in these):
        most[:] = ALL_QUIET_MOST
    share = (room - least.sum()) / max(float((most - least).sum()), 1e-9)
    shared: list[float] = (least + (most - least) * min(1.0, max(0.0, share))).tolist()
    return shared


def _head(item: IndicatorFinding) -> float:
    return QUIET_HEAD if item.state == "normal" else PANEL_HEAD


def _least(item: IndicatorFinding) -> float:
    return QUIET_LEAST if item.state == "normal" else LEAST_HEIGHT


def draw_single(
    flow: Flow,
    *,
    item: IndicatorFinding,
    events: Sequence[MaintenanceEvent],
    axis: Timeline,
    marks: Sequence[EventMark],
    height: float,
) -> None:
    """Draw one trend with its axis, for a picture of its own."""
    _draw_panels(flow, (item,), events, axis, marks, (height,))


def _draw_panels(
    flow: Flow,
    these: Sequence[IndicatorFinding],
    events: Sequence[MaintenanceEvent],
    axis: Timeline,
    marks: Sequence[EventMark],
    tall: Sequence[float],
) -> None:
    places = []
    for index, (item, height) in enumerate(zip(these, tall, strict=True)):
        _panel_head(flow, item)
        flow.space(_head(item) + (CALENDAR if index == 0 and axis.calendar() else 0.0))
        places.append(_panel(flow, item, events, axis, height))
        flow.space(height)
    _calendar(flow, places[0])
    _learned_word(flow, these[0], places[0])
    _foot(flow, places[-1], marks)
    flow.space(AXIS_FOOT + (EVENT_FOOT if marks else 0.0))


def _panel(
    flow: Flow,
    item: IndicatorFinding,
    events: Sequence[MaintenanceEvent],
    axis: Timeline,
    height: float,
) -> Place:
    assert item.trend is not None
    left = flow.paper.left + PANEL_LEFT
    width = flow.paper.inner_width - PANEL_LEFT - PANEL_RIGHT
    lines = broken(Lines.of(item.trend, axis), item, events, axis)
    low, high = value_range(lines, item)
    field = flow.page.field(
        Bbox([[left, flow.y], [left + width, flow.y + height]]),
        Bbox([[axis.low, low], [axis.high, high]]),
    )
    draw_panel(Panel(field, item, lines, axis, low, high, events))
    place = Place(left, flow.y, width, height, axis, low, high)
    _left_labels(flow, place)
    _right_labels(flow, item, place)
    return place


def _panel_head(flow: Flow, item: IndicatorFinding) -> None:
    page, paper = flow.page, flow.paper
    y = flow.y + _head(item) - 2.6
    title = f"{words.label(item.indicator)}, {item.unit}"
    page.mark(paper.left + 1.4, y - 1.2, item.state, 5.0)
    page.text(paper.left + 5.0, y, title, style.STRONG)
    x = paper.left + 5.0 + text_width(title, style.STRONG) + 4.0
    since = shorten(since_words(item, flow.units.distance), paper.right_edge - x, style.SMALL)
    if since:
        page.text(paper.right_edge, y, since, style.SMALL, colour=style.SOFT, align="right")


def _left_labels(flow: Flow, place: Place) -> None:
    steps = round_steps(place.low, place.high, steps_on(place.height))
    gap = steps[1] - steps[0] if len(steps) > 1 else 1.0
    decimals = max(0, int(np.ceil(-np.log10(gap) - 1e-9)))
    for at in steps:
        flow.page.text(
            place.left - 1.8,
            place.down(at) + 0.9,
            number(at, decimals),
            style.TINY,
            colour=style.SOFT,
            align="right",
        )


def _right_labels(flow: Flow, item: IndicatorFinding, place: Place) -> None:
    """Name level and limits directly at the right end of their lines."""
    labels: list[tuple[float, str, str, bool]] = []
    if item.level is not None:
        level = quantity(item.level, item.unit, decimals_for(item.low, item.high))
        labels.append((item.level, level, style.DATA, True))
    for side in limit_sides(item):
        if item.limit is not None:
            at = side * abs(item.limit)
            limit = quantity(at, item.unit, limit_decimals(item))
            labels.append((at, f"limit {limit}", style.INK, False))
        if item.threshold is not None:
            at = side * abs(item.threshold)
            alert = quantity(at, item.unit, two_digits(at))
            labels.append((at, f"alert {alert}", style.SOFT, False))
    labels = sorted((x for x in labels if place.low <= x[0] <= place.high), key=lambda x: -x[0])
    ys = spread([place.down(at) for at, *_ in labels], 3.2, place.top, place.foot)
    for (_, text, colour, strong), y in zip(labels, ys, strict=True):
        kind = style.SMALL_STRONG if strong else style.TINY
        baseline = y + kind.size * MM_PER_POINT * 0.33
        flow.page.text(place.right + 2.0, baseline, text, kind, colour=colour)


def _calendar(flow: Flow, place: Place) -> None:
    """Write the calendar above the first panel of an odometer axis."""
    taken = place.left - 8.0
    for tick in place.axis.calendar():
        x, half = place.across(tick.at), text_width(tick.words, style.TINY) / 2
        if x - half < taken + 1.5 or x + half > flow.paper.right_edge:
            continue
        taken = x + half
        flow.page.line((x, x), (place.top - 1.2, place.top), style.FAINT, 0.5)
        flow.page.text(
            x, place.top - 2.0, tick.words, style.TINY, colour=style.SOFT, align="center"
        )


def _learned_word(flow: Flow, item: IndicatorFinding, place: Place) -> None:
    """Name the tinted period once, where it begins."""
    assert item.trend is not None
    learned = item.trend.frame.filter(item.trend.frame["learned"].fill_null(value=False))
    if not learned.height:
        return
    x = place.across(float(np.min(place.axis.places(learned))))
    lines = [place.down(0.0)]
    for value in (item.limit, item.threshold):
        if value is not None:
            lines += [place.down(side * abs(value)) for side in limit_sides(item)]
    rows = np.arange(place.foot - 1.2, place.top + 2.4, -0.8)  # the lowest place clear of lines
    clear = [y for y in rows if all(not -1.0 < y - line < 3.0 for line in lines)]
    y = float(clear[0]) if clear else place.foot - 1.2
    flow.page.text(x + 0.8, y, "learned", style.TINY, colour=style.SOFT)


def _foot(flow: Flow, place: Place, marks: Sequence[EventMark]) -> None:
    """Write the axis under the last panel of a page, and the numbers of maintenance events."""
    page, paper = flow.page, flow.paper
    y = place.foot + 4.4
    for tick in place.axis.ticks():
        if place.axis.low <= tick.at <= place.axis.high:
            page.text(
                place.across(tick.at), y, tick.words, style.TINY, colour=style.SOFT, align="center"
            )
    page.text(paper.right_edge, y, place.axis.words, style.TINY, colour=style.SOFT, align="right")
    if marks:
        y += 4.2
        for mark in marks:
            page.text(place.across(mark.x), y, mark.words, style.TINY, align="center")
        page.text(paper.right_edge, y, "maintenance", style.TINY, colour=style.SOFT, align="right")


def event_marks(
    events: Sequence[MaintenanceEvent], axis: Timeline, paper: Paper
) -> list[EventMark]:
    """Give the events their numbers along the axis; those too close to tell apart share a label.

    Numbers are those of the list of maintenance events.
    """
    scale = (paper.inner_width - PANEL_LEFT - PANEL_RIGHT) / (axis.high - axis.low)
    groups: list[list[tuple[float, int]]] = []
    for x, index in sorted(
        (x, index)
        for index, event in enumerate(events, start=1)
        if (x := axis.place_of_event(event)) is not None
    ):
        if groups and (x - groups[-1][0][0]) * scale < EVENT_APART:
            groups[-1].append((x, index))
        else:
            groups.append([(x, index)])
    return [EventMark(group[0][0], _numbers([index for _, index in group])) for group in groups]


def _numbers(numbers: list[int]) -> str:
    first, last = min(numbers), max(numbers)
    return str(first) if first == last else f"{first}\N{EN DASH}{last}"


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Push rising places apart until they are ``gap`` from each other, between two ends.

    Examples
    --------
    >>> spread([1.0, 1.0, 9.0], 2.0, 0.0, 10.0)
    [0.0, 2.0, 9.0]
    """
    groups: list[tuple[float, int]] = []  # where a group's first member goes, and its members
    for place in wanted:
        first, members = place, 1
        while groups and groups[-1][0] + groups[-1][1] * gap > first:
            above, more = groups.pop()
            first = (above * more + (first - more * gap) * members) / (more + members)
            members += more
        groups.append((first, members))
    placed = [first + i * gap for first, members in groups for i in range(members)]
    for i, place in enumerate(placed):
        placed[i] = max(place, low + i * gap)
    for i in range(len(placed)):
        placed[-1 - i] = min(placed[-1 - i], high - i * gap)
    return placed

"""The drawing inside one panel of a trend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import FillBetweenPolyCollection, LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon

from healthtrack.report import style
from healthtrack.report.facts import is_foreseen, limit_ahead, limit_sides
from healthtrack.report.lines import learned_spans, raised, restarts, runs
from healthtrack.report.page import state_mark
from healthtrack.report.timeline import round_steps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.typing import MarkerType
    from numpy.typing import NDArray

    from healthtrack.records import FanPoint, Forecast, IndicatorFinding, MaintenanceEvent, State
    from healthtrack.report.lines import Lines
    from healthtrack.report.page import Field
    from healthtrack.report.timeline import Timeline

MANY_DRIVES = 2000
"""More drives than this are drawn as an image inside the page, so that it stays small."""

BARS = "#c4ccd3"
POINTS = "#7f8b96"
FAN = "#e0e9f0"
FAN_HALF = "#c3d5e1"

LOW = 24.0
"""Height up to which a panel counts as low. [mm]."""


@dataclass(frozen=True)
class Panel:
    """One indicator over the shared axis.

    Parameters
    ----------
    field : Field
        Where it is drawn.
    item : IndicatorFinding
        What is said of the indicator.
    lines : Lines
        Its trend as arrays.
    axis : Timeline
        The axis that it shares with the other panels.
    low, high : float
        Ends of the vertical axis. [unit of the indicator]
    events : sequence of MaintenanceEvent
        What was done to the vehicle.
    """

    field: Field
    item: IndicatorFinding
    lines: Lines
    axis: Timeline
    low: float
    high: float
    events: Sequence[MaintenanceEvent]

    def across(self, at: float) -> float:
        """Return where a place of the shared axis lies on the sheet [mm]."""
        place, data = self.field.place, self.field.data
        return float(place.x0 + place.width * (at - data.x0) / data.width)


def draw_panel(panel: Panel) -> None:
    """Draw everything that lies inside the panel, from the back to the front."""
    _frame(panel)
    _learned(panel)
    _events(panel)
    _drives(panel)
    _level(panel)
    _limits(panel)
    _states(panel)
    _forecast(panel)


def _frame(panel: Panel) -> None:
    page, place, axis = panel.field.page, panel.field.place, panel.axis
    for tick in axis.ticks():
        if axis.low <= tick.at <= axis.high:
            x = panel.across(tick.at)
            page.line((x, x), (place.y1, place.y1 + 0.9), style.FAINT, 0.5)
    page.rule(place.x0, place.x1, place.y1, style.FAINT)
    steps = [
        [(axis.low, at), (axis.high, at)]
        for at in round_steps(panel.low, panel.high, steps_on(place.height))
    ]
    panel.field.add(LineCollection(steps, colors=style.HAIR, linewidths=0.4, zorder=0.5))
    panel.field.add(
        Line2D((axis.low, axis.high), (0, 0), color=style.SOFT, linewidth=0.7, zorder=1)
    )


def steps_on(height: float) -> int:
    """Return how many steps a vertical axis of this height [mm] has room for."""
    return 5 if height > LOW else 3


def _learned(panel: Panel) -> None:
    """Tint the periods from which the healthy expectation was learned."""
    for x0, x1 in learned_spans(panel.lines):
        corners = [(x0, panel.low), (x1, panel.low), (x1, panel.high), (x0, panel.high)]
        panel.field.add(Polygon(corners, facecolor=style.WASH, edgecolor="none", zorder=0))


def _events(panel: Panel) -> None:
    """Draw a line for every event that concerns the indicator, and a short tick for the rest."""
    page, place = panel.field.page, panel.field.place
    for event in panel.events:
        at = panel.axis.place_of_event(event)
        if at is None:
            continue
        x = panel.across(at)
        if restarts(event, panel.item.indicator):
            page.line((x, x), (place.y0, place.y1), style.INK, 0.8, (1.0, 1.6))
        else:
            top = place.y1 - 0.06 * place.height
            page.line((x, x), (top, place.y1), style.FAINT, 0.6)


def _drives(panel: Panel) -> None:
    lines = panel.lines
    known = np.isfinite(lines.value)
    x, value, se = lines.x[known], lines.value[known], lines.se[known]
    image = x.size > MANY_DRIVES
    bars = np.isfinite(se)
    gaps = np.full(int(bars.sum()), np.nan)  # one line with gaps draws faster than many
    panel.field.add(
        Line2D(
            np.repeat(x[bars], 3),
            np.stack(((value - se)[bars], (value + se)[bars], gaps), axis=1).ravel(),
            color=BARS,
            linewidth=0.5,
            solid_capstyle="butt",
            zorder=2,
            rasterized=image,
        )
    )
    kinds: tuple[tuple[NDArray[np.bool_], NDArray[np.float64], MarkerType, float], ...] = (
        ((value >= panel.low) & (value <= panel.high), value, "o", 2.2),
        # drives off the scale are shown at its edge, not dropped
        (value > panel.high, np.full(value.size, panel.high), 6, 3.4),
        (value < panel.low, np.full(value.size, panel.low), 7, 3.4),
    )
    for chosen, places, marker, size in kinds:
        if chosen.any():
            panel.field.add(
                Line2D(
                    x[chosen],
                    places[chosen],
                    linestyle="none",
                    marker=marker,
                    markersize=size,
                    color=POINTS,
                    markeredgewidth=0,
                    zorder=2.5,
                    rasterized=image,
                )
            )


def _level(panel: Panel) -> None:
    lines = panel.lines
    whole = np.isfinite(lines.low) & np.isfinite(lines.high)
    if whole.any():
        panel.field.add(
            FillBetweenPolyCollection(
                "x",
                lines.x,
                np.nan_to_num(lines.low),
                np.nan_to_num(lines.high),
                where=whole.tolist(),
                facecolor=style.DATA_BAND,
                edgecolor="none",
                zorder=1.2,
            )
        )
    panel.field.add(Line2D(lines.x, lines.level, color=style.DATA, linewidth=1.5, zorder=4))
    alone = np.flatnonzero(np.isfinite(lines.level))
    if alone.size == 1:  # a band needs two drives; of one, the bar is drawn
        x, low, high = lines.x[alone[0]], lines.low[alone[0]], lines.high[alone[0]]
        panel.field.add(Line2D((x, x), (low, high), color=style.DATA, linewidth=1.5, zorder=4))


def _limits(panel: Panel) -> None:
    ends = (panel.axis.low, panel.axis.high)
    for value, colour, width, dashes in (
        (panel.item.limit, style.INK, 1.0, (5.0, 2.5)),
        (panel.item.threshold, style.SOFT, 0.7, (1.0, 1.8)),
    ):
        if value is None:
            continue
        for side in limit_sides(panel.item):
            at = side * abs(value)
            line = Line2D(ends, (at, at), color=colour, linewidth=width, zorder=3)
            line.set_dashes(dashes)
            panel.field.add(line)


def _states(panel: Panel) -> None:
    """Mark where alert and alarm were raised, and for how long each was held, along the foot."""
    page, foot = panel.field.page, panel.field.place.y1
    states: tuple[tuple[State, float], ...] = (("alert", 2.0), ("alarm", 3.6))
    for state, width in states:
        for x0, x1 in runs(panel.lines, state):
            ends = (panel.across(x0), panel.across(x1))
            page.line(ends, (foot, foot), style.MARKS[state].colour, width)
    for x, y, raised_state in raised(panel.lines):
        mark = state_mark(x, y, raised_state, 7.0)
        mark.set_markeredgecolor(style.PAPER)  # stands off the line, in grey too
        panel.field.add(mark, clipped=False)


def _forecast(panel: Panel) -> None:
    """Fan out from the level now, and mark where the limit may be crossed."""
    far, limit = panel.item.forecast, limit_ahead(panel.item)
    known = np.flatnonzero(np.isfinite(panel.lines.level))
    if far is None or limit is None or not known.size or not is_foreseen(far):
        return
    limit = far.limit if far.limit is not None else limit
    x0, y0 = float(panel.lines.x[known[-1]]), float(panel.lines.level[known[-1]])
    near, middle, late = _places(panel.axis, far)
    _fan(panel, far, x0)
    if near is not None:
        ends = (near, panel.axis.high if late is None else late)
        bar = Line2D(
            ends, (limit, limit), color=style.DATA, linewidth=3.0, solid_capstyle="butt", zorder=4
        )
        panel.field.add(bar)
    if middle is not None and not far.fan:
        line = Line2D((x0, middle), (y0, limit), color=style.DATA, linewidth=1.0, zorder=4)
        line.set_dashes((3.0, 2.0))
        panel.field.add(line)


def _fan(panel: Panel, far: Forecast, now: float) -> None:
    """Draw the level ahead: its 95 %, its middle half, and its middle."""
    placed = [(_place_ahead(panel.axis, point), point) for point in far.fan]
    ahead = [(x, point) for x, point in placed if x is not None and x >= now]
    if len(ahead) < 2:
        return
    x = np.array([place for place, _ in ahead])
    bands = (
        ([point.low for _, point in ahead], [point.high for _, point in ahead], FAN, 1.10),
        (
            [point.quarter for _, point in ahead],
            [point.three_quarters for _, point in ahead],
            FAN_HALF,
            1.15,
        ),
    )
    for low, high, colour, layer in bands:
        corners = np.column_stack((np.concatenate((x, x[::-1])), [*low, *reversed(high)]))
        panel.field.add(Polygon(corners, facecolor=colour, edgecolor="none", zorder=layer))
    line = Line2D(x, [point.middle for _, point in ahead], color=style.DATA, linewidth=1, zorder=4)
    line.set_dashes((3.0, 2.0))
    panel.field.add(line)


def _place_ahead(axis: Timeline, point: FanPoint) -> float | None:
    if axis.kind == "odometer":
        return point.km
    return None if point.on is None else axis.place_of_day(point.on)


def _places(axis: Timeline, far: Forecast) -> tuple[float | None, float | None, float | None]:
    """Return where the near end, the middle and the late end of a forecast lie on the axis."""
    if axis.kind == "odometer":
        return far.limit_km_low, far.limit_km, far.limit_km_high
    days = (far.limit_on_low, far.limit_on, far.limit_on_high)
    near, middle, late = (axis.place_of_day(day) if day is not None else None for day in days)
    return near, middle, late

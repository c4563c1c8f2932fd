"""The drawing inside one panel of a trend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator
from matplotlib.transforms import blended_transform_factory

from healthtrack.report import style
from healthtrack.report.facts import is_foreseen, limit_ahead, limit_sides
from healthtrack.report.lines import learned_spans, raised, restarts, runs
from healthtrack.report.page import state_mark
from healthtrack.report.timeline import round_steps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.transforms import Transform
    from matplotlib.typing import MarkerType
    from numpy.typing import NDArray

    from healthtrack.records import Forecast, IndicatorFinding, MaintenanceEvent
    from healthtrack.report.lines import Lines
    from healthtrack.report.timeline import Timeline

MANY_DRIVES = 2000
"""More drives than this are drawn as an image inside the page, so that it stays small."""

BARS = "#c4ccd3"
POINTS = "#7f8b96"
FAN = "#e0e9f0"


@dataclass(frozen=True)
class Panel:
    """One indicator over the shared axis.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
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

    axes: Axes
    item: IndicatorFinding
    lines: Lines
    axis: Timeline
    low: float
    high: float
    events: Sequence[MaintenanceEvent]

    @property
    def down(self) -> Transform:
        """Across in the axis's unit, down as a share of the panel's height."""
        return blended_transform_factory(self.axes.transData, self.axes.transAxes)


def draw_panel(panel: Panel) -> None:
    """Draw everything that lies inside the panel, from the back to the front."""
    panel.axes.set_xlim(panel.axis.low, panel.axis.high)
    panel.axes.set_ylim(panel.low, panel.high)
    _frame(panel)
    _learned(panel)
    _events(panel)
    _drives(panel)
    _level(panel)
    _limits(panel)
    _states(panel)
    _forecast(panel)


def _frame(panel: Panel) -> None:
    axes, axis = panel.axes, panel.axis
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.patch.set_visible(False)
    ticks = [tick.at for tick in axis.ticks() if axis.low <= tick.at <= axis.high]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(NullFormatter())
    axes.yaxis.set_major_locator(NullLocator())
    axes.tick_params(axis="x", length=2.5, width=0.5, color=style.FAINT)
    steps = [[(axis.low, at), (axis.high, at)] for at in round_steps(panel.low, panel.high, 5)]
    axes.add_collection(
        LineCollection(steps, colors=style.HAIR, linewidths=0.4, zorder=0.5), autolim=False
    )
    axes.add_line(Line2D((axis.low, axis.high), (0, 0), color=style.SOFT, linewidth=0.7, zorder=1))


def _learned(panel: Panel) -> None:
    """Tint the period from which the healthy expectation was learned."""
    for x0, x1 in learned_spans(panel.lines):
        panel.axes.axvspan(x0, x1, facecolor=style.WASH, edgecolor="none", zorder=0)


def _events(panel: Panel) -> None:
    """Draw a line for every event that concerns the indicator, and a short tick for the rest."""
    for event in panel.events:
        x = panel.axis.place_of_event(event)
        if x is None:
            continue
        whole = restarts(event, panel.item.indicator)
        line = Line2D(
            (x, x),
            (0.0, 1.0 if whole else 0.06),
            transform=panel.down,
            color=style.INK if whole else style.FAINT,
            linewidth=0.8 if whole else 0.6,
            zorder=1.5,
        )
        if whole:
            line.set_dashes((1.0, 1.6))
        panel.axes.add_line(line)


def _drives(panel: Panel) -> None:
    lines = panel.lines
    known = np.isfinite(lines.value)
    x, value, se = lines.x[known], lines.value[known], lines.se[known]
    image = x.size > MANY_DRIVES
    bars = np.isfinite(se)
    ends = np.stack((value - se, value + se), axis=1)[bars]
    segments = np.stack((np.repeat(x[bars, None], 2, axis=1), ends), axis=2)
    panel.axes.add_collection(
        LineCollection(list(segments), colors=BARS, linewidths=0.5, zorder=2, rasterized=image),
        autolim=False,
    )
    kinds: tuple[tuple[NDArray[np.bool_], NDArray[np.float64], MarkerType, float], ...] = (
        ((value >= panel.low) & (value <= panel.high), value, "o", 2.2),
        # drives off the scale are shown at its edge, not dropped
        (value > panel.high, np.full(value.size, panel.high), 6, 3.4),
        (value < panel.low, np.full(value.size, panel.low), 7, 3.4),
    )
    for chosen, places, marker, size in kinds:
        if chosen.any():
            panel.axes.add_line(
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
    panel.axes.fill_between(
        lines.x, lines.low, lines.high, color=style.DATA_BAND, linewidth=0, zorder=1.2
    )
    panel.axes.add_line(Line2D(lines.x, lines.level, color=style.DATA, linewidth=1.5, zorder=4))
    alone = np.flatnonzero(np.isfinite(lines.level))
    if alone.size == 1:  # a band needs two drives; of one, the bar is drawn
        x, low, high = lines.x[alone[0]], lines.low[alone[0]], lines.high[alone[0]]
        panel.axes.add_line(Line2D((x, x), (low, high), color=style.DATA, linewidth=1.5, zorder=4))


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
            panel.axes.add_line(line)


def _states(panel: Panel) -> None:
    """Mark where alert and alarm were raised, and for how long each was held, along the foot."""
    for state, width in (("alert", 2.0), ("alarm", 3.6)):
        for ends in runs(panel.lines, state):
            panel.axes.add_line(
                Line2D(
                    ends,
                    (0.0, 0.0),
                    transform=panel.down,
                    color=style.MARKS["alert" if state == "alert" else "alarm"].colour,
                    linewidth=width,
                    solid_capstyle="butt",
                    clip_on=False,
                    zorder=5,
                )
            )
    for x, y, raised_state in raised(panel.lines):
        mark = state_mark(x, y, raised_state, 7.0)
        mark.set_markeredgecolor(style.PAPER)  # stands off the line, in grey too
        panel.axes.add_line(mark)


def _forecast(panel: Panel) -> None:
    """Fan from the level now to where it may cross the limit."""
    far, limit = panel.item.forecast, limit_ahead(panel.item)
    known = np.flatnonzero(np.isfinite(panel.lines.level))
    if far is None or limit is None or not known.size or not is_foreseen(far):
        return
    limit = far.limit if far.limit is not None else limit
    x0, y0 = float(panel.lines.x[known[-1]]), float(panel.lines.level[known[-1]])
    near, middle, late = _places(panel.axis, far)
    if near is not None:
        ends = (near, panel.axis.high if late is None else late)
        fan = ((x0, y0), (ends[0], limit), (ends[1], limit))
        panel.axes.add_patch(Polygon(fan, facecolor=FAN, edgecolor="none", zorder=1.1))
        panel.axes.add_line(
            Line2D(
                ends,
                (limit, limit),
                color=style.DATA,
                linewidth=3.0,
                solid_capstyle="butt",
                zorder=4,
            )
        )
    if middle is not None:
        line = Line2D((x0, middle), (y0, limit), color=style.DATA, linewidth=1.0, zorder=4)
        line.set_dashes((3.0, 2.0))
        panel.axes.add_line(line)


def _places(axis: Timeline, far: Forecast) -> tuple[float | None, float | None, float | None]:
    """Return where the near end, the middle and the late end of a forecast lie on the axis."""
    if axis.kind == "odometer":
        return far.limit_km_low, far.limit_km, far.limit_km_high
    days = (far.limit_on_low, far.limit_on, far.limit_on_high)
    near, middle, late = (axis.place_of_day(day) if day is not None else None for day in days)
    return near, middle, late

"""The analyst's appendix: what was learned, where the data were, and where the band widens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, NullFormatter

from healthtrack.baseline.surface import design
from healthtrack.report import style, words
from healthtrack.report.numbers import THIN, count, number, quantity, short_day
from healthtrack.report.page import shorten
from healthtrack.report.shown import SI
from healthtrack.report.timeline import round_steps

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from healthtrack.baseline import Baseline, RegionModel
    from healthtrack.drift import Working
    from healthtrack.report.flow import Flow

    FloatArray = NDArray[np.float64]

ROW = 4
"""Panels side by side."""
HEIGHT = 34.0
GAP = 9.0
LEFT = 8.0
FOOT = 26.0
CAPTION_LINES = 5
ONE_VALUE = 18.0
"""Height of a row without a drawing. [mm]."""
BEYOND = 0.2
"""How far a panel reaches beyond what was seen, as a share of it: there the band widens."""
SAME = 0.01
"""A predictor that varied by less than this share of itself has one value."""
FLAT = 1e-6
"""A surface that varies by less has no levels to draw. [unit of y]."""
GRID = 41
MOST_POINTS = 400
DOUBT = LinearSegmentedColormap.from_list("doubt", [style.PAPER, "#dfe6eb", "#8c9aa6"])
"""White where the surface is known, grey where it is not; it prints as it looks."""


@dataclass(frozen=True)
class Surface:
    """A healthy surface on a grid that reaches beyond what was seen.

    Parameters
    ----------
    places : tuple of (GRID,) float64
        Per predictor. [its unit]
    value, half : (GRID,) or (GRID, GRID) float64
        The healthy value and the half width of its 95 % band; the last predictor runs along the
        rows. [unit of y]
    """

    places: tuple[FloatArray, ...]
    value: FloatArray
    half: FloatArray


def surface_of(model: RegionModel) -> Surface:
    """Evaluate a region's surface, conditions at their reference, and its half width."""
    places = []
    for axis in model.axes[:2]:
        reach = axis.high - axis.low
        margin = BEYOND * reach if reach > SAME * abs(axis.high) else 0.0
        places.append(np.linspace(axis.low - margin, axis.high + margin, GRID))
    mesh = [grid.ravel() for grid in np.meshgrid(*places, indexing="xy")]
    x = design(model.axes[:2], mesh)
    value = x @ np.array(model.coefficients)
    variance = ((x @ np.array(model.covariance)) * x).sum(axis=1)
    shape = (GRID,) * len(places)
    half = 1.96 * np.sqrt(np.maximum(variance, 0.0))
    return Surface(tuple(places), value.reshape(shape), half.reshape(shape))


def has_one_value(model: RegionModel) -> bool:
    """Return whether a region's only predictor never varied: there is no line to draw then."""
    (axis, *more) = model.axes[:2]
    return not more and axis.high - axis.low <= SAME * abs(axis.high)


def draw_surfaces(flow: Flow, workings: Sequence[Working]) -> None:
    """Write a panel per indicator and region, and how the healthy value answers to conditions."""
    if not workings:
        return
    flow.heading(
        "What was learned",
        with_next=HEIGHT + 30.0,
        aside="healthy value over its predictors; points: the data; grey: the band widens",
    )
    flow.bookmark("What was learned")
    if flow.units != SI:
        told = "In the store's units, in which it was learned."
        flow.paragraph(told, style.SMALL, colour=style.SOFT)
    for working in workings:
        _indicator(flow, working)


def _indicator(flow: Flow, working: Working) -> None:
    learned = working.learned
    plain = all(map(has_one_value, learned.regions))
    flow.need((ONE_VALUE if plain else HEIGHT + FOOT) + 18.0)
    flow.space(6.0)
    title = words.label(working.indicator)
    flow.page.text(flow.paper.left, flow.y, title, style.STRONG)
    flow.page.text(
        flow.paper.right_edge,
        flow.y,
        _source(learned),
        style.SMALL,
        colour=style.SOFT,
        align="right",
    )
    flow.space(1.0)
    told = _answers(learned, words.unit(working.indicator))
    if told:
        flow.paragraph(told, style.TINY, colour=style.SOFT)
    for first in range(0, len(learned.regions), ROW):
        models = learned.regions[first : first + ROW]
        height = ONE_VALUE if all(map(has_one_value, models)) else HEIGHT + FOOT
        flow.need(height + 4.0)
        flow.space(8.0)
        width = (flow.paper.inner_width - LEFT - (ROW - 1) * GAP) / ROW
        for index, model in enumerate(models):
            x = flow.paper.left + LEFT + index * (width + GAP)
            points = working.points.filter(working.points["region"] == model.region)
            _panel(flow, (x, width), model, points, words.unit(working.indicator))
        flow.space(height - 4.0)


def _source(learned: Baseline) -> str:
    text = f"{count(len(learned.drives), 'drive')}, {short_day(learned.start)} to "
    text += short_day(learned.end)
    if learned.sisters:
        text += f", and {count(learned.sisters, 'vehicle')} of its kind"
    return f"{text}; digest {learned.digest()}"


def _answers(learned: Baseline, unit: str) -> str:
    """Say how the healthy value answers to each condition, and what was believed before."""
    parts = [
        f"{words.reason(one.condition)}: {number(one.mean, 2)} ± {number(1.96 * one.sd, 2)} {unit} "
        f"per {_of(one.condition, one.step)} from {_of(one.condition, one.reference)} "
        f"(before any log {number(one.prior_mean, 2)} ± {number(1.96 * one.prior_sd, 2)})"
        for one in learned.responses
    ]
    return f"Answers, with 95 %: {'; '.join(parts)}." if parts else ""


def _of(condition: str, value: float) -> str:
    """Write a value of a condition as finely as it was set, with its unit."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return quantity(value, words.channel_unit(condition), len(text.partition(".")[2]))


def _panel(
    flow: Flow, across: tuple[float, float], model: RegionModel, points: pl.DataFrame, unit: str
) -> None:
    x, width = across
    surface = surface_of(model)
    page, top = flow.page, flow.y
    name = words.REGIONS.get(model.region, model.region.replace("_", " "))
    head = shorten(f"{name}, {unit}", width + GAP - 1.0, style.SMALL_STRONG)
    page.text(x, top - 1.6, head, style.SMALL_STRONG)
    told = f"{count(model.windows, 'window')}, {count(model.drives, 'drive')}; scatter "
    told += f"{quantity(model.window_sd, unit, 2)} a window, "
    told += f"{quantity(model.drive_sd, unit, 2)} a drive"
    room = width + GAP - 1.5
    if has_one_value(model):
        value, half = float(surface.value[0]), float(surface.half[0])
        told = f"One healthy value, {number(value, 2)} ± {number(half, 2)}. {told}."
        page.paragraph(x, top + 3.0, told, room, style.TINY, colour=style.SOFT)
        return
    axes = page.panel(x, top, width, HEIGHT)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.patch.set_visible(False)
    axes.set_xlim(surface.places[0][0], surface.places[0][-1])
    seen = [points[axis.predictor].to_numpy().astype(np.float64) for axis in model.axes[:2]]
    every = max(1, -(-len(seen[0]) // MOST_POINTS))
    draw = _draw_two if len(surface.places) == 2 else _draw_one
    draw(axes, surface, model, [column[::every] for column in seen])
    _ticks(flow, axes, (x, top, width), surface)
    names = [_predictor(axis.predictor) for axis in model.axes[:2]]
    axes_told = names[0] if len(names) == 1 else f"Up {names[1]}, across {names[0]}"
    told = f"{axes_told[:1].upper()}{axes_told[1:]}. {told}; 95 % band "
    told += f"±{number(float(surface.half.min()), 2)} at best."
    y = top + HEIGHT + 6.6
    page.paragraph(x - 5.0, y, told, room, style.TINY, colour=style.SOFT, most_lines=CAPTION_LINES)


def _draw_two(axes: Axes, surface: Surface, model: RegionModel, seen: Sequence[FloatArray]) -> None:
    """Draw the healthy value as labelled lines over the doubt, and where the data were."""
    across, up = surface.places
    axes.set_ylim(up[0], up[-1])
    most = 3.0 * float(np.median(surface.half)) or 1.0
    axes.pcolormesh(
        across, up, surface.half, cmap=DOUBT, vmin=0.0, vmax=most, rasterized=True, zorder=0
    )
    axes.add_line(
        Line2D(
            *seen,
            linestyle="none",
            marker="o",
            markersize=1.2,
            markeredgewidth=0,
            color=style.DATA,
            alpha=0.45,
            rasterized=True,
            zorder=1,
        )
    )
    levels = round_steps(float(surface.value.min()), float(surface.value.max()), 6)
    if len(levels) > 1 and float(np.ptp(surface.value)) > FLAT:
        lines = axes.contour(
            across, up, surface.value, levels=levels, colors=style.INK, linewidths=0.6, zorder=2
        )
        axes.clabel(lines, fontsize=6.0, fmt="%g", inline_spacing=1)
    (x0, x1), (y0, y1) = ((axis.low, axis.high) for axis in model.axes[:2])
    box = Line2D((x0, x1, x1, x0, x0), (y0, y0, y1, y1, y0), color=style.SOFT, linewidth=0.5)
    box.set_dashes((2.0, 2.0))
    axes.add_line(box)


def _draw_one(axes: Axes, surface: Surface, model: RegionModel, seen: Sequence[FloatArray]) -> None:
    """Draw the healthy value with its band over one predictor, and where the data were."""
    (across,) = surface.places
    low, high = surface.value - surface.half, surface.value + surface.half
    inside = (across >= model.axes[0].low) & (across <= model.axes[0].high)
    bottom, top = float(low[inside].min()), float(high[inside].max())
    room = 0.3 * max(top - bottom, 1e-9)
    axes.set_ylim(bottom - room, top + room)
    axes.fill_between(across, low, high, color=style.DATA_BAND, linewidth=0, zorder=1)
    axes.add_line(Line2D(across, surface.value, color=style.DATA, linewidth=1.2, zorder=2))
    foot = bottom - room
    ticks = [[(at, foot), (at, foot + 0.12 * (top - bottom + 2 * room))] for at in seen[0]]
    axes.add_collection(
        LineCollection(ticks, colors=style.DATA, linewidths=0.4, alpha=0.5), autolim=False
    )


def _ticks(
    flow: Flow,
    axes: Axes,
    place: tuple[float, float, float],
    surface: Surface,
) -> None:
    x, top, width = place
    ends = [(float(grid[0]), float(grid[-1])) for grid in surface.places]
    if len(ends) < 2:
        low, high = axes.get_ylim()
        ends.append((float(low), float(high)))
    steps = [round_steps(*ends[0], 3), round_steps(*ends[1], 4)]
    axes.xaxis.set_major_locator(FixedLocator(steps[0]))
    axes.yaxis.set_major_locator(FixedLocator(steps[1]))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(NullFormatter())
    axes.tick_params(length=1.8, width=0.5, color=style.FAINT)
    page, soft = flow.page, style.SOFT
    for at in steps[0]:
        across = x + width * (at - ends[0][0]) / (ends[0][1] - ends[0][0])
        page.text(
            across, top + HEIGHT + 3.0, _tick(at, steps[0]), style.TINY, colour=soft, align="center"
        )
    for at in steps[1]:
        y = top + HEIGHT * (ends[1][1] - at) / (ends[1][1] - ends[1][0]) + 0.9
        page.text(x - 1.2, y, _tick(at, steps[1]), style.TINY, colour=soft, align="right")


def _predictor(name: str) -> str:
    unit = words.channel_unit(name)
    return f"{words.reason(name)},{THIN}{unit}" if unit else words.reason(name)


def _tick(at: float, steps: Sequence[float]) -> str:
    gap = steps[1] - steps[0] if len(steps) > 1 else 1.0
    return number(at, max(0, int(np.ceil(-np.log10(gap) - 1e-9))))

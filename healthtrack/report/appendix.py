"""The analyst's appendix: what is left over, against all that might explain it, and the rest."""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from importlib import metadata
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

from healthtrack.report import style, words
from healthtrack.report.beside import NOTHING_BESIDE, Beside
from healthtrack.report.lines import Lines, raised
from healthtrack.report.numbers import count, number, percent, quantity, short_day
from healthtrack.report.page import shorten
from healthtrack.report.record import draw_calibration, draw_logs
from healthtrack.report.surfaces import draw_surfaces
from healthtrack.report.timeline import round_steps, timeline
from healthtrack.report.trends import drawable

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from healthtrack.config import VehicleSettings
    from healthtrack.records import BaselineSummary, IndicatorFinding, VehicleFinding
    from healthtrack.report.flow import Flow

    FloatArray = NDArray[np.float64]

PANEL = 30.0
GAP = 9.0
LAGS = 12
SIDE_BY_SIDE = 4
SEASON = "month of the year"
MONTHS = "JFMAMJJASOND"
PACKAGES = ("healthtrack", "numpy", "scipy", "polars", "statsmodels", "scikit-learn", "matplotlib")


@dataclass(frozen=True)
class Leftover:
    """What single drives differ from the level, and what that says.

    Parameters
    ----------
    x : (n,) float64
        Day of the year, from 0. [days]
    value : (n,) float64
        Figure less the smoothed level. [unit of the indicator]
    correlation : (LAGS,) float64
        Autocorrelation from drive to drive at lags 1, 2, …
    effective : float
        How many independent drives the n are worth for a mean, at the lag-1 correlation.
    covered : float
        Share of drives that lie within 1.96 of their own standard errors of the level.
    """

    x: FloatArray
    value: FloatArray
    correlation: FloatArray
    effective: float
    covered: float


def leftover(frame: pl.DataFrame) -> Leftover:
    """Work out what is left over after the level; drives without level or figure do not count."""
    frame = frame.sort("started").drop_nulls(["value", "smoothed", "se"])
    left = (frame["value"] - frame["smoothed"]).to_numpy().astype(np.float64)
    se = frame["se"].to_numpy().astype(np.float64)
    day = frame["started"].dt.ordinal_day().to_numpy().astype(np.float64) - 1.0
    correlation = autocorrelation(left, LAGS)
    first = min(max(float(correlation[0]), 0.0), 0.99) if left.size > 2 else 0.0
    return Leftover(
        day,
        left,
        correlation,
        left.size * (1 - first) / (1 + first),
        float(np.mean(np.abs(left) <= 1.96 * se)) if left.size else float("nan"),
    )


def autocorrelation(values: FloatArray, lags: int) -> FloatArray:
    """Return the autocorrelation at lags 1 … ``lags``; zero where there are too few values."""
    centred = values - values.mean() if values.size else values
    power = float(centred @ centred)
    found = np.zeros(lags)
    for lag in range(1, min(lags, values.size - 2) + 1):
        found[lag - 1] = float(centred[lag:] @ centred[:-lag]) / power if power > 0 else 0.0
    return found


def draw_appendix(
    flow: Flow, finding: VehicleFinding, vehicle: VehicleSettings, beside: Beside = NOTHING_BESIDE
) -> None:
    """Write the appendix on pages of its own."""
    flow.new_page()
    flow.bookmark("Analyst's appendix")
    draw_surfaces(flow, beside.workings)
    flow.space(4.0)
    flow.heading(
        "What is left over",
        with_next=PANEL + 24.0,
        aside="each drive's figure less the level; a pattern here is something unmodelled",
    )
    for item in finding.indicators:
        if drawable(item):
            _indicator(flow, item)
    draw_calibration(flow, finding, beside.workings)
    _reproduce(flow, finding, vehicle, beside)
    draw_logs(flow, beside.logs)


def _indicator(flow: Flow, item: IndicatorFinding) -> None:
    assert item.trend is not None
    frame = item.trend.frame
    left = leftover(frame)
    scatters: list[tuple[str, FloatArray | None]] = [
        (SEASON, left.x),
        *_conditions(item, frame, flow.units.distance),
        ("correlation over drives", None),
    ]
    rows = -(-len(scatters) // SIDE_BY_SIDE) if left.value.size >= 3 else 0
    flow.need(12.0 + rows * (PANEL + 13.0))
    flow.space(6.0)
    title = f"{words.label(item.indicator)}, {item.unit}"
    flow.page.text(flow.paper.left, flow.y, title, style.STRONG)
    flow.page.text(
        flow.paper.right_edge,
        flow.y,
        _said(item, left),
        style.SMALL,
        colour=style.SOFT,
        align="right",
    )
    flow.space(6.0)
    if left.value.size < 3:
        flow.paragraph("Too few drives to say anything.", style.SMALL, colour=style.SOFT)
        return
    reach = float(np.quantile(np.abs(left.value), 0.99)) * 1.25 or 1.0
    width = (flow.paper.inner_width - 8.0 - (SIDE_BY_SIDE - 1) * GAP) / SIDE_BY_SIDE
    for first in range(0, len(scatters), SIDE_BY_SIDE):
        if first:
            flow.need(PANEL + 14.0)
            flow.space(5.0)
        for index, (name, at) in enumerate(scatters[first : first + SIDE_BY_SIDE]):
            x = flow.paper.left + 8.0 + index * (width + GAP)
            if at is None:
                _correlogram(flow, x, width, left)
            else:
                _scatter(flow, (x, width), (at, left.value), reach, name, first=not index)
        flow.space(PANEL + 8.0)


def _said(item: IndicatorFinding, left: Leftover) -> str:
    assert item.trend is not None
    n = left.value.size
    parts = [
        count(n, "drive"),
        f"scatter {quantity(float(np.std(left.value)) if n else None, item.unit, 2)}",
        f"worth {number(left.effective, 0)} independent ones",
    ]
    if n:
        parts.append(f"{percent(left.covered)} within 1.96 of their own errors")
    alerts = len(raised(Lines.of(item.trend, timeline([item.trend], []))))
    parts.append(f"{count(alerts, 'alert')} raised")
    return "; ".join(parts)


def _conditions(
    item: IndicatorFinding, frame: pl.DataFrame, distance: str
) -> list[tuple[str, FloatArray]]:
    """Return everything that is known of the drives beside the figure, in its own unit, named.

    What varies for no drive says nothing and is left out.
    """
    frame = frame.sort("started").drop_nulls(["value", "smoothed", "se"])
    known = words.declaration(item.indicator)
    found = []
    for response in known.responses if known else ():
        column = f"c_{response.condition}"
        if column in frame.columns:
            steps = frame[column].cast(float).to_numpy().astype(np.float64)
            at = response.reference + response.step * steps
            unit = words.channel_unit(response.condition)
            found.append((", ".join(filter(None, (words.reason(response.condition), unit))), at))
    for column, name in (
        ("odometer_km", f"odometer, {distance}"),
        ("windows", "windows in the drive"),
        ("inside", "share inside what was learned"),
        ("se", f"standard error, {item.unit}"),
    ):
        found.append((name, frame[column].cast(float).to_numpy().astype(np.float64)))
    return [(name, at) for name, at in found if _varies(at)]


def _varies(at: FloatArray) -> bool:
    known = at[np.isfinite(at)]
    return known.size > 2 and float(np.ptp(known)) > 0


def _bare(flow: Flow, x: float, width: float, ends: tuple[float, float]) -> Axes:
    axes = flow.page.panel(x, flow.y, width, PANEL)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(style.FAINT)
    axes.patch.set_visible(False)
    axes.set_ylim(*ends)
    axes.yaxis.set_major_locator(NullLocator())
    axes.xaxis.set_major_formatter(NullFormatter())
    axes.tick_params(axis="x", length=2.0, width=0.5, color=style.FAINT)
    return axes


def _scatter(
    flow: Flow,
    across: tuple[float, float],
    data: tuple[FloatArray, FloatArray],
    reach: float,
    name: str,
    *,
    first: bool,
) -> None:
    """Draw what is left over against something, with the middle of every tenth of the drives."""
    (x, width), (at, value), season = across, data, name == SEASON
    known = np.isfinite(at)
    at, value = at[known], value[known]
    low, high = (0.0, 365.0) if season else (float(at.min()), float(at.max()))
    low, high = (low, high) if high > low else (low - 1.0, high + 1.0)
    axes = _bare(flow, x, width, (-reach, reach))
    axes.set_xlim(low, high)
    axes.add_line(Line2D((low, high), (0, 0), color=style.HAIR, linewidth=0.7))
    axes.add_line(
        Line2D(
            at,
            np.clip(value, -reach, reach),
            linestyle="none",
            marker="o",
            markersize=1.7,
            markeredgewidth=0,
            color=style.FAINT,
            rasterized=at.size > 2000,
        )
    )
    middles = tenths(at, value)
    axes.add_line(Line2D(*middles, color=style.DATA, linewidth=1.4))
    if season:
        ticks = [30.4 * month for month in range(12)]
        labels = [(low + 30.4 * (month + 0.5), MONTHS[month]) for month in range(12)]
    else:
        ticks = round_steps(low, high, 3 if high >= 10_000 else 4)
        gap = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        decimals = max(0, int(np.ceil(-np.log10(gap) - 1e-9)))
        labels = [(tick, number(tick, decimals)) for tick in ticks]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    for place, text in labels:
        middle = x + width * (place - low) / (high - low)
        flow.page.text(
            middle, flow.y + PANEL + 3.6, text, style.TINY, colour=style.SOFT, align="center"
        )
    _words(flow, x, width, name)
    if first:
        for tick in round_steps(-reach, reach, 4):
            y = flow.y + PANEL * (reach - tick) / (2 * reach) + 0.9
            text = number(tick, 1 if reach < 5 else 0)
            flow.page.text(x - 1.5, y, text, style.TINY, colour=style.SOFT, align="right")


def tenths(at: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the middle place and the middle value of every tenth of the drives."""
    order = np.argsort(at, kind="stable")
    parts = [part for part in np.array_split(order, min(10, max(at.size // 4, 1))) if part.size]
    return (
        np.array([np.median(at[part]) for part in parts]),
        np.array([np.median(value[part]) for part in parts]),
    )


def _correlogram(flow: Flow, x: float, width: float, left: Leftover) -> None:
    axes = _bare(flow, x, width, (-0.6, 1.0))
    axes.set_xlim(0.3, LAGS + 0.7)
    chance = 1.96 / np.sqrt(max(left.value.size, 1))
    axes.axhspan(-chance, chance, facecolor=style.WASH, edgecolor="none", zorder=0)
    bars = [[(lag, 0.0), (lag, left.correlation[lag - 1])] for lag in range(1, LAGS + 1)]
    axes.add_collection(LineCollection(bars, colors=style.DATA, linewidths=2.2), autolim=False)
    axes.add_line(Line2D((0.3, LAGS + 0.7), (0, 0), color=style.FAINT, linewidth=0.6))
    axes.xaxis.set_major_locator(FixedLocator([1, 5, 10]))
    for lag in (1, 5, 10):
        across = x + width * (lag - 0.3) / (LAGS + 0.4)
        flow.page.text(
            across, flow.y + PANEL + 3.6, str(lag), style.TINY, colour=style.SOFT, align="center"
        )
    for tick in (0.0, 0.5, 1.0):
        y = flow.y + PANEL * (1.0 - tick) / 1.6 + 0.9
        flow.page.text(x - 1.2, y, number(tick, 1), style.TINY, colour=style.SOFT, align="right")
    _words(flow, x, width, "correlation over drives")


def _words(flow: Flow, x: float, width: float, name: str) -> None:
    text = shorten(name, width + GAP - 1.0, style.TINY)
    flow.page.text(x + width / 2, flow.y - 1.4, text, style.TINY, colour=style.SOFT, align="center")


def _reproduce(
    flow: Flow, finding: VehicleFinding, vehicle: VehicleSettings, beside: Beside
) -> None:
    """Write what it takes to get the same report again."""
    flow.space(5.0)
    flow.heading("To get the same report again", with_next=20.0)
    _pairs(flow, "Settings of the vehicle", _settings(vehicle))
    _pairs(flow, "Settings of alerts and baselines", beside.parameters)
    limits = [
        (words.label(item.indicator), quantity(item.limit, item.unit, 2))
        for item in finding.indicators
        if item.limit is not None
    ]
    _pairs(flow, "Limits", limits)
    learned = [
        (words.label(item.indicator), _learned(item.baseline))
        for item in finding.indicators
        if item.baseline is not None
    ]
    _pairs(flow, "Learned from", learned)
    versions = [(name, metadata.version(name)) for name in PACKAGES]
    _pairs(flow, "Versions", [("Python", platform.python_version()), *versions])
    baselines = [(words.label(one.indicator), one.learned.digest()) for one in beside.workings]
    _pairs(flow, "Digests (SHA-256, its beginning) of the baselines", baselines)
    digests = [(words.label(item.indicator), digest(item)) for item in finding.indicators]
    _pairs(flow, "Digests (SHA-256) of the trends", digests)


def _learned(base: BaselineSummary) -> str:
    return f"{count(base.drives, 'drive')}, {short_day(base.start)} to {short_day(base.end)}"


def _settings(vehicle: VehicleSettings) -> list[tuple[str, str]]:
    """Return the settings that are not at their default."""
    told = vehicle.model_dump(mode="json", exclude_defaults=True)
    return [(words.reason(name), str(value)) for name, value in told.items()]


def digest(item: IndicatorFinding) -> str:
    """Return a digest of everything that a trend holds, the same wherever it was computed."""
    if item.trend is None:
        return "\N{EN DASH}"
    text = item.trend.frame.write_csv(float_precision=6)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _pairs(flow: Flow, heading: str, pairs: Sequence[tuple[str, str]]) -> None:
    if not pairs:
        return
    flow.space(1.5)
    flow.need(style.STRONG.leading + 2 * style.SMALL.leading)
    flow.space(style.STRONG.leading)
    flow.page.text(flow.paper.left, flow.y, heading, style.STRONG)
    for name, value in pairs:
        flow.need(style.SMALL.leading)
        flow.space(style.SMALL.leading)
        label = shorten(name, 50.0, style.SMALL)
        flow.page.text(flow.paper.left, flow.y, label, style.SMALL, colour=style.SOFT)
        text = shorten(value, flow.paper.inner_width - 54.0, style.SMALL)
        flow.page.text(flow.paper.left + 54.0, flow.y, text, style.SMALL)

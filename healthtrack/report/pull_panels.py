"""The drawing inside the panels of a pull's page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.ticker import MaxNLocator

from healthtrack.report import style

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.operating.pull_track import PullTrack

    FloatArray = NDArray[np.float64]

LABEL_POINTS = 7.0
BETWEEN_LABELS = 19.0
"""Seconds closer than this along the track share a label. [points]."""
ON_PAPER = {"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.4, "alpha": 0.8}
"""Behind words that lines would run through."""
TIME = LinearSegmentedColormap.from_list("time", ["#8fb6cc", style.DATA, "#0b2233"])
"""Pale at the pull's start, dark at its end: it reads in grey as well."""


def draw_map(
    axes: Axes,
    chart: CompressorMap | None,
    track: PullTrack | None,
    per_gram: float,
    earlier: Sequence[PullTrack] = (),
) -> None:
    """Draw the map's lines and, over them, the pull's track with time running along it.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Where.
    chart, track : CompressorMap or None, PullTrack or None
        What there is to draw.
    per_gram : float
        What one g/s is in the unit of the axis.
    earlier : sequence of PullTrack
        Tracks of healthy days, drawn faint behind, on the same reference conditions.
    """
    scale = 1e3 * per_gram  # the map's kg/s
    _frame(axes)
    if chart is not None:
        _lines(axes, chart, scale)
    for before in earlier:
        known = before.frame.drop_nulls(["corrected_flow", "pressure_ratio"])
        axes.plot(
            known["corrected_flow"].to_numpy() * scale,
            known["pressure_ratio"].to_numpy(),
            color=style.FAINT,
            linewidth=0.8,
            alpha=0.6,
            zorder=2.5,
        )
    marked = [] if track is None else _track(axes, track, scale)
    axes.autoscale_view()
    axes.set_xlim(left=0.0)
    low, high = axes.get_ylim()
    labels = 0.0 if chart is None else 0.06 * (high - low)  # those of speed lines hang lower
    axes.set_ylim(bottom=min(1.0, low + 0.1) - labels, top=max(1.2, high))
    _seconds(axes, marked)


def _lines(axes: Axes, chart: CompressorMap, scale: float) -> None:
    for line in chart.speed_lines:
        axes.plot(line.flow * scale, line.ratio, color=style.FAINT, linewidth=0.6, zorder=1)
        axes.annotate(
            f"{line.speed / 1e3:.0f}",
            (line.flow[-1] * scale, line.ratio[-1]),
            xytext=(1, -8.5),  # below the choke line
            textcoords="offset points",
            fontsize=LABEL_POINTS,
            color=style.SOFT,
        )
    for contour in chart.contours:
        axes.plot(
            contour.flow * scale,
            contour.ratio,
            color=style.OCHRE,
            linewidth=0.6,
            zorder=1,
            alpha=0.8,
        )
        top = int(np.argmax(contour.flow))
        axes.annotate(
            f"{100 * contour.level:.0f} %",
            (contour.flow[top] * scale, contour.ratio[top]),
            xytext=(2, 1),
            textcoords="offset points",
            fontsize=LABEL_POINTS,
            color=style.OCHRE,
            bbox=ON_PAPER,
        )
    edges = ((chart.surge, "surge line", (5.0, 0.0)), (chart.choke, "choke line", (1.0, 1.5)))
    for edge, words, dashes in edges:
        (drawn,) = axes.plot(
            edge.flow * scale, edge.ratio, color=style.RED, linewidth=1.1, zorder=2
        )
        if dashes[1]:
            drawn.set_dashes(dashes)
        end = -1 if words == "surge line" else edge.flow.size // 2
        axes.annotate(
            words,
            (edge.flow[end] * scale, edge.ratio[end]),
            xytext=(-4, 0) if words == "surge line" else (8, -19),
            textcoords="offset points",
            ha="right" if words == "surge line" else "left",
            fontsize=LABEL_POINTS,
            color=style.RED,
        )
    axes.annotate(
        "speed lines in thousand rpm, ovals of efficiency",
        (0.99, 0.98),
        xycoords="axes fraction",
        fontsize=LABEL_POINTS,
        color=style.SOFT,
        ha="right",
        va="top",
    )


def _track(axes: Axes, track: PullTrack, scale: float) -> list[tuple[int, float, float]]:
    """Draw the track with its uncertainty at whole seconds; return these and where they are."""
    known = track.frame.drop_nulls(["corrected_flow", "pressure_ratio"])
    if known.height < 2:
        return []
    flow = known["corrected_flow"].to_numpy() * scale
    ratio = known["pressure_ratio"].to_numpy()
    seconds = known["seconds"].to_numpy()
    held = track.frame.drop_nulls(["held_corrected_flow", "held_pressure_ratio"])
    axes.plot(
        held["held_corrected_flow"].to_numpy() * scale,
        held["held_pressure_ratio"].to_numpy(),
        color=style.FAINT,
        linewidth=0.4,
        linestyle=(0, (1, 1)),
        zorder=3,
    )
    points = np.column_stack((flow, ratio))
    pieces = np.stack((points[:-1], points[1:]), axis=1)
    line = LineCollection(list(pieces), cmap=TIME, linewidths=2.0, zorder=5)
    line.set_array(seconds[:-1])
    axes.add_collection(line, autolim=True)
    marked = []
    every = max(1, int(np.ceil(seconds[-1] / 7.0)))
    for second in range(0, int(seconds[-1]) + 1, every):
        at = int(np.argmin(np.abs(seconds - second)))
        axes.errorbar(
            flow[at],
            ratio[at],
            xerr=1.96 * scale * float(known["corrected_flow_error"][at] or 0.0),
            yerr=1.96 * float(known["pressure_ratio_error"][at] or 0.0),
            color=style.SOFT,
            elinewidth=0.4,
            marker="o",
            markersize=2.6,
            markerfacecolor=style.PAPER,
            markeredgecolor=style.INK,
            markeredgewidth=0.6,
            zorder=6,
        )
        marked.append((second, float(flow[at]), float(ratio[at])))
    return marked


def _seconds(axes: Axes, marked: Sequence[tuple[int, float, float]]) -> None:
    """Label the seconds along the track, as many as there is room for."""
    before: NDArray[np.float64] | None = None
    per_point = axes.figure.dpi / 72.0
    for second, flow, ratio in marked:
        here = axes.transData.transform((flow, ratio)) / per_point
        if before is not None and float(np.hypot(*(here - before))) < BETWEEN_LABELS:
            continue
        before = here
        axes.annotate(
            f"{second} s",
            (flow, ratio),
            xytext=(4, -9),
            textcoords="offset points",
            fontsize=LABEL_POINTS,
            color=style.INK,
            zorder=7,
            bbox=ON_PAPER,
        )


def draw_pressure(axes: Axes, track: PullTrack, scale: float) -> None:
    """Draw manifold pressure over engine speed, with the bound that polling leaves."""
    _frame(axes)
    _banded(axes, track.frame, "manifold_pressure", scale)


def draw_airflow(axes: Axes, track: PullTrack, scale: float) -> None:
    """Draw airflow over engine speed, with the bound that polling leaves."""
    _frame(axes)
    _banded(axes, track.frame, "airflow", scale)
    axes.set_ylim(bottom=0.0)


def draw_power(axes: Axes, track: PullTrack, scale: float) -> None:
    """Draw power three ways over engine speed, as far as the channels allow."""
    _frame(axes)
    kinds = (
        ("power_airflow", "from airflow (10 hp per lb/min)", style.DATA, "-"),
        ("power_fuel", "from fuel", style.OCHRE, "-"),
        ("power_acceleration", "at the wheels, from acceleration", style.INK, (0, (4, 2))),
    )
    for name, words, colour, dash in kinds:
        known = track.frame.drop_nulls([name])
        if known.height < 2:
            continue
        axes.plot(
            known["engine_speed"].to_numpy(),
            known[name].to_numpy() * scale,
            color=colour,
            linewidth=1.0,
            linestyle=dash,
            label=words,
        )
    axes.set_ylim(bottom=0.0)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize=5.5, frameon=False, loc="lower right", handlelength=1.6)


def _banded(axes: Axes, frame: pl.DataFrame, name: str, scale: float) -> None:
    known = frame.drop_nulls([name])
    if known.height < 2:
        return
    speed = known["engine_speed"].to_numpy()
    values = known[name].to_numpy() * scale
    bound = known[f"{name}_bound"].fill_null(0.0).to_numpy() * scale
    axes.fill_between(
        speed, values - bound, values + bound, color=style.DATA_BAND, linewidth=0, zorder=1
    )
    axes.plot(speed, values, color=style.DATA, linewidth=1.2, zorder=2)


def _frame(axes: Axes) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.patch.set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.yaxis.set_major_locator(MaxNLocator(6))
    axes.tick_params(length=2.5, width=0.5, color=style.FAINT, labelsize=7.0, labelcolor=style.SOFT)
    axes.grid(visible=True, color=style.HAIR, linewidth=0.4)
    axes.set_axisbelow(True)

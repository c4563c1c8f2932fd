"""Charts drawn by matplotlib whose curves are known, so that reading them off can be checked."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

SPEEDS = (80_000.0, 110_000.0, 140_000.0, 170_000.0)


def speed_line(speed, share):
    """Flow [kg/s] and ratio along a speed line; ``share`` runs from surge to choke. Invented."""
    n = speed / 170_000.0
    surge, choke = 0.05 * n**1.3, 0.17 * n**0.9
    top = 1.0 + 1.7 * n**2
    return surge + share * (choke - surge), top - (top - 1.0) * 0.45 * share**3


def draw_chart(path, width=1000, height=700):
    """Draw the chart; returns where its axis points and its lines lie, in pixels from the top."""
    figure = Figure(figsize=(width / 100, height / 100), dpi=100)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.1, 0.1, 0.85, 0.85))
    share = np.linspace(0, 1, 9)
    truth = [("speed_line", speed, *speed_line(speed, share)) for speed in SPEEDS]
    ends = [speed_line(speed, np.array([0.0, 1.0])) for speed in SPEEDS]
    for kind, at in (("surge", 0), ("choke", 1)):
        truth.append(
            (kind, None, np.array([f[at] for f, _ in ends]), np.array([r[at] for _, r in ends]))
        )
    for _, _, flow, ratio in truth:
        axes.plot(flow, ratio, color="black", linewidth=1)
    axes.set_xlim(0, 0.2)
    axes.set_ylim(1, 3)
    figure.savefig(path, dpi=100)

    def pixels(flow, ratio):
        shown = axes.transData.transform(np.column_stack((flow, ratio)))
        return np.column_stack((shown[:, 0], height - shown[:, 1]))

    axis_pixels = np.concatenate((pixels([0.0, 0.2], [1.0, 1.0]), pixels([0.0, 0.0], [1.0, 3.0])))
    return SimpleNamespace(
        path=path,
        width=width,
        axis_pixels=axis_pixels.tolist(),
        axis_values=(0.0, 0.2, 1.0, 3.0),
        corners=(
            pixels([0.02, 0.18, 0.02, 0.18], [1.1, 1.1, 2.9, 2.9]),
            np.array([[0.02, 1.1], [0.18, 1.1], [0.02, 2.9], [0.18, 2.9]]),
        ),
        truth=truth,
        lines=[(kind, value, pixels(flow, ratio).tolist()) for kind, value, flow, ratio in truth],
    )

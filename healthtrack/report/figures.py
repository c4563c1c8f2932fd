"""The figures of a report one by one, as PNG or SVG: for the HTML of a mail or a page."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from io import BytesIO
from typing import TYPE_CHECKING, Literal

from healthtrack.report import style, trends
from healthtrack.report.document import look
from healthtrack.report.flow import Flow
from healthtrack.report.front import draw_table
from healthtrack.report.style import Paper

if TYPE_CHECKING:
    from collections.abc import Callable

    from healthtrack.records import VehicleFinding

    Draw = Callable[[Flow], None]

SLIP = Paper(width=184.0, height=500.0, left=5.0, right=5.0, top=2.0, bottom=2.0)
"""A slip of paper as wide as a report's text, cut to the height of what is on it. [mm]."""

PICTURE_DPI = 144.0
"""Sharp on a screen with two dots per point, where a mail shows it 520 points wide."""

PANEL_HEIGHT = 48.0

Kind = Literal["png", "svg"]


def draw_figures(finding: VehicleFinding, kind: Kind = "png") -> dict[str, bytes]:
    """Draw the table of indicators and every trend as a picture of its own.

    Parameters
    ----------
    finding : VehicleFinding
        What is shown.
    kind : "png" or "svg"
        Dots, or lines (letters too, so that no typeface is needed).

    Returns
    -------
    dict of str to bytes
        ``"indicators"`` first, where there are any, then each indicator's name with its trend;
        what has nothing to draw has no picture. The same finding gives the same bytes.
    """
    with look():
        pictures = {}
        if finding.indicators:
            pictures["indicators"] = _cut(lambda flow: draw_table(flow, finding), kind)
        axis = trends.finding_timeline(finding)
        marks = trends.event_marks(finding.maintenance, axis, SLIP)
        for item in finding.indicators:
            if trends.drawable(item):
                draw = partial(
                    trends.draw_single,
                    item=item,
                    events=finding.maintenance,
                    axis=axis,
                    marks=marks,
                    height=PANEL_HEIGHT,
                )
                pictures[item.indicator] = _cut(draw, kind)
        return pictures


def _cut(draw: Draw, kind: Kind) -> bytes:
    """Draw once to see how high it gets, and again on paper of that height."""
    measured = Flow(SLIP, "")
    draw(measured)
    flow = Flow(replace(SLIP, height=measured.y + SLIP.bottom), "")
    draw(flow)
    buffer = BytesIO()
    flow.pages[0].finish()
    flow.pages[0].figure.savefig(
        buffer,
        format=kind,
        dpi=PICTURE_DPI,
        facecolor=style.PAPER,
        metadata={"Software": None} if kind == "png" else {"Date": None, "Creator": None},
    )
    return buffer.getvalue()

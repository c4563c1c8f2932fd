"""The figures of a report one by one, as PNG or SVG: for the HTML of a mail or a page."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from io import BytesIO
from typing import TYPE_CHECKING, Literal

from healthtrack.config import ReportSettings
from healthtrack.report import style, trends
from healthtrack.report.document import look
from healthtrack.report.flow import Flow
from healthtrack.report.pull_page import compose_pulls
from healthtrack.report.reader import Reader
from healthtrack.report.shown import ShownUnits, in_units
from healthtrack.report.style import Paper
from healthtrack.report.table import draw_table

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.records import VehicleFinding
    from healthtrack.report.page import Page
    from healthtrack.report.pull_page import PulledPage

    Draw = Callable[[Flow], None]

SLIP = Paper(width=184.0, height=500.0, left=5.0, right=5.0, top=2.0, bottom=2.0)
"""A slip of paper as wide as a report's text, cut to the height of what is on it. [mm]."""

PICTURE_DPI = 144.0
"""Sharp on a screen with two dots per point, where a mail shows it 520 points wide."""

PANEL_HEIGHT = 48.0

DEFAULT_SETTINGS = ReportSettings()

Kind = Literal["png", "svg"]


def draw_figures(
    finding: VehicleFinding,
    kind: Kind = "png",
    settings: ReportSettings = DEFAULT_SETTINGS,
    only: Collection[str] | None = None,
) -> dict[str, bytes]:
    """Draw the table of indicators and every trend as a picture of its own.

    Parameters
    ----------
    finding : VehicleFinding
        What is shown.
    kind : "png" or "svg"
        Dots, or lines (letters too, so that no typeface is needed).
    settings : ReportSettings
        The reader's units and number marks.
    only : collection of str or None
        Which pictures to draw, by the names below; None draws all.

    Returns
    -------
    dict of str to bytes
        ``"indicators"`` first, where there are any, then each indicator's name with its trend;
        what has nothing to draw has no picture. The same finding gives the same bytes.
    """
    reader = Reader.of(settings)
    finding = in_units(finding, reader.units)
    with look():
        pictures = {}
        if finding.indicators and (only is None or "indicators" in only):
            pictures["indicators"] = _cut(lambda flow: draw_table(flow, finding), kind, reader)
        axis = trends.finding_timeline(finding, reader.units.distance)
        marks = trends.event_marks(finding.maintenance, axis, SLIP)
        for item in finding.indicators:
            if trends.drawable(item) and (only is None or item.indicator in only):
                draw = partial(
                    trends.draw_single,
                    item=item,
                    events=finding.maintenance,
                    axis=axis,
                    marks=marks,
                    height=PANEL_HEIGHT,
                )
                pictures[item.indicator] = _cut(draw, kind, reader)
        return pictures


def _cut(draw: Draw, kind: Kind, reader: Reader) -> bytes:
    """Draw once to see how high it gets, and again on paper of that height."""
    measured = Flow(SLIP, "", reader)
    draw(measured)
    flow = Flow(replace(SLIP, height=measured.y + SLIP.bottom), "", reader)
    draw(flow)
    return _picture(flow.pages[0], kind)


def _picture(page: Page, kind: Kind) -> bytes:
    buffer = BytesIO()
    page.finish()
    page.figure.savefig(
        buffer,
        format=kind,
        dpi=PICTURE_DPI,
        facecolor=style.PAPER,
        metadata={"Software": None} if kind == "png" else {"Date": None, "Creator": None},
    )
    return buffer.getvalue()


def draw_pull_pages(
    title: str,
    pulls: Sequence[PulledPage],
    near_misses: Sequence[str],
    chart: CompressorMap | None,
    shown: ShownUnits | None = None,
    kind: Kind = "svg",
) -> list[bytes]:
    """Draw the pages that :func:`healthtrack.report.pull_page.write_pull_page` writes."""
    with look():
        flow = compose_pulls(title, pulls, near_misses, chart, shown or ShownUnits())
        flow.footers()
        return [_picture(page, kind) for page in flow.pages]

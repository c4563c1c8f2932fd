"""The page of a pull: its track on the compressor map, its curves, and what each margin means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report import pull_panels, style
from healthtrack.report.document import to_pdf, write_whole
from healthtrack.report.flow import Flow
from healthtrack.report.numbers import typeset
from healthtrack.report.reader import Reader
from healthtrack.report.shown import ShownUnits

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.operating.pull_reading import PullReading
    from healthtrack.operating.pull_track import PullTrack
    from healthtrack.report.style import Paper

MAP_HEIGHT = 94.0
CURVE_HEIGHT = 40.0
CURVE_GAP = 15.0
LEFT = 13.0

CAUTIONS = (
    "A pull is driven on a safe, legal road or a closed one, with a second person at the logger.",
    "The engine bay is hot, turning and under pressure: let it cool before a hand goes in.",
    "This page compares a vehicle with a map; it is no certificate of roadworthiness.",
)


@dataclass(frozen=True)
class PulledPage:
    """One pull as the page shows it.

    Parameters
    ----------
    heading : str
        When, in which gear, from what speed to what.
    facts : tuple of str
        Its figures, one line each.
    track, reading : PullTrack, PullReading
        The pull moment by moment, and in words.
    """

    heading: str
    facts: tuple[str, ...]
    track: PullTrack
    reading: PullReading


def compose_pulls(
    title: str,
    pulls: Sequence[PulledPage],
    near_misses: Sequence[str],
    chart: CompressorMap | None,
    shown: ShownUnits,
    paper: Paper = style.A4,
) -> Flow:
    """Lay out a page per pull, then the near misses; nothing is written yet."""
    flow = Flow(paper, title, Reader(shown))
    flow.y += style.LONG_TITLE.leading
    flow.page.text(paper.left, flow.y, title, style.LONG_TITLE)
    flow.space(2.0)
    for index, pull in enumerate(pulls):
        if index:
            flow.new_page()
        _draw_pull(flow, pull, chart, shown)
    if not pulls:
        flow.paragraph("No pull was found in this log.", style.LEAD)
    if near_misses:
        flow.heading("Accelerations that were not counted")
        flow.items([typeset(words) for words in near_misses], style.SMALL, numbered=False)
    flow.space(1.0)
    flow.paragraph(" ".join(CAUTIONS), style.TINY, colour=style.SOFT)
    return flow


def write_pull_page(
    title: str,
    pulls: Sequence[PulledPage],
    near_misses: Sequence[str],
    chart: CompressorMap | None,
    path: Path,
    shown: ShownUnits | None = None,
) -> None:
    """Write the pages of a log's pulls as PDF, whole or not at all; same content, same bytes.

    Raises
    ------
    ReportError
        Where the file cannot be written; an older one at its place is then unchanged.
    """
    units_shown = shown or ShownUnits()
    subject = pulls[0].reading.verdict if pulls else "No pull was found."
    content = to_pdf(
        lambda: compose_pulls(title, pulls, near_misses, chart, units_shown), title, subject
    )
    write_whole(content, path)


def write_map_page(chart: CompressorMap, path: Path, shown: ShownUnits | None = None) -> None:
    """Draw a compressor map alone, for the eye to check against the one it was read from."""

    def compose() -> Flow:
        flow = Flow(style.A4, chart.name)
        flow.heading(chart.name, aside=chart.source)
        _draw_map(flow, chart, None, shown or ShownUnits())
        return flow

    write_whole(to_pdf(compose, chart.name, chart.source), path)


def _draw_pull(
    flow: Flow, pull: PulledPage, chart: CompressorMap | None, shown: ShownUnits
) -> None:
    flow.bookmark(pull.heading)
    flow.heading(pull.heading)
    flow.paragraph(typeset(flow.units.sentence(pull.reading.verdict)), style.LEAD)
    flow.paragraph(typeset("; ".join(pull.facts) + "."), style.SMALL, colour=style.SOFT)
    flow.space(1.0)
    _draw_map(flow, chart, pull.track, shown)
    _draw_curves(flow, pull.track, shown)
    flow.space(1.0)
    told = [typeset(flow.units.sentence(words)) for words in pull.reading.sentences]
    flow.items(told, style.SMALL, numbered=False)


def _draw_map(
    flow: Flow, chart: CompressorMap | None, track: PullTrack | None, shown: ShownUnits
) -> None:
    paper = flow.paper
    flow.need(MAP_HEIGHT + 12.0)
    top = flow.y + 5.0
    axes = flow.page.panel(paper.left + LEFT, top, paper.inner_width - LEFT - 4.0, MAP_HEIGHT)
    pull_panels.draw_map(axes, chart, track, shown.per_gram)
    flow.page.text(paper.left, top - 1.6, "pressure ratio", style.SMALL_STRONG)
    flow.y = top + MAP_HEIGHT + 8.0
    if chart is not None:
        reference = chart.reference
    elif track is not None:
        reference = track.reference
    else:
        return
    words = (
        f"airflow corrected to {reference.temperature:.1f} K and {reference.pressure / 1e3:.1f} kPa"
        f", {shown.flow}"
    )
    if chart is None:
        words += " (chosen for the drawing: there is no map)"
    if track is not None:
        words = f"crosses: 95 %, dotted: held values; {words}"
    flow.page.text(paper.right_edge, flow.y, words, style.SMALL, colour=style.SOFT, align="right")
    flow.space(2.0)


def _draw_curves(flow: Flow, track: PullTrack, shown: ShownUnits) -> None:
    """Three panels side by side over engine speed."""
    paper = flow.paper
    flow.need(CURVE_HEIGHT + 14.0)
    top = flow.y + 6.0
    width = (paper.inner_width - LEFT - 2 * CURVE_GAP) / 3.0
    kinds = (
        (f"manifold pressure, {shown.pressure}", pull_panels.draw_pressure, shown.per_kilopascal),
        (f"airflow, {shown.flow}", pull_panels.draw_airflow, shown.per_gram),
        (f"power, {shown.power}", pull_panels.draw_power, shown.factor("kW")),
    )
    for index, (title, draw, scale) in enumerate(kinds):
        left = paper.left + LEFT + index * (width + CURVE_GAP)
        axes = flow.page.panel(left, top, width, CURVE_HEIGHT)
        draw(axes, track, scale)
        flow.page.text(left - 10.0, top - 1.6, title, style.SMALL_STRONG)
    flow.y = top + CURVE_HEIGHT + 7.0
    flow.page.text(
        paper.right_edge,
        flow.y,
        "over engine speed, rpm",
        style.SMALL,
        colour=style.SOFT,
        align="right",
    )
    flow.space(1.0)

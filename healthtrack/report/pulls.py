"""Pulls of the period on the compressor map, over the healthy ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report import pull_panels, style
from healthtrack.report.numbers import count, number, percent, short_day, typeset

if TYPE_CHECKING:
    from datetime import date, datetime

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.operating.pull_reading import PullReading
    from healthtrack.operating.pull_track import PullTrack
    from healthtrack.report.flow import Flow

MAP_HEIGHT = 64.0
BARE_HEIGHT = 23.0
BARE_MOST = 46.0
"""Without a map there is less to read: it is lower, and grows where there is room. [mm]."""
WORDS = 25.0
"""What stands above the panel. [mm]."""
BELOW = 18.0
"""What stands below the panel. [mm]."""
LEFT = 13.0
MOST_ROWS = 8
PLACE_NOT_HEALTH = (
    "A map tells where the compressor works, not how well it still does: a worn one takes nearly "
    "the same path. Of wear the trends and the causes tell."
)
WITHOUT_A_MAP = (
    "There is no compressor map of this vehicle. One, named as compressor_map in healthtrack.toml, "
    "would add how much of each pull runs where the compressor is efficient, and how near it comes "
    "to surge and choke."
)


@dataclass(frozen=True)
class DatedPull:
    """A pull with its day, its track over the map, and what was read from it."""

    started: datetime
    track: PullTrack
    reading: PullReading


@dataclass(frozen=True)
class PullsShown:
    """The pulls that a report shows.

    Parameters
    ----------
    chart : CompressorMap or None
        The vehicle's map; without one the tracks are drawn on axes alone.
    period : tuple of DatedPull
        Of the period, the oldest first; time runs along the last.
    healthy : tuple of PullTrack
        Of the days from which the healthy expectation was learned.
    since : date
        When the period began.
    """

    chart: CompressorMap | None
    period: tuple[DatedPull, ...]
    healthy: tuple[PullTrack, ...]
    since: date


def draw_pulls(flow: Flow, shown: PullsShown | None, after: float = 0.0) -> None:
    """Draw the map with the tracks, and one line of figures per pull of the period.

    ``after`` is the height [mm] of what should still find its place on the same page: pulls without
    a map never push it off.
    """
    if shown is None or not shown.period:
        return
    if shown.chart is None and after <= flow.room < after + WORDS:
        return
    flow.space(3.0)
    title = "Pulls on the compressor map" if shown.chart is not None else "Pulls"
    flow.heading(
        title,
        with_next=(BARE_HEIGHT if shown.chart is None else MAP_HEIGHT) + 24.0,
        aside=f"{count(len(shown.period), 'pull')} since {short_day(shown.since)}",
    )
    flow.bookmark(title)
    latest = shown.period[-1]
    if shown.chart is None:
        flow.paragraph(_peak(latest))
        flow.paragraph(WITHOUT_A_MAP, style.SMALL, colour=style.SOFT)
        if not _worth_its_room(flow.room, after):
            return
    else:
        flow.paragraph(f"{typeset(flow.units.sentence(latest.reading.verdict))} {PLACE_NOT_HEALTH}")
    flow.space(7.0)
    _map(flow, shown, latest, MAP_HEIGHT if shown.chart is not None else _bare(flow.room, after))
    if shown.chart is not None:
        _rows(flow, shown)


def _worth_its_room(room: float, after: float) -> bool:
    """Return whether a panel without a map may be drawn: it does not push what follows off."""
    return not room - BELOW - 6.0 - BARE_HEIGHT < after <= room


def _bare(room: float, after: float) -> float:
    """Return how high a panel without a map may be: it leaves room for what comes after it."""
    spare = room - BELOW - BARE_HEIGHT
    grown = BARE_HEIGHT + (spare - after if spare >= after else max(spare, 0.0))
    return min(grown, BARE_MOST)


def _peak(pull: DatedPull) -> str:
    ratio = number(pull.reading.peak_ratio, 2)
    at = number(pull.reading.peak_ratio_at, -2)
    return typeset(f"In the latest pull boost peaks at a pressure ratio of {ratio}, at {at} rpm")


def _map(flow: Flow, shown: PullsShown, latest: DatedPull, height: float) -> None:
    paper, per_gram = flow.paper, flow.units.per_gram
    axes = flow.page.panel(paper.left + LEFT, flow.y, paper.inner_width - LEFT - 4.0, height)
    pull_panels.draw_map(axes, shown.chart, latest.track, per_gram, shown.healthy)
    for pull in shown.period[:-1]:
        known = pull.track.frame.drop_nulls(["corrected_flow", "pressure_ratio"])
        axes.plot(
            known["corrected_flow"].to_numpy() * 1e3 * per_gram,
            known["pressure_ratio"].to_numpy(),
            color=style.DATA,
            linewidth=0.7,
            zorder=3,
        )
    flow.page.text(paper.left, flow.y - 1.8, "pressure ratio", style.SMALL_STRONG)
    flow.space(height + 8.0)
    reference = latest.track.reference
    flow.page.text(
        paper.right_edge,
        flow.y,
        f"airflow corrected to {reference.temperature:.2f} K and "
        f"{reference.pressure / 1e3:.1f} kPa, {flow.units.flow}",
        style.SMALL,
        colour=style.SOFT,
        align="right",
    )
    flow.space(1.0)
    if shown.healthy:
        text = f"Faint: {count(len(shown.healthy), 'pull')} of the learned period. "
        text += "Thin: other pulls of this period. Along the thick line time runs."
        flow.paragraph(text, style.SMALL, colour=style.SOFT)
    flow.space(2.0)


def _rows(flow: Flow, shown: PullsShown) -> None:
    paper = flow.paper
    at = (paper.left + 62.0, paper.left + 92.0, paper.left + 132.0)
    flow.need(8.0)
    flow.space(3.4)
    heads = ("highest ratio", "at", "in the efficient zone")
    for x, text in zip(at, heads, strict=True):
        flow.page.text(x, flow.y, text, style.TINY, colour=style.SOFT, align="right")
    flow.space(0.8)
    for pull in reversed(shown.period[-MOST_ROWS:]):
        flow.need(4.4)
        flow.page.rule(paper.left, paper.right_edge, flow.y)
        y = flow.y + 3.3
        share = pull.reading.share_efficient
        for x, text in (
            (at[0], number(pull.reading.peak_ratio, 2)),
            (at[1], f"{number(pull.reading.peak_ratio_at, -2)} rpm"),
            (at[2], "" if share is None else percent(share)),
        ):
            flow.page.text(x, y, text, style.SMALL, align="right")
        flow.page.text(paper.left, y, short_day(pull.started.date()), style.SMALL)
        flow.space(4.4)

"""The report on a back-test: figures, operating curve, sensitivity, what was said and was true."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from healthtrack.report import style
from healthtrack.report.document import to_pdf, write_whole
from healthtrack.report.flow import Flow
from healthtrack.report.page import shorten, text_width
from healthtrack.report.reader import Reader

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from healthtrack.config import ReportSettings
    from healthtrack.records import State
    from healthtrack.report.page import Page

NOTHING = "\N{EN DASH}"
HEADS = ("false alerts", "a year (95 %)", "told of", "days", "drives", "km", "size")
RIGHT = (38.0, 72.0, 88.0, 101.0, 115.0, 131.0, 144.0)
"""Right edges of the columns, from the end of the names. [mm]"""
NAMES = 30.0
"""Width of the names. [mm]"""
CURVE = 62.0
STRIP = 26.0
ROW = 7.5
GAP = 4.0
"""Room above a heading. [mm]"""
NAMES_BESIDE = 1.4
"""How much longer the curve's axis is than its longest bar: room for names."""
LEAST_RATE = 0.1
"""Least end of an axis of false alerts a year: nothing counted is drawn on it as nothing."""


@dataclass(frozen=True, slots=True)
class Band:
    """A share with its interval."""

    words: str
    count: int
    of: int
    share: float | None
    low: float | None
    high: float | None
    if_none: str = "nothing to count"


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One set of settings on the operating curve."""

    variant: str
    false_per_year: float | None
    low: float | None
    high: float | None
    delay_days: float | None
    missed: int
    faults: int
    front: bool


@dataclass(frozen=True, slots=True)
class Strip:
    """How false alerts and delay answer to one setting: (value, false a year, days) each."""

    name: str
    own: float | None
    points: tuple[tuple[float, float | None, float | None], ...]


@dataclass(frozen=True, slots=True)
class Stripe:
    """A verdict from one day to another."""

    start: date
    end: date
    state: State


@dataclass(frozen=True, slots=True)
class VehicleLine:
    """What was said of a vehicle, and what was true: (since, until, words) each."""

    vehicle: str
    said: tuple[Stripe, ...]
    true: tuple[tuple[date, date | None, str], ...]


@dataclass(frozen=True)
class Shown:
    """All that the report shows."""

    name: str
    as_of: str
    digest: str
    vehicles: tuple[str, ...]
    summary: tuple[Band, ...]
    cases: tuple[tuple[str, tuple[str, ...]], ...]
    variants: tuple[tuple[str, tuple[str, ...]], ...]
    curve: tuple[CurvePoint, ...]
    strips: tuple[Strip, ...]
    lines: tuple[VehicleLine, ...]
    settings: dict[str, Any]


def write_backtest_report(shown: Shown, settings: ReportSettings, path: Path) -> None:
    """Draw the report into a file.

    Raises
    ------
    ReportError
        It cannot be written; one that was there before is left as it was.
    """
    title = f"Back-test {shown.name}"
    subject = f"{len(shown.vehicles)} vehicles until {shown.as_of}"

    def compose() -> Flow:
        flow = Flow(
            style.PAPERS[settings.paper], f"{title}, {subject}",
            Reader.of(settings),
        )  # fmt: skip
        for part in (
            _front,
            _table_of_cases,
            _table_of_variants,
            _curve,
            _strips,
            _timelines,
            _end,
        ):
            part(flow, shown)
        return flow

    write_whole(to_pdf(compose, title, subject), path)


def _front(flow: Flow, shown: Shown) -> None:
    flow.bookmark("What it says")
    flow.space(style.TITLE.leading)
    flow.page.text(flow.paper.left, flow.y, f"Back-test {shown.name}", style.TITLE)
    flow.paragraph(
        f"What would have been said of {len(shown.vehicles)} vehicles until {shown.as_of}, day by "
        "day, from what was known on each day, held against what was true.",
        style.LEAD,
    )
    flow.space(GAP)
    flow.heading("With the settings as set", aside="all cases together, with 95 % intervals")
    for band in shown.summary:
        _share(flow, band)


def _share(flow: Flow, band: Band) -> None:
    """Draw a share with its interval on a line from 0 to 1."""
    flow.need(ROW)
    flow.space(ROW)
    page, left = flow.page, flow.paper.left
    page.text(left, flow.y, band.words)
    x0, x1 = left + 66.0, left + 126.0
    page.rule(x0, x1, flow.y - 1.2)
    if band.share is None or band.low is None or band.high is None:
        page.text(x1 + 4.0, flow.y, band.if_none, style.SMALL, colour=style.SOFT)
        return
    at = [x0 + (x1 - x0) * value for value in (band.low, band.share, band.high)]
    page.line((at[0], at[2]), (flow.y - 1.2,) * 2, style.DATA, 2.2)
    page.line((at[1], at[1]), (flow.y - 3.0, flow.y + 0.6), style.INK, 1.2)
    page.text(x1 + 4.0, flow.y, f"{100 * band.share:.0f} % of {band.of}")


def _table(flow: Flow, rows: Sequence[tuple[str, tuple[str, ...]]]) -> None:
    """Write figures in columns; a name that is long has a line of its own."""
    left = flow.paper.left
    flow.space(style.SMALL.leading + 1.0)
    for words, right in zip(HEADS, RIGHT, strict=True):
        flow.page.text(
            left + NAMES + right, flow.y, words, style.TINY, colour=style.SOFT, align="right"
        )
    for name, cells in rows:
        long = text_width(name, style.SMALL) > NAMES
        flow.need(style.SMALL.leading * (2 if long else 1) + 1.6)
        flow.space(1.2)
        flow.page.rule(left, flow.paper.right_edge, flow.y)
        flow.space(style.SMALL.leading)
        words = shorten(name, flow.paper.inner_width, style.SMALL)
        flow.page.text(left, flow.y, words, style.SMALL_STRONG)
        if long:
            flow.space(style.SMALL.leading)
        for cell, right in zip(cells, RIGHT, strict=True):
            flow.page.text(left + NAMES + right, flow.y, cell, style.SMALL, align="right")


def _table_of_cases(flow: Flow, shown: Shown) -> None:
    flow.bookmark("Case by case")
    flow.space(GAP)
    flow.heading("Case by case", aside="settings as set; days, drives, km and size are medians")
    _table(flow, shown.cases)


def _table_of_variants(flow: Flow, shown: Shown) -> None:
    if len(shown.variants) < 2:
        return
    flow.bookmark("Settings")
    flow.space(GAP)
    flow.heading("Settings", aside="all cases together; inspections: of faults put in")
    _table(flow, shown.variants)


@dataclass(frozen=True)
class _Plot:
    """A small plot: a box on the sheet, and the ends of its axes."""

    page: Page
    box: tuple[float, float, float, float]
    across: tuple[float, float]
    up: tuple[float, float]

    def x(self, value: float) -> float:
        left, _, width, _ = self.box
        low, high = self.across
        return left + width * (value - low) / (high - low)

    def y(self, value: float) -> float:
        _, top, _, height = self.box
        low, high = self.up
        return top + height * (high - value) / (high - low)

    def frame(self, ticks_across: Sequence[float], ticks_up: Sequence[float]) -> None:
        left, top, width, height = self.box
        for value in ticks_up:
            self.page.rule(left, left + width, self.y(value))
            self.page.text(left - 1.5, self.y(value) + 1.0, f"{value:g}", style.TINY,
                           colour=style.SOFT, align="right")  # fmt: skip
        for value in ticks_across:
            x = self.x(value)
            self.page.line((x, x), (top + height, top + height + 1.0), style.FAINT, 0.5)
            self.page.text(x, top + height + 4.0, f"{value:g}", style.TINY, colour=style.SOFT,
                           align="center")  # fmt: skip


def _steps(high: float, count: int = 4) -> list[float]:
    """Return round steps from zero on, the last at or over ``high``."""
    wanted = max(high, 1e-9) / count
    size = 10.0 ** len(str(int(wanted))) / 10.0 if wanted >= 1.0 else 10.0**-3
    while size * 10.0 <= wanted:
        size *= 10.0
    step = next(size * part for part in (1.0, 2.0, 2.5, 5.0, 10.0) if size * part >= wanted)
    steps = [0.0]
    while steps[-1] < high - 1e-12:
        steps.append(round(steps[-1] + step, 10))
    return steps if len(steps) > 1 else [0.0, step]


def _curve(flow: Flow, shown: Shown) -> None:
    """Draw delay against false alerts, one mark per set of settings."""
    known = [
        one for one in shown.curve if one.false_per_year is not None and one.delay_days is not None
    ]
    if len(known) < 2:
        return
    flow.bookmark("Operating curve")
    flow.space(GAP)
    flow.heading("Operating curve", with_next=CURVE + 20.0,
                 aside="median days to the alert against false alerts a year")  # fmt: skip
    left = flow.paper.left + 12.0
    width = flow.paper.inner_width - 14.0
    ups = _steps(max(one.delay_days or 0.0 for one in known))
    most = max((one.high if one.high is not None and one.high < 5.0 else one.false_per_year) or 0.0
               for one in known)  # fmt: skip
    acrosses = _steps(NAMES_BESIDE * max(most, LEAST_RATE))
    box = (left, flow.y + 4.0, width, CURVE)
    plot = _Plot(flow.page, box, (0.0, acrosses[-1]), (0.0, ups[-1]))
    plot.frame(acrosses, ups)
    below = box[1]
    for same in _together(known):
        below = _curve_mark(plot, same, below)
    flow.space(CURVE + 10.0)
    flow.paragraph(
        "Triangles: no other settings are better at once in false alerts, misses and delay. Bars: "
        "95 % interval of the rate, cut off at the edge. An inspection is taken to find what has "
        "reached half of its size, and to be never wrong. Never looking alerts nobody and finds "
        "nothing: it lies at no false alerts, without end above.",
        style.SMALL,
        colour=style.SOFT,
    )


def _together(points: Sequence[CurvePoint]) -> list[list[CurvePoint]]:
    """Return the points by their place from above, those on the front first in each."""
    places: dict[tuple[float | None, float | None], list[CurvePoint]] = {}
    for one in sorted(points, key=lambda point: not point.front):
        places.setdefault((one.false_per_year, one.delay_days), []).append(one)
    return sorted(places.values(), key=lambda same: -(same[0].delay_days or 0.0))


def _curve_mark(plot: _Plot, same: Sequence[CurvePoint], below: float) -> float:
    """Draw a mark with its bar and, beside it, its name under a height; returns the next height."""
    one = same[0]
    assert one.false_per_year is not None
    assert one.delay_days is not None
    x, y = plot.x(one.false_per_year), plot.y(one.delay_days)
    ends = [min(max(value or 0.0, 0.0), plot.across[1]) for value in (one.low, one.high)]
    plot.page.line((plot.x(ends[0]), plot.x(ends[1])), (y, y), style.DATA_BAND, 1.6)
    plot.page.mark(x, y, "alert" if one.front else "normal", 5.0)
    words = one.variant.replace("false_alerts_per_vehicle_year=", "asked ")
    missed = f", {one.missed} of {one.faults} missed" if one.missed else ""
    others = f", and {len(same) - 1} more" if len(same) > 1 else ""
    told = f"{words}{missed}{others}"
    width, edge = text_width(told, style.TINY), plot.box[0] + plot.box[2]
    behind = plot.x(ends[1]) + 2.4
    if behind + width <= edge:
        at = max(y + 1.0, below + style.TINY.leading)
        plot.page.text(behind, at, told, style.TINY)
        return at
    plot.page.text(min(x + 2.4, edge - width), y - 1.4, told, style.TINY)
    return below


def _strips(flow: Flow, shown: Shown) -> None:
    """Draw for each setting how both figures answer to it, the others as set."""
    drawn = [strip for strip in shown.strips if len(strip.points) > 1]
    if not drawn:
        return
    flow.bookmark("Sensitivity")
    flow.space(GAP)
    flow.heading(
        "Sensitivity",
        with_next=STRIP + 14.0,
        aside="one setting moved, the others as set; triangle: as set",
    )
    half = flow.paper.inner_width / 2.0
    for strip in drawn:
        flow.need(STRIP + 16.0)
        flow.space(style.SMALL.leading + 1.0)
        own = "" if strip.own is None else f", set to {strip.own:g}"
        flow.page.text(flow.paper.left, flow.y, f"{strip.name}{own}", style.SMALL_STRONG)
        for side, (place, words) in enumerate(
            ((1, "false alerts a year"), (2, "days to the alert"))
        ):
            box = (flow.paper.left + side * half + 10.0, flow.y + 5.5, half - 18.0, STRIP - 6.0)
            flow.page.text(box[0], flow.y + 4.0, words, style.TINY, colour=style.SOFT)
            _strip(flow.page, box, strip, place)
        flow.space(STRIP + 6.0)


def _strip(page: Page, box: tuple[float, float, float, float], strip: Strip, place: int) -> None:
    known = [(point[0], point[place]) for point in strip.points]
    known_points = [(value, figure) for value, figure in known if figure is not None]
    if not known_points:
        page.text(box[0], box[1] + box[3] / 2.0, "not known", style.TINY, colour=style.SOFT)
        return
    values = [value for value, _ in known_points]
    spread = (max(values) - min(values)) or 1.0
    across = (min(values) - 0.05 * spread, max(values) + 0.05 * spread)
    ups = _steps(max(LEAST_RATE, *(figure for _, figure in known_points)), 2)
    plot = _Plot(page, box, across, (0.0, ups[-1]))
    plot.frame(sorted({min(values), max(values)}), ups)
    places = [(plot.x(value), plot.y(figure)) for value, figure in known_points]
    page.line([x for x, _ in places], [y for _, y in places], style.DATA, 1.0)
    for (x, y), (value, _) in zip(places, known_points, strict=True):
        page.mark(x, y, "alert" if value == strip.own else "normal", 3.6)


def _timelines(flow: Flow, shown: Shown) -> None:
    """Draw what was said of each vehicle over what was true."""
    said = [stripe for line in shown.lines for stripe in line.said]
    if not said:
        return
    flow.bookmark("Vehicles")
    flow.space(GAP)
    flow.heading(
        "What was said, and what was true",
        with_next=20.0,
        aside="above: verdict; below: known faults (?: perhaps, before work by the calendar)",
    )
    first = min(stripe.start for stripe in said)
    last = max(*(stripe.end for stripe in said), first.replace(year=first.year + 1))
    left, width = flow.paper.left + 24.0, flow.paper.inner_width - 24.0

    def x(day: date) -> float:
        share = (day - first).days / max((last - first).days, 1)
        return left + width * min(max(share, 0.0), 1.0)

    for line in shown.lines:
        if flow.need(12.0) or line is shown.lines[0]:
            _years(flow, first, last, x)
        _timeline(flow, line, x)


def _years(flow: Flow, first: date, last: date, x: Callable[[date], float]) -> None:
    flow.space(style.TINY.leading + 1.0)
    for year in range(first.year, last.year + 1):
        day = date(year, 1, 1)
        if first <= day <= last:
            flow.page.text(x(day), flow.y, str(year), style.TINY, colour=style.SOFT)
            flow.page.line((x(day),) * 2, (flow.y + 0.8, flow.y + 2.0), style.FAINT, 0.5)


def _timeline(flow: Flow, line: VehicleLine, x: Callable[[date], float]) -> None:
    flow.space(ROW)
    page, y = flow.page, flow.y
    page.text(flow.paper.left, y, shorten(line.vehicle, 22.0, style.SMALL), style.SMALL)
    widths = {"normal": 1.2, "alert": 3.6, "alarm": 5.0, "learning": 0.6, "no_data": 0.6}
    for stripe in line.said:
        colour = style.MARKS[stripe.state].colour
        page.line((x(stripe.start), x(stripe.end)), (y - 1.2,) * 2, colour, widths[stripe.state])
        if stripe.state in {"alert", "alarm"}:
            page.mark(x(stripe.start), y - 1.2, stripe.state, 4.2)
    end = max((stripe.end for stripe in line.said), default=None)
    for since, until, words in line.true:
        close = until or end or since
        page.line((x(since), max(x(close), x(since) + 0.6)), (y + 1.6,) * 2, style.INK, 1.6)
        page.text(
            x(since), y + 4.4, shorten(words, 60.0, style.TINY), style.TINY, colour=style.SOFT
        )
    if line.true:
        flow.space(4.6)


def _end(flow: Flow, shown: Shown) -> None:
    flow.bookmark("Method")
    flow.space(GAP)
    flow.heading("Method")
    flow.paragraph(
        "Replayed by the chain that the service runs; as of each day nothing after it is used. "
        "An alert is false where no known fault was at work on the day it was raised; every "
        "indicator's episode counts. A fault is told of by the first alert raised while it is at "
        "work; one that begins under an alert that stands already is left out. Intervals of rates "
        "are Garwood's, of shares Clopper and Pearson's (both exact). Faults that were put in keep "
        "the vehicle's own noise, weather and driving; those of the air path go through a "
        "mean-value model of an engine. The truth that a band must hold is what such a fault does "
        "to each drive's figure, and zero before; while a fault grows, the level comes after it. "
        "A vehicle of which nothing is known is taken to be sound.",
        style.SMALL,
    )
    told = ", ".join(
        f"{name} {value:g}" if isinstance(value, int | float) else f"{name} {value}"
        for table in ("alerts", "baseline")
        for name, value in shown.settings[table].items()
    )
    flow.paragraph(f"Settings as set: {told}. Digest {shown.digest}.", style.SMALL)

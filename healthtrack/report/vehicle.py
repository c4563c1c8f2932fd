"""The owner's report on one vehicle."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from healthtrack.config import ReportSettings
from healthtrack.report import style, words
from healthtrack.report.appendix import draw_appendix
from healthtrack.report.beside import NOTHING_BESIDE, Beside
from healthtrack.report.causes import draw_causes, draw_evidence
from healthtrack.report.document import to_pdf, write_whole
from healthtrack.report.evidence import (
    draw_forecasts,
    draw_maintenance,
)
from healthtrack.report.flow import Flow
from healthtrack.report.front import draw_front
from healthtrack.report.index import facts
from healthtrack.report.method import CLOSE, ROOMY, draw_method
from healthtrack.report.numbers import day, typeset
from healthtrack.report.pulls import draw_pulls
from healthtrack.report.quality import draw_quality
from healthtrack.report.reader import Reader
from healthtrack.report.repairs import draw_repairs
from healthtrack.report.shown import in_units
from healthtrack.report.todo import draw_checks
from healthtrack.report.trends import draw_trends, drawable

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from healthtrack.config import VehicleSettings
    from healthtrack.records import VehicleFinding
    from healthtrack.report.pulls import PullsShown

DEFAULT_SETTINGS = ReportSettings()


def compose(
    finding: VehicleFinding,
    vehicle: VehicleSettings,
    settings: ReportSettings = DEFAULT_SETTINGS,
    pulls: PullsShown | None = None,
    beside: Beside = NOTHING_BESIDE,
) -> Flow:
    """Lay out the pages of a vehicle's report; nothing is written yet."""
    name = words.vehicle_title(finding, vehicle)
    reader = Reader.of(settings)
    finding = in_units(finding, reader.units)
    flow = Flow(
        style.PAPERS[settings.paper],
        f"{name} \N{MIDDLE DOT} air path as of {day(finding.as_of)}",
        reader,
    )
    draw_front(flow, finding, vehicle)
    outlook = [
        partial(draw_causes, finding=finding),
        partial(draw_forecasts, indicators=finding.indicators),
    ]
    later = []
    for draw in outlook:
        if height_of(draw, flow) <= flow.room:
            draw(flow)
        else:
            later.append(draw)
    if any(drawable(item) for item in finding.indicators):
        draw_trends(flow, finding)
    for draw in later:  # rather after the trends than on a page of their own before them
        draw(flow)
    mapped = pulls is not None and pulls.chart is not None
    if mapped:
        draw_pulls(flow, pulls)
    draw_checks(flow, finding)
    if finding.state in ("alert", "alarm") or settings.appendix:  # of a sound one it tells nothing
        draw_evidence(flow, finding)
    draw_repairs(flow, finding)
    draw_quality(flow, finding, beside.logs)
    draw_maintenance(flow, finding.maintenance)
    if pulls is not None and not mapped:  # they say less, so they stand where there is room
        draw_pulls(flow, pulls, after=height_of(partial(draw_method, finding=finding), flow))
    _draw_method(flow, finding)
    if settings.appendix:
        draw_appendix(flow, finding, vehicle, beside)
    return flow


def _draw_method(flow: Flow, finding: VehicleFinding) -> None:
    """Write the method whole on one page, in larger type where the page is its own.

    Never on the first, where it would crowd the verdict.
    """
    close, roomy = (partial(draw_method, finding=finding, setting=each) for each in (CLOSE, ROOMY))
    if len(flow.pages) > 1 and height_of(close, flow) <= flow.room:
        close(flow)
        return
    flow.new_page()
    (roomy if height_of(roomy, flow) <= flow.room else close)(flow)


def height_of(draw: Callable[[Flow], None], flow: Flow) -> float:
    """Return how much height something takes, by drawing it on a sheet without end [mm]."""
    scratch = Flow(replace(flow.paper, height=2000.0), "", flow.reader)
    start = scratch.y
    draw(scratch)
    return scratch.y - start


def write_vehicle_report(
    finding: VehicleFinding,
    vehicle: VehicleSettings,
    path: Path,
    *,
    settings: ReportSettings = DEFAULT_SETTINGS,
    pulls: PullsShown | None = None,
    beside: Beside = NOTHING_BESIDE,
) -> None:
    """Write a vehicle's report as PDF, whole or not at all.

    The same finding and settings give the same bytes; no clock is read.

    Parameters
    ----------
    finding : VehicleFinding
        What is said of the vehicle.
    vehicle : VehicleSettings
        Its name for the title.
    path : Path
        The file; its folder is made where it is missing.
    settings : ReportSettings
        Paper, units, marks in numbers, and whether the analyst's appendix is added.
    pulls : PullsShown or None
        Pulls of the period, to be drawn on the compressor map.
    beside : Beside
        The logs, for the data quality; for the appendix, what the verdict rests on.

    Raises
    ------
    ReportError
        Where the file cannot be written; an older one at its place is then unchanged.
    """
    name = words.vehicle_title(finding, vehicle)
    title = f"{name}: condition of the air path as of {day(finding.as_of)}"
    keywords = facts(finding.state, finding.vehicle, finding.as_of)
    reader = Reader.of(settings)
    verdict = reader.marks.written(
        typeset(reader.units.sentence(words.without_state(finding.reason)))
    )
    content = to_pdf(
        lambda: compose(finding, vehicle, settings, pulls, beside), title, verdict, keywords
    )
    write_whole(content, path)

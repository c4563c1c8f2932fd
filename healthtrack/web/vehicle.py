"""One vehicle: its verdict with the evidence, its courses, its drives, and what was done to it."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import polars as pl
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from healthtrack.channels import CHANNELS
from healthtrack.config import ReportSettings
from healthtrack.errors import HealthtrackError, StoreError, UsageError
from healthtrack.jobs.assessing import write_report
from healthtrack.jobs.maintenance import make_event
from healthtrack.report import draw_figures, trends
from healthtrack.report.quality import sort_losses
from healthtrack.report.repairs import effects
from healthtrack.report.shown import in_units
from healthtrack.service import requests
from healthtrack.service.requests import NOTE
from healthtrack.store import open_snapshot
from healthtrack.web import series
from healthtrack.web.site import form_of, site_of, text_of, vehicle_of

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request

    from healthtrack.records import VehicleFinding
    from healthtrack.web.site import Site

SHOWN_CHANNELS = (
    *("engine_speed", "vehicle_speed", "airflow", "manifold_pressure", "pedal"),
    *("ambient_temperature", "ambient_pressure", "coolant_temperature"),
)
MOST_REPORTS = 12
MOST_DRIVES = 100


def page(request: Request) -> Response:
    """Show a vehicle."""
    return _page(request, vehicle_of(request))


def _page(request: Request, vehicle: str, words: str = "", code: int = 200) -> Response:
    site = site_of(request)
    seen = site.glance()
    shown = site.shown(vehicle, seen)
    finding = in_units(shown.finding, site.reader.units) if shown.finding else None
    waiting = [requests.read(path) for path in requests.waiting(site.workspace().root)]
    told = {
        "shown": shown,
        "finding": finding,
        "drawn": [item.indicator for item in finding.indicators if trends.drawable(item)]
        if finding and shown.full
        else [],
        "units": {item.indicator: item.unit for item in finding.indicators} if finding else {},
        "drives": _drives(site, vehicle),
        "most_drives": MOST_DRIVES,
        "causes": sorted(finding.causes, key=lambda cause: -cause.probability) if finding else [],
        "effects": effects(finding) if finding and shown.full else [],
        "losses": sort_losses(finding.losses) if finding and shown.full else None,
        "rows": sum(entry.rows or 0 for entry in seen.logs_of(vehicle) if entry.state == "stored"),
        "episodes": seen.open_episodes(vehicle),
        "maintenance": [event for event in seen.maintenance if event.vehicle == vehicle],
        "waiting": [
            one.event
            for one in waiting
            if isinstance(one, requests.Work) and one.event.vehicle == vehicle
        ],
        "reports": [path.name for path in _reports(site, vehicle)][:MOST_REPORTS],
        "words": words,
        "seen": seen,
    }
    return site.page(request, "vehicle.html", told, code)


def _drives(site: Site, vehicle: str) -> list[dict[str, Any]]:
    """Return the latest drives, each with how many pulls it holds."""
    workspace = site.workspace()

    def read() -> list[dict[str, Any]] | None:
        try:
            store, published = open_snapshot(
                workspace.store_path, workspace.settings.store_memory_mb
            )
        except StoreError:
            return None
        with store:
            history = store.history(vehicle, published.date(), with_windows=False)
        latest = history.drives.reverse().head(MOST_DRIVES)
        if history.pulls is None:
            return latest.with_columns(pulls=pl.lit(0)).to_dicts()
        pulls = history.pulls.group_by("drive").agg(pl.len().alias("pulls"))
        return latest.join(pulls, on="drive", how="left", maintain_order="left").to_dicts()

    return site.window.recall(workspace, ("drives", vehicle), read) or []


def _full(request: Request) -> VehicleFinding:
    finding = site_of(request).desk.finding(vehicle_of(request))
    if finding is None:
        raise HTTPException(404, "Its courses are not drawn yet; load the page again shortly.")
    return finding


def courses(request: Request) -> Response:
    """Give all courses of a vehicle as JSON."""
    units = site_of(request).reader.units
    finding = in_units(_full(request), units)
    axis = trends.finding_timeline(finding, units.distance)
    found = [
        series.course(finding, item, axis) for item in finding.indicators if trends.drawable(item)
    ]
    return JSONResponse({"courses": found})


def figure(request: Request) -> Response:
    """Give one course as a drawing, for browsers without scripts."""
    finding = _full(request)
    drawn = _figures(_Same(finding), site_of(request).workspace().settings.report.model_dump_json())
    name = str(request.path_params["indicator"])
    if name not in drawn:
        raise HTTPException(404, "There is no such figure.")
    return Response(drawn[name], media_type="image/svg+xml")


class _Same:
    """A finding as a key: the very object, not its content."""

    def __init__(self, finding: VehicleFinding) -> None:
        self.finding = finding

    def __hash__(self) -> int:
        return id(self.finding)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.finding is self.finding


@lru_cache(maxsize=32)
def _figures(key: _Same, settings: str) -> dict[str, bytes]:
    return draw_figures(key.finding, "svg", ReportSettings.model_validate_json(settings))


# ---------------------------------------------------------------- a drive


def drive(request: Request) -> Response:
    """Show one drive: what was left out of it, its windows, its conditions, its pulls."""
    site, vehicle = site_of(request), vehicle_of(request)
    told = _drive(site, vehicle, str(request.path_params["drive"]))
    return site.page(request, "drive.html", told)


def _drive(site: Site, vehicle: str, name: str) -> dict[str, Any]:
    workspace = site.workspace()
    store, published = open_snapshot(workspace.store_path, workspace.settings.store_memory_mb)
    with store:
        history = store.history(vehicle, published.date(), with_windows=False)
        here = history.drives.filter(pl.col("drive") == name)
        if not here.height:
            raise HTTPException(404, "There is no such drive of this vehicle.")
        row = here.row(0, named=True)
        entry = next((log for log in store.logs(vehicle) if log.name == row["log"]), None)
        losses = store.losses_of_log(entry.sha256) if entry else ()
        windows = store.windows_of([name])
        of_log = history.drives.filter(pl.col("log") == row["log"])["drive"].to_list()
        log_windows = store.windows_of(of_log).height
    pulls = history.pulls
    full = site.desk.finding(vehicle)
    finding = in_units(full, site.reader.units) if full else None
    return {
        "shown": site.shown(vehicle, site.glance()),
        "drive": row,
        "log": entry,
        "losses": sort_losses(losses),
        "windows": windows.height,
        "log_windows": log_windows,
        "regions": _regions(windows),
        "columns": [CHANNELS[channel] for channel in _shown_channels(windows)],
        "pulls": 0 if pulls is None else pulls.filter(pl.col("drive") == name).height,
        "figures": _figures_of(finding, name) if finding else [],
    }


def _shown_channels(windows: pl.DataFrame) -> list[str]:
    there = [channel for channel in SHOWN_CHANNELS if channel in windows.columns]
    return [channel for channel in there if windows[channel].null_count() < windows.height]


def _regions(windows: pl.DataFrame) -> list[dict[str, Any]]:
    channels = _shown_channels(windows)
    return (
        windows.group_by("region", maintain_order=True)
        .agg(pl.len().alias("windows"), *(pl.col(channel).mean() for channel in channels))
        .to_dicts()
    )


def _figures_of(finding: VehicleFinding, drive: str) -> list[dict[str, Any]]:
    found = []
    for item in finding.indicators:
        if item.trend is None:
            continue
        here = item.trend.frame.filter(pl.col("drive") == drive)
        if here.height:
            found.append({"item": item, **here.row(0, named=True)})
    return found


# ---------------------------------------------------------------- work on it, and reports


async def add_work(request: Request) -> Response:
    """Ask the service to enter what was done to a vehicle."""
    site, vehicle = site_of(request), vehicle_of(request)
    form = await form_of(request)
    try:
        km = text_of(form, "odometer_km", 20).replace(" ", "")
        event = make_event(
            vehicle,
            _day(text_of(form, "on", 10), site),
            text_of(form, "kind", 60),
            _number(km) / site.reader.units.factor("km") if km else None,
            text_of(form, "note", NOTE),
        )
    except UsageError as error:
        return await run_in_threadpool(_page, request, vehicle, str(error), 422)
    requests.ask(site.workspace().root, requests.Work(event))
    return RedirectResponse(f"/vehicle/{vehicle}#work", 303)


def _day(text: str, site: Site) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date; write it like 2025-03-28.") from None
    if day > site.clock().date():
        raise UsageError(f"{day.isoformat()} is still to come. Enter what was done.")
    return day


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise UsageError(f"{text!r} is no odometer reading; write it like 214300.") from None


def _reports(site: Site, vehicle: str) -> list[Path]:
    workspace = site.workspace()
    folder = workspace.root / workspace.settings.reports / vehicle
    return sorted(folder.glob("*.pdf"), reverse=True) if folder.is_dir() else []


def report(request: Request) -> Response:
    """Give a report that lies in the vehicle's folder."""
    site, vehicle = site_of(request), vehicle_of(request)
    name = str(request.path_params["name"])
    found = next((path for path in _reports(site, vehicle) if path.name == name), None)
    if found is None:
        raise HTTPException(404, "There is no such report.")
    return FileResponse(
        found, media_type="application/pdf", headers={"Content-Disposition": "inline"}
    )


async def make_report(request: Request) -> Response:
    """Write the report of today, as the command does."""
    site, vehicle = site_of(request), vehicle_of(request)
    await form_of(request)
    finding = _full(request)

    def write() -> str:
        workspace = site.workspace()
        with workspace.open_for_reading() as (store, _):
            return write_report(workspace, finding, store).path.name

    try:
        name = await run_in_threadpool(write)
    except HealthtrackError as error:
        return await run_in_threadpool(_page, request, vehicle, str(error), 500)
    return RedirectResponse(f"/vehicle/{vehicle}/report/{name}", 303)

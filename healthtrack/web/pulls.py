"""Pulls on the compressor map: one to play and step through, with earlier ones behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from starlette.exceptions import HTTPException

from healthtrack.airpath.map_file import read_map
from healthtrack.errors import MapError, StoreError
from healthtrack.jobs.shown_pulls import pulls_of_drive
from healthtrack.store import open_snapshot
from healthtrack.web.drawing import Frame, frame_around
from healthtrack.web.site import site_of, vehicle_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.report.pulls import DatedPull
    from healthtrack.web.site import Site

WIDTH, HEIGHT = 640.0, 420.0
MOST_EARLIER = 5
MOST_LISTED = 200

STEPS: tuple[tuple[str, str, str, float, int], ...] = (
    ("seconds", "time", "s", 1.0, 1),
    ("engine_speed", "engine speed", "rpm", 1.0, 0),
    ("vehicle_speed", "vehicle speed", "km/h", 1.0, 0),
    ("airflow", "airflow", "g/s", 1.0, 1),
    ("ambient", "inlet pressure", "kPa", 1.0, 1),
    ("manifold_pressure", "manifold pressure", "kPa", 1.0, 0),
    ("pressure_ratio", "pressure ratio", "", 1.0, 2),
    ("corrected_flow", "corrected flow", "g/s", 1e3, 1),
    ("efficiency", "efficiency", "%", 100.0, 0),
    ("surge_margin", "margin to surge", "%", 1.0, 0),
    ("choke_margin", "margin to choke", "%", 1.0, 0),
)
"""What is shown of every moment: column, words, unit, factor, decimals."""

COMPARED: tuple[tuple[str, str, str, int], ...] = (
    ("seconds", "duration", "s", 1),
    ("engine_speed_start", "engine speed at the start", "rpm", 0),
    ("engine_speed_end", "engine speed at the end", "rpm", 0),
    ("gear_ratio", "gear, rpm per km/h", "", 1),
    ("manifold_pressure_peak", "peak manifold pressure", "kPa", 0),
    ("engine_speed_at_peak", "reached at", "rpm", 0),
    ("airflow_peak", "peak airflow", "g/s", 1),
    ("specific_power", "power at the wheels", "W/kg", 1),
    ("ambient_temperature", "outside", "°C", 0),
)
GEAR_ALIKE, START_ALIKE = 0.03, 0.08
"""Two pulls are alike in one gear and from about one engine speed, as the indicators ask for."""


def listing(request: Request) -> Response:
    """List the vehicle's pulls, the latest first."""
    site, vehicle = site_of(request), vehicle_of(request)
    rows = _listed(site, vehicle)
    told = {"shown": site.shown(vehicle, site.glance()), "pulls": rows[:MOST_LISTED]}
    return site.page(request, "pulls.html", told | {"compared": COMPARED})


def _listed(site: Site, vehicle: str) -> list[dict[str, Any]]:
    workspace = site.workspace()
    try:
        store, published = open_snapshot(workspace.store_path, workspace.settings.store_memory_mb)
    except StoreError:
        return []
    with store:
        frame = store.history(vehicle, published.date()).pulls
    if frame is None or not frame.height:
        return []
    numbered = frame.sort("t").with_columns(
        (pl.col("t").cum_count().over("drive") - 1).cast(pl.Int64).alias("number")
    )
    return numbered.reverse().to_dicts()


def pull(request: Request) -> Response:
    """Show one drive's pull on the map; ``number`` chooses, ``with`` lays another beside it."""
    site, vehicle = site_of(request), vehicle_of(request)
    drive = str(request.path_params["drive"])
    rows = _listed(site, vehicle)
    if not any(row["drive"] == drive for row in rows):
        raise HTTPException(404, "There is no pull in this drive.")
    told = _pull(site, vehicle, drive, request, rows)
    return site.page(request, "pull.html", told)


def _pull(
    site: Site, vehicle: str, drive: str, request: Request, rows: list[dict[str, Any]]
) -> dict[str, Any]:
    workspace = site.workspace()
    other = request.query_params.get("with", "")
    known = {row["drive"] for row in rows}
    here = next(at for at, row in enumerate(rows) if row["drive"] == drive)
    before = list(dict.fromkeys(row["drive"] for row in rows[here + 1 :] if row["drive"] != drive))
    with workspace.open_for_reading() as (store, published):
        found = pulls_of_drive(workspace, store, vehicle, drive)
        beside = pulls_of_drive(workspace, store, vehicle, other) if other in known else ()
        earlier = [
            one
            for name in before[:MOST_EARLIER]
            for one in pulls_of_drive(workspace, store, vehicle, name)
        ]
    number = _number(request.query_params.get("number", ""), len(found))
    chart = _chart(site, vehicle)
    shown = found[number] if found else None
    return {
        "shown": site.shown(vehicle, site.glance()),
        "pull": shown,
        "pulls": found,
        "number": number,
        "drive": drive,
        "has_samples": published is None,
        "chart": chart,
        "drawn": _drawn(chart, shown, [*beside[:1]], earlier[:MOST_EARLIER]) if shown else None,
        "steps": list(_steps(shown)) if shown else [],
        "names": STEPS,
        "others": [row for row in rows if row["drive"] != drive][:MOST_LISTED],
        "other": other if beside else "",
        "compared": _compared(rows, drive, other) if beside else None,
        "beside": beside[0] if beside else None,
    }


def _number(text: str, there: int) -> int:
    return min(int(text), max(there - 1, 0)) if text.isascii() and text.isdecimal() else 0


def _chart(site: Site, vehicle: str) -> CompressorMap | None:
    workspace = site.workspace()
    name = workspace.settings.vehicles[vehicle].compressor_map
    if not name:
        return None
    try:
        return read_map(workspace.root / name)
    except MapError:
        return None


def _track(pull: DatedPull) -> pl.DataFrame:
    return pull.track.frame.drop_nulls(["corrected_flow", "pressure_ratio"])


def _drawn(
    chart: CompressorMap | None,
    shown: DatedPull,
    beside: Sequence[DatedPull],
    earlier: Sequence[DatedPull],
) -> dict[str, Any]:
    tracks = [_track(one) for one in (shown, *beside, *earlier)]
    xs = [1e3 * flow for track in tracks for flow in track["corrected_flow"].to_list()]
    ys = [ratio for track in tracks for ratio in track["pressure_ratio"].to_list()]
    if chart is not None:
        xs += (1e3 * chart.outline[:, 0]).tolist()
        ys += chart.outline[:, 1].tolist()
    frame = frame_around([0.0, *xs], [1.0, *ys], WIDTH, HEIGHT, 0.03)
    points = [_line(frame, track) for track in tracks]
    return {
        "frame": frame,
        "map": map_lines(chart, frame) if chart is not None else None,
        "track": points[0],
        "beside": points[1 : 1 + len(beside)],
        "earlier": points[1 + len(beside) :],
    }


def _line(frame: Frame, track: pl.DataFrame) -> str:
    return frame.line((1e3 * track["corrected_flow"]).to_list(), track["pressure_ratio"].to_list())


def map_lines(chart: CompressorMap, frame: Frame) -> dict[str, Any]:
    """Return a map's lines as points in a drawing."""

    def line(flow: np.ndarray, ratio: np.ndarray) -> str:
        return frame.line((1e3 * flow).tolist(), ratio.tolist())

    return {
        "surge": line(chart.surge.flow, chart.surge.ratio),
        "choke": line(chart.choke.flow, chart.choke.ratio),
        "speeds": [
            {
                "points": line(one.flow, one.ratio),
                "words": f"{one.speed / 1e3:.0f}",
                "x": frame.across(1e3 * float(one.flow[-1])),
                "y": frame.down(float(one.ratio[-1])),
            }
            for one in chart.speed_lines
        ],
        "contours": [
            {
                "points": line(one.flow, one.ratio),
                "words": f"{100 * one.level:.0f} %",
                "x": frame.across(1e3 * float(one.flow[int(np.argmax(one.flow))])),
                "y": frame.down(float(one.ratio[int(np.argmax(one.flow))])),
            }
            for one in chart.contours
        ],
    }


def _steps(pull: DatedPull) -> Iterator[dict[str, Any]]:
    frame = _track(pull).with_columns(
        (pl.col("manifold_pressure") / pl.col("pressure_ratio")).alias("ambient")
    )
    for row in frame.iter_rows(named=True):
        yield {
            name: None if row[name] is None else round(factor * row[name], decimals + 1)
            for name, _, _, factor, decimals in STEPS
        } | {"place": row["place"], "flow": 1e3 * row["corrected_flow"]}


def _compared(rows: list[dict[str, Any]], drive: str, other: str) -> dict[str, Any]:
    """Lay the first pulls of two drives side by side, and say whether they are alike."""
    now = next(row for row in reversed(rows) if row["drive"] == drive)
    then = next(row for row in reversed(rows) if row["drive"] == other)

    def near(name: str, within: float) -> bool:
        a, b = now.get(name), then.get(name)
        return bool(a and b and abs(a / b - 1.0) <= within)

    return {
        "rows": [
            (words, unit, decimals, now.get(name), then.get(name))
            for name, words, unit, decimals in COMPARED
        ],
        "alike": near("gear_ratio", GEAR_ALIKE) and near("engine_speed_start", START_ALIKE),
        "now": now["t"],
        "then": then["t"],
    }

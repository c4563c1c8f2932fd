"""Pulls on the compressor map: one to play and step through, with earlier ones behind it."""

from __future__ import annotations

from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from starlette.exceptions import HTTPException

from healthtrack.airpath.map_file import read_map
from healthtrack.errors import MapError, StoreError
from healthtrack.indicators.pulls import are_alike
from healthtrack.jobs.shown_pulls import pulls_of_drive
from healthtrack.store import open_snapshot
from healthtrack.web.drawing import Frame, frame_around
from healthtrack.web.site import site_of, vehicle_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.report.pulls import DatedPull
    from healthtrack.store import Store
    from healthtrack.web.site import Site

WIDTH, HEIGHT = 640.0, 420.0
MOST_EARLIER = 5
MOST_LISTED = 200

STEPS: tuple[tuple[str, str, str, float, int], ...] = (
    ("seconds", "time", "s", 1.0, 1),
    ("engine_speed", "engine speed", "rpm", 1.0, 0),
    ("vehicle_speed", "vehicle speed", "km/h", 1.0, 0),
    ("airflow", "airflow", "g/s", 1.0, 1),
    ("inlet_pressure", "inlet pressure", "kPa", 1.0, 1),
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


def listing(request: Request) -> Response:
    """List the vehicle's pulls, the latest first."""
    site, vehicle = site_of(request), vehicle_of(request)
    rows = _listed(site, vehicle)
    told = {"shown": site.shown(vehicle, site.glance()), "pulls": rows[:MOST_LISTED]}
    return site.page(request, "pulls.html", told | {"compared": COMPARED})


def _listed(site: Site, vehicle: str) -> list[dict[str, Any]]:
    workspace = site.workspace()
    return (
        site.window.recall(workspace, ("pulls", vehicle), lambda: _read(workspace, vehicle)) or []
    )


def _read(workspace: Workspace, vehicle: str) -> list[dict[str, Any]] | None:
    try:
        store, published = open_snapshot(workspace.store_path, workspace.settings.store_memory_mb)
    except StoreError:
        return None
    with store:
        frame = store.history(vehicle, published.date(), with_windows=False).pulls
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
    other = request.query_params.get("with", "")
    known = {row["drive"] for row in rows}
    here = next(at for at, row in enumerate(rows) if row["drive"] == drive)
    before = list(dict.fromkeys(row["drive"] for row in rows[here + 1 :] if row["drive"] != drive))
    wanted = [drive, *before[:MOST_EARLIER], *([other] if other in known else [])]
    tracks, has_samples = _followed(site, vehicle, wanted)
    found, beside = tracks[drive], tracks.get(other, ())
    earlier = [one for name in before[:MOST_EARLIER] for one in tracks[name]]
    number = _number(request.query_params.get("number", ""), len(found))
    chart, per_flow = _chart(site, vehicle), 1e3 * site.reader.units.per_gram
    shown = found[number] if found else None
    return {
        "shown": site.shown(vehicle, site.glance()),
        "pull": shown,
        "pulls": found,
        "number": number,
        "drive": drive,
        "has_samples": has_samples,
        "chart": chart,
        "drawn": _drawn(chart, shown, beside[:1], earlier[:MOST_EARLIER], per_flow)
        if shown
        else None,
        "steps": list(_steps(shown)) if shown else [],
        "names": STEPS,
        "others": _others(rows, drive),
        "other": other if beside else "",
        "compared": _compared(rows, drive, other) if beside else None,
        "beside": beside[0] if beside else None,
    }


def _followed(
    site: Site, vehicle: str, drives: Sequence[str]
) -> tuple[dict[str, tuple[DatedPull, ...]], bool]:
    """Follow the pulls of drives; also whether their samples could be looked for at all."""
    workspace = site.workspace()
    settings = workspace.settings.vehicles[vehicle]
    chart = workspace.root / settings.compressor_map if settings.compressor_map else None
    drawn = chart.stat().st_mtime_ns if chart is not None and chart.is_file() else 0
    made_of = (settings.model_dump_json(), drawn)
    with ExitStack() as stack:
        opened: list[tuple[Store, Any]] = []  # only where something is not known yet

        def follow(drive: str) -> tuple[DatedPull, ...] | None:
            if not opened:
                opened.append(stack.enter_context(workspace.open_for_reading()))
            store, published = opened[0]
            # a snapshot holds no samples, so what it gives says nothing
            return None if published else pulls_of_drive(workspace, store, vehicle, drive)

        found = {}
        for drive in dict.fromkeys(drives):
            key = ("pull", vehicle, drive, *made_of)
            found[drive] = site.window.recall(workspace, key, partial(follow, drive))
    return {drive: one or () for drive, one in found.items()}, found[drives[0]] is not None


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
    per_flow: float,
) -> dict[str, Any]:
    """Return what to draw; ``per_flow`` is what 1 kg/s is in the reader's unit."""
    tracks = [_track(one) for one in (shown, *beside, *earlier)]
    xs = [per_flow * flow for track in tracks for flow in track["corrected_flow"].to_list()]
    ys = [ratio for track in tracks for ratio in track["pressure_ratio"].to_list()]
    if chart is not None:
        xs += (per_flow * chart.outline[:, 0]).tolist()
        ys += chart.outline[:, 1].tolist()
    frame = frame_around([0.0, *xs], [1.0, *ys], WIDTH, HEIGHT, 0.03)
    points = [_line(frame, track, per_flow) for track in tracks]
    return {
        "frame": frame,
        "map": map_lines(chart, frame, per_flow) if chart is not None else None,
        "track": points[0],
        "beside": points[1 : 1 + len(beside)],
        "earlier": points[1 + len(beside) :],
    }


def _line(frame: Frame, track: pl.DataFrame, per_flow: float) -> str:
    flow = (per_flow * track["corrected_flow"]).to_list()
    return frame.line(flow, track["pressure_ratio"].to_list())


def map_lines(chart: CompressorMap, frame: Frame, per_flow: float) -> dict[str, Any]:
    """Return a map's lines as points in a drawing; ``per_flow`` is what 1 kg/s is in its unit."""

    def line(flow: np.ndarray, ratio: np.ndarray) -> str:
        return frame.line((per_flow * flow).tolist(), ratio.tolist())

    def at(flow: float, ratio: float) -> dict[str, float]:
        return {"x": frame.across(per_flow * flow), "y": frame.down(ratio)}

    return {
        "surge": line(chart.surge.flow, chart.surge.ratio),
        "choke": line(chart.choke.flow, chart.choke.ratio),
        "speeds": [
            {
                "points": line(one.flow, one.ratio),
                "words": f"{one.speed / 1e3:.0f}",
                **at(float(one.flow[-1]), float(one.ratio[-1])),
            }
            for one in chart.speed_lines
        ],
        "contours": [
            {
                "points": line(one.flow, one.ratio),
                "words": f"{100 * one.level:.0f} %",
                **at(float(one.flow[far]), float(one.ratio[far])),
            }
            for one in chart.contours
            for far in (int(np.argmax(one.flow)),)
        ],
    }


def _steps(pull: DatedPull) -> Iterator[dict[str, Any]]:
    for row in _track(pull).iter_rows(named=True):
        yield {
            name: None if row[name] is None else factor * row[name]
            for name, _, _, factor, _ in STEPS
        } | {"place": row["place"]}


def _others(rows: list[dict[str, Any]], drive: str) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return the first pulls of other drives, those that can be compared with this one first."""
    first = {row["drive"]: row for row in rows}  # the latest stands first, so the last one stays
    this = first.pop(drive)
    alike = [row for row in first.values() if are_alike(this, row)]
    rest = [row for row in first.values() if row not in alike]
    groups = (("alike in gear and start", alike), ("others", rest))
    return [(words, found[:MOST_LISTED]) for words, found in groups if found]


def _compared(rows: list[dict[str, Any]], drive: str, other: str) -> dict[str, Any]:
    """Lay the first pulls of two drives side by side, and say whether they are alike."""
    now = next(row for row in reversed(rows) if row["drive"] == drive)
    then = next(row for row in reversed(rows) if row["drive"] == other)

    return {
        "rows": [
            (words, unit, decimals, now.get(name), then.get(name))
            for name, words, unit, decimals in COMPARED
        ],
        "alike": are_alike(now, then),
        "now": now["t"],
        "then": then["t"],
    }

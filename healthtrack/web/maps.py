"""Bringing a map: a picture's lines, clicked in the browser, become a map file of ours.

The picture itself never leaves the browser: pixels of clicks do.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from healthtrack.airpath.digitise import (
    CLICK,
    Axes,
    MapWords,
    Traced,
    digitise,
    map_files,
    stated_errors,
    to_pixels,
)
from healthtrack.airpath.map_file import FLOW_UNITS, read_map
from healthtrack.bench.applying import use_map
from healthtrack.errors import MapError, SettingsError, UsageError
from healthtrack.web.site import check_token, site_of

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.web.site import Site

FOLDER = "maps"
NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")
Pixel = tuple[Annotated[float, Field(ge=-1e5, le=1e5)], Annotated[float, Field(ge=-1e5, le=1e5)]]


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SentLine(_Sent):
    """A traced line as the browser sends it."""

    kind: Literal["speed_line", "surge", "choke", "efficiency"]
    value: Annotated[float, Field(gt=0, lt=1e6)] | None = None
    pixels: Annotated[list[Pixel], Field(max_length=400)]


class SentMap(_Sent):
    """All that was clicked and said."""

    axes: Annotated[list[Pixel], Field(min_length=4, max_length=4)]
    values: Annotated[list[Pixel], Field(min_length=4, max_length=4)]
    askew: bool = False
    lines: Annotated[list[SentLine], Field(max_length=60)] = []
    file: str = ""
    name: Annotated[str, Field(max_length=100)] = ""
    source: Annotated[str, Field(max_length=200)] = ""
    reference_temperature_k: float = 0.0
    reference_pressure_kpa: float = 0.0
    flow_unit: Literal["kg/s", "g/s", "kg/h", "lb/min"] = "kg/s"
    speed_unit: Literal["rpm", "krpm"] = "rpm"
    vehicle: Annotated[str, Field(max_length=64)] = ""


def page(request: Request) -> Response:
    """Show the tool, and the maps that there are."""
    site = site_of(request)
    workspace = site.workspace()
    folder = workspace.root / FOLDER
    told = {
        "maps": sorted(path.stem for path in folder.glob("*.toml")) if folder.is_dir() else [],
        "used": {
            vehicle: settings.compressor_map
            for vehicle, settings in workspace.settings.vehicles.items()
            if settings.compressor_map
        },
        "units": list(FLOW_UNITS),
        "vehicles": workspace.settings.vehicles,
    }
    return site.page(request, "map.html", told)


async def _sent(request: Request) -> SentMap:
    check_token(request, request.headers.get("x-token", ""))
    try:
        return SentMap.model_validate(json.loads(await request.body()))
    except (ValueError, RecursionError) as error:
        words = _fault(error) if isinstance(error, ValidationError) else "this is no map"
        raise HTTPException(422, words) from None


def _fault(error: ValidationError) -> str:
    first = error.errors()[0]
    return f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"


def _axes(sent: SentMap) -> Axes:
    return Axes(np.array(sent.axes), np.array(sent.values), sent.askew)


def _lines(sent: SentMap) -> list[Traced]:
    return [
        Traced(line.kind, np.array(line.pixels), line.value) for line in sent.lines if line.pixels
    ]


async def trace(request: Request) -> Response:
    """Read what was clicked so far, and say where its curves lie on the picture."""
    sent = await _sent(request)
    return JSONResponse(await run_in_threadpool(_trace, sent))


def _trace(sent: SentMap) -> dict[str, Any]:
    axes, lines = _axes(sent), _lines(sent)
    try:
        found = [digitise(axes, line.pixels) for line in lines]
        if not found:
            corner = digitise(axes, axes.pixels)
            return {"words": "The axes are fixed.", "faults": [], "values": _pairs(corner)}
        flow_error, ratio_error = stated_errors(found)
    except MapError as error:
        return {"words": "", "faults": [str(error)]}
    told: dict[str, Any] = {
        "words": f"Flow is known to ±{100 * flow_error:.1f} % and pressure ratio to "
        f"±{100 * ratio_error:.1f} % (one standard deviation, clicks within {CLICK:.0f} pixel).",
        "values": [pair for line in found for pair in _pairs(line)],
        "faults": [],
        "curves": [],
    }
    try:
        with tempfile.TemporaryDirectory() as folder:
            chart = _write(sent, Path(folder), "trace")
        told["curves"] = _curves(axes, chart, sent.flow_unit)
    except MapError as error:
        told["faults"] = [line.strip() for line in str(error).splitlines()[1:-1]] or [str(error)]
    return told


def _pairs(found: Any) -> list[tuple[float, float]]:  # noqa: ANN401 - digitised points
    return [
        (round(float(flow), 5), round(float(ratio), 4))
        for flow, ratio in zip(found.flow, found.ratio, strict=True)
    ]


def _curves(axes: Axes, chart: CompressorMap, unit: str) -> list[dict[str, Any]]:
    scale = FLOW_UNITS[unit]
    lines: list[tuple[str, np.ndarray, np.ndarray]] = [
        ("surge", chart.surge.flow, chart.surge.ratio),
        ("choke", chart.choke.flow, chart.choke.ratio),
        *(("speed_line", one.flow, one.ratio) for one in chart.speed_lines),
        *(("efficiency", one.flow, one.ratio) for one in chart.contours),
    ]
    return [
        {"kind": kind, "pixels": to_pixels(axes, flow / scale, ratio).round(1).tolist()}
        for kind, flow, ratio in lines
    ]


def _write(sent: SentMap, folder: Path, name: str) -> CompressorMap:
    """Write the two files and read them back as any map is read."""
    words = MapWords(
        sent.name or name,
        sent.source or "read off a picture",
        sent.reference_temperature_k,
        sent.reference_pressure_kpa,
        sent.flow_unit,
        sent.speed_unit,
    )
    head, points = map_files(words, _axes(sent), _lines(sent), f"{name}.csv")
    (folder / f"{name}.toml").write_text(head, encoding="utf-8")
    (folder / f"{name}.csv").write_text(points, encoding="utf-8")
    return read_map(folder / f"{name}.toml")


async def save(request: Request) -> Response:
    """Save the map in the workspace, if it is one."""
    sent = await _sent(request)
    try:
        told = await run_in_threadpool(_save, site_of(request), sent)
    except (MapError, SettingsError, UsageError) as error:
        return JSONResponse({"words": str(error)}, 422)
    return JSONResponse(told)


def _save(site: Site, sent: SentMap) -> dict[str, Any]:
    workspace = site.workspace()
    if sent.vehicle and sent.vehicle not in workspace.settings.vehicles:
        raise MapError(f"there is no vehicle {sent.vehicle}.")
    if not NAME.fullmatch(sent.file):
        raise MapError("give the file a name of small letters, digits and dashes.")
    folder = workspace.root / FOLDER
    if (folder / f"{sent.file}.toml").exists():
        raise MapError(f"there is a map {sent.file} already; give this one another name.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder) as draft:
            _write(sent, Path(draft), sent.file)
            for ending in (".csv", ".toml"):  # the head last: without it there is no map
                os.replace(Path(draft) / f"{sent.file}{ending}", folder / f"{sent.file}{ending}")  # noqa: PTH105
    except OSError as error:
        raise MapError(f"the map cannot be written: {error.strerror}.") from None
    saved = f"{FOLDER}/{sent.file}.toml"
    if sent.vehicle:
        use_map(workspace.root, sent.vehicle, saved, site.clock().date())
        words = f"Saved. {sent.vehicle} uses it now: healthtrack.toml names it."
    else:
        words = (
            "Saved. To use it, write under the vehicle in healthtrack.toml: "
            f'compressor_map = "{saved}"'
        )
    return {"words": words, "saved": saved}

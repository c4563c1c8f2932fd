"""Reading a compressor map: a TOML head beside a CSV of points, and the checks it must pass."""

from __future__ import annotations

import csv
import itertools
import math
import tomllib
from collections import defaultdict
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from scipy.interpolate import PchipInterpolator

from healthtrack.airpath.compressor import Reference
from healthtrack.airpath.compressor_map import CompressorMap, Line, SpeedLine
from healthtrack.errors import MapError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

KINDS = ("speed_line", "surge", "choke", "efficiency")
COLUMNS = ("kind", "line", "corrected_flow", "pressure_ratio", "efficiency", "shaft_speed")

FLOW_UNITS = {"kg/s": 1.0, "g/s": 1e-3, "kg/h": 1 / 3600, "lb/min": 0.45359237 / 60}
SPEED_UNITS = {"rpm": 1.0, "krpm": 1e3}

EFFICIENCIES = (0.2, 0.9)
"""Isentropic efficiencies that a turbocharger's compressor can have, edges of the map included."""

CLOSED = 0.02
"""A contour is closed if its ends are this near, in the contour's widths; else both must lie this
near to the map's edge, in the map's widths: contours are cut off there."""


class Head(BaseModel):
    """The TOML head of a map. There are no default reference conditions, on purpose."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    name: str
    source: str = Field(description="where the map comes from")
    points: str = Field(description="CSV of points, beside the head")
    reference_temperature_k: Annotated[float, Field(gt=250, lt=350)]
    reference_pressure_kpa: Annotated[float, Field(gt=80, lt=120)]
    flow_unit: Literal["kg/s", "g/s", "kg/h", "lb/min"]
    speed_unit: Literal["rpm", "krpm"] = "rpm"
    inducer_mm: Annotated[float, Field(gt=5, lt=500)] | None = None
    exducer_mm: Annotated[float, Field(gt=5, lt=500)] | None = None
    flow_error_percent: Annotated[float, Field(ge=0, lt=20)] = Field(
        1.0, description="standard deviation of digitising: a pen's width on a printed map"
    )
    ratio_error_percent: Annotated[float, Field(ge=0, lt=20)] = Field(
        0.5, description="the same along the pressure ratio"
    )


def read_map(path: Path) -> CompressorMap:
    """Read a compressor map and check it.

    Parameters
    ----------
    path : pathlib.Path
        The TOML head; the CSV of points that it names lies beside it.

    Raises
    ------
    MapError
        Naming the file, the line and the remedy; all faults at once.
    """
    head = _head(path)
    beside = path.parent / head.points
    if beside.resolve().parent != path.parent.resolve():
        raise MapError(f"{path}: points = {head.points!r} must name a file beside it.")
    rows = _rows(beside, head)
    faults: list[str] = []
    speed_lines = _speed_lines(rows, faults)
    surge, choke = _edges(rows, speed_lines, faults)
    contours = _contours(rows, _outline(speed_lines, surge, choke), faults)
    if not speed_lines and not contours:
        faults.append("there is no speed line and no efficiency contour")
    if surge is not None and choke is not None:
        faults += _crossings(surge, choke)
    if faults or surge is None or choke is None:
        told = "\n".join(f"  {fault}" for fault in faults)
        raise MapError(f"{beside} is no compressor map yet:\n{told}\nMend these and try again.")
    return CompressorMap(
        name=head.name,
        source=head.source,
        reference=Reference(head.reference_temperature_k, head.reference_pressure_kpa * 1e3),
        speed_lines=speed_lines,
        surge=surge,
        choke=choke,
        contours=contours,
        flow_error=head.flow_error_percent / 100.0,
        ratio_error=head.ratio_error_percent / 100.0,
    )


def _head(path: Path) -> Head:
    try:
        return Head.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise MapError(f"{path} cannot be read: {error.strerror}. Check compressor_map.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise MapError(f"{path} is not valid TOML: {error}. Mend that line.") from None
    except ValidationError as error:
        told = "\n".join(
            f"  {'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}"
            for fault in error.errors()
        )
        raise MapError(
            f"{path} is no head of a compressor map:\n{told}\nReference conditions must be those "
            "printed on the map; maps on common references differ by 3 to 8 % in flow."
        ) from None


_Row = dict[str, float]


def _rows(path: Path, head: Head) -> dict[tuple[str, str], list[_Row]]:
    """Points by kind and line, in the order of the file, in kg/s and rpm."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise MapError(f"{path} cannot be read: {error}.") from None
    reader = csv.DictReader(text.splitlines())
    missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        raise MapError(
            f"{path} has no column {', '.join(missing)}; its first line must name "
            f"{','.join(COLUMNS)}."
        )
    rows: dict[tuple[str, str], list[_Row]] = defaultdict(list)
    faults = []
    for number, raw in enumerate(reader, start=2):
        kind = (raw["kind"] or "").strip()
        if kind not in KINDS:
            faults.append(f"line {number}: kind {kind!r} is none of {', '.join(KINDS)}")
            continue
        try:
            row = {name: _number(raw[name]) for name in COLUMNS[2:]}
        except ValueError as error:
            faults.append(f"line {number}: {error}")
            continue
        row["corrected_flow"] *= FLOW_UNITS[head.flow_unit]
        row["shaft_speed"] *= SPEED_UNITS[head.speed_unit]
        if not (row["corrected_flow"] > 0 and row["pressure_ratio"] >= 1):
            faults.append(f"line {number}: flow must be over 0 and the pressure ratio at least 1")
        rows[kind, (raw["line"] or "").strip()].append(row)
    if faults:
        told = "\n".join(f"  {fault}" for fault in faults[:20])
        raise MapError(f"{path} cannot be used:\n{told}")
    return rows


def _number(text: str | None) -> float:
    """Read a number; an empty cell is not known."""
    if text is None or not text.strip():
        return math.nan
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a number")
    return value


def _column(rows: Sequence[_Row], name: str) -> FloatArray:
    return np.array([row[name] for row in rows], dtype=np.float64)


def _speed_lines(
    rows: dict[tuple[str, str], list[_Row]], faults: list[str]
) -> tuple[SpeedLine, ...]:
    lines = []
    for (kind, name), points in rows.items():
        if kind != "speed_line":
            continue
        if len(points) < 4:
            faults.append(f"speed line {name!r} has {len(points)} points; give at least 4")
            continue
        lines.append(_speed_line(name, points, faults))
    lines.sort(key=lambda line: line.speed)
    faults += _disorder(lines)
    return tuple(lines)


def _speed_line(name: str, points: Sequence[_Row], faults: list[str]) -> SpeedLine:
    flow, ratio = _column(points, "corrected_flow"), _column(points, "pressure_ratio")
    efficiency, speed = _column(points, "efficiency"), _column(points, "shaft_speed")
    if (np.diff(flow) <= 0).any():
        faults.append(f"speed line {name!r}: flow must rise from surge to choke")
    if not (np.isfinite(speed).all() and np.ptp(speed) == 0.0):
        faults.append(f"speed line {name!r}: every point must give the same shaft speed")
    known = np.isfinite(efficiency)
    if known.any() and not known.all():
        faults.append(f"speed line {name!r}: give the efficiency of all its points or of none")
    low, high = EFFICIENCIES
    if not ((efficiency[known] >= low) & (efficiency[known] <= high)).all():
        faults.append(f"speed line {name!r}: efficiency must lie between {low} and {high}")
    return SpeedLine(float(speed[0]), flow, ratio, efficiency if known.all() else None)


def _disorder(lines: Sequence[SpeedLine]) -> list[str]:
    faults = []
    for lower, upper in itertools.pairwise(lines):
        if upper.speed == lower.speed:
            faults.append(f"two speed lines have {upper.speed:.0f} rpm; give them one name")
        elif upper.ratio[0] <= lower.ratio[0] or upper.flow[-1] <= lower.flow[-1]:
            faults.append(
                f"the speed lines of {lower.speed:.0f} and {upper.speed:.0f} rpm are out of order: "
                "the faster one must start at more pressure and end at more flow"
            )
    return faults


def _edges(
    rows: dict[tuple[str, str], list[_Row]], lines: Sequence[SpeedLine], faults: list[str]
) -> tuple[Line | None, Line | None]:
    """Surge and choke lines as given, else the ends of the speed lines."""
    edges: list[Line | None] = []
    for kind, end in (("surge", 0), ("choke", -1)):
        given = [points for (found, _), points in rows.items() if found == kind]
        if len(given) > 1:
            faults.append(f"there are {len(given)} {kind} lines; give one")
        if given:
            flow = _column(given[0], "corrected_flow")
            ratio = _column(given[0], "pressure_ratio")
        else:
            flow = np.array([line.flow[end] for line in lines], dtype=np.float64)
            ratio = np.array([line.ratio[end] for line in lines], dtype=np.float64)
        if flow.size < 2:
            faults.append(f"the {kind} line needs two points, or the map two speed lines")
            edges.append(None)
            continue
        order = np.argsort(ratio)
        line = Line(flow[order], ratio[order])
        if (np.diff(line.ratio) <= 0).any() or (np.diff(line.flow) <= 0).any():
            faults.append(f"the {kind} line must rise in both flow and pressure ratio")
            edges.append(None)
            continue
        edges.append(line)
    return edges[0], edges[1]


def _outline(lines: Sequence[SpeedLine], surge: Line | None, choke: Line | None) -> FloatArray:
    """Edge of the map as corners in order; empty where it is not known."""
    if surge is None or choke is None:
        return np.empty((0, 2))
    edges: list[tuple[FloatArray, FloatArray]] = [(surge.flow, surge.ratio)]
    edges += [(line.flow, line.ratio) for line in lines[-1:]]
    edges.append((choke.flow[::-1], choke.ratio[::-1]))
    edges += [(line.flow[::-1], line.ratio[::-1]) for line in lines[:1]]
    corners = np.concatenate([np.column_stack(edge) for edge in edges])
    return np.asarray(corners, dtype=np.float64)


def _from_edge(outline: FloatArray, flow: float, ratio: float) -> float:
    """Distance of a point from the map's edge, in the map's widths."""
    if not outline.size:
        return math.inf
    width = np.ptp(outline, axis=0)
    start, end = outline / width, np.roll(outline, -1, axis=0) / width
    along = end - start
    point = np.array([flow, ratio]) / width
    length = np.maximum((along**2).sum(axis=1), 1e-12)
    share = np.clip(((point - start) * along).sum(axis=1) / length, 0.0, 1.0)
    return float(np.sqrt((((start + share[:, None] * along) - point) ** 2).sum(axis=1)).min())


def _contours(
    rows: dict[tuple[str, str], list[_Row]], outline: FloatArray, faults: list[str]
) -> tuple[Line, ...]:
    contours = []
    for (kind, name), points in rows.items():
        if kind != "efficiency":
            continue
        flow, ratio = _column(points, "corrected_flow"), _column(points, "pressure_ratio")
        level = _column(points, "efficiency")
        if not (np.isfinite(level).all() and np.ptp(level) == 0.0):
            faults.append(f"contour {name!r}: every point must give the same efficiency")
        elif not EFFICIENCIES[0] <= level[0] <= EFFICIENCIES[1]:
            faults.append(f"contour {name!r}: {level[0]} is no efficiency; 0.70 is 70 %")
        apart = np.hypot(
            (flow[-1] - flow[0]) / max(np.ptp(flow), 1e-9),
            (ratio[-1] - ratio[0]) / max(np.ptp(ratio), 1e-9),
        )
        cut = all(_from_edge(outline, flow[end], ratio[end]) <= CLOSED for end in (0, -1))
        if flow.size < 4 or (apart > CLOSED and not cut):
            faults.append(
                f"contour {name!r} is not closed: repeat its first point at the end, or let both "
                "ends lie on the map's edge"
            )
        contours.append(Line(flow, ratio, float(level[0])))
    return tuple(sorted(contours, key=lambda line: line.level))


def _crossings(surge: Line, choke: Line) -> list[str]:
    low = max(surge.ratio[0], choke.ratio[0])
    high = min(surge.ratio[-1], choke.ratio[-1])
    if high <= low:
        return ["surge and choke line have no pressure ratio in common"]
    common = np.linspace(low, high, 50)
    left = PchipInterpolator(surge.ratio, surge.flow)(common)
    right = PchipInterpolator(choke.ratio, choke.flow)(common)
    if (left >= right).any():
        at = common[np.argmax(left >= right)]
        return [f"the surge line is not left of the choke line at a pressure ratio of {at:.2f}"]
    return []

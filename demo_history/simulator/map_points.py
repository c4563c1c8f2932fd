"""The invented compressor map as points, for whoever wants to draw a pull on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from demo_history.simulator import engine as parts

if TYPE_CHECKING:
    from pathlib import Path

    from demo_history.simulator.engine import Array, Engine

SPEEDS = (0.35, 0.50, 0.62, 0.72, 0.82, 0.91, 1.0)
LEVELS = (0.66, 0.70, 0.73, 0.75)
CHOKE = 0.90
"""Where the map ends, as a share of the flow at which there is no head left."""
FEWEST_POINTS = 8
"""Shorter pieces of a contour are not worth drawing."""

Row = tuple[str, str, float, float, float, float]
"""Line's kind and name, corrected flow [kg/s], pressure ratio, efficiency, speed [rpm]."""


def pressure_ratio(engine: Engine, flow: Array, speed: Array) -> Array:
    """Total pressure ratio of the map at corrected flow and relative speed."""
    head = parts.compressor_head(engine, flow, speed)
    return np.asarray((1.0 + head / (parts.CP_AIR * parts.MAP_TEMPERATURE)) ** (1.0 / parts.KAPPA))


def efficiency(engine: Engine, flow: Array, speed: Array) -> Array:
    """Isentropic efficiency of the map at corrected flow and relative speed."""
    head = parts.compressor_head(engine, flow, speed)
    return np.asarray(head / parts.compressor_work(engine, flow, speed))


def _row(engine: Engine, kind: str, name: str, flow: float, speed: float) -> Row:
    f, n = np.array([flow]), np.array([speed])
    rpm = speed * float(engine.compressor_speed)
    return (
        kind,
        name,
        flow,
        float(pressure_ratio(engine, f, n)[0]),
        float(efficiency(engine, f, n)[0]),
        rpm,
    )


def points(engine: Engine) -> list[Row]:
    """Speed lines, surge line, choke line and efficiency contours of an engine's compressor."""
    rows: list[Row] = []
    choke = float(engine.compressor_flow)
    for speed in SPEEDS:
        start = float(parts.surge_flow(engine, speed))
        name = f"{speed * float(engine.compressor_speed) / 1e3:.0f}k"
        flows = np.linspace(start, CHOKE * choke * speed, 13)
        rows += [_row(engine, "speed_line", name, float(flow), speed) for flow in flows]
    rows += [_row(engine, "surge", "surge", float(parts.surge_flow(engine, n)), n) for n in SPEEDS]
    rows += [_row(engine, "choke", "choke", CHOKE * choke * n, n) for n in SPEEDS]
    for level in LEVELS:
        rows += _contour(engine, level)
    return rows


def _contour(engine: Engine, level: float) -> list[Row]:
    """Return the lines of one efficiency: closed, or open where they leave the map at its edge."""
    speeds = np.linspace(SPEEDS[0], SPEEDS[-1], 400)
    phi = np.linspace(0.0, 1.0, 2001)
    left: list[tuple[float, float] | None] = []
    right: list[tuple[float, float] | None] = []
    shown: list[float] = []
    choke = float(engine.compressor_flow)
    for speed in speeds:
        low = float(parts.surge_flow(engine, speed)) / (choke * speed)
        grid = low + (CHOKE - low) * phi
        eta = efficiency(engine, grid * choke * speed, np.full(len(grid), speed))
        good = np.flatnonzero(eta >= level)
        if not good.size:
            continue
        first, last = good[0], good[-1]
        flows = grid * choke * speed
        # None: there the efficiency is still higher at the surge or choke line
        left.append((float(flows[first]), float(speed)) if first > 0 else None)
        right.append((float(flows[last]), float(speed)) if last < len(grid) - 1 else None)
        shown.append(float(speed))
    if not left:
        return []
    # up the left side and down the right one; the ends join unless the map's own end cuts them
    over = [None] if shown[-1] == speeds[-1] else []
    under = [None] if shown[0] == speeds[0] else []
    ring = [*left, *over, *right[::-1], *under]
    out = []
    for number, arc in enumerate(_arcs(ring)):
        name = f"{level:.2f}" if number == 0 else f"{level:.2f} {number + 1}"
        pick = np.unique(np.linspace(0, len(arc) - 1, 24).round().astype(int))
        for flow, speed in (arc[i] for i in pick):
            row = _row(engine, "efficiency", name, flow, speed)
            out.append((*row[:4], level, row[5]))
    return out


def _arcs(ring: list[tuple[float, float] | None]) -> list[list[tuple[float, float]]]:
    """Cut a ring at its gaps; without any, repeat the first point at the end."""
    if None not in ring:
        whole = [point for point in ring if point is not None]
        return [[*whole, whole[0]]]
    start = ring.index(None)
    arcs: list[list[tuple[float, float]]] = [[]]
    for point in [*ring[start:], *ring[:start]]:
        if point is None:
            arcs.append([])
        else:
            arcs[-1].append(point)
    return [arc for arc in arcs if len(arc) >= FEWEST_POINTS]


def write_map(engine: Engine, stem: Path) -> None:
    """Write ``stem``.csv with the points and ``stem``.toml with what they refer to."""
    lines = ["kind,line,corrected_flow,pressure_ratio,efficiency,shaft_speed"]
    lines += [
        f"{kind},{name},{flow:.5f},{ratio:.4f},{eta:.4f},{rpm:.0f}"
        for kind, name, flow, ratio, eta, rpm in points(engine)
    ]
    stem.with_suffix(".csv").write_bytes(("\n".join(lines) + "\n").encode("utf-8"))
    head = (
        "# Head of the invented compressor map of the demo's vehicle marmot; made by make.py.\n"
        'name = "invented compressor for a 2.5-litre diesel"\n'
        'source = "analytic map of demo_history/simulator/engine.py; no real compressor is meant"\n'
        'points = "compressor_map.csv"\n'
        f"reference_temperature_k = {parts.MAP_TEMPERATURE}\n"
        f"reference_pressure_kpa = {parts.MAP_PRESSURE / 1e3}\n"
        'flow_unit = "kg/s"\n'
        'speed_unit = "rpm"\n'
    )
    stem.with_suffix(".toml").write_bytes(head.encode("utf-8"))

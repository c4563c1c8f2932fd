"""Where and how a drive goes: routes over time, and the vehicle around the engine."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array, Value

STEP = 0.2
"""Integration step of a drive. [s]"""
FREE, PULL, TOP_GEAR = 0, 1, 2
"""What the driver does: drives as he likes; full load in top gear; waits for it in top gear."""
ROUTES = ("town", "country", "motorway", "mountain")
GEAR_STEPS = np.array([4.55, 2.55, 1.62, 1.20, 1.0])
"""Engine speed in a gear over that in top gear."""


@dataclass(frozen=True)
class Chassis:
    """The vehicle; every field is a float or an (n,) array."""

    mass: Value = 2250.0  # kg
    drag_area: Value = 1.15  # m², drag coefficient times frontal area
    rolling: Value = 0.013
    top_gear: Value = 88.0  # rpm per m/s
    driveline: Value = 0.91  # efficiency
    coolant_heat: Value = 62e3  # J/K, of the engine and its coolant


def stack_chassis(chassis: list[Chassis]) -> Chassis:
    """Many vehicles as one whose fields are (n,) arrays."""
    names = [f.name for f in fields(Chassis)]
    return Chassis(**{n: np.array([float(getattr(c, n)) for c in chassis]) for n in names})


class Plan(NamedTuple):
    """A drive as the road and the driver want it, on steps of :data:`STEP` seconds."""

    speed: Array  # wanted [m/s], (steps,)
    gradient: Array  # rise over run, (steps,)
    mode: npt.NDArray[np.int8]  # FREE, PULL or TOP_GEAR
    engine_on: float  # s
    engine_off: float  # s


Segment = tuple[float, float, float, int]
"""Seconds, km/h, gradient in percent, mode."""


def plan(rng: np.random.Generator, route: str, seconds: float, *, pulls: int = 0) -> Plan:
    """Make up a drive of ``seconds`` from first to last row.

    Parameters
    ----------
    route : str
        One of :data:`ROUTES`.
    pulls : int
        How many full-load accelerations in top gear from 60 to 100 km/h it holds, near its end,
        on a level stretch.
    """
    on = float(rng.uniform(8.0, 15.0))
    off = seconds - float(rng.uniform(9.0, 16.0))
    idle_before, idle_after = float(rng.uniform(9.0, 22.0)), float(rng.uniform(10.0, 20.0))
    ending: list[Segment] = []
    for _ in range(pulls):
        ending += [(22.0, 58.0, 0.0, TOP_GEAR), (34.0, 104.0, 0.0, PULL), (8.0, 80.0, 0.0, FREE)]
    ending += [(12.0, 40.0, 0.0, FREE), (12.0, 0.0, 0.0, FREE)]
    room = off - on - idle_before - idle_after - sum(s[0] for s in ending)
    segments = [*_segments(rng, route, room), *ending]
    return _on_grid(segments, seconds, on + idle_before, (on, off))


def _segments(rng: np.random.Generator, route: str, room: float) -> list[Segment]:
    make = {"town": _town, "country": _country, "motorway": _motorway, "mountain": _mountain}[route]
    out: list[Segment] = []
    used = 0.0
    while used < room:
        for segment in make(rng, used / room):
            length = min(segment[0], room - used)
            if length > 0.0:
                out.append((length, *segment[1:]))
                used += length
    return out


def _town(rng: np.random.Generator, _: float) -> list[Segment]:
    return [
        (
            float(rng.uniform(22, 45)),
            float(rng.choice([32.0, 42.0, 50.0, 55.0])),
            float(rng.normal(0, 0.8)),
            FREE,
        ),
        (float(rng.uniform(14, 26)), float(rng.choice([0.0, 0.0, 28.0])), 0.0, FREE),
    ]


def _country(rng: np.random.Generator, _: float) -> list[Segment]:
    return [
        (float(rng.uniform(38, 75)), float(rng.uniform(68, 98)), float(rng.normal(0, 1.6)), FREE),
        (float(rng.uniform(30, 60)), float(rng.uniform(60, 90)), float(rng.normal(0, 2.2)), FREE),
        (float(rng.uniform(22, 34)), float(rng.uniform(45, 55)), float(rng.normal(0, 0.8)), FREE),
    ]


def _motorway(rng: np.random.Generator, done: float) -> list[Segment]:
    if done < 0.12:
        return [(25.0, 50.0, 0.0, FREE), (22.0, 80.0, 0.5, FREE)]
    return [
        (float(rng.uniform(45, 85)), float(rng.uniform(96, 124)), float(rng.normal(0, 1.2)), FREE)
    ]


def _mountain(rng: np.random.Generator, done: float) -> list[Segment]:
    if done < 0.12:
        return [(22.0, 50.0, 0.5, FREE), (22.0, 68.0, 2.0, FREE)]
    if done < 0.62:
        grade = float(rng.uniform(4.0, 8.8))
        return [
            (float(rng.uniform(40, 65)), float(rng.uniform(46, 74)), grade, FREE),
            (float(rng.uniform(6, 11)), float(rng.uniform(24, 34)), grade, FREE),
        ]
    return [
        (float(rng.uniform(30, 55)), float(rng.uniform(42, 62)), float(rng.uniform(-8, -3)), FREE),
        (float(rng.uniform(20, 30)), float(rng.uniform(55, 78)), float(rng.uniform(-1, 2)), FREE),
    ]


def _on_grid(
    segments: list[Segment], seconds: float, start: float, engine: tuple[float, float]
) -> Plan:
    steps = round(seconds / STEP)
    time = np.arange(steps) * STEP
    edges = start + np.concatenate([[0.0], np.cumsum([s[0] for s in segments])])
    which = np.searchsorted(edges, time, side="right") - 1
    inside = (which >= 0) & (which < len(segments))
    which = np.clip(which, 0, len(segments) - 1)
    speed = np.where(inside, np.array([s[1] for s in segments])[which] / 3.6, 0.0)
    gradient = np.where(inside, np.array([s[2] for s in segments])[which] / 100.0, 0.0)
    mode = np.where(inside, np.array([s[3] for s in segments])[which], FREE).astype(np.int8)
    width = round(5.0 / STEP)
    padded = np.concatenate([np.full(width, gradient[0]), gradient])
    total = np.cumsum(padded)
    smoothed = (total[width:] - total[:-width]) / width
    return Plan(speed, smoothed, mode, *engine)


def stack_plans(plans: list[Plan]) -> Plan:
    """Set many drives side by side; the shorter ones end standing still with the engine off.

    Returns
    -------
    Plan
        ``speed``, ``gradient`` and ``mode`` are (n, steps); its engine times are of the last drive
        and of no use: take them from ``plans``.
    """
    steps = max(len(p.speed) for p in plans)
    shape = (len(plans), steps)
    speed, gradient, mode = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=np.int8)
    for i, one in enumerate(plans):
        length = len(one.speed)
        speed[i, :length], gradient[i, :length] = one.speed, one.gradient
        mode[i, :length] = one.mode
    return Plan(speed, gradient, mode, plans[-1].engine_on, plans[-1].engine_off)

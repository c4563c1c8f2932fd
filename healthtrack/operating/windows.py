"""Steady operating points of the warm engine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.operating.demand import FULL_LOAD_PERCENT, FULL_PEDAL, pedal_rest
from healthtrack.operating.grid import (
    STEP,
    Grid,
    by_drive,
    fresh_statistics,
    make_grid,
    rolling_mean_sd,
    runs_of,
    unbroken,
)
from healthtrack.operating.layout import empty_windows, frame_of, stacked, stretch_means
from healthtrack.operating.standing import standing_pressure
from healthtrack.records import Loss, Windows

if TYPE_CHECKING:
    from collections.abc import Iterable

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.config import VehicleSettings

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What counts as steady.

    Parameters
    ----------
    points : int
        Length of the window in common times.
    speed : float
        Largest standard deviation of engine speed over its mean.
    pressure : float
        Largest standard deviation of manifold pressure over its mean.
    flow : float
        Largest standard deviation of air per revolution over its mean.
    pedal : float
        Largest standard deviation of the pedal. [%]
    fresh : int
        Fewest fresh values of each essential channel.
    """

    points: int
    speed: float
    pressure: float
    flow: float
    pedal: float
    fresh: int


STEADY = Steadiness(points=12, speed=0.02, pressure=0.03, flow=0.05, pedal=2.0, fresh=4)
"""Six seconds: seven fresh values of each channel at 0.90 s polling, and longer than the second or
two in which a turbocharger settles. Measured on the open logs (38 drives of a real car): ten
seconds left a third as many steady windows at high boost (66 for 220), four seconds gave more of
a larger spread (0.9 % for 0.8 %); tighter limits (1, 1.5, 3 %) halved their number, looser ones
(3, 4, 8 %) raised the scatter between drives there from under 0.3 % to 0.6 %."""

QUASI_STEADY = Steadiness(points=6, speed=0.045, pressure=0.03, flow=0.04, pedal=4.0, fresh=3)
"""Three seconds of a full-load acceleration: boost has settled, speed still rises (at most about
5 % a second). Such windows are where exhaust gas recirculation does not blur the airflow; on the
open logs they double the windows there, with a spread of 1.0 % for the steady ones' 0.8 %."""

WARM_COOLANT = 70.0
"""Coolant from which an engine counts as warm: thermostats of road diesels open at 80 to 90 °C, and
recirculation and injection leave their warm-up settings below that. On the open logs 80 or 85 °C
lost windows and changed no scatter. [°C]"""

WARM_AFTER = 900.0
"""Running time after which an engine without a coolant sensor counts as warm. [s]"""

TURNING = 400.0
"""Engine speed under which the engine is not running on its own. [rpm]"""

BOOSTED = 1.5
"""Manifold over ambient pressure from which a rising engine speed is a full-load acceleration."""

FULL_LOAD_PRESSURE_RATIO = 1.9
"""Manifold over ambient pressure that stands for full load where neither load nor pedal is logged:
stock boost is commonly held near 2 (common practice, no source)."""

REASONS = ("engine_off", "missing_channel", "gap", "cold", "overrun", "unsteady")
"""Why time gave no window, in the order in which the first that holds is counted."""


def find_windows(samples: pl.DataFrame, vehicle: VehicleSettings) -> Windows:  # noqa: ARG001
    """Find the steady operating points of the warm engine.

    Channels are brought to common times first (:mod:`healthtrack.operating.grid`), so that two
    channels are never compared across the delay between their polls.

    Parameters
    ----------
    samples : polars.DataFrame
        ``samples`` of :mod:`healthtrack.records`, one or many drives.
    vehicle : VehicleSettings
        The vehicle's settings.

    Returns
    -------
    Windows
        ``frame`` as described in :mod:`healthtrack.records`. ``losses`` count the time that gave
        no window, in windows' lengths (6 s), under :data:`REASONS`.
    """
    return windows_in(make_grid(drive, rows) for drive, rows in by_drive(samples))


def windows_in(grids: Iterable[Grid]) -> Windows:
    """Find the windows of drives that are already on common times; see :func:`find_windows`."""
    frames: list[pl.DataFrame] = []
    lost: dict[tuple[str, str | None], float] = {}
    for grid in grids:
        frame, reasons = _windows_of(grid)
        frames.append(frame)
        for key, seconds in reasons.items():
            lost[key] = lost.get(key, 0.0) + seconds
    length = STEADY.points * STEP
    losses = tuple(
        Loss(reason, max(1, round(seconds / length)), channel)
        for (reason, channel), seconds in sorted(lost.items(), key=lambda item: str(item[0]))
        if seconds >= length / 2
    )
    return Windows(stacked(frames, empty_windows()), losses)


def essential_channels(grid: Grid) -> tuple[str, ...] | None:
    """Channels without which a moment of this drive is no operating point; None if impossible."""
    flows = tuple(name for name in ("manifold_pressure", "airflow") if name in grid.fresh)
    if "engine_speed" not in grid.fresh or not flows:
        return None
    return ("engine_speed", *flows)


def _windows_of(grid: Grid) -> tuple[pl.DataFrame, dict[tuple[str, str | None], float]]:
    total = grid.times.size * STEP
    essential = essential_channels(grid)
    if essential is None:
        absent = "engine_speed" if "engine_speed" not in grid.fresh else "manifold_pressure"
        return empty_windows(), {("missing_channel", absent): total}
    standing = standing_pressure(grid)
    usable, reasons = _usable(grid, essential, standing)
    starts, points = _choose(grid, usable, standing)
    begin = grid.times[starts]
    finish = begin + points * STEP
    enough = np.ones(starts.size, dtype=bool)
    fewest = np.where(points == STEADY.points, STEADY.fresh, QUASI_STEADY.fresh)
    for name in essential:
        enough &= fresh_statistics(grid.fresh[name], begin, finish)[0] >= fewest
    starts, points = starts[enough], points[enough]
    covered = float(points.sum()) * STEP
    unsteady = usable.sum() * STEP - covered
    if unsteady > 0:
        reasons[("unsteady", None)] = unsteady
    regions = _regions(grid, starts, points, standing)
    return frame_of(grid, starts, points, regions, standing), reasons


def _usable(
    grid: Grid, essential: tuple[str, ...], standing: float | None
) -> tuple[BoolArray, dict[tuple[str, str | None], float]]:
    """Tell when a warm, fuelled engine ran, and the seconds lost per reason."""
    speed = grid.channel("engine_speed")
    left = np.ones(grid.times.size, dtype=bool)
    reasons: dict[tuple[str, str | None], float] = {}
    gap = np.zeros(grid.times.size, dtype=bool)
    for name in essential:
        gap |= ~np.isfinite(grid.on_grid[name])
    for reason, mask in (
        ("engine_off", speed < TURNING),
        ("gap", gap),
        ("cold", _cold(grid, speed)),
        ("overrun", _overrun(grid, standing)),
    ):
        hit = left & mask
        if hit.any():
            reasons[(reason, None)] = float(hit.sum()) * STEP
        left &= ~mask
    return left, reasons


def _cold(grid: Grid, speed: FloatArray) -> BoolArray:
    if "coolant_temperature" in grid.fresh:
        coolant = grid.channel("coolant_temperature")
        return np.asarray(~(coolant >= WARM_COOLANT))
    running = np.cumsum(np.where(speed >= TURNING, STEP, 0.0))
    return np.asarray(running < WARM_AFTER)


def _overrun(grid: Grid, standing: float | None) -> BoolArray:
    """Fuel cut: told by the fuel, else by a released pedal without boost while driving.

    A released pedal alone is not overrun: under cruise control it is released at any load.
    """
    if "fuel_per_stroke" in grid.fresh:
        return np.asarray(grid.channel("fuel_per_stroke") < 0.5)
    if "fuel_flow" in grid.fresh:
        return np.asarray(grid.channel("fuel_flow") < 0.02)
    if "pedal" not in grid.fresh or "vehicle_speed" not in grid.fresh:
        return np.zeros(grid.times.size, dtype=bool)
    released = grid.channel("pedal") <= pedal_rest(grid) + 1.0
    driving = grid.channel("vehicle_speed") > 5.0
    mask = released & driving
    if "manifold_pressure" in grid.fresh:
        mask &= grid.channel("manifold_pressure") < 1.1 * (standing or 100.0)
    return np.asarray(mask)


def _choose(grid: Grid, usable: BoolArray, standing: float | None) -> tuple[IntArray, IntArray]:
    """Pick starts and lengths of windows that do not overlap, in order of time."""
    steady = _steady(grid, usable, STEADY)
    chosen = _one_after_another(steady, STEADY.points)
    taken = np.zeros(grid.times.size + 1, dtype=np.int64)
    np.add.at(taken, chosen, 1)
    np.add.at(taken, chosen + STEADY.points, -1)
    free = usable & (np.cumsum(taken)[:-1] == 0)
    rising = _steady(grid, free, QUASI_STEADY) & _accelerating(grid, standing)
    extra = _one_after_another(rising, QUASI_STEADY.points)
    starts = np.concatenate((chosen, extra))
    points = np.concatenate(
        (np.full(chosen.size, STEADY.points), np.full(extra.size, QUASI_STEADY.points))
    )
    order = np.argsort(starts)
    return starts[order], points[order]


def _steady(grid: Grid, usable: BoolArray, rule: Steadiness) -> BoolArray:
    ok = unbroken(grid, rule.points) & runs_of(usable, rule.points)
    speed = grid.channel("engine_speed")
    relative = [("engine_speed", speed, rule.speed)]
    if "manifold_pressure" in grid.fresh:
        relative.append(("pressure", grid.channel("manifold_pressure"), rule.pressure))
    if "airflow" in grid.fresh:
        with np.errstate(divide="ignore", invalid="ignore"):
            relative.append(("flow", grid.channel("airflow") / speed, rule.flow))
    for _, values, limit in relative:
        mean, spread = rolling_mean_sd(values, rule.points)
        ok &= spread <= limit * mean
    if "pedal" in grid.fresh:
        _, spread = rolling_mean_sd(grid.channel("pedal"), rule.points)
        ok &= ~(spread > rule.pedal)
    return ok


def _accelerating(grid: Grid, standing: float | None) -> BoolArray:
    """Boosted, and faster in the second half of the window than in the first."""
    half = QUASI_STEADY.points // 2
    if "manifold_pressure" not in grid.fresh or grid.times.size <= half:
        return np.zeros(grid.times.size, dtype=bool)
    pressure, _ = rolling_mean_sd(grid.channel("manifold_pressure"), QUASI_STEADY.points)
    speed, _ = rolling_mean_sd(grid.channel("engine_speed"), half)
    later = np.full(speed.size, np.nan)
    later[: speed.size - half] = speed[half:]
    return np.asarray((pressure >= BOOSTED * (standing or 100.0)) & (later > speed))


def _one_after_another(ok: BoolArray, length: int) -> IntArray:
    """Earliest starts that leave no two stretches of ``length`` overlapping."""
    candidates = np.flatnonzero(ok)
    behind = np.searchsorted(candidates, candidates + length).tolist()
    chosen: list[int] = []
    place = 0
    while place < len(behind):
        chosen.append(place)
        place = behind[place]
    return candidates[chosen].astype(np.int64)


def _regions(grid: Grid, starts: IntArray, points: IntArray, standing: float | None) -> list[str]:
    """Name each window's region: idle (standing, pedal released), full load, else part load."""
    load, pedal, road, pressure, speed = (
        stretch_means(grid.channel(name), starts, points)
        for name in ("load", "pedal", "vehicle_speed", "manifold_pressure", "engine_speed")
    )
    rest = pedal_rest(grid) if "pedal" in grid.fresh else 0.0
    idle = (speed < 1100.0) & ~(road > 1.0) & ~(pedal > rest + 2.0)
    travel = (pedal - rest) / (100.0 - rest)
    full = np.where(
        np.isfinite(load),
        load >= FULL_LOAD_PERCENT,
        np.where(
            np.isfinite(pedal),
            travel >= FULL_PEDAL,
            pressure >= FULL_LOAD_PRESSURE_RATIO * (standing or 100.0),
        ),
    )
    names: list[str] = np.where(idle, "idle", np.where(full, "full_load", "part_load")).tolist()
    return names

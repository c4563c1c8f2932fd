"""Pulls: full-load accelerations in one gear, found in any drive, and the near misses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.operating.demand import demand_channel, full_demand
from healthtrack.operating.grid import Grid, fresh_statistics, make_grid
from healthtrack.operating.pull_figures import PULL_SCHEMA, figures
from healthtrack.operating.standing import stretches
from healthtrack.operating.windows import WARM_COOLANT, essential_channels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.config import VehicleSettings
    from healthtrack.operating.grid import FloatArray

    BoolArray = NDArray[np.bool_]

STEP = 0.1
"""Spacing of the common times in which pulls are looked for. [s]"""

LEAST_SECONDS = 2.5
"""Shortest pull: boost needs a second or two to build. [s]"""

LEAST_RISE = 1.25
"""Engine speed at the end over that at the start, at least."""

LEAST_FRESH = 4
"""Fewest fresh values of engine speed, manifold pressure and airflow each."""

NOTICED_SECONDS, NOTICED_RISE = 1.2, 1.1
"""From here on an acceleration that is no pull is told as a near miss. [s], ratio"""

EASED = 8.0
"""A demand that falls this far under its highest in the pull was eased off: it ends there. [%]"""

MOVING = 10.0
"""Road speed under which the clutch may slip and no gear is told. [km/h]"""

SHIFT = 0.08
"""Change of engine speed over road speed within a second that is another gear: neighbouring gears
are 20 % and more apart, a slipping clutch or a road speed in steps of 1 km/h stays under it."""

REASONS = ("gap", "cold", "shifted", "lifted", "short")
"""Why a near miss was not counted, in the order in which the first that holds is told: channels
were missing; the engine was cold; the gear was changed, or the pedal lifted, before the pull was
long enough; or it was too short or too slowly polled for another reason."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A stretch of full demand in one gear with rising engine speed.

    ``first`` and ``last`` are common times (inclusive) and ``ended`` says how it ended:
    ``shifted``, ``lifted`` or, where neither is known, ``short``.
    """

    first: int
    last: int
    ended: str


def find_pulls(grid: Grid, vehicle: VehicleSettings) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Find the pulls of one drive.

    Parameters
    ----------
    grid : Grid
        The drive on common times :data:`STEP` apart (:func:`pull_grid`).
    vehicle : VehicleSettings
        Mass and drag, for the power.

    Returns
    -------
    tuple of two polars.DataFrame
        ``pulls`` and ``near_misses`` of :mod:`healthtrack.records`.
    """
    rows: list[dict[str, object]] = []
    misses: list[dict[str, object]] = []
    for candidate in candidates(grid):
        start = grid.origin + round(float(grid.times[candidate.first]) * 1e6)
        reason = why_not(grid, candidate)
        if reason is None:
            found = figures(grid, candidate.first, candidate.last, vehicle)
            rows.append({"drive": grid.drive, "t": start} | found)
        else:
            seconds = float(grid.times[candidate.last] - grid.times[candidate.first])
            misses.append({"drive": grid.drive, "t": start, "seconds": seconds, "reason": reason})
    pulls = pl.DataFrame(rows, schema=PULL_SCHEMA, strict=False)
    floats = [name for name, kind in PULL_SCHEMA.items() if kind == pl.Float64]
    return pulls.with_columns(pl.col(floats).fill_nan(None)), pl.DataFrame(
        misses, schema=NEAR_MISS_SCHEMA
    )


NEAR_MISS_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "drive": pl.String,
    "t": pl.Datetime("us", "UTC"),
    "seconds": pl.Float64,
    "reason": pl.String,
}
"""Columns of ``near_misses``."""


def pull_grid(drive: str, rows: pl.DataFrame) -> Grid:
    """Bring one drive's samples to common times fine enough for pulls."""
    return make_grid(drive, rows, STEP)


def candidates(grid: Grid) -> list[Candidate]:
    """Find the stretches of full demand in one gear that are long enough to be noticed."""
    asked = full_demand(grid)
    if asked is None or "engine_speed" not in grid.fresh or "vehicle_speed" not in grid.fresh:
        return []
    ratio = gear_ratio(grid)
    shifting = _shifting(ratio)
    found = []
    for first, length in zip(*stretches(grid, asked & np.isfinite(ratio) & ~shifting), strict=True):
        end = int(first + length - 1)
        last = _eased_off(grid, int(first), end)
        after = min(end + 1, grid.times.size - 1)
        if last < end or not (shifting[end] or shifting[after] or asked[after]):
            ended = "lifted"
        else:
            ended = "shifted" if shifting[end] or shifting[after] else "short"
        candidate = _rising(grid, int(first), last, ended)
        if candidate is not None:
            found.append(candidate)
    return found


def gear_ratio(grid: Grid) -> FloatArray:
    """Engine speed over road speed at the common times, NaN while creeping. [rpm per km/h]."""
    road = grid.channel("vehicle_speed")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(road >= MOVING, grid.channel("engine_speed") / road, np.nan)


def why_not(grid: Grid, candidate: Candidate) -> str | None:
    """Tell why a candidate is no pull; None if it is one."""
    inside = slice(candidate.first, candidate.last + 1)
    essential = essential_channels(grid) or ("engine_speed", "manifold_pressure")
    if any(not np.isfinite(grid.channel(name)[inside]).all() for name in essential):
        return "gap"
    if "coolant_temperature" in grid.fresh:
        coolant = grid.channel("coolant_temperature")[inside]
        if not (coolant >= WARM_COOLANT).any():
            return "cold"
    speed = grid.channel("engine_speed")
    begin, finish = grid.times[candidate.first], grid.times[candidate.last]
    if (
        finish - begin < LEAST_SECONDS
        or speed[candidate.last] < LEAST_RISE * speed[candidate.first]
    ):
        return candidate.ended
    ends = np.array([begin]), np.array([finish + grid.step])
    fewest = min(int(fresh_statistics(grid.fresh[name], *ends)[0][0]) for name in essential)
    return None if fewest >= LEAST_FRESH else "short"


def _shifting(ratio: FloatArray) -> BoolArray:
    """Tell where the gear was being changed: the ratio moved by more than SHIFT within a second."""
    half = round(0.5 / STEP)
    moved = np.zeros(ratio.size, dtype=bool)
    if ratio.size > 2 * half:
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.abs(np.log(ratio[2 * half :] / ratio[: -2 * half]))
        moved[half:-half] = step > SHIFT
    return moved


def _eased_off(grid: Grid, first: int, last: int) -> int:
    """Return the last common time before the demand was eased off, though it stayed high."""
    name = demand_channel(grid)
    asked = grid.channel(str(name))[first : last + 1]
    most = np.maximum.accumulate(asked)
    eased = asked < (most - EASED if name in ("pedal", "load") else most * (1.0 - EASED / 100.0))
    return first + int(np.argmax(eased)) - 1 if eased.any() else last


def _measured_end(grid: Grid, first: int, last: int) -> int:
    """Return the last common time that no value from after the pull bears on.

    Between the last value measured in the pull and the first one after it, interpolation already
    leads down to what came after the pedal was lifted.
    """
    demand = demand_channel(grid)
    end = float(grid.times[last])
    for names in ((demand,), essential_channels(grid) or ("engine_speed",)):
        ends = []
        for name in names:
            fresh = grid.fresh[str(name)].times
            place = int(np.searchsorted(fresh, end, side="right")) - 1
            ends.append(float(fresh[max(place, 0)]))
        end = min(ends)
    place = int(np.searchsorted(grid.times, end + 1e-6, side="right")) - 1
    return min(max(place, first), last)


def _rising(grid: Grid, first: int, last: int, ended: str) -> Candidate | None:
    """Cut a stretch to the part in which engine speed rises, if that is worth a notice."""
    speed = grid.channel("engine_speed")
    measured = _measured_end(grid, first, last)
    top = first + int(np.argmax(speed[first : measured + 1]))
    bottom = first + int(np.argmin(speed[first : top + 1]))
    seconds = grid.times[top] - grid.times[bottom]
    if seconds < NOTICED_SECONDS or speed[top] < NOTICED_RISE * speed[bottom]:
        return None
    return Candidate(bottom, top, ended)

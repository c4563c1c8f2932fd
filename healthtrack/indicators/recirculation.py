"""Whether exhaust gas was recirculated in a window.

Recirculated exhaust takes the place of fresh air, by up to a half at part load. Windows with and
without it are two witnesses and are never mixed. Where no channel tells, the data do: air per
revolution and manifold pressure falls into two separate groups, and above some manifold pressure
only the upper one is left. That pressure is learned from the first drives; windows are then sorted
by *pressure*, so that a fault of the airflow sensor does not decide which windows are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.airpath.gas import GAS_CONSTANT, KELVIN
from healthtrack.indicators.drives import first_drives

if TYPE_CHECKING:
    from collections.abc import Callable

    from healthtrack.config import VehicleSettings

OPEN_VALVE, CLOSED_VALVE = 5.0, 2.0
"""A logged valve counts as open above the one and as closed under the other. [%]"""

REGIONS = ("idle", "part_load_recirculation", "part_load_closed", "part_load", "full_load")
"""Idle; part load with recirculation; part load without (the vehicle has none, or its valve channel
says closed); part load where the channels to tell are lacking; full load, which where the valve has
no channel is all from the pressure at which recirculation stays closed."""

PLATEAU = 0.88
"""Share of the air without recirculation from which a window counts as being without. On the open
logs windows without it reach from 0.93 to 1.05 of their median and those with it from 0.5 to 0.83;
filling varies by some 5 % with engine speed."""

RECIRCULATING = 0.8
"""Share under which a window counts as recirculating at a pressure at which none should: far from
:data:`PLATEAU`, so that a faulty airflow sensor does not choose the windows."""

FEWEST = 50
"""Windows under load that it takes to tell the two groups apart."""

CLEAR = 0.9
"""Share of a slice's windows that must be without recirculation where it counts as closed."""

MIXED = 0.3
"""Share of windows without recirculation from which a slice of pressures under those counts as the
transition: there neither is known, and windows are left out."""

SLICE = 5.0
"""Width of a slice. [kPa]"""

THROTTLED = 5.0
"""An intake throttle that is otherwise parked counts as closing this far from there. [%]"""


@dataclass(frozen=True, slots=True)
class Recirculation:
    """How to tell; see :func:`learn`.

    ``upper`` is the air per revolution and pressure without recirculation [L], ``pressure`` the
    manifold pressure from which there is none [kPa]; infinite if there is at every pressure, 0 if
    there never is; and ``below`` the one under which it is on [kPa]. Between them it is fading.
    """

    upper: float
    pressure: float
    below: float


def with_recirculation(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Replace ``region`` by one of :data:`REGIONS`.

    Windows of which it cannot be told, or in which it was neither, and those with a closing intake
    throttle (particulate filter being burnt clean) are left out.
    """
    windows = windows.filter(_unthrottled(windows))
    if not windows.height:
        return windows
    told = _told(first_drives(windows), vehicle)
    if told is None:
        return windows.clear()
    idle = pl.col("region") == "idle"
    return windows.with_columns(
        region=pl.when(idle).then(pl.col("region")).otherwise(told)
    ).drop_nulls("region")


def learn(early: pl.DataFrame, vehicle: VehicleSettings) -> Recirculation | None:
    """Learn from a vehicle's first windows where recirculation closes.

    Parameters
    ----------
    early : polars.DataFrame
        Windows of the first drives.
    vehicle : VehicleSettings
        Its displacement, where known, guards against a vehicle that never left recirculation.

    Returns
    -------
    Recirculation or None
        None while there are fewer than :data:`FEWEST` windows under load.
    """
    loaded = (
        early.filter(pl.col("region") != "idle")
        .select(pressure="manifold_pressure", air=air_per_revolution())
        .drop_nulls()
        .sort("pressure", descending=True)
    )
    if loaded.height < FEWEST:
        return None
    upper = max(
        _number(loaded.head(max(10, loaded.height // 20))["air"].median()),
        _number(loaded["air"].quantile(0.97)) / 1.04,
    )
    if vehicle.displacement_l is not None:
        upper = max(upper, 0.75 * vehicle.displacement_l)
    if (loaded["air"] < RECIRCULATING * upper).mean() < 0.05:  # type: ignore[operator]
        return Recirculation(upper, 0.0, 0.0)
    fresh = loaded["air"] >= PLATEAU * upper
    top = _number(loaded["pressure"].max()) + 1e-9
    closed = _descend(loaded["pressure"], fresh, top, lambda share: share >= CLEAR)
    if (loaded["pressure"] >= closed).sum() < 5:
        return Recirculation(upper, float("inf"), float("inf"))
    below = _descend(loaded["pressure"], fresh, closed, lambda share: share >= MIXED)
    return Recirculation(upper, closed, below)


def _descend(
    pressure: pl.Series, fresh: pl.Series, edge: float, accepts: Callable[[float], bool]
) -> float:
    """Lower an edge by slices as long as the share of fresh windows in the next is accepted."""
    while edge > _number(pressure.min()):
        inside = fresh.filter((pressure < edge) & (pressure >= edge - SLICE))
        if inside.len() and not accepts(_number(inside.mean())):
            break
        edge -= SLICE
    return edge


def _told(early: pl.DataFrame, vehicle: VehicleSettings) -> pl.Expr | None:
    """Name the region of windows under load, by the valve's channel or else by what was learned."""
    by_load = pl.col("region").replace({"part_load": "part_load_closed"})
    if early["recirculation"].is_not_null().mean() >= 0.5:  # type: ignore[operator]
        valve = pl.col("recirculation")
        return _either(valve <= CLOSED_VALVE, by_load, valve >= OPEN_VALVE)
    if not early["airflow"].count() or not early["manifold_pressure"].count():
        return pl.col("region")
    rule = learn(early, vehicle)
    if rule is None:
        return None
    if rule.pressure == 0.0:
        return by_load
    high = pl.col("manifold_pressure") >= rule.pressure
    low = pl.col("manifold_pressure") < rule.below
    share = air_per_revolution() / rule.upper
    return _either(high & (share >= RECIRCULATING), pl.lit("full_load"), low & (share < PLATEAU))


def _either(without: pl.Expr, name: pl.Expr, recirculated: pl.Expr) -> pl.Expr:
    return pl.when(without).then(name).when(recirculated).then(pl.lit("part_load_recirculation"))


def air_per_revolution() -> pl.Expr:
    """Air drawn per two turns as a volume at manifold pressure and 20 °C. [L]."""
    litres = 120.0 * GAS_CONSTANT * (KELVIN + 20.0) / 1e3
    return litres * pl.col("airflow") / (pl.col("manifold_pressure") * pl.col("engine_speed"))


def _unthrottled(windows: pl.DataFrame) -> pl.Expr:
    """Accept windows whose intake throttle, if it is one that is usually parked, is parked."""
    early = first_drives(windows)["throttle"].drop_nulls()
    if early.len() < FEWEST:
        return pl.lit(value=True)
    low, middle, high = (_number(early.quantile(q)) for q in (0.25, 0.5, 0.75))
    if high - low > THROTTLED / 2:
        return pl.lit(value=True)
    return ((pl.col("throttle") - middle).abs() <= THROTTLED).fill_null(value=True)


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")

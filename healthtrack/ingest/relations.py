"""Trust nothing: physics across channels that tells a log as a whole is not what it says.

What cannot be true is refused (:class:`healthtrack.errors.LogError`, the log goes to quarantine);
what is doubtful but may be a fault worth seeing is only remarked on.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest.swapped import SLOW_S, swinging_share
from healthtrack.ingest.values import held, standard_pressure
from healthtrack.records import Loss
from healthtrack.spread import SD_PER_MAD

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.config import VehicleSettings
    from healthtrack.ingest.values import Source

COMPUTED_SCATTER = 0.008
"""Airflow over speed × density that scatters less was computed from them, not measured.

Steps of 1 kPa alone give 0.3 %; on real logs a measured airflow scatters by 5 % and more against
its speed, because of recirculation, pulsation and the sensors' own noise.
"""

_LEAST_ROWS = 200
_LEAST_FOLLOWING, _CLEARLY_FOLLOWING, _ENOUGH_ROWS = 0.3, 0.6, 500
"""Some hundred rows tell an airflow that follows: at 0.6 the correlation of the whole is over 0.5
(standard error (1 − 0.6²) / √500 = 0.03)."""
_FAR_ROWS = 20
_JUMP_UP, _JUMP_DOWN = 4.0, 5.0
_POWER_OF_TEN = 0.15
"""On the open logs the smoothed ratio never left 0.75 to 1.5 times its median."""

_SLOW = {"coolant_temperature": 8.0, "ambient_temperature": 8.0}
_SLOW_SHARE = 0.1
"""Coolant and outside air do not move so far [K] in ten seconds; a tenth of a log is allowed."""

_AIR_FLOWS, _NEVER_TURNS = 3.0, 400.0  # g/s, rpm
_HOT_INTAKE, _MOVING = 75.0, 40.0  # °C, km/h


def check_gauge(
    frame: pl.DataFrame, found: Sequence[Source], vehicle: VehicleSettings, name: str
) -> None:
    """Refuse a manifold pressure that is gauge where absolute is said, or the reverse.

    With the engine not turning it equals the ambient pressure; near zero it is a gauge pressure,
    near twice the ambient it was absolute already.

    Parameters
    ----------
    frame : frame
        In the store's units, before the ranges are looked at.

    Raises
    ------
    LogError
        ``gauge_or_absolute``.
    """
    source = next((one for one in found if one.channel.name == "manifold_pressure"), None)
    if source is None or "engine_speed" not in frame.columns:
        return
    standing = standing_pressure(frame)
    if standing is None:
        return
    ambient = ambient_pressure(frame, vehicle)
    if not source.unit.gauge and abs(standing) < 0.12 * ambient:
        raise LogError(
            "gauge_or_absolute",
            f"{name}: {source.header!r} reads {standing:.1f} kPa with the engine not turning, "
            f"where an absolute one reads about {ambient:.0f} kPa: it is a gauge pressure. Write "
            "gauge = true under [channels.manifold_pressure] of the pipeline.",
        )
    if source.unit.gauge and abs(standing - 2 * ambient) < 0.12 * ambient:
        raise LogError(
            "gauge_or_absolute",
            f"{name}: {source.header!r} taken as a gauge pressure gives {standing:.0f} kPa with "
            f"the engine not turning, twice the ambient: it is absolute already. Take gauge = true "
            "away under [channels.manifold_pressure] of the pipeline.",
        )


def standing_pressure(frame: pl.DataFrame) -> float | None:
    """Return the median manifold pressure with the engine not turning, or None. [kPa]."""
    slowest = frame["engine_speed"].min()
    if isinstance(slowest, float) and slowest >= 1:
        return None
    both = frame.select("t", "engine_speed", "manifold_pressure")
    standing = both.filter(held(both, "engine_speed", 1.5) < 1)["manifold_pressure"].drop_nulls()
    middle = standing.median() if len(standing) >= 3 else None
    return float(middle) if isinstance(middle, float) else None


def ambient_pressure(frame: pl.DataFrame, vehicle: VehicleSettings) -> float:
    """Return the best known ambient pressure: logged, of the altitude, else 100 kPa."""
    if "ambient_pressure" in frame.columns:
        middle = frame["ambient_pressure"].median()
        if isinstance(middle, float):
            return middle
    return 100.0 if vehicle.altitude_m is None else standard_pressure(vehicle.altitude_m)


def check_slow(frame: pl.DataFrame, name: str) -> None:
    """Refuse a temperature that moves as no temperature does, or an engine that never turns.

    Raises
    ------
    LogError
        ``unrelated``.
    """
    for channel, most in _SLOW.items():
        if channel not in frame.columns:
            continue
        share = swinging_share(frame, channel, most)
        if share > _SLOW_SHARE:
            raise LogError(
                "unrelated",
                f"{name}: the {channel.replace('_', ' ')} moves by more than {most:g} K within "
                f"{SLOW_S:g} s on {100 * share:.0f} % of the log, as no such temperature does: "
                f"the column is another channel. Check column under [channels.{channel}].",
            )
    if {"airflow", "engine_speed"} <= set(frame.columns):
        flow, fastest = frame["airflow"].median(), frame["engine_speed"].quantile(0.95)
        if isinstance(flow, float) and fastest is not None and flow > _AIR_FLOWS:
            if fastest >= _NEVER_TURNS:
                return
            raise LogError(
                "unrelated",
                f"{name}: {flow:.0f} g/s of air flow through an engine that turns at {fastest:.0f} "
                "rpm at most: one of the two columns is another channel. Check column and unit "
                "under [channels.engine_speed] and [channels.airflow].",
            )


def check_hot_intake(frame: pl.DataFrame, found: Sequence[Source], name: str) -> None:
    """Refuse an intake temperature that stays too hot on the road and would fit as °F.

    Raises
    ------
    LogError
        ``wrong_unit``.
    """
    source = next((one for one in found if one.channel.name == "intake_temperature"), None)
    if source is None or "vehicle_speed" not in frame.columns or source.unit.factor != 1.0:
        return
    hottest = frame["intake_temperature"].max()
    if isinstance(hottest, float) and hottest < _HOT_INTAKE:
        return
    both = frame.select("t", "vehicle_speed", "intake_temperature")
    moving = both.filter(held(both, "vehicle_speed", 5.0) > _MOVING)[
        "intake_temperature"
    ].drop_nulls()
    low = moving.quantile(0.1) if len(moving) >= _LEAST_ROWS // 4 else None
    if low is None or low < _HOT_INTAKE:
        return
    raise LogError(
        "wrong_unit",
        f"{name}: {source.header!r}, read in {source.unit_text}, stays over {low:.0f} °C on the "
        "road, hotter than any air box or cooled charge. Units that would fit: °F. Mend unit under "
        "[channels.intake_temperature] of the pipeline.",
    )


def check_following(rows: pl.DataFrame, name: str) -> None:
    """Refuse an airflow that does not follow engine speed × pressure at all.

    Parameters
    ----------
    rows : frame
        As :func:`healthtrack.ingest.plausible.breathing` returns it.
    name : str
        What messages call the file.

    Raises
    ------
    LogError
        ``unrelated``.
    """
    if rows.height < _LEAST_ROWS:
        return
    low, high = (rows["bound"].quantile(q) for q in (0.1, 0.9))
    if low is None or high is None or high < 2 * low:
        return
    some = rows[:: rows.height // _ENOUGH_ROWS + 1]
    if _following(some) > _CLEARLY_FOLLOWING:
        return
    following = _following(rows)
    if math.isnan(following) or following >= _LEAST_FOLLOWING:
        return  # not a number where a channel rests throughout: that is for others to judge
    raise LogError(
        "unrelated",
        f"{name}: the airflow does not follow engine speed × manifold pressure (rank correlation "
        f"{following:.2f}; on a running engine over 0.8): one of the three columns is another "
        "channel, or its sensor is dead. Check their columns in the pipeline.",
    )


def _following(rows: pl.DataFrame) -> float:
    """Return the rank correlation of the airflow with its bound; NaN where one of them rests."""
    found = rows.select(pl.corr("airflow", "bound", method="spearman")).item()
    return math.nan if found is None else float(found)


def check_jumps(rows: pl.DataFrame, name: str) -> None:
    """Refuse an airflow that changes its unit on the way.

    Parameters
    ----------
    rows : frame
        As :func:`healthtrack.ingest.plausible.breathing` returns it, with ``line``.
    name : str
        What messages call the file.

    Raises
    ------
    LogError
        ``unit_jump``, with the line at which it happens.
    """
    if rows.height < _LEAST_ROWS:
        return
    ratio = rows["airflow"] / rows["bound"]
    middle = ratio.median()
    if not isinstance(middle, float) or middle <= 0:
        return
    far = (ratio > _JUMP_UP * middle) | (ratio < middle / _JUMP_DOWN)
    if int(far.sum()) < _FAR_ROWS:
        return
    ratio = ratio.rolling_median(15, center=True)
    far = ((ratio > _JUMP_UP * middle) | (ratio < middle / _JUMP_DOWN)).fill_null(value=False)
    usual, off_level = ratio.filter(~far).median(), ratio.filter(far).median()
    if int(far.sum()) < _FAR_ROWS or not isinstance(usual, float):
        return
    off = float(off_level) / usual if isinstance(off_level, float) else 0.0
    if off <= 0 or abs(math.log10(off) - round(math.log10(off))) > _POWER_OF_TEN:
        return  # a sensor that dies is a fault worth seeing, not a changed unit
    line = int(rows["line"].filter(far)[0])
    raise LogError(
        "unit_jump",
        f"{name}: from about line {line} the airflow is {off:.2g} times what it is in the rest of "
        "the log at the same speed and pressure: the logger changed its unit or its scaling on the "
        "way. Split the log there, or set the logger right.",
    )


def computed_scatter(rows: pl.DataFrame) -> float | None:
    """Return how closely the airflow follows speed × pressure where that tells, else None.

    An airflow that the logger computed leaves a residual of zero by construction, whatever the
    engine does. It is looked for with the temperature in the computation and without.
    """
    if rows.height < _LEAST_ROWS:
        return None
    low, high = (rows["pressure"].quantile(q) for q in (0.05, 0.95))
    if low is None or high is None or high < 1.25 * low:
        return None
    if _roughness(rows) > COMPUTED_SCATTER:
        return None
    return min(_scatter(rows, bound) for bound in ("bound", "bound_20"))


def _roughness(rows: pl.DataFrame) -> float:
    """Return how much the ratio moves from one reading to the next: little where computed."""
    ratio = (rows["airflow"] / rows["bound_20"]).to_numpy()
    ratio = ratio[ratio > 0]
    return float(np.median(np.abs(np.diff(np.log(ratio))))) if len(ratio) > 1 else 1.0


def _scatter(rows: pl.DataFrame, bound: str) -> float:
    """Return the robust scatter of the airflow over its bound at equal engine speed."""
    off = (
        rows.filter((pl.col("airflow") > 3) & (pl.col(bound) > 0))
        .select(ratio=(pl.col("airflow") / pl.col(bound)).log(), bin=(pl.col("speed") / 50).round())
        .filter(pl.len().over("bin") >= 8)
        .select((pl.col("ratio") - pl.col("ratio").median().over("bin")).abs())
        .to_series()
    )
    middle = off.median() if len(off) >= _LEAST_ROWS // 2 else None
    return SD_PER_MAD * middle if isinstance(middle, float) else 1.0


def without_computed(
    frame: pl.DataFrame, rows: pl.DataFrame
) -> tuple[pl.DataFrame, list[Loss], tuple[str, ...]]:
    """Take out an airflow that the logger computed from pressure and speed (``computed``)."""
    scatter = computed_scatter(rows)
    if scatter is None or scatter >= COMPUTED_SCATTER:
        return frame, [], ()
    count = frame["airflow"].count()
    frame = frame.with_columns(airflow=pl.lit(None, dtype=pl.Float64))
    note = (
        f"the airflow follows engine speed × pressure to {100 * scatter:.2f} %: the logger "
        "computed it, so it says nothing of the engine and was left out"
    )
    return frame, [Loss("computed", count, "airflow")], (note,)


def sensor_place(frame: pl.DataFrame) -> str:
    """Tell from the data where the intake temperature sensor sits.

    Behind the charge cooler the air is warmer under boost than without; ahead of the compressor it
    is not. Needs the ambient temperature.

    Returns
    -------
    ``ahead_of_compressor``, ``behind_cooler`` or ``unknown``
    """
    needed = {"intake_temperature", "ambient_temperature", "manifold_pressure", "vehicle_speed"}
    if not needed <= set(frame.columns):
        return "unknown"
    rows = frame.select(
        "intake_temperature",
        ambient=held(frame, "ambient_temperature", 120.0),
        speed=held(frame, "vehicle_speed", 5.0),
        pressure=pl.col("manifold_pressure").forward_fill().rolling_mean_by("t", window_size="20s"),
    ).drop_nulls()
    rows = rows.filter(pl.col("speed") > 50)
    if rows.height < _LEAST_ROWS:
        return "unknown"
    low, high = (rows["pressure"].quantile(q) for q in (0.2, 0.85))
    if low is None or high is None or high < 1.2 * low:
        return "unknown"
    above = pl.col("intake_temperature") - pl.col("ambient")
    calm = rows.filter(pl.col("pressure") <= low).select(above).to_series().median()
    hard = rows.filter(pl.col("pressure") >= high).select(above).to_series().median()
    if not isinstance(calm, float) or not isinstance(hard, float):
        return "unknown"
    if hard - calm > 6 and hard > 10:
        return "behind_cooler"
    return "ahead_of_compressor" if hard - calm < 2 and hard < 20 else "unknown"


def remarks(frame: pl.DataFrame, vehicle: VehicleSettings) -> tuple[str, ...]:
    """Return what is doubtful and stops nothing."""
    notes: list[str] = []
    stated = vehicle.intake_temperature_sensor
    place = sensor_place(frame) if stated != "unknown" else "unknown"
    if "unknown" not in {place, stated} and place != stated:
        notes.append(
            f"the intake temperature behaves like a sensor {place.replace('_', ' ')}; the settings "
            f"say {stated.replace('_', ' ')}"
        )
    return tuple(notes)

"""Faults written into real history, at their physical place, from a stated day at a stated rate.

A sensor's fault changes what that sensor reads and nothing else. A fault of the air path goes
through the mean-value engine: at the speed and boost of each window (or of each moment of the
samples) it is solved sound and faulty, and the readings are moved by the difference. So a fault is
met with the vehicle's own noise, weather and driving.

The engine is one of many plausible ones, drawn with another seed than those that the diagnosis
averages over. Two things stay as they were: which moments were steady, and what the driver did.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from healthtrack.airpath.engine_parts import Engine, Fault
from healthtrack.airpath.gas import GAS_CONSTANT, KELVIN
from healthtrack.airpath.mean_value import REFERENCE_DENSITY, solve, solve_healthy, surplus
from healthtrack.bench.truth import Truth
from healthtrack.diagnosis import CAUSES
from healthtrack.diagnosis.engines import Engines, place, plausible
from healthtrack.indicators.air_box import in_air_box
from healthtrack.indicators.drives import first_drives
from healthtrack.indicators.recirculation import learn
from healthtrack.operating.pull_figures import SPOOL_PRESSURES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.airpath.engine_parts import Point
    from healthtrack.config import VehicleSettings
    from healthtrack.indicators.recirculation import Recirculation
    from healthtrack.records import VehicleHistory

    FloatArray = NDArray[np.float64]

ENGINES = 64
SEED = 1009
"""Engines to choose from, and their draw: not the one that the diagnosis averages over."""
SPEED_STEP, RATIO_STEP = 50.0, 0.02
"""Steps of engine speed [rpm] and of manifold over ambient pressure to which moments of the samples
are rounded before the engine is solved: within one, flow and pressure move alike to 0.1 %."""
CHUNK = 20_000
"""Operating points that are solved together."""


@dataclass(frozen=True, slots=True)
class Injection:
    """A fault to be put in.

    Parameters
    ----------
    cause : str
        A key of :data:`healthtrack.diagnosis.CAUSES`.
    size : float
        Its whole size. [the cause's unit]
    since : date
        First day.
    days : int
        From nothing to the whole size, in a straight line; 0 for a step.
    engine : int
        Which of the plausible engines carries it.
    """

    cause: str
    size: float
    since: date
    days: int = 0
    engine: int = 0

    def truth(self, vehicle: str) -> Truth:
        """Return it as what is known of a vehicle."""
        return Truth(
            vehicle=vehicle,
            causes=(self.cause,),
            since=self.since,
            full_on=self.since + timedelta(days=self.days),
            size=self.size,
            unit=CAUSES[self.cause].unit,
            witness="injected",
        )


@dataclass(frozen=True, slots=True)
class _Change:
    """What a fault does to readings: arrays over rows.

    Factors on airflow, changes of manifold pressure [kPa], charge temperature [K] and air-box
    pressure [kPa].
    """

    airflow: FloatArray
    pressure: FloatArray
    temperature: FloatArray
    air_box: FloatArray


@dataclass(frozen=True, slots=True)
class _Car:
    """What must be known of the vehicle to place a fault."""

    settings: VehicleSettings
    rule: Recirculation | None
    box_is_ambient: bool
    injection: Injection


def inject(
    history: VehicleHistory, vehicle: VehicleSettings, injection: Injection
) -> VehicleHistory:
    """Return the history as it would be with the fault, written into windows and pulls.

    Parameters
    ----------
    history : VehicleHistory
        As it was.
    vehicle : VehicleSettings
        As set.
    injection : Injection
        What, how much, from when.

    Notes
    -----
    Of pulls, peaks and means of pressure and airflow move as at full load, the time to build boost
    goes as the inverse of the turbine's surplus power, and power follows the mixture.
    """
    car = _car(history.windows, vehicle, injection)
    sizes = _sizes(history.drives, injection)
    if not sizes.height:
        return history

    def changed(frame: pl.DataFrame | None, standing: bool) -> pl.DataFrame | None:  # noqa: FBT001
        if frame is None:
            return None
        told = frame.join(sizes, on="drive", how="left", maintain_order="left")
        rows = told["_size"].fill_null(0.0).to_numpy()
        result = _moved(frame, _region(frame, car), rows, car)
        if standing and car.injection.cause == "manifold_pressure_offset":
            result = result.with_columns(pl.col("standing_pressure") + pl.Series(rows))
        return result

    windows = changed(history.windows, standing=True)
    assert windows is not None
    return replace(
        history,
        windows=windows,
        standstills=changed(history.standstills, standing=True),
        pulls=_pulls(history.pulls, sizes, car),
    )


def inject_samples(
    samples: pl.DataFrame,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    injection: Injection,
) -> pl.DataFrame:
    """Return one drive's samples as they would be with the fault.

    Parameters
    ----------
    samples : DataFrame
        Of one drive: ``drive``, ``t`` and channels; fresh values only.
    history : VehicleHistory
        The vehicle's, as it was: its early windows tell where recirculation closes.
    vehicle, injection
        As for :func:`inject`.
    """
    car = _car(history.windows, vehicle, injection)
    sizes = _sizes(history.drives, injection)
    mine = sizes.filter(pl.col("drive") == samples["drive"][0]) if samples.height else sizes
    if not mine.height or mine["_size"][0] == 0.0:
        return samples
    known = _interpolated(samples).join_asof(
        history.windows.filter(pl.col("drive") == samples["drive"][0])
        .select("t", "region")
        .sort("t"),
        on="t",
        strategy="nearest",
    )
    rounded = known.with_columns(
        (pl.col("engine_speed") / SPEED_STEP).round() * SPEED_STEP,
        (pl.col("manifold_pressure") / (RATIO_STEP * 100.0)).round() * (RATIO_STEP * 100.0),
    )
    keys = ["engine_speed", "manifold_pressure", "_ambient", "_outside", "region"]
    points = rounded.select(keys).unique(maintain_order=True)
    running = points.filter(pl.col("engine_speed") >= 400.0)
    size = np.full(running.height, float(mine["_size"][0]))
    region = _region(running.with_columns(pl.col("region").fill_null("part_load")), car)
    change = _change(running, region, size, car)
    table = running.with_columns(
        _factor=pl.Series(change.airflow),
        _pressure=pl.Series(change.pressure),
        _temperature=pl.Series(change.temperature),
        _air_box=pl.Series(change.air_box),
    )
    rows = rounded.join(table, on=keys, how="left", maintain_order="left", nulls_equal=True)
    still = _sensor_change(rows.height, np.full(rows.height, float(mine["_size"][0])), injection)
    moved = _Change(
        rows["_factor"].fill_null(1.0).to_numpy(),
        np.where(rows["_pressure"].is_null(), still.pressure, rows["_pressure"].fill_null(0.0)),
        np.where(
            rows["_temperature"].is_null(), still.temperature, rows["_temperature"].fill_null(0.0)
        ),
        rows["_air_box"].fill_null(0.0).to_numpy(),
    )
    return _apply(samples, moved, car)


def engine_of(vehicle: str) -> int:
    """Return which plausible engine carries a vehicle's faults: the same one every time."""
    return sum(vehicle.encode()) % ENGINES


def _car(windows: pl.DataFrame, vehicle: VehicleSettings, injection: Injection) -> _Car:
    early = first_drives(windows)
    told = windows.height and windows["airflow"].count() and windows["manifold_pressure"].count()
    rule = learn(early, vehicle) if told else None
    own = bool(windows.height) and in_air_box(windows, vehicle)
    return _Car(vehicle, rule, own and not windows["air_box_pressure"].count(), injection)


def _sizes(drives: pl.DataFrame, injection: Injection) -> pl.DataFrame:
    """Return the fault's size in each drive that has it."""
    truth = injection.truth("")
    days = drives["started"].dt.date().to_list()
    sizes = [truth.size_on(day) or 0.0 for day in days]
    frame = pl.DataFrame({"drive": drives["drive"], "_size": pl.Series(sizes, dtype=pl.Float64)})
    return frame.filter(pl.col("_size") != 0.0)


def _region(frame: pl.DataFrame, car: _Car) -> list[str]:
    """Name the region of each row as the indicators would, from the sound readings."""
    loaded = pl.col("region") != "idle"
    high = pl.col("region") == "full_load"
    low = pl.lit(value=False)
    if car.rule is not None:
        high = high | (pl.col("manifold_pressure") >= car.rule.pressure)
        low = pl.col("manifold_pressure") < car.rule.below
    told = (
        pl.when(pl.col("region") == "key_on")
        .then(pl.lit("standstill"))
        .when(~loaded)
        .then(pl.lit("idle"))
        .when(high)
        .then(pl.lit("full_load"))
        .when(low)
        .then(pl.lit("part_load_recirculation"))
        .otherwise(pl.lit("part_load"))
    )
    return frame.select(told.alias("region"))["region"].to_list()


def _moved(frame: pl.DataFrame, region: list[str], size: FloatArray, car: _Car) -> pl.DataFrame:
    """Return windows or standstills with the fault."""
    told = frame.with_columns(
        _ambient=pl.coalesce("ambient_pressure", "standing_pressure"),
        _outside=pl.coalesce("ambient_temperature", "intake_temperature"),
    )
    change = _sensor_change(frame.height, size, car.injection)
    where = np.flatnonzero((size != 0.0) & (np.array(region) != "standstill"))
    if where.size:
        picked = told[where.tolist()]
        some = _change(picked, [region[i] for i in where], size[where], car)
        for name in ("airflow", "pressure", "temperature", "air_box"):
            getattr(change, name)[where] = getattr(some, name)
    return _apply(frame, change, car)


def _apply(frame: pl.DataFrame, change: _Change, car: _Car) -> pl.DataFrame:
    behind = "charge_temperature"
    if car.settings.intake_temperature_sensor == "behind_cooler" and (
        behind not in frame.columns or not frame[behind].count()
    ):
        behind = "intake_temperature"
    box = "ambient_pressure" if car.box_is_ambient else "air_box_pressure"
    moved = {
        "airflow": pl.col("airflow") * pl.Series(change.airflow),
        "manifold_pressure": pl.col("manifold_pressure") + pl.Series(change.pressure),
        behind: pl.col(behind) + pl.Series(change.temperature),
        box: pl.col(box) + pl.Series(change.air_box),
    }
    return frame.with_columns(**{name: e for name, e in moved.items() if name in frame.columns})


def _sensor_change(count: int, size: FloatArray, injection: Injection) -> _Change:
    """Return what a sensor's own fault does, with the engine turning or not."""
    cause = injection.cause
    nothing = np.zeros(count)
    reads = cause in {"airflow_sensor_reads_low", "airflow_sensor_reads_high"}
    return _Change(
        airflow=1.0 + size / 100.0 if reads else np.ones(count),
        pressure=size.copy() if cause == "manifold_pressure_offset" else nothing.copy(),
        temperature=size.copy() if cause == "charge_temperature_offset" else nothing.copy(),
        air_box=nothing.copy(),
    )


def _change(frame: pl.DataFrame, region: list[str], size: FloatArray, car: _Car) -> _Change:
    """Return what the fault does at running operating points."""
    cause = CAUSES[car.injection.cause]
    if cause.field in {"airflow_reading", "pressure_offset", "temperature_offset"}:
        return _sensor_change(frame.height, size, car.injection)
    parts = [
        _solved(frame[at : at + CHUNK], region[at : at + CHUNK], size[at : at + CHUNK], car)
        for at in range(0, frame.height, CHUNK)
    ]
    if not parts:
        return _sensor_change(0, size, car.injection)
    return _Change(*(np.concatenate([getattr(part, item.name) for part in parts])
                     for item in fields(_Change)))  # fmt: skip


def _solved(frame: pl.DataFrame, region: list[str], size: FloatArray, car: _Car) -> _Change:
    engine, point = _placed(frame, region, car.injection.engine)
    with np.errstate(
        invalid="ignore", divide="ignore"
    ):  # moments at which no engine runs: left out
        sound_state = solve_healthy(engine, point)
        healthy = solve(sound_state, Fault())
        faulty = solve(sound_state, _fault(car.injection, size))
    ambient = np.asarray(point.ambient_pressure)
    measured = frame["manifold_pressure"].fill_null(float("nan")).to_numpy()
    ratio = (faulty.manifold_pressure / healthy.manifold_pressure)[0]
    reference = np.asarray(sound_state.full_flow) * np.asarray(engine.flow_scale)
    thin = ambient / (GAS_CONSTANT / 1e3 * np.asarray(point.ambient_temperature))

    def sag(state: Any) -> FloatArray:  # noqa: ANN401 - a State
        square = (state.measured_airflow / reference) ** 2
        return np.asarray(state.restriction * REFERENCE_DENSITY / thin * square)

    factor = (faulty.measured_airflow / healthy.measured_airflow)[0]
    return _Change(
        airflow=np.nan_to_num(factor, nan=1.0).copy(),
        pressure=np.nan_to_num(measured * (ratio - 1.0), nan=0.0),
        temperature=np.nan_to_num(
            (faulty.charge_temperature - healthy.charge_temperature)[0], nan=0.0
        ),
        air_box=np.nan_to_num(-(sag(faulty) - sag(healthy))[0], nan=0.0),
    )


def _placed(frame: pl.DataFrame, region: list[str], number: int) -> tuple[Engine, Point]:
    """Return one plausible engine at the operating points of rows."""
    ambient = frame["_ambient"].fill_null(98.0).to_numpy()
    ratio = frame["manifold_pressure"].fill_null(0.0).to_numpy() / ambient
    speed = frame["engine_speed"].fill_null(0.0).to_numpy()
    engine, point = place(
        _one(plausible(ENGINES, SEED), number), tuple(region), speed, ratio, ambient
    )
    outside = frame["_outside"].fill_null(15.0).to_numpy() + KELVIN
    return engine, replace(point, ambient_temperature=outside[np.newaxis, :])


def _one(engines: Engines, number: int) -> Engines:
    """Return one of the engines."""

    def row(value: Any) -> Any:  # noqa: ANN401 - array, dict or number
        if isinstance(value, dict):
            return {name: row(item) for name, item in value.items()}
        array = np.asarray(value)
        return array[number : number + 1] if array.ndim == 2 else value

    engine = Engine(
        **{item.name: row(getattr(engines.engine, item.name)) for item in fields(Engine)}
    )
    rest = {item.name: row(getattr(engines, item.name)) for item in fields(Engines)}
    return Engines(**(rest | {"engine": engine}))


def _fault(injection: Injection, size: FloatArray) -> Fault:
    field = CAUSES[injection.cause].field
    # the model takes a loss of the turbocharger, the cause is a change of it
    return Fault(**{field: (-size if field == "turbocharger_loss" else size)[np.newaxis, :]})


def _interpolated(samples: pl.DataFrame) -> pl.DataFrame:
    """Return the engine's state at every sample, from the readings around it."""
    frame = samples.sort("t")

    def known(name: str) -> pl.Expr:
        if name not in frame.columns:
            return pl.lit(None, dtype=pl.Float64)
        return pl.col(name).interpolate_by("t").forward_fill().backward_fill()

    return frame.select(
        "t",
        engine_speed=known("engine_speed").fill_null(0.0),
        manifold_pressure=known("manifold_pressure").fill_null(100.0),
        _ambient=known("ambient_pressure").median(),
        _outside=pl.coalesce(
            known("ambient_temperature").median(), known("intake_temperature").median()
        ),
    )


def _pulls(pulls: pl.DataFrame | None, sizes: pl.DataFrame, car: _Car) -> pl.DataFrame | None:
    if pulls is None or not pulls.height:
        return pulls
    told = pulls.join(sizes, on="drive", how="left", maintain_order="left")
    size = told["_size"].fill_null(0.0).to_numpy()
    if not size.any():
        return pulls
    at = told.select(
        engine_speed=pl.coalesce("settled_engine_speed", "engine_speed_end"),
        manifold_pressure=pl.coalesce("settled_manifold_pressure", "manifold_pressure_peak"),
        _ambient=pl.coalesce("ambient_pressure", "standing_pressure"),
        _outside=pl.coalesce("ambient_temperature", "intake_temperature"),
    )
    change = _change(at, ["pull"] * pulls.height, size, car)
    slower, power = _pull_dynamics(at, size, change, car)
    faulty = pl.Series(size != 0.0)
    factor, pressure = pl.Series(change.airflow), pl.Series(change.pressure)
    moved = {name: pl.col(name) * factor for name in ("airflow_peak", "settled_airflow")}
    moved["airflow_power"] = pl.col("airflow_power") * factor
    moved |= {
        name: pl.col(name) + pressure
        for name in ("manifold_pressure_peak", "settled_manifold_pressure")
    }
    moved |= {
        f"seconds_to_{level}": pl.col(f"seconds_to_{level}") * pl.Series(slower)
        for level in SPOOL_PRESSURES
    }
    moved["specific_power"] = pl.col("specific_power") * pl.Series(power)
    if car.injection.cause == "manifold_pressure_offset":
        moved["standing_pressure"] = pl.col("standing_pressure") + pl.Series(size)
    return pulls.with_columns(
        **{name: pl.when(faulty).then(e).otherwise(pl.col(name)) for name, e in moved.items()}
    )


def _pull_dynamics(
    at: pl.DataFrame, size: FloatArray, change: _Change, car: _Car
) -> tuple[FloatArray, FloatArray]:
    """Return the factors on the time to build boost and on power."""
    if CAUSES[car.injection.cause].field in {"pressure_offset", "temperature_offset"}:
        return np.ones(size.size), np.ones(size.size)
    engine, point = _placed(at, ["pull"] * at.height, car.injection.engine)
    sound = solve_healthy(engine, point)
    fault = _fault(car.injection, size)
    ambient = np.asarray(point.ambient_pressure)
    low = ambient * (1.0 + 0.5 * np.maximum(sound.pressure / ambient - 1.0, 0.05))
    area = sound.area * (1.0 - np.asarray(engine.boost_reserve))
    spare = surplus(sound, Fault(), low, area)
    left = np.maximum(surplus(sound, fault, low, area), 0.05 * spare)
    reads = CAUSES[car.injection.cause].field == "airflow_reading"
    less = np.minimum(100.0 * np.log(change.airflow), 0.0)
    fuel = np.asarray(engine.smoke_limit)[0] * less
    real = np.zeros(size.size) if reads else 100.0 * np.log(change.airflow)
    burnt = fuel + np.asarray(engine.mixture_effect)[0] * (real - fuel)
    slower = np.ones(size.size) if reads else np.asarray(spare / left)[0]
    return np.nan_to_num(slower, nan=1.0), np.nan_to_num(np.exp(burnt / 100.0), nan=1.0)


def injections(
    faults: Sequence[tuple[str, float, int]], since: date, vehicle: str
) -> tuple[Injection, ...]:
    """Return faults (cause, size, days) of one vehicle that begin on a day."""
    return tuple(
        Injection(cause, size, since, days, engine_of(vehicle)) for cause, size, days in faults
    )

"""What each cause does to each indicator, region by region: solved, not typed.

For every plausible engine and a ladder of sizes the mean-value model is solved at the vehicle's own
operating points, and each indicator is computed from what the sensors would then say, as its
declaration does: at given engine speed and demand, or at given engine speed and manifold pressure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.airpath.engine_parts import Engine, Fault
from healthtrack.airpath.mean_value import Healthy, solve, solve_healthy, surplus
from healthtrack.diagnosis.causes import CAUSES
from healthtrack.diagnosis.engines import (
    KINDS,
    NUMBER,
    RECIRCULATION_ENDS,
    SEED,
    place,
    plausible,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.airpath.engine_parts import Point
    from healthtrack.airpath.mean_value import State
    from healthtrack.diagnosis.causes import Cause
    from healthtrack.diagnosis.engines import Engines

    FloatArray = NDArray[np.float64]

LADDER = (0.2, 0.6, 1.1, 2.2, 4.5)
"""Sizes at which the model is solved, in units of the cause's scale, with straight lines from zero
on; the last is as large as the model is meant for."""
MOST_FALL = 4.0
"""Largest -d ln(recirculated share) / d ln(manifold pressure) along healthy operating points."""
LEAK_STATED_AT = 2500.0
"""Engine speed at which a leak's share of the flow is stated: the same for all engines, whatever
the speed at which each reaches its full flow. [rpm]"""
INDICATORS = (
    "airflow",
    "boost",
    "breathing",
    "charge_temperature",
    "intake_restriction",
    "standing_pressure",
    "spool_time",
    "pull_power",
)


@dataclass(frozen=True, slots=True)
class Setting:
    """Where the vehicle was seen: what the signatures depend on besides the engine.

    One entry per region and bin; 0 where not logged. ``cooled_reading`` says whether the charge
    temperature in speed density is measured behind the cooler (else it is a constant).
    """

    regions: tuple[str, ...]
    engine_speed: tuple[float, ...]
    pressure_ratio: tuple[float, ...]
    ambient_pressure: tuple[float, ...]
    cooled_reading: bool


@dataclass(frozen=True, slots=True)
class Signature:
    """One cause's effect: ``effect`` (engines, sizes, indicators, bins) at ``sizes`` (sizes,)."""

    sizes: FloatArray
    effect: FloatArray


@lru_cache(maxsize=64)
def signatures(
    setting: Setting, number: int = NUMBER, seed: int = SEED
) -> dict[str, tuple[Signature, ...]]:
    """Return the effect of every cause, one signature per sign that its size can take.

    Parameters
    ----------
    setting : Setting
        The bins at which indicators were seen.
    number, seed : int
        Plausible engines: how many, and which draw.

    Notes
    -----
    A pure function of its arguments; kept because a vehicle's operating points hardly move from
    one night to the next. Callers must not write into the arrays.
    """
    engines = plausible(number, seed)
    engine, point = place(
        engines,
        setting.regions,
        np.array(setting.engine_speed),
        np.array(setting.pressure_ratio),
        np.array(setting.ambient_pressure),
    )
    # an engine that cannot run at these points gives no numbers: it is replaced
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        reader = _Reader(solve_healthy(engine, point), setting, engines)
        found = {name: _of(cause, reader) for name, cause in CAUSES.items()}
    return _of_those_that_run(found)


def _of_those_that_run(
    found: dict[str, tuple[Signature, ...]],
) -> dict[str, tuple[Signature, ...]]:
    """Let the next engine of its kind stand in for one that cannot run as this vehicle does.

    Some plausible engines have too small a compressor for the boost that this one shows at low
    speed, or none left over for the largest faults: the model's balance has no answer then.
    """
    runs = np.logical_and.reduce(
        [
            np.isfinite(signature.effect).all(axis=(1, 2, 3))
            for signs in found.values()
            for signature in signs
        ]
    )
    if runs.all() or not runs.any():
        return found
    stands = np.arange(runs.size)
    for engine in np.flatnonzero(~runs):
        stands[engine] = min(
            np.flatnonzero(runs),
            key=lambda other: (
                other * KINDS // runs.size != engine * KINDS // runs.size,
                (other - engine) % runs.size,
            ),
        )
    return {
        name: tuple(replace(signature, effect=signature.effect[stands]) for signature in signs)
        for name, signs in found.items()
    }


def _of(cause: Cause, reader: _Reader) -> tuple[Signature, ...]:
    signs = {"negative": (-1.0,), "positive": (1.0,), "both": (-1.0, 1.0)}[cause.sign]
    result = []
    for sign in signs:
        sizes = sign * cause.scale * np.array(LADDER)
        effect = reader.effect(cause.field, sizes)
        nothing = np.zeros_like(effect[:, :1])
        result.append(Signature(np.append(0.0, sizes), np.concatenate([nothing, effect], axis=1)))
    return tuple(result)


class _Reader:
    """What the indicators would read, against the healthy engine (engines, sizes, ..., bins)."""

    def __init__(self, healthy: Healthy, setting: Setting, engines: Engines) -> None:
        self.setting = setting
        self.share_falls = engines.share_falls[:, :, np.newaxis]
        self.spool_seconds = engines.spool_seconds[:, :, np.newaxis]
        self.healthy = _with_size_axis(healthy)
        self.sound = solve(self.healthy, Fault())
        self.slope, self.warmth = self._slopes()
        self.fuel = self._fuel_answer()
        self.spool_area = self.healthy.area * (1.0 - np.asarray(self.healthy.engine.boost_reserve))
        base = self.healthy.pressure
        ambient = np.asarray(self.healthy.point.ambient_pressure)
        self.spool_pressure = ambient * (1.0 + 0.5 * np.maximum(base / ambient - 1.0, 0.05))
        self.spare = surplus(self.healthy, Fault(), self.spool_pressure, self.spool_area)

    def effect(self, field: str, sizes: FloatArray) -> FloatArray:
        """Return (engines, sizes, indicators, bins): the change of every indicator."""
        fault = Fault(**{field: self._in_the_model(field, sizes[np.newaxis, :, np.newaxis])})
        state = self._solve(field, fault)
        airflow = _percent(state.measured_airflow, self.sound.measured_airflow)
        boost = _percent(state.measured_pressure, self.sound.measured_pressure)
        change = {
            "airflow": airflow,
            "boost": boost,
            "breathing": self._breathing(state, airflow, boost),
            "charge_temperature": state.measured_temperature
            - self.sound.measured_temperature
            - self.warmth * boost / 100.0,
            "intake_restriction": state.restriction - self.sound.restriction,
            "standing_pressure": np.asarray(fault.pressure_offset) + 0.0 * airflow,
            "spool_time": self.spool_seconds * (self.spare / self._spare(fault) - 1.0),
            "pull_power": self._power(airflow, state),
        }
        return np.stack(np.broadcast_arrays(*(change[name] for name in INDICATORS)), axis=2)

    def _in_the_model(self, field: str, sizes: FloatArray) -> FloatArray:
        """Return the cause's sizes (1, sizes, 1) as the model takes them."""
        if field == "turbocharger_loss":  # the cause is a change of it
            return -sizes
        if field == "leak":  # of what flows at each engine's own speed of full flow
            return np.asarray(sizes * LEAK_STATED_AT / np.asarray(self.healthy.engine.full_speed))
        return sizes

    def _solve(self, field: str, fault: Fault) -> State:
        if field != "temperature_offset":
            return solve(self.healthy, fault)
        # nothing in the engine listens to it
        shifted = self.sound.measured_temperature + np.asarray(fault.temperature_offset)
        size = np.zeros_like(shifted)
        same = {name: getattr(self.sound, name) + size for name in self.sound.__slots__}
        return replace(self.sound, **(same | {"measured_temperature": shifted}))

    def _breathing(self, state: State, airflow: FloatArray, boost: FloatArray) -> FloatArray:
        value = airflow - (1.0 + self.slope) * boost
        if self.setting.cooled_reading:
            value = value + _percent(state.measured_temperature, self.sound.measured_temperature)
        return value

    def _slopes(self) -> tuple[FloatArray, FloatArray]:
        """Return how the healthy engine goes with manifold pressure.

        d ln(apparent efficiency) and d(charge temperature) [K] per d ln(manifold pressure): the
        baselines of breathing and of charge temperature run over that pressure and hold it already.
        """
        point = self.healthy.point
        step = 0.03
        ratio = np.asarray(point.pressure_ratio)
        falls = np.clip(ratio / np.maximum(RECIRCULATION_ENDS - ratio, 0.1), 0.0, MOST_FALL)
        share = np.asarray(point.recirculated) * np.exp(-step * self.share_falls * falls)
        higher = solve_healthy(
            self.healthy.engine,
            replace(point, pressure_ratio=ratio * np.exp(step), recirculated=share),
        )
        value = np.log(higher.airflow / self.healthy.airflow)
        if self.setting.cooled_reading:
            value = value + np.log(higher.charge_temperature / self.healthy.charge_temperature)
        warmer = higher.charge_temperature - self.healthy.charge_temperature
        return np.asarray(value / step - 1.0), np.asarray(warmer / step)

    def _fuel_answer(self) -> FloatArray:
        """Return d ln(airflow) / d ln(fuel): less fuel drives the turbine less."""
        state = solve(self.healthy, Fault(fuel=-3.0))
        answer = _percent(state.airflow, self.sound.airflow) / (100.0 * np.log(0.97))
        return np.asarray(np.clip(answer, 0.0, 0.8))

    def _power(self, airflow: FloatArray, state: State) -> FloatArray:
        """Return the change of full-load power.

        Of the fuel, where smoke limits it, and of how well it burns with the air that is there.
        """
        engine = self.healthy.engine
        real = _percent(state.airflow, self.sound.airflow)
        fuel = np.asarray(engine.smoke_limit) * np.minimum(airflow / (1.0 - self.fuel), 0.0)
        return np.asarray(fuel + np.asarray(engine.mixture_effect) * (real - fuel))

    def _spare(self, fault: Fault) -> FloatArray:
        power = surplus(self.healthy, fault, self.spool_pressure, self.spool_area)
        return np.asarray(np.maximum(power, 0.05 * self.spare))  # at most twenty times as long


def _percent(value: FloatArray, reference: FloatArray) -> FloatArray:
    return np.asarray(100.0 * np.log(value / reference))


def _with_size_axis(healthy: Healthy) -> Healthy:
    """Give every array an axis for sizes between engines and bins."""

    def spread(value: object) -> object:
        array = np.asarray(value, dtype=np.float64)
        if array.ndim == 2:
            return array[:, np.newaxis, :]
        return array

    def all_of(record: Engine | Point) -> dict[str, object]:
        return {name: spread(getattr(record, name)) for name in record.__slots__}

    engine = replace(healthy.engine, **all_of(healthy.engine))  # type: ignore[arg-type]
    point = replace(healthy.point, **all_of(healthy.point))  # type: ignore[arg-type]
    names = [name for name in healthy.__slots__ if name not in {"engine", "point"}]
    arrays = {name: spread(getattr(healthy, name)) for name in names}
    return replace(healthy, engine=engine, point=point, **arrays)  # type: ignore[arg-type]

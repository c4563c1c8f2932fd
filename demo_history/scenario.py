"""The demo's story: six old diesel vehicles of the invented mountain rescue post Wetterzahn.

Places, vehicles and troubles are made up; no real make or model is meant.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from demo_history.simulator.driving import Chassis
from demo_history.simulator.engine import Engine, Faults
from demo_history.simulator.steady import fuel_for, size_turbocharger
from demo_history.simulator.weather import Region, wander

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array

SEED = 20220905
FIRST_DAY = date(2022, 9, 5)
LAST_DAY = date(2025, 9, 14)
LOCAL = ZoneInfo("Europe/Vienna")
CLOCK_CHANGES = tuple(
    date.fromisoformat(day)
    for day in (
        "2022-10-30",
        "2023-03-26",
        "2023-10-29",
        "2024-03-31",
        "2024-10-27",
        "2025-03-30",
    )
)
REGION = Region(altitude=950.0)
"""The post Wetterzahn, above the village of Lärchgrund and under the pass Kesseljoch."""


@dataclass(frozen=True)
class Trouble:
    """What is wrong with a vehicle, as a size over time.

    ``field`` names a field of :class:`Faults`; ``size`` is its final value. Kinds: ``step`` at
    ``start``, ``ramp`` from ``start`` to ``end`` (with ``bend`` as exponent). ``repaired`` ends it.
    """

    cause: str
    field: str
    size: float
    kind: str
    start: date
    end: date
    repaired: date | None = None
    bend: float = 1.0

    def sizes(self, days: Array) -> Array:
        """Size at ``days`` since :data:`FIRST_DAY`."""
        begin, finish = _day(self.start), _day(self.end)
        if self.kind == "step":
            grown = (days >= begin).astype(float)
        else:
            grown = np.clip((days - begin) / max(finish - begin, 1.0), 0.0, 1.0) ** self.bend
        if self.repaired is not None:
            grown = np.where(days >= _day(self.repaired), 0.0, grown)
        return np.asarray(self.size * grown)


@dataclass(frozen=True)
class Work:
    """A maintenance event."""

    on: date
    kind: str
    note: str


@dataclass(frozen=True)
class Vehicle:
    """One vehicle of the post: engine, chassis, logger, story."""

    name: str
    title: str
    number: int
    layout: str  # comma, german or elapsed
    channels: tuple[str, ...]
    engine: Engine
    chassis: Chassis
    displacement: float  # L
    odometer: float  # km, on FIRST_DAY or on joining
    km_per_year: float
    joined: date = FIRST_DAY
    gaps: tuple[tuple[date, date], ...] = ()
    days_between: float = 7.8
    intake_sensor: str = "behind_cooler"
    routes: tuple[float, float, float, float] = (0.2, 0.35, 0.2, 0.25)
    trouble: Trouble | None = None
    works: tuple[Work, ...] = ()
    filter_per_year: float = 0.25  # growth of the filter's flow resistance
    expected_state: str = "normal"
    expected_indicators: str = ""
    note: str = ""
    settings: tuple[str, ...] = field(default=())


def _day(on: date) -> float:
    return float((on - FIRST_DAY).days)


def _engine(
    litres: float, cylinders: int, boost: float, full_boost: float, **more: float
) -> Engine:
    fuel = fuel_for(litres * 1e-3, cylinders, boost, 20.5)
    base = Engine(
        displacement=litres * 1e-3, cylinders=float(cylinders), boost_full=boost, fuel_full=fuel
    )
    return size_turbocharger(replace(base, **more), full_boost)


COMMON = ("engine_speed", "vehicle_speed", "airflow", "manifold_pressure")

VEHICLES: tuple[Vehicle, ...] = (
    Vehicle(
        "marmot",
        "Marmot, the ambulance car",
        1,
        "comma",
        (
            *COMMON,
            "ambient_pressure",
            "air_box_pressure",
            "ambient_temperature",
            "charge_temperature",
            "coolant_temperature",
            "pedal",
            "fuel_per_stroke",
            "boost_duty",
            "odometer",
        ),
        _engine(2.5, 4, 92e3, 1500.0, recirculation_closed_loop=1.0, recirculation=0.22),
        Chassis(mass=2350.0),
        2.5,
        187_400.0,
        16_500.0,
        gaps=((date(2023, 7, 10), date(2023, 8, 20)),),
        filter_per_year=0.08,  # clean mountain air
        works=(
            Work(date(2023, 9, 11), "service", "oil and filters, yearly"),
            Work(date(2023, 9, 11), "air_filter_replaced", "new element"),
            Work(date(2024, 9, 9), "service", "oil and filters, yearly"),
            Work(date(2024, 9, 9), "air_filter_replaced", "new element"),
            Work(date(2025, 2, 20), "other", "winter tyres worn, replaced"),
        ),
        note="sound through three winters and summers; six weeks without logs in summer 2023",
    ),
    Vehicle(
        "chamois",
        "Chamois, the cross-country van",
        2,
        "german",
        (
            *COMMON,
            "charge_temperature",
            "ambient_temperature",
            "coolant_temperature",
            "pedal",
            "load",
            "odometer",
        ),
        _engine(
            2.2,
            4,
            96e3,
            1550.0,
            recirculation=0.24,
            filling_peak=0.86,
            speed_max=4300.0,
            smoke_by_airflow_sensor=0.0,
        ),
        Chassis(mass=2150.0, top_gear=92.0),
        2.2,
        241_800.0,
        19_000.0,
        trouble=Trouble(
            "airflow_sensor_reads_low",
            "airflow_gain",
            -0.075,
            "ramp",
            date(2023, 6, 5),
            date(2024, 6, 20),
            date(2024, 6, 24),
            1.15,
        ),
        works=(
            Work(date(2023, 4, 17), "service", "oil and filters"),
            Work(date(2024, 6, 24), "airflow_sensor_replaced", "read low; new sensor fitted"),
            Work(date(2024, 6, 24), "service", "oil and filters"),
        ),
        expected_state="normal",
        note="airflow sensor read less and less for a year until replaced",
    ),
    Vehicle(
        "ibex",
        "Ibex, the winch truck",
        3,
        "german",
        (
            *COMMON,
            "ambient_pressure",
            "charge_temperature",
            "ambient_temperature",
            "coolant_temperature",
            "pedal",
            "fuel_per_stroke",
            "boost_duty",
            "odometer",
        ),
        _engine(
            3.0,
            5,
            98e3,
            1900.0,
            vane=0.0,
            recirculation=0.0,
            speed_max=3900.0,
            cooler_units=1.4,
            smoke_by_airflow_sensor=0.0,
        ),
        Chassis(mass=3100.0, drag_area=1.6, top_gear=90.0),
        3.0,
        302_150.0,
        14_000.0,
        routes=(0.12, 0.33, 0.15, 0.40),
        trouble=Trouble(
            "turbocharger_weak",
            "turbocharger_loss",
            0.12,
            "ramp",
            date(2024, 7, 8),
            LAST_DAY,
        ),
        works=(
            Work(date(2023, 5, 8), "service", "oil and filters"),
            Work(date(2024, 5, 13), "service", "oil and filters"),
        ),
        expected_state="alert|alarm",
        expected_indicators="boost",
        note="turbocharger loses efficiency over the last fourteen months; nothing done yet",
    ),
    Vehicle(
        "badger",
        "Badger, the all-terrain pick-up",
        4,
        "elapsed",
        (
            *COMMON,
            "charge_temperature",
            "ambient_temperature",
            "coolant_temperature",
            "pedal",
            "load",
            "altitude",
        ),
        _engine(
            2.0,
            4,
            100e3,
            1800.0,
            vane=0.0,
            recirculation=0.20,
            speed_max=4300.0,
            filling_peak=0.89,
            smoke_by_airflow_sensor=0.0,
        ),
        Chassis(mass=2050.0, top_gear=93.0),
        2.0,
        148_230.0,
        17_500.0,
        trouble=Trouble(
            "charge_air_leak",
            "charge_air_leak",
            0.055,
            "step",
            date(2025, 3, 18),
            date(2025, 3, 18),
        ),
        works=(
            Work(date(2023, 10, 2), "service", "oil and filters"),
            Work(date(2024, 10, 7), "service", "oil and filters"),
        ),
        expected_state="alert|alarm",
        expected_indicators="airflow|breathing",
        note="a hose behind the charge cooler slipped in March 2025; not found yet",
    ),
    Vehicle(
        "lynx",
        "Lynx, the newly joined estate car",
        5,
        "comma",
        (
            *COMMON,
            "ambient_temperature",
            "charge_temperature",
            "coolant_temperature",
            "pedal",
            "fuel_per_stroke",
            "odometer",
        ),
        _engine(
            1.9,
            4,
            90e3,
            1500.0,
            recirculation=0.22,
            recirculation_closed_loop=1.0,
            speed_max=4400.0,
        ),
        Chassis(mass=1720.0, drag_area=0.75, top_gear=86.0),
        1.9,
        96_700.0,
        15_000.0,
        joined=date(2025, 6, 16),
        days_between=6.3,
        expected_state="learning",
        note="joined in June 2025; sound",
    ),
    Vehicle(
        "raven",
        "Raven, the supply van",
        6,
        "elapsed",
        (*COMMON, "intake_temperature", "ambient_temperature", "coolant_temperature", "pedal"),
        _engine(
            2.8,
            4,
            85e3,
            1550.0,
            recirculation=0.0,
            speed_max=4000.0,
            cooler_liquid=0.75,
            filling_temperature=0.45,
            smoke_by_airflow_sensor=0.0,
        ),
        Chassis(mass=2700.0, drag_area=1.9, top_gear=89.0),
        2.8,
        265_000.0,
        21_000.0,
        intake_sensor="ahead_of_compressor",
        routes=(0.25, 0.40, 0.20, 0.15),
        works=(Work(date(2024, 3, 11), "service", "oil and filters"),),
        note="sound; its intake temperature sensor sits in the air box and the charge cooler is "
        "cooled by warm liquid, so the apparent filling swings with the seasons",
    ),
)


def calendar(vehicle: Vehicle) -> list[datetime]:
    """Return the starts of the logged drives in UTC, in order."""
    rng = np.random.default_rng([SEED, vehicle.number, 1])
    day = float((vehicle.joined - FIRST_DAY).days)
    last = (LAST_DAY - FIRST_DAY).days
    starts: list[datetime] = []
    while day <= last:
        on = FIRST_DAY + timedelta(days=int(day))
        hour = float(np.clip(rng.normal(12.5, 3.6), 5.5, 20.5))
        second = int(rng.integers(0, 60))
        if vehicle.layout == "german":
            near = [c for c in CLOCK_CHANGES if 0 <= (c - on).days <= 3]
            on = near[0] if near else on
        open_day = not any(a <= on <= b for a, b in vehicle.gaps)
        minutes = int(hour * 60.0)
        local = datetime(
            on.year, on.month, on.day, minutes // 60, minutes % 60, second, tzinfo=LOCAL
        )
        moment = local.astimezone(UTC)
        if open_day and on <= LAST_DAY and (not starts or moment > starts[-1]):
            starts.append(moment)
        day += max(1.0, float(rng.gamma(5.0, vehicle.days_between / 5.0)))
    return starts


def days_since(starts: list[datetime]) -> Array:
    """Days since the first day, with fractions."""
    zero = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    return np.array([(s - zero).total_seconds() / 86400.0 for s in starts])


def odometers(vehicle: Vehicle, starts: list[datetime]) -> Array:
    """Odometer at the start of each drive: unlogged driving lies between. [km]."""
    rng = np.random.default_rng([SEED, vehicle.number, 2])
    days = days_since(starts)
    gaps = np.diff(days, prepend=days[0])
    pace = vehicle.km_per_year / 365.25 * rng.gamma(6.0, 1.0 / 6.0, len(days))
    driven = np.maximum(gaps * pace, np.where(gaps > 0.0, 25.0, 0.0))
    return np.asarray(np.round(vehicle.odometer + np.cumsum(driven), 1))


def faults(vehicle: Vehicle, days: Array) -> Faults:
    """Sizes of all troubles and wanders at the drives."""
    rng = np.random.default_rng([SEED, vehicle.number, 3])
    n = len(days)
    growth = vehicle.filter_per_year * _years_since_new_filter(vehicle, days)
    values = {
        "filter_restriction": growth,
        "breathing_wander": wander(rng, days, 18.0, 0.0045) + 0.002 * rng.standard_normal(n),
        "turbocharger_wander": wander(rng, days, 22.0, 0.006) + 0.002 * rng.standard_normal(n),
        "airflow_wander": wander(rng, days, 35.0, 0.003) + 0.002 * rng.standard_normal(n),
        "recirculation_wander": wander(rng, days, 15.0, 0.015),
    }
    if vehicle.trouble is not None:
        sizes = vehicle.trouble.sizes(days)
        values[vehicle.trouble.field] = values.get(vehicle.trouble.field, 0.0) + sizes
    return Faults(**values)


def _years_since_new_filter(vehicle: Vehicle, days: Array) -> Array:
    fresh = [_day(w.on) for w in vehicle.works if w.kind in ("air_filter_replaced", "service")]
    marks = np.array([-200.0, *sorted(set(fresh))])
    last = marks[np.searchsorted(marks, days, side="right") - 1]
    return np.asarray((days - last) / 365.25)

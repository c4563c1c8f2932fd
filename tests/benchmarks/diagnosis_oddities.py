"""What the whole chain says of what the diagnosis was not made for.

Two faults at once, an engine that is worn or choked in a way that is not on the list, a tuned
engine, a sensor of another make, another set of tyres: each begins at half time on simulated
vehicles, and what is said at the end is printed.

    python tests/benchmarks/diagnosis_oddities.py --vehicles 3 --seed 33

A vehicle takes some twenty seconds.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import chain, config
from healthtrack.records import VehicleHistory
from tests.benchmarks.diagnosis_study import WINDOWS, Trial, random_fleet, say, simulate_windows

if TYPE_CHECKING:
    from collections.abc import Callable

    from demo_history.simulator.fleet import Vehicle
    from healthtrack.records import VehicleFinding

FAULTS: dict[str, dict[str, float]] = {
    "sound": {},
    "leak 6 % and sensor 6 % low": {"charge_air_leak": 0.06, "airflow_gain": -0.06},
    "turbocharger -15 % and filter x3": {"turbocharger_loss": 0.15, "filter_restriction": 2.0},
    "sensor of another make, +4 %": {"airflow_gain": 0.04},
    "sensor of another make, -4 %": {"airflow_gain": -0.04},
}
ENGINES: dict[str, dict[str, float]] = {
    "exhaust back pressure x6 (not on the list)": {"exhaust_loss": 6.0},
    "filling -5 %, worn valves (not on the list)": {"filling_peak": 0.95},
    "tuned: boost +15 %, fuel +12 %": {"boost_full": 1.15, "fuel_full": 1.12},
}
"""By how much a property of the engine changes."""
TYRES = 1.04
"""Circumference of the new tyres over the old ones': the speed reads so much too low."""


def halves(trial: Trial, vehicle: Vehicle, faults: dict[str, float]):
    """Return what is seen where vehicle and faults are so from half time on."""
    drives, middle = trial.drives, np.quantile(trial.drives.day, 0.5)
    sizes = {name: np.where(drives.day > middle, size, 0.0) for name, size in faults.items()}
    late = replace(drives, faults=replace(drives.faults, **sizes))
    before, after = (
        simulate_windows(np.random.default_rng(trial.seed), [one], plan, WINDOWS)
        for one, plan in ((trial.vehicle, drives), (vehicle, late))
    )
    names = before.drives["drive"].to_numpy()
    first = set(names[drives.day <= middle])

    def joined(a: pl.DataFrame, b: pl.DataFrame) -> pl.DataFrame:
        early = pl.col("drive").is_in(first)
        return pl.concat([a.filter(early), b.filter(~early)])

    return first, [
        joined(getattr(before, name), getattr(after, name))
        for name in ("drives", "windows", "standstills")
    ]


def assessed(trial: Trial, tables: list[pl.DataFrame]) -> VehicleFinding:
    drives, windows, standstills = tables
    history = VehicleHistory(trial.vehicle.name, drives, windows, standstills=standstills)
    last = drives["started"].max().date()
    return chain.assess(history, trial.settings, config.WorkspaceSettings(), last)


def with_tyres(trial: Trial) -> VehicleFinding:
    first, (drives, windows, standstills) = halves(trial, trial.vehicle, {})
    late = ~pl.col("drive").is_in(first)
    slower = pl.when(late).then(pl.col("vehicle_speed") / TYRES).otherwise("vehicle_speed")
    shorter = pl.when(late).then(pl.col("distance_km") / TYRES).otherwise("distance_km")
    return assessed(
        trial,
        [
            drives.with_columns(distance_km=shorter),
            windows.with_columns(vehicle_speed=slower),
            standstills,
        ],
    )


def oddities(trial: Trial) -> dict[str, Callable[[], VehicleFinding]]:
    vehicle = trial.vehicle
    found = {
        name: lambda faults=faults: assessed(trial, halves(trial, vehicle, faults)[1])
        for name, faults in FAULTS.items()
    }
    for name, factors in ENGINES.items():
        changed = {part: getattr(vehicle.engine, part) * by for part, by in factors.items()}
        other = replace(vehicle, engine=replace(vehicle.engine, **changed))
        found[name] = lambda other=other: assessed(trial, halves(trial, other, {})[1])
    return found | {"tyres +4 %": lambda: with_tyres(trial)}


def show(name: str, finding: VehicleFinding) -> None:
    causes = ", ".join(
        f"{item.cause} {item.probability:.2f}"
        + (f" ({item.size:.1f} {item.unit})" if item.size is not None else "")
        for item in finding.causes[:3]
    )
    say(f"  {name:<44} {finding.state:<7} {causes}")
    diagnosis = finding.diagnosis
    pairs = "; ".join(f"{' + '.join(p.causes)} {p.probability:.2f}" for p in diagnosis.pairs[:2])
    looks = ", ".join(look.observation for look in diagnosis.next_observations[:2])
    alike = ", ".join(diagnosis.alike[0]) if diagnosis.alike else ""
    for words, text in (("pairs", pairs), ("alike", alike), ("next", looks)):
        if text:
            say(f"      {words}: {text}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--vehicles", type=int, default=3)
    parser.add_argument("--seed", type=int, default=33)
    args = parser.parse_args()
    for k, vehicle in enumerate(random_fleet(np.random.default_rng(args.seed), args.vehicles)):
        say(f"{vehicle.name}: {', '.join(sorted(vehicle.channels))}")
        trial = Trial(vehicle, 100 * args.seed + k, k)
        for name, assess in oddities(trial).items():
            show(name, assess())


if __name__ == "__main__":
    main()

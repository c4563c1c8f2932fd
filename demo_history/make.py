"""Make the demo's history anew: `python demo_history/make.py` writes the same bytes every time.

Everything is drawn from one fixed seed. With names of vehicles as arguments only those are made.
"""

from __future__ import annotations

import csv
import gzip
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from demo_history import loggers, scenario  # noqa: E402 - found through the line above
from demo_history.scenario import REGION, SEED, VEHICLES, Vehicle  # noqa: E402
from demo_history.simulator import driving, dynamic, sensors  # noqa: E402
from demo_history.simulator.engine import HEATING_VALUE, stack  # noqa: E402
from demo_history.simulator.map_points import write_map  # noqa: E402
from demo_history.simulator.weather import Weather, weather  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from demo_history.simulator.engine import Array

PLAIN_EVERY = 45
"""Every so many drives one stays plain text, so that a newcomer can look at it."""


def regional_weather(starts: list[datetime]) -> Weather:
    """Weather at the moments of some drives: the same sky for all vehicles."""
    hours = np.arange(24.0 * ((scenario.LAST_DAY - scenario.FIRST_DAY).days + 3))
    offset = float(scenario.FIRST_DAY.timetuple().tm_yday - 1)
    rng = np.random.default_rng([SEED, 0])
    sky = weather(rng, REGION, offset + hours / 24.0, (hours + 1.0) % 24.0)
    at = np.round(scenario.days_since(starts) * 24.0).astype(int)
    return Weather(sky.temperature[at], sky.pressure_share[at], sky.humidity[at])


def _plans(vehicle: Vehicle, chosen: list[int]) -> tuple[list[driving.Plan], Array]:
    """Routes of the chosen drives and how warm the engine is at their start (share)."""
    plans, warm = [], []
    for i in chosen:
        rng = np.random.default_rng([SEED, vehicle.number, 10, i])
        route = str(rng.choice(driving.ROUTES, p=vehicle.routes))
        seconds = float(np.round(rng.uniform(540.0, 660.0)))
        pulls = 1 if i % 4 == 1 else 0
        warm.append(float(rng.uniform(0.55, 0.95)) if rng.random() < 0.6 else 0.0)
        plans.append(driving.plan(rng, route, seconds, pulls=pulls))
    return plans, np.array(warm)


def drives_of(vehicle: Vehicle, chosen: list[int] | None = None) -> list[loggers.Drive]:
    """Simulate the drives of a vehicle, or only those with the numbers ``chosen``."""
    starts = scenario.calendar(vehicle)
    chosen = list(range(len(starts))) if chosen is None else chosen
    index = np.array(chosen)
    days = scenario.days_since(starts)
    odometer = scenario.odometers(vehicle, starts)
    sky = regional_weather(starts)
    sky = Weather(sky.temperature[index], sky.pressure_share[index], sky.humidity[index])
    plans, warm = _plans(vehicle, chosen)
    season = -np.cos(2.0 * np.pi * (days[index] + 247.0 - 19.0) / 365.25)
    faults = scenario.faults(vehicle, days).take(index)
    n = len(chosen)
    batch = dynamic.Batch(
        stack([vehicle.engine] * n),
        driving.stack_chassis([vehicle.chassis] * n),
        faults,
        sky,
        np.full(n, REGION.altitude),
        sky.temperature + warm * (360.0 - sky.temperature),
        HEATING_VALUE * (1.0 - 0.006 * (1.0 - season)),  # winter fuel holds a little less
        driving.stack_plans(plans),
        np.array([p.engine_on for p in plans]),
        np.array([p.engine_off for p in plans]),
    )
    every = loggers.SAMPLE_STEPS[vehicle.layout]
    true = dynamic.integrate(batch, every)
    out = []
    for row, i in enumerate(chosen):
        length = len(range(0, len(plans[row].speed), every))
        values = {k: v[row, :length] for k, v in true.items()}
        values["odometer"] = odometer[i] + values["distance"]
        values["intake_temperature"] = values["air_box_temperature"]
        errors = sensors.Errors(
            airflow_factor=float(np.broadcast_to(faults.reading(), (n,))[row]),
            missing_share=0.0008,
        )
        rng = np.random.default_rng([SEED, vehicle.number, 20, i])
        seen = sensors.read(rng, values, vehicle.channels, errors)
        km = float(odometer[i]) if vehicle.name != "raven" else float("nan")
        seconds = np.arange(length, dtype=np.float64) * (every * driving.STEP)
        out.append(loggers.Drive(vehicle.name, starts[i], seconds, seen, km))
    return out


def packed(data: bytes) -> bytes:
    """Compress so that the same text gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(fileobj=buffer, mode="wb", compresslevel=9, mtime=0, filename="") as file:
        file.write(data)
    return buffer.getvalue()


def write_vehicle(vehicle: Vehicle, root: Path) -> int:
    """Write all logs of a vehicle; returns how many."""
    folder = root / vehicle.name
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    drives = drives_of(vehicle)
    for i, drive in enumerate(drives):
        name, data = loggers.WRITERS[vehicle.layout](drive)
        if i % PLAIN_EVERY == 0:
            (folder / name).write_bytes(data)
        else:
            (folder / f"{name}.gz").write_bytes(packed(data))
    return len(drives)


def odometer_on(vehicle: Vehicle, on: date) -> float | None:
    """Odometer on a day, between the drives; None where the vehicle logs none. [km]."""
    if vehicle.name == "raven":
        return None
    starts = scenario.calendar(vehicle)
    day = float((on - scenario.FIRST_DAY).days)
    return float(
        np.round(np.interp(day, scenario.days_since(starts), scenario.odometers(vehicle, starts)))
    )


def _km(value: float | None) -> str:
    return "" if value is None else f"{value:.0f}"


def write_maintenance(path: Path) -> None:
    """Write what was done to the vehicles."""
    rows = [
        (v.name, w.on.isoformat(), w.kind, _km(odometer_on(v, w.on)), w.note)
        for v in VEHICLES
        for w in v.works
    ]
    _write_table(path, ("vehicle", "on", "kind", "odometer_km", "note"), rows)


TRUTH = (
    "vehicle",
    "cause",
    "kind",
    "since",
    "since_km",
    "full_on",
    "full_km",
    "size",
    "unit",
    "until",
    "until_km",
    "size_at_end",
    "state_at_end",
    "indicators_at_end",
    "drives",
    "words",
)
UNITS = {
    "airflow_gain": "% of reading",
    "turbocharger_loss": "% of compressor efficiency",
    "charge_air_leak": "% of flow at full boost",
}


def write_truth(path: Path) -> None:
    """Write what really was wrong with the vehicles; an empty ``until`` is still there."""
    _write_table(path, TRUTH, [_truth(v) for v in VEHICLES])


def _truth(vehicle: Vehicle) -> tuple[str, ...]:
    t = vehicle.trouble
    drives = str(len(scenario.calendar(vehicle)))
    tail = (vehicle.expected_state, vehicle.expected_indicators, drives, vehicle.note)
    if t is None:
        return (vehicle.name, "none", "none", *[""] * 8, "0", *tail)
    sign = -1.0 if t.field == "turbocharger_loss" else 1.0
    size = f"{100.0 * sign * t.size:.1f}"
    until = ("", "")
    if t.repaired is not None:
        until = (t.repaired.isoformat(), _km(odometer_on(vehicle, t.repaired)))
    return (
        vehicle.name,
        t.cause,
        t.kind,
        t.start.isoformat(),
        _km(odometer_on(vehicle, t.start)),
        t.end.isoformat(),
        _km(odometer_on(vehicle, t.end)),
        size,
        UNITS[t.field],
        *until,
        size if t.repaired is None else "0",
        *tail,
    )


def _write_table(path: Path, header: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    path.write_bytes(text.getvalue().encode("utf-8"))


def write_settings(path: Path) -> None:
    """Write the workspace's settings."""
    lines = [
        "# The vehicles of the mountain rescue post Wetterzahn (invented); made by make.py.",
        "",
    ]
    for v in VEHICLES:
        lines += [
            f"[vehicles.{v.name}]",
            f'name = "{v.title}"',
            f"displacement_l = {v.displacement}",
            f"cylinders = {int(float(v.engine.cylinders))}",
            f"altitude_m = {REGION.altitude:.0f}.0",
            f"mass_kg = {float(v.chassis.mass):.1f}",
            f"drag_area_m2 = {float(v.chassis.drag_area):.2f}",
            f'intake_temperature_sensor = "{v.intake_sensor}"',
            # the map is that of the first vehicle's engine
            *(['compressor_map = "compressor_map.toml"'] if v is VEHICLES[0] else []),
            "",
        ]
    path.write_bytes("\n".join(lines).encode("utf-8"))


def main(arguments: list[str]) -> int:
    """Write everything, or the logs of the vehicles named."""
    chosen = [v for v in VEHICLES if not arguments or v.name in arguments]
    write_settings(HERE / "healthtrack.toml")
    write_maintenance(HERE / "maintenance.csv")
    write_truth(HERE / "truth.csv")
    write_map(VEHICLES[0].engine, HERE / "compressor_map")
    for vehicle in chosen:
        print(f"{vehicle.name}: {write_vehicle(vehicle, HERE / 'logs')} drives", flush=True)
    files = [p for p in HERE.rglob("*") if p.is_file() and p.suffix != ".pyc"]
    size = sum(p.stat().st_size for p in files)
    print(f"{size / 1e6:.2f} MB in {HERE.name}/")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

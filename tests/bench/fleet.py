"""A simulated fleet in a store, without logs: what the bench's command is tried on."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack.jobs.workspace import Workspace
from healthtrack.records import Operation, ReadLog, VehicleHistory, Windows
from healthtrack.store import LogEntry

if TYPE_CHECKING:
    from pathlib import Path

    from healthtrack.store import Store

STORY = Story(years=0.8, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=1.5)


def make_fleet(
    root: Path, seed: int, count: int, story: Story = STORY, extra: str = ""
) -> Workspace:
    """Write settings and a store with a sound simulated fleet."""
    rng = np.random.default_rng(seed)
    vehicles = random_fleet(rng, count)
    frames = simulate_fleet(rng, vehicles, story, 24).by_vehicle()
    lines = ["# the analyst's own words stay", extra]
    for vehicle in vehicles:
        lines.append(f"[vehicles.{vehicle.name}]")
        lines += [
            f"{key} = {f'{value!r}' if isinstance(value, str) else value}"
            for key, value in vehicle.settings().items()
        ]
    root.mkdir(parents=True, exist_ok=True)
    (root / "healthtrack.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    workspace = Workspace.load(root)
    with workspace.open_store() as store:
        for vehicle in vehicles:
            mine = frames[vehicle.name]
            history = VehicleHistory(
                vehicle.name, mine.drives, mine.windows, standstills=mine.standstills
            )
            fill(store, history)
    return workspace


def fill(store: Store, history: VehicleHistory) -> None:
    """Put a simulated history into a store, all of it from one log."""
    now = datetime(2026, 1, 1, tzinfo=UTC)
    vehicle = history.vehicle
    entry = LogEntry(f"{vehicle:0>64}", f"{vehicle}.csv", vehicle, now)
    samples = pl.DataFrame(schema={"drive": pl.String, "t": pl.Datetime("us", "UTC")})
    read = ReadLog(samples, history.drives.with_columns(log=pl.lit(entry.sha256)), rows=0)
    pulls = pl.DataFrame(schema={"drive": pl.String, "t": pl.Datetime("us", "UTC")})
    standstills = pl.DataFrame() if history.standstills is None else history.standstills
    found = Operation(Windows(history.windows), standstills, pulls, pl.DataFrame())
    store.add_log(entry, read, found)
    store.add_maintenance(history.maintenance)

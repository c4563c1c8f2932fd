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
from healthtrack.records import Operation, ReadLog, Windows
from healthtrack.store import LogEntry

if TYPE_CHECKING:
    from pathlib import Path

STORY = Story(years=0.8, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=1.5)


def make_fleet(
    root: Path, seed: int, count: int, story: Story = STORY, extra: str = ""
) -> Workspace:
    """Write settings and a store with a sound simulated fleet, one log per drive."""
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
    now = datetime(2026, 1, 1, tzinfo=UTC)
    with workspace.open_store() as store:
        for vehicle in vehicles:
            mine = frames[vehicle.name]
            entry = LogEntry(f"{vehicle.name:0>64}", f"{vehicle.name}.csv", vehicle.name, now)
            samples = pl.DataFrame(schema={"drive": pl.String, "t": pl.Datetime("us", "UTC")})
            drives = mine.drives.with_columns(log=pl.lit(entry.sha256))
            read = ReadLog(samples, drives, rows=0)
            windows = Windows(mine.windows)
            pulls = pl.DataFrame(schema={"drive": pl.String, "t": pl.Datetime("us", "UTC")})
            nothing = pl.DataFrame()
            store.add_log(entry, read, Operation(windows, mine.standstills, pulls, nothing))
    return workspace

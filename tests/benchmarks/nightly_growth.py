"""What a night costs as history grows: one new drive from what was kept, against from the start.

python -m tests.benchmarks.nightly_growth [vehicles] [years ...]

Both in one run, so that only ratios count. The diagnosis is timed apart: it is the same for both
and does not look at the history. Every verdict from what was kept is held against the other one.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np
import polars as pl

from demo_history.simulator.fleet import plan_drives, random_fleet
from demo_history.simulator.frames import simulate_windows
from demo_history.simulator.stories import Story
from healthtrack.chain import judging, kept_from_parts, kept_to_parts, windows_to_read
from healthtrack.chain.following import history_until
from healthtrack.chain.going_on import Asked, Assessed, assess_on, assess_whole
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.records import Diagnosis, VehicleHistory

PER_WEEK = 4.0
NIGHTS = 2
"""Nights per vehicle, each with one new drive; the median counts."""


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def timed(work, *given):
    begun = time.process_time()
    return work(*given), time.process_time() - begun


def history_of(vehicle, seed: int, years: float) -> VehicleHistory:
    story = Story(
        years=years, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=PER_WEEK
    )
    plan = plan_drives(np.random.default_rng(seed), [vehicle], story)
    seen = simulate_windows(np.random.default_rng(seed), [vehicle], plan, 24)
    drives = seen.drives.sort("started")
    return VehicleHistory(vehicle.name, drives, seen.windows, standstills=seen.standstills)


def nights(history: VehicleHistory, settings: VehicleSettings) -> dict[str, list[float]]:
    """Return the times of the last nights. [s]."""
    workspace = WorkspaceSettings()
    days = history.drives["ended"].dt.date().unique().sort().to_list()[-NIGHTS - 1 :]
    asked = [Asked(settings, workspace, day) for day in days]
    kept = assess_whole(history_until(history, days[0]), asked[0]).kept
    found: dict[str, list[float]] = {"kept": [], "stored": [], "whole": [], "bytes": [], "rows": []}
    for one in asked[1:]:
        until = history_until(history, one.as_of)
        assert kept is not None, "nothing was kept"
        wanted = windows_to_read(kept, until)
        part = replace(until, windows=until.windows.filter(pl.col("drive").is_in(wanted)))
        parts, writing = timed(kept_to_parts, kept)
        read, reading = timed(kept_from_parts, parts, settings, workspace)
        going, cost = timed(assess_on, part, one, read)
        whole, before = timed(assess_whole, until, one)
        assert isinstance(going, Assessed), going
        assert going.finding == whole.finding, "not the same verdict"
        found["kept"].append(cost)
        found["stored"].append(writing + reading)
        found["whole"].append(before)
        found["bytes"].append(sum(map(len, parts.values())))
        found["rows"].append(part.windows.height / until.windows.height)
        kept = going.kept
    return found


def main(count: int, years: list[float]) -> None:
    judging.examine = lambda *_: Diagnosis(())  # see above
    vehicles = random_fleet(np.random.default_rng(7), count)
    say("years drives  kept [ms]  reading and writing it [ms]  from the start [ms]  ratio  kB")
    for span in years:
        table: dict[str, list[float]] = {}
        drives = []
        for place, vehicle in enumerate(vehicles):
            history = history_of(vehicle, 700 + place, span)
            drives.append(history.drives.height)
            for name, values in nights(history, VehicleSettings(**vehicle.settings())).items():
                table.setdefault(name, []).extend(values)
        middle = {name: float(np.median(values)) for name, values in table.items()}
        ratio = middle["whole"] / (middle["kept"] + middle["stored"])
        say(
            f"{span:5.1f} {int(np.median(drives)):6d} {1e3 * middle['kept']:10.0f} "
            f"{1e3 * middle['stored']:28.0f} {1e3 * middle['whole']:20.0f} {ratio:6.1f} "
            f"{middle['bytes'] / 1e3:5.0f}"
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 2,
        [float(one) for one in sys.argv[2:]] or [1.0, 2.0, 3.0],
    )

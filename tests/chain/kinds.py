"""Fleets of one engine type with tolerances, other places and drivers: the demo's simulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

from demo_history.simulator.fleet import random_sister, random_vehicle
from demo_history.simulator.frames import simulate_fleet
from healthtrack.config import VehicleSettings
from healthtrack.records import VehicleHistory

if TYPE_CHECKING:
    import numpy as np

    from demo_history.simulator.stories import Story


def of_one_kind(
    rng: np.random.Generator, count: int, story: Story
) -> tuple[VehicleSettings, list[VehicleHistory]]:
    """Return the settings that all share, and their sound histories."""
    kind = random_vehicle(rng, "kind")
    vehicles = [random_sister(rng, kind, f"v{place}") for place in range(count)]
    frames = simulate_fleet(rng, vehicles, story, per_drive=12)
    parts = [frames.of(vehicle.name) for vehicle in vehicles]
    histories = [
        VehicleHistory(
            vehicle.name,
            part.drives.sort("started"),
            part.windows.join(part.drives, on="drive", how="semi"),
        )
        for vehicle, part in zip(vehicles, parts, strict=True)
    ]
    return VehicleSettings(**kind.settings()), histories

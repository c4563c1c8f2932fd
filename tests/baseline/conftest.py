"""Observations of a vehicle whose healthy surface is known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.indicators import ALL

FIRST = datetime(2024, 1, 1, 7, tzinfo=UTC)


@dataclass
class Maker:
    """Makes observations: a smooth surface, an answer to the weather, scatter of two kinds."""

    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(5))
    drive_sd: float = 0.7
    window_sd: float = 1.0
    answer: float = -1.8

    def healthy(self, frame: pl.DataFrame) -> np.ndarray:
        """Return the true healthy value of each row. [%]"""
        speed, demand = frame["engine_speed"].to_numpy(), frame["demand"].to_numpy()
        warmth = frame["ambient_temperature"].to_numpy()
        surface = 4.0 * np.sin(speed / 900.0) + 0.05 * demand
        return surface + self.answer * (warmth - 20.0) / 10.0

    def observe(self, drives: int, windows: int = 20, **changed: object) -> pl.DataFrame:
        """Return observations; ``warmth`` (drives,) in °C, ``first`` the first drive's number.

        ``speed`` and ``demand`` are the ends of their ranges.
        """
        first = int(changed.get("first", 0))
        warmth = np.asarray(changed.get("warmth", self.rng.uniform(5, 30, drives)))
        offset = np.asarray(changed.get("offset", self.rng.normal(0, self.drive_sd, drives)))
        low, high = changed.get("speed", (1200.0, 3000.0))
        demand = changed.get("demand", (20.0, 80.0))
        count = drives * windows
        drive = np.repeat(np.arange(drives), windows)
        at = np.tile(np.arange(windows), drives)
        frame = pl.DataFrame(
            {
                "drive": [f"v/{first + place:04d}" for place in drive],
                "t": [
                    FIRST + timedelta(days=int(first + d), seconds=30 * int(k))
                    for d, k in zip(drive, at, strict=True)
                ],
                "region": ["part_load"] * count,
                "engine_speed": self.rng.uniform(low, high, count),
                "demand": self.rng.uniform(*demand, count),
                "ambient_temperature": warmth[drive].astype(float),
                "ambient_pressure": np.full(count, 98.0),
            }
        )
        y = self.healthy(frame) + offset[drive] + self.rng.normal(0.0, self.window_sd, count)
        return frame.with_columns(y=pl.Series(y))


@pytest.fixture
def maker() -> Maker:
    return Maker()


@pytest.fixture(scope="session")
def airflow():
    return replace(ALL["airflow"], scale="native")

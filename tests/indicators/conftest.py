"""Windows by construction: an engine that obeys speed density exactly."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.operating import empty_windows

LITRES = 2.0
START = datetime(2024, 3, 1, 7, 0, tzinfo=UTC)


@pytest.fixture
def make_windows():
    """Return a function that makes windows of drives with recirculation under 160 kPa."""

    def make(drives=20, each=30, seed=1, **overrides):
        rng = np.random.default_rng(seed)
        count = drives * each
        drive = np.repeat(np.arange(drives), each)
        speed = rng.uniform(1200, 3000, count)
        pressure = rng.uniform(105, 220, count)
        share = np.where(pressure < 160, rng.uniform(0.55, 0.75, count), 1.0)
        swept = pressure * 1e3 / (287.05287 * 313.15) * LITRES / 1e3 * speed / 120 * 1e3
        columns = {
            "drive": [f"otter/{START + timedelta(days=int(d)):%Y-%m-%dT%H:%M:%S}" for d in drive],
            "t": [
                START + timedelta(days=int(d), seconds=6.0 * (i % each))
                for i, d in enumerate(drive)
            ],
            "seconds": np.full(count, 6.0),
            "region": np.where(pressure > 200, "full_load", "part_load"),
            "standing_pressure": np.full(count, 97.0),
            "engine_speed": speed,
            "manifold_pressure": pressure,
            "airflow": 0.9 * share * swept,
            "fuel_per_stroke": (pressure - 90) / 2.5,
            "coolant_temperature": np.full(count, 88.0),
            "ambient_temperature": np.full(count, 15.0),
        } | overrides
        frame = pl.DataFrame(columns, strict=False)
        template = empty_windows()
        return pl.concat([template, frame.cast({"t": pl.Datetime("us", "UTC")})], how="diagonal")

    return make

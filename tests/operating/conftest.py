"""Drives by construction."""

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from healthtrack.channels import CHANNELS

START = datetime(2024, 3, 1, 7, 0, tzinfo=UTC)


@pytest.fixture
def make_drive():
    """Return a function that samples channels, given as functions of time, in turn or together."""

    def make(signals, seconds, *, every=1.0, in_turn=False, drive="otter/2024-03-01T07:00:00"):
        """Signals: name to function of seconds (array) or constant."""
        columns = {}
        if in_turn:
            step = every / len(signals)
            times = np.arange(0.0, seconds, step)
        else:
            times = np.arange(0.0, seconds, every)
        for place, (name, signal) in enumerate(signals.items()):
            values = np.asarray(signal(times) if callable(signal) else np.full(times.size, signal))
            fresh = np.arange(times.size) % len(signals) == place if in_turn else True
            columns[name] = np.where(fresh, values, np.nan)
        stamps = int(START.timestamp() * 1e6) + np.round(times * 1e6).astype(np.int64)
        frame = pl.DataFrame({"t": stamps, **columns}).with_columns(
            pl.col("t").cast(pl.Datetime("us", "UTC")),
            pl.col(list(columns)).cast(pl.Float64).fill_nan(None),
            drive=pl.lit(drive),
        )
        assert set(columns) <= set(CHANNELS)
        return frame.select("drive", "t", *columns)

    return make


@pytest.fixture
def cruise():
    """Return the channels of a warm engine at constant speed and load."""
    return {
        "engine_speed": 2000.0,
        "vehicle_speed": 80.0,
        "manifold_pressure": 150.0,
        "airflow": 30.0,
        "coolant_temperature": 88.0,
        "pedal": 35.0,
    }

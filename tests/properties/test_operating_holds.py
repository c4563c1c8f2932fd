"""What must hold for any samples whatever: nothing raises, nothing is invented."""

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from healthtrack.channels import CHANNELS
from healthtrack.config import VehicleSettings
from healthtrack.indicators import ALL, observable
from healthtrack.operating import PULL_SCHEMA, find_operation
from healthtrack.operating.layout import window_schema

VEHICLE = VehicleSettings(displacement_l=2.0)
START = int(datetime(2024, 3, 1, 7, tzinfo=UTC).timestamp() * 1e6)

# kind of stretch: engine speed, road speed, manifold pressure, airflow, pedal (start and end)
STRETCHES = {
    "off": ((0, 0), (0, 0), (97, 97), (0, 0), (0, 0)),
    "idle": ((820, 820), (0, 0), (98, 98), (8, 8), (0, 0)),
    "cruise": ((2000, 2000), (70, 70), (140, 140), (32, 32), (30, 30)),
    "overrun": ((2200, 1500), (75, 50), (95, 95), (20, 15), (0, 0)),
    "pull": ((1500, 2900), (50, 97), (200, 205), (45, 110), (100, 100)),
    "wrong": ((7900, 0), (0, 290), (21, 449), (900, 0), (100, 0)),
}
NAMES = ("engine_speed", "vehicle_speed", "manifold_pressure", "airflow", "pedal")


@st.composite
def samples(draw):
    """A drive of stretches of any kind, of any spacing, order, gaps and channels."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    spacing = draw(st.sampled_from([0.1, 0.5, 1.0, 1.0, 2.0]))
    kinds = draw(st.lists(st.sampled_from(list(STRETCHES)), min_size=1, max_size=8))
    each = max(1, round(draw(st.sampled_from([0.5, 8.0, 20.0, 40.0])) / spacing))
    rows = each * len(kinds)
    columns = {}
    for place, name in enumerate(NAMES):
        values = np.concatenate(
            [np.linspace(*STRETCHES[kind][place], each, dtype=float) for kind in kinds]
        )
        noise = rng.choice([0.0, 0.002, 0.05])
        columns[name] = values * (1 + noise * rng.normal(size=rows))
    slow = draw(st.lists(st.sampled_from(list(CHANNELS)), unique=True, max_size=8))
    for name in set(slow) - set(NAMES):
        columns[name] = np.full(rows, rng.uniform(CHANNELS[name].low, CHANNELS[name].high))
    columns["coolant_temperature"] = np.full(rows, draw(st.sampled_from([20.0, 88.0, 88.0])))
    for name in draw(st.lists(st.sampled_from(sorted(columns)), max_size=3)):
        columns.pop(name, None)
    unknown = draw(st.sampled_from([0.0, 0.0, 0.1, 0.9]))
    for name, values in columns.items():
        clipped = np.clip(values, CHANNELS[name].low, CHANNELS[name].high)
        columns[name] = np.where(rng.random(rows) < unknown, np.nan, clipped)
    times = np.arange(rows) * spacing
    times += np.cumsum(np.where(rng.random(rows) < 0.002, draw(st.sampled_from([0, 30, 9e3])), 0))
    disorder = draw(st.sampled_from(["none", "none", "shuffled", "doubled"]))
    if disorder == "shuffled":
        rng.shuffle(times)
    elif disorder == "doubled":
        times = np.floor(times)
    frame = pl.DataFrame(
        {"t": START + np.round(times * 1e6).astype(np.int64), **columns}
    ).with_columns(
        pl.col("t").cast(pl.Datetime("us", "UTC")),
        pl.col(list(columns)).fill_nan(None),
        drive=pl.lit("otter/1"),
    )
    return frame.select("drive", "t", *columns)


@pytest.mark.slow
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(samples())
def test_any_samples_give_frames_as_declared_and_no_exception(frame):
    before = frame.clone()
    operation = find_operation(frame, VEHICLE)
    assert frame.equals(before)
    for found in (operation.windows.frame, operation.standstills):
        assert dict(found.schema) == window_schema()
    assert dict(operation.pulls.schema) == PULL_SCHEMA
    floats = pl.selectors.float()
    for found in (operation.windows.frame, operation.standstills, operation.pulls):
        bad = found.select((floats.is_nan() | floats.is_infinite()).any())
        assert not any(bad.row(0)) if found.height else True
    assert all(loss.count > 0 for loss in operation.windows.losses)
    sources = {
        "windows": operation.windows.frame,
        "standstills": operation.standstills,
        "pulls": operation.pulls,
    }
    seen, unseen = observable(operation.windows.frame, VEHICLE)
    assert len(seen) + len(unseen) == len(ALL)
    for indicator in ALL.values():
        observed = indicator.observe(sources[indicator.source], VEHICLE)
        assert observed["y"].is_finite().all()
        assert set(observed["region"].to_list()) <= set(indicator.regions)
        for predictor in indicator.predictors:
            assert observed[predictor].null_count() == 0


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(samples())
def test_means_stay_within_what_was_measured(frame):
    windows = find_operation(frame, VEHICLE).windows.frame
    for name in set(frame.columns) & set(CHANNELS):
        if not windows.height or frame[name].count() == 0:
            continue
        tolerance = 1e-6 * (CHANNELS[name].high - CHANNELS[name].low)
        known = windows[name].drop_nulls()
        assert (known >= frame[name].min() - tolerance).all()
        assert (known <= frame[name].max() + tolerance).all()

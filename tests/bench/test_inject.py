"""Faults at their physical place: what they must move, by construction, and what they must not."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from healthtrack.bench.inject import Injection, engine_of, inject, inject_samples
from healthtrack.chain import process_log
from healthtrack.config import VehicleSettings
from healthtrack.operating import find_operation
from healthtrack.records import VehicleHistory


@pytest.fixture(scope="module")
def half(sound):
    """Return the day in the middle of the sound vehicle's history."""
    days = sorted(set(sound.history.drives["started"].dt.date()))
    return days[len(days) // 2]


def _moved(before, after, name):
    return (after[name] - before[name]).drop_nulls()


def _split(history, day):
    late = history.drives.filter(pl.col("started").dt.date() >= day).select("drive")
    return history.windows.join(late, on="drive", how="semi"), history.windows.join(
        late, on="drive", how="anti"
    )


def test_a_sensor_that_reads_low_moves_its_own_reading_and_nothing_else(sound, half):
    put = inject(sound.history, sound.vehicle, Injection("airflow_sensor_reads_low", -5.0, half))
    late, early = _split(put, half)
    late_before, early_before = _split(sound.history, half)
    assert early.equals(early_before)
    ratio = (late["airflow"] / late_before["airflow"]).drop_nulls()
    assert ratio.min() == pytest.approx(0.95)
    assert ratio.max() == pytest.approx(0.95)
    assert late.drop("airflow").equals(late_before.drop("airflow"))


def test_an_offset_pressure_sensor_is_offset_standing_too(sound, half):
    put = inject(sound.history, sound.vehicle, Injection("manifold_pressure_offset", 3.0, half))
    for frame, before in (
        (put.windows, sound.history.windows),
        (put.standstills, sound.history.standstills),
    ):
        late = frame.join(put.drives, on="drive").filter(pl.col("started").dt.date() >= half)
        was = before.join(put.drives, on="drive").filter(pl.col("started").dt.date() >= half)
        assert _moved(was, late, "manifold_pressure").min() == pytest.approx(3.0)
        assert _moved(was, late, "manifold_pressure").max() == pytest.approx(3.0)


@pytest.mark.published("Isermann, signs of faults of the air path; and by conservation of mass")
@pytest.mark.parametrize(
    ("cause", "size", "airflow", "pressure"),
    [
        ("charge_air_leak", 6.0, 1, -1),
        ("turbocharger_weak", -10.0, -1, -1),
        ("egr_stuck_open", 10.0, -1, None),
        ("charge_cooler_fouled", 12.0, -1, None),
    ],
)
def test_a_fault_of_the_air_path_moves_pressure_and_flow_as_physics_says(
    sound, half, cause, size, airflow, pressure
):
    put = inject(sound.history, sound.vehicle, Injection(cause, size, half, engine=3))
    late, _ = _split(put, half)
    before, _ = _split(sound.history, half)
    boosted = before["region"] != "idle"
    for name, sign in (("airflow", airflow), ("manifold_pressure", pressure)):
        moved = (late[name] / before[name] - 1.0).filter(boosted).drop_nulls().mean()
        if sign is not None:
            assert moved * sign > 0.001, name


def test_a_ramp_grows_day_by_day(sound, half):
    put = inject(
        sound.history, sound.vehicle, Injection("airflow_sensor_reads_low", -8.0, half, days=100)
    )
    truth = Injection("airflow_sensor_reads_low", -8.0, half, days=100).truth("x")
    ratio = (
        put.windows.select("drive", now="airflow")
        .with_columns(before=sound.history.windows["airflow"])
        .join(put.drives, on="drive")
        .group_by("drive")
        .agg((pl.col("now") / pl.col("before")).mean().alias("ratio"), pl.col("started").first())
    )
    for row in ratio.iter_rows(named=True):
        size = truth.size_on(row["started"].date())
        assert row["ratio"] == pytest.approx(1.0 + size / 100.0)


def test_nothing_is_put_in_before_its_day_or_where_there_is_nothing(sound, half):
    late = half + timedelta(days=4000)
    put = inject(sound.history, sound.vehicle, Injection("charge_air_leak", 6.0, late))
    assert put is sound.history


@pytest.mark.slow
@pytest.mark.parametrize(
    ("cause", "size"), [("airflow_sensor_reads_low", -5.0), ("charge_air_leak", 6.0)]
)
def test_written_into_samples_or_into_their_windows_it_is_the_same(
    open_logs, repository, cause, size
):
    from healthtrack import ingest

    vehicle = VehicleSettings(displacement_l=1.6)
    pipelines = tuple(ingest.load_pipelines(repository / "pipelines").values())
    logs = [
        process_log(path, pipelines, "car", vehicle)
        for path in sorted(open_logs.glob("2017-*.csv"))[:4]
    ]
    history = VehicleHistory(
        "car",
        pl.concat([log.read.drives for log in logs], how="diagonal_relaxed"),
        pl.concat([log.windows.frame for log in logs], how="diagonal_relaxed"),
    )
    samples = logs[1].read.samples
    drive = samples["drive"][0]
    put = Injection(cause, size, history.drives["started"].dt.date().min(), engine=engine_of("car"))
    by_windows = inject(history, vehicle, put).windows.filter(pl.col("drive") == drive)
    mine = samples.filter(pl.col("drive") == drive)
    by_samples = find_operation(inject_samples(mine, history, vehicle, put), vehicle).windows.frame
    both = by_windows.join(by_samples, on=["drive", "t"], suffix="_samples")
    assert both.height > 0.8 * by_windows.height
    for name in ("airflow", "manifold_pressure"):
        apart = (both[f"{name}_samples"] / both[name] - 1.0).abs()
        # within the rounding of operating points and what a window averages over: 1/20 of the fault
        assert apart.median() < abs(size) / 100 / 20

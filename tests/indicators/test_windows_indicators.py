import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.indicators import ALL, observable

VEHICLE = VehicleSettings(displacement_l=2.0)


def scaled(frame, channel, gain):
    late = pl.col("drive").rank("dense") > 40
    return frame.with_columns(
        pl.when(late).then(pl.col(channel) * gain).otherwise(pl.col(channel)).alias(channel)
    )


def shift(indicator, healthy, faulty):
    pair = indicator.observe(healthy, VEHICLE).join(
        indicator.observe(faulty, VEHICLE), on=["drive", "t", "region"], suffix="_faulty"
    )
    pair = pair.filter(pl.col("drive").rank("dense") > 40)
    assert pair.height > 100
    return (pair["y_faulty"] - pair["y"]).to_numpy()


def test_an_airflow_sensor_that_reads_8_percent_low_moves_airflow_and_breathing_by_just_that(
    make_windows,
):
    healthy = make_windows(drives=60)
    faulty = scaled(healthy, "airflow", 0.92)
    expected = 100 * np.log(0.92)
    assert shift(ALL["airflow"], healthy, faulty) == pytest.approx(expected)
    assert shift(ALL["breathing"], healthy, faulty) == pytest.approx(expected)
    assert shift(ALL["boost"], healthy, faulty) == pytest.approx(0.0)


def test_a_manifold_pressure_5_percent_low_moves_boost_down_and_breathing_up(make_windows):
    healthy = make_windows(drives=60)
    faulty = scaled(healthy, "manifold_pressure", 0.95)
    assert shift(ALL["boost"], healthy, faulty) == pytest.approx(100 * np.log(0.95))
    assert shift(ALL["breathing"], healthy, faulty) == pytest.approx(-100 * np.log(0.95))
    assert shift(ALL["airflow"], healthy, faulty) == pytest.approx(0.0)


def test_breathing_of_an_engine_that_fills_nine_tenths_is_nine_tenths(make_windows):
    seen = ALL["breathing"].observe(make_windows(), VEHICLE)
    full = seen.filter(pl.col("region") == "full_load")
    assert full["y"].to_numpy() == pytest.approx(100 * np.log(0.9))


def test_a_vehicle_is_told_all_that_an_indicator_lacks(make_windows):
    frame = make_windows(manifold_pressure=None, fuel_per_stroke=None)
    seen, unseen = observable(frame, VEHICLE)
    assert seen == ()
    assert {item.indicator for item in unseen} == set(ALL)
    boost = next(item for item in unseen if item.indicator == "boost")
    assert "manifold pressure" in boost.needs
    assert "pedal" in boost.needs


def test_without_windows_nothing_is_known_to_be_missing(make_windows):
    seen, unseen = observable(make_windows().clear(), VEHICLE)
    assert [indicator.name for indicator in seen] == list(ALL)
    assert unseen == ()


def test_boost_is_seen_without_an_airflow_sensor_and_airflow_without_a_pressure_sensor(
    make_windows,
):
    no_flow, no_pressure = make_windows(airflow=None), make_windows(manifold_pressure=None)
    assert {i.name for i in observable(no_flow, VEHICLE)[0]} & {"airflow", "boost"} == {"boost"}
    assert ALL["boost"].observe(no_flow, VEHICLE).height == 600
    seen = {i.name for i in observable(no_pressure, VEHICLE)[0]}
    assert seen & {"airflow", "boost", "breathing"} == {"airflow"}
    assert ALL["airflow"].observe(no_pressure, VEHICLE).height == 600

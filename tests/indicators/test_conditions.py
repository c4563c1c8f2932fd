import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.indicators.conditions import demand_channel, with_demand, with_surroundings


def test_the_best_measure_of_demand_that_most_windows_hold_is_taken(make_windows):
    assert demand_channel(make_windows()) == "fuel_per_stroke"
    assert demand_channel(make_windows(fuel_per_stroke=None, pedal=40.0)) == "pedal"
    assert demand_channel(make_windows(fuel_per_stroke=None)) is None


def test_a_pedal_at_rest_in_a_moving_vehicle_says_nothing_about_demand(make_windows):
    pedal = pl.Series([14.1, 60.0]).gather([0, 1] * 300)
    frame = with_demand(make_windows(fuel_per_stroke=None, pedal=pedal))
    assert frame["demand"].drop_nulls().unique().to_list() == [60.0]


def test_ambient_pressure_comes_from_the_best_there_is(make_windows):
    vehicle = VehicleSettings(altitude_m=1000.0)
    logged = make_windows(ambient_pressure=95.0)
    assert with_surroundings(logged, vehicle)["ambient_pressure"].unique().to_list() == [95.0]
    stood = make_windows()
    assert with_surroundings(stood, vehicle)["ambient_pressure"].unique().to_list() == [97.0]
    never = make_windows(standing_pressure=None)
    # ISO 2533: 898.76 hPa at 1000 m
    assert with_surroundings(never, vehicle)["ambient_pressure"][0] == pytest.approx(
        89.876, abs=1e-3
    )
    assert with_surroundings(never, VehicleSettings())["ambient_pressure"].is_null().all()


def test_an_intake_sensor_behind_the_cooler_is_no_thermometer_of_the_surroundings(make_windows):
    frame = make_windows(ambient_temperature=None, intake_temperature=45.0)
    behind = VehicleSettings(intake_temperature_sensor="behind_cooler")
    ahead = VehicleSettings(intake_temperature_sensor="ahead_of_compressor")
    assert with_surroundings(frame, behind)["ambient_temperature"].is_null().all()
    assert with_surroundings(frame, ahead)["ambient_temperature"].unique().to_list() == [45.0]

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.indicators import ALL, observable
from healthtrack.indicators.air_box import full_flow, in_air_box
from healthtrack.operating import empty_windows

VEHICLE = VehicleSettings(displacement_l=2.0)
BEHIND = VehicleSettings(displacement_l=2.0, intake_temperature_sensor="behind_cooler")


def names(windows, vehicle):
    return {indicator.name for indicator in observable(windows, vehicle)[0]}


def test_charge_temperature_is_seen_only_with_a_sensor_behind_the_cooler(make_windows):
    road = {"vehicle_speed": 80.0}
    assert "charge_temperature" in names(make_windows(charge_temperature=40.0, **road), VEHICLE)
    assert "charge_temperature" not in names(make_windows(intake_temperature=40.0, **road), VEHICLE)
    assert "charge_temperature" in names(make_windows(intake_temperature=40.0, **road), BEHIND)


def test_charge_temperature_is_counted_from_the_air_outside(make_windows):
    frame = make_windows(charge_temperature=42.0, vehicle_speed=80.0, ambient_temperature=10.0)
    seen = ALL["charge_temperature"].observe(frame, VEHICLE)
    assert seen.height == frame.height
    assert seen["y"].unique().to_list() == [32.0]


@pytest.mark.parametrize("manifold", [110.0, 150.0, 220.0])
def test_thinner_air_warms_the_charge_as_compression_says(manifold):
    """Isentropic work over an efficiency of 0.65 to 0.75, a quarter to a third left behind."""
    answers = {answer.condition: answer for answer in ALL["charge_temperature"].responses}
    prior = answers["ambient_pressure"]

    def rise(ambient):
        return 293.15 * ((manifold / ambient) ** (0.4 / 1.4) - 1.0)

    per_kpa = rise(98.5) - rise(97.5)
    for efficiency, left in ((0.75, 0.25), (0.65, 0.33)):
        assert abs(per_kpa / efficiency * left - prior.mean) < prior.sd


@pytest.fixture
def filtered(make_windows):
    """Return a function that gives windows of a vehicle with a filter of given depression."""

    def make(depression, channel="air_box_pressure", **others):
        frame = make_windows(drives=20, each=60)
        # every other window is one of little flow, as at a junction
        calm = pl.int_range(pl.len()) % 2 == 0
        frame = frame.with_columns(
            airflow=pl.when(calm).then(5.0).otherwise(pl.col("airflow")),
            region=pl.when(calm).then(pl.lit("idle")).otherwise(pl.col("region")),
        )
        full = full_flow(frame)
        density = 97e3 / (287.05287 * 288.15)
        sag = depression * (pl.col("airflow") / full) ** 2 * 1.2 / density
        return frame.with_columns((97.0 - sag).alias(channel), **others)

    return make


@pytest.mark.parametrize("depression", [1.5, 4.0])
def test_the_depression_at_full_flow_is_found_against_a_barometer(filtered, depression):
    frame = filtered(depression, ambient_pressure=pl.lit(97.0))
    seen = ALL["intake_restriction"].observe(frame, VEHICLE)
    assert seen.height > 300
    assert seen["y"].to_numpy() == pytest.approx(depression, rel=1e-6)


def test_without_a_barometer_the_air_box_sensor_is_its_own_in_calm_moments(filtered):
    seen = ALL["intake_restriction"].observe(filtered(3.0), VEHICLE)
    # in the calm moments 5 g/s still cost a little
    assert seen["y"].mean() == pytest.approx(3.0, rel=0.03)


def test_where_the_ambient_sensor_sits_is_settled_from_the_data(filtered, make_windows):
    in_box = filtered(2.5, channel="ambient_pressure")
    assert in_air_box(in_box, VEHICLE)
    rng = np.random.default_rng(3)
    noise = pl.Series(97.0 + rng.normal(0, 0.2, in_box.height).round(1))
    barometer = in_box.with_columns(ambient_pressure=noise)
    assert not in_air_box(barometer, VEHICLE)
    assert "intake_restriction" not in names(barometer, VEHICLE)
    found = ALL["intake_restriction"].observe(in_box, VEHICLE)
    assert found["y"].mean() == pytest.approx(2.5, rel=0.03)


def test_two_sensors_that_differ_while_nothing_moves_show_by_how_much():
    standstills = pl.concat(
        [
            empty_windows(),
            pl.DataFrame(
                {
                    "drive": ["otter/1", "otter/1", "otter/2"],
                    "region": ["key_on", "idle", "key_on"],
                    "manifold_pressure": [98.5, 96.0, 99.0],
                    "ambient_pressure": [97.0, 97.0, None],
                }
            ),
        ],
        how="diagonal",
    )
    seen = ALL["standing_pressure"].observe(standstills, VEHICLE)
    assert seen.select("region", "y").rows() == [("standstill", 1.5), ("idle", -1.0)]

"""Power and ambient correction: standards' forms worked through, and the trade's rules."""

import numpy as np
import pytest

from healthtrack.airpath import mixture, power

POUND_PER_MINUTE = 0.45359237 / 60.0


@pytest.mark.published("ISO 1585 form, worked by hand: F 6 g/s, 2.0 L, 4000 1/min, r 2.2")
def test_the_engine_factor_of_the_worked_example():
    factor = power.engine_factor(6e-3, 2e-3, 4000.0, 2.2)
    assert factor == pytest.approx(0.332727, abs=1e-6)  # q 90.000, qc 40.9091


@pytest.mark.published("ISO 1585 form, worked by hand: 96 kPa dry, 303 K")
@pytest.mark.parametrize(("cooling", "alpha"), [("none_or_air", 1.013906), ("liquid", 1.011104)])
def test_the_ambient_correction_of_the_worked_example(cooling, alpha):
    factor = power.engine_factor(6e-3, 2e-3, 4000.0, 2.2)
    found = power.ambient_correction(96e3, 303.0, factor, cooling=cooling)
    assert found == pytest.approx(alpha, abs=1e-6)


def test_the_engine_factor_stays_at_its_ends_outside_the_range():
    low = power.engine_factor(1e-3, 2e-3, 4000.0, 1.0)
    high = power.engine_factor(12e-3, 2e-3, 4000.0, 1.0)
    assert [float(low), float(high)] == [0.3, 1.2]


def test_outside_its_validity_the_standard_gives_no_number():
    assert np.isnan(power.ambient_correction(60e3, 320.0, 1.2))
    assert power.ambient_correction(99e3, 298.0, 1.2) == pytest.approx(1.0)


@pytest.mark.published("common practice, no source: about 10 hp per lb/min")
def test_a_pound_of_air_a_minute_is_ten_horsepower():
    assert power.power_from_airflow_rule(POUND_PER_MINUTE) / 745.6999 == pytest.approx(10.0)


def test_a_diesel_makes_7_to_9_horsepower_of_it_and_a_petrol_engine_10():
    # pounds per horsepower hour to kg/J
    bsfc = 0.45359237 / (745.6999 * 3600)
    made = [
        float(power.power_from_airflow(POUND_PER_MINUTE, ratio, consumption * bsfc)) / 745.6999
        for ratio, consumption in ((12.0, 0.5), (22.0, 0.38), (19.0, 0.36))
    ]
    assert made == pytest.approx([10.0, 7.2, 8.8], abs=0.05)


def test_road_load_at_100_km_h_is_that_worked_out_by_hand():
    # 1500 kg, 0.01, 0.70 m², 1.2 kg/m³: 147.10 N rolling + 324.07 N drag = 471.17 N
    load = power.RoadLoad(1500.0, 0.01, 0.70, 0.0)
    speed = 100.0 / 3.6
    found = power.power_from_acceleration(speed, 0.0, load)
    assert found == pytest.approx(13_088.0, abs=0.5)
    assert found / speed == pytest.approx(471.17, abs=0.01)


def test_a_climb_and_an_acceleration_cost_their_weight():
    load = power.RoadLoad(1500.0, 0.0, 0.0, 0.0)
    assert power.power_from_acceleration(20.0, 1.0, load) == pytest.approx(30_000.0)
    climb = power.power_from_acceleration(20.0, 0.0, load, slope=0.05)
    assert climb == pytest.approx(20.0 * 1500.0 * 9.80665 * np.sin(np.arctan(0.05)))


@pytest.mark.published("Heywood 1988, eq. 3.6 and table D.4: 14.5 for light diesel CH1.8")
@pytest.mark.parametrize(("hydrogen", "ratio"), [(1.8, 14.5), (1.7, 14.4), (1.87, 14.6)])
def test_the_stoichiometric_ratios_of_the_handbook(hydrogen, ratio):
    assert mixture.stoichiometric_ratio(hydrogen) == pytest.approx(ratio, abs=0.05)


def test_air_over_fuel_and_fuel_from_strokes():
    # four cylinders, 2000 1/min: 66.7 injections a second of 30 mg are 2.0 g/s
    fuel = mixture.fuel_flow(30e-6, 2000.0, 4)
    assert fuel == pytest.approx(2.0e-3)
    assert mixture.air_fuel_ratio(0.04, fuel) == pytest.approx(20.0)
    assert np.isnan(mixture.air_fuel_ratio(0.04, 0.0))

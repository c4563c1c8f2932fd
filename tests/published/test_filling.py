"""Speed density, with numbers worked through from the handbook's equation."""

import pytest

from healthtrack.airpath.engine import swept_flow, volumetric_efficiency


@pytest.mark.published("Heywood 1988, eq. 2.27: η = 2·W/(ρ·V·n), worked by hand")
def test_a_tenth_of_a_kilogram_a_second_at_two_bar_fills_two_litres_to_92_percent():
    # 0.100 kg/s, 200 kPa, 320 K, 2.0 L, 3000 1/min, R = 287.05 J/(kg·K): 0.91856
    found = volumetric_efficiency(0.100, swept_flow(2.0e-3, 3000.0, 200e3, 320.0))
    assert found == pytest.approx(0.91856, abs=2e-5)


@pytest.mark.published("Heywood 1988, eq. 2.27, worked by hand")
def test_the_flow_of_a_known_efficiency_comes_back():
    # η 0.90, 180 kPa, 313.15 K, 2.0 L, 2500 1/min: 0.0750920 kg/s
    flow = 0.90 * swept_flow(2.0e-3, 2500.0, 180e3, 313.15)
    assert flow == pytest.approx(0.0750920, abs=1e-6)


@pytest.mark.published("40 CFR 1065.930: intake flow = displacement · speed · filling · p/T")
def test_flow_goes_with_pressure_over_temperature_as_the_regulations_check_of_a_sensor_has_it():
    cold = swept_flow(2.0e-3, 800.0, 100e3, 300.0)
    assert swept_flow(2.0e-3, 800.0, 110e3, 330.0) == pytest.approx(float(cold), rel=1e-12)
    assert swept_flow(4.0e-3, 400.0, 100e3, 300.0) == pytest.approx(float(cold), rel=1e-12)

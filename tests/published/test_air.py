"""Printed numbers for the state of air: ISO 2533, WMO."""

import numpy as np
import pytest
from fluids import ATMOSPHERE_1976, isentropic_T_rise_compression

from healthtrack.airpath import atmosphere, compressor, gas

# ISO 2533:1975, table 1 (geometric altitude): altitude m, temperature K, pressure hPa.
# Temperatures and pressures as in the ICAO/ISO tables; sea level and 500 m to 5 000 m.
ISO_2533 = [
    (0.0, 288.150, 1013.25),
    (500.0, 284.900, 954.61),
    (1000.0, 281.651, 898.76),
    (1500.0, 278.402, 845.60),
    (2000.0, 275.154, 795.01),
    (2500.0, 271.906, 746.92),
    (3000.0, 268.659, 701.21),
    (4000.0, 262.166, 616.60),
    (5000.0, 255.676, 540.48),
]


@pytest.mark.published("ISO 2533:1975, table 1")
@pytest.mark.parametrize(("altitude", "temperature", "pressure"), ISO_2533)
def test_the_standard_atmosphere_is_that_of_the_table(altitude, temperature, pressure):
    height = atmosphere.geopotential_height(altitude)
    # half of the last printed digit
    assert atmosphere.standard_temperature(height) == pytest.approx(temperature, abs=0.0005)
    assert atmosphere.standard_pressure(height) / 100 == pytest.approx(pressure, abs=0.0051)


@pytest.mark.parametrize("altitude", [0.0, 137.0, 950.0, 1500.0, 2750.0, 4999.0])
def test_an_independent_library_has_the_same_atmosphere(altitude):
    # the library `fluids`: US Standard Atmosphere 1976, the same as ISO 2533 below 32 km but for
    # the gas constant's last digits
    theirs = ATMOSPHERE_1976(altitude)
    height = atmosphere.geopotential_height(altitude)
    temperature = atmosphere.standard_temperature(height)
    pressure = atmosphere.standard_pressure(height)
    assert temperature == pytest.approx(theirs.T, abs=0.001)
    assert pressure == pytest.approx(theirs.P, rel=2e-5)
    assert gas.density(pressure, temperature) == pytest.approx(theirs.rho, rel=5e-5)


@pytest.mark.parametrize(("ratio", "efficiency"), [(1.28, 0.65), (2.0, 0.70), (2.5, 0.75)])
def test_an_independent_library_has_the_same_outlet_temperature(ratio, efficiency):
    theirs = isentropic_T_rise_compression(298.15, 1e5, ratio * 1e5, 1.4, efficiency)
    assert compressor.outlet_temperature(298.15, ratio, efficiency) == pytest.approx(
        theirs, rel=1e-4
    )


@pytest.mark.published("ISO 2533:1975, sea level")
def test_density_at_sea_level_is_1_225():
    assert gas.density(101_325.0, 288.15) == pytest.approx(1.2250, abs=0.00005)


@pytest.mark.published("WMO-No. 8, annex 4.B: saturation vapour pressure over water")
@pytest.mark.parametrize(("celsius", "pascal"), [(0.0, 611.2), (20.0, 2332.6), (30.0, 4233.7)])
def test_water_vapour_saturates_where_the_guide_says(celsius, pascal):
    assert gas.saturation_pressure(celsius + 273.15) == pytest.approx(pascal, rel=1e-4)


def test_humid_air_is_lighter_than_dry_air_and_dry_air_is_the_limit():
    dry = gas.density(101_325.0, 298.15)
    assert gas.humid_density(101_325.0, 298.15, 0.0) == pytest.approx(float(dry))
    humid = gas.humid_density(101_325.0, 298.15, np.array([0.25, 0.5, 1.0]))
    assert (np.diff(humid) < 0).all()
    assert humid[1] == pytest.approx(
        1.1769, abs=0.0005
    )  # 0.6 % under dry, CIPM-2007 1.1767 [memory]

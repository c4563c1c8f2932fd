"""Worked examples of compressor physics, and what the common references do to flow."""

import numpy as np
import pytest

from healthtrack.airpath import compressor
from healthtrack.airpath.compressor import Reference

GAS_STAND = Reference(298.15, 100e3)
STANDARD_DAY = Reference(288.15, 101_325.0)
FEET_AND_POUNDS = Reference(545.0 / 1.8, 13.95 * 6894.757293168)

POUNDS_PER_MINUTE = 60.0 / 0.45359237


@pytest.mark.published("W·√θ/δ (Heywood 1988, eq. 6.53) written out by hand for each reference")
@pytest.mark.parametrize(
    ("reference", "kilograms", "pounds"),
    [
        (GAS_STAND, 0.157211, 20.7955),
        (STANDARD_DAY, 0.162035, 21.4335),
        (FEET_AND_POUNDS, 0.150049, 19.8480),
    ],
)
def test_flow_is_corrected_to_three_references(reference, kilograms, pounds):
    flow = compressor.corrected_flow(0.15, 308.15, 97.0e3, reference)
    assert flow == pytest.approx(kilograms, abs=6e-7)  # half of the last digit, and rounding
    assert flow * POUNDS_PER_MINUTE == pytest.approx(pounds, abs=6e-5)


def test_maps_on_common_references_differ_by_3_to_8_percent_in_flow():
    to_standard = compressor.rereferenced(1.0, GAS_STAND, STANDARD_DAY)
    to_pounds = compressor.rereferenced(1.0, GAS_STAND, FEET_AND_POUNDS)
    assert to_standard == pytest.approx(1.030682, abs=1e-6)
    assert to_pounds == pytest.approx(0.954440, abs=1e-6)
    assert to_standard / to_pounds == pytest.approx(1.08, abs=0.005)


def test_correction_at_the_reference_itself_changes_nothing():
    assert compressor.corrected_flow(0.1, 298.15, 100e3, GAS_STAND) == pytest.approx(0.1)
    assert compressor.corrected_speed(1e5, 298.15, GAS_STAND) == pytest.approx(1e5)


@pytest.mark.published("Çengel and Cimbala, Fluid Mechanics, example 12-1 (printed from memory)")
def test_a_diffuser_and_a_compressor_of_ratio_8_give_the_textbooks_temperature_and_work():
    # 250 m/s at 54.05 kPa and 255.7 K: stagnation 286.8 K, 80.77 kPa; then isentropic ratio 8
    stagnation = 255.7 + 250.0**2 / (2 * 1005.0)
    assert stagnation == pytest.approx(286.8, abs=0.05)
    outlet = compressor.outlet_temperature(stagnation, 8.0, 1.0)
    assert outlet == pytest.approx(519.5, abs=0.1)
    assert compressor.shaft_power(1.0, stagnation, outlet) / 1e3 == pytest.approx(233.9, abs=0.1)


@pytest.mark.published("NASA TP-1659 / Suder 1995: rotor 37, ratio 2.056 at efficiency 0.876")
def test_the_temperature_ratio_of_a_transonic_rotor_is_near_the_measured_one():
    # measured total temperature ratio 1.270 [memory]; γ = 1.4 constant gives 1.261
    assert compressor.outlet_temperature(1.0, 2.056, 0.876) == pytest.approx(1.265, abs=0.006)


@pytest.mark.published("CoolProp 8, air by Lemmon's equation of state: 369.57 K")
def test_real_gas_air_agrees_within_a_quarter_of_a_percent_of_the_rise():
    ideal = compressor.outlet_temperature(293.15, 1.8, 0.70) - 293.15
    assert ideal == pytest.approx(369.57 - 293.15, rel=0.0025)


@pytest.mark.parametrize(
    ("inlet", "ratio", "efficiency", "outlet"),
    [
        # T1(1 + (π^0.285714 − 1)/η) worked by hand
        (298.15, 2.0, 0.70, 391.43),
        (298.15, 2.5, 0.75, 417.12),
        (303.15, 1.8, 0.72, 380.14),
        (300.0, 8.0, 0.80, 604.29),
    ],
)
def test_outlet_temperatures_worked_by_hand(inlet, ratio, efficiency, outlet):
    found = compressor.outlet_temperature(inlet, ratio, efficiency)
    assert found == pytest.approx(outlet, abs=0.006)


def test_efficiency_undoes_outlet_temperature():
    ratio = np.array([1.2, 1.8, 2.5])
    outlet = compressor.outlet_temperature(300.0, ratio, 0.71)
    assert compressor.isentropic_efficiency(300.0, outlet, ratio) == pytest.approx(0.71)
    assert np.isnan(compressor.isentropic_efficiency(300.0, 299.0, 1.5))


@pytest.mark.published("choked flow function of air, √γ(2/(γ+1))^((γ+1)/2(γ−1)) = 0.6847")
def test_a_choked_opening_passes_the_textbooks_flow():
    flow = compressor.choked_flow(1e-4, 200e3, 320.0)
    assert flow * np.sqrt(287.05287 * 320.0) / (1e-4 * 200e3) == pytest.approx(0.684731, abs=1e-6)

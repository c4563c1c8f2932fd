import numpy as np
import pytest

from healthtrack.airpath.engine import swept_flow, volumetric_efficiency


def test_an_engine_that_fills_itself_has_an_efficiency_of_one():
    swept = swept_flow(2.0e-3, 3000.0, 200e3, 320.0)
    assert volumetric_efficiency(swept, swept) == pytest.approx(1.0)


def test_speed_density_agrees_with_the_formula_written_out_by_hand():
    # η = 120 W R T / (p V n): 0.100 kg/s, 200 kPa, 320 K, 2.0 L, 3000 1/min (Heywood eq. 2.27)
    by_hand = 120 * 0.100 * 287.05287 * 320 / (200e3 * 2.0e-3 * 3000)
    eta = volumetric_efficiency(0.100, swept_flow(2.0e-3, 3000.0, 200e3, 320.0))
    assert eta == pytest.approx(by_hand, rel=1e-12)
    assert eta == pytest.approx(0.9186, abs=0.0001)


def test_efficiency_answers_in_proportion_to_flow_and_temperature_and_inversely_to_pressure():
    base = volumetric_efficiency(0.1, swept_flow(2e-3, 2000.0, 150e3, 310.0))
    assert volumetric_efficiency(0.101, swept_flow(2e-3, 2000.0, 150e3, 310.0)) == pytest.approx(
        float(base) * 1.01
    )
    assert volumetric_efficiency(0.1, swept_flow(2e-3, 2000.0, 150e3, 341.0)) == pytest.approx(
        float(base) * 1.1
    )
    assert volumetric_efficiency(0.1, swept_flow(2e-3, 2000.0, 300e3, 310.0)) == pytest.approx(
        float(base) / 2
    )


def test_a_standing_engine_has_no_efficiency():
    assert np.isnan(volumetric_efficiency(0.01, swept_flow(2e-3, 0.0, 100e3, 300.0)))

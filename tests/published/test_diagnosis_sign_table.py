"""Signs of the mean-value model and of the signatures against a published table.

R. Isermann, *Combustion Engine Diagnosis*, Springer 2017: Table 5.4.1 (p. 181, pressures behind the
compressor p2 and ahead of the turbine p3, measured less reference) and Table 5.1.1 (p. 147, the
apparent volumetric efficiency). In Table 5.1.1 the sign is taken to be reference less measured:
recirculation admits gas that no sensor meters and must *lower* the measured efficiency, and the
table prints ++ for it. It is turned round here. A sign of 0 says "under the threshold", and is not
tested.
"""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.airpath.engine_parts import Engine, Fault, Point
from healthtrack.airpath.mean_value import solve, solve_healthy, surplus
from healthtrack.diagnosis.signatures import INDICATORS, Setting, signatures

SETTING = Setting(
    regions=("idle", "part_load_recirculation", "part_load_closed", "full_load"),
    engine_speed=(800.0, 1700.0, 2000.0, 2400.0),
    pressure_ratio=(1.0, 1.25, 1.5, 2.0),
    ambient_pressure=(99.0, 99.0, 99.0, 99.0),
    cooled_reading=True,
)


@pytest.fixture(scope="module")
def controlled():
    # the table's engine closes its vanes as boost falls; how firmly is not printed
    engine = Engine(boost_control=0.6, boost_reserve=0.3, cooler_loss=10.0, compressor_slope=0.2)
    return solve_healthy(engine, Point(2000.0, 1.7, 1.9))


def powers(state, healthy, fault):
    """Return compressor power, and pressures behind the compressor and ahead of the turbine."""
    return np.array(
        [
            surplus(healthy, fault, state.manifold_pressure, state.area * 1e6)[()] * -1.0,
            state.manifold_pressure,
            state.exhaust_pressure,
        ]
    )


@pytest.mark.published("Isermann 2017, Table 5.4.1: air filter, p2 −; leak of 5 and 7 mm, p2 −")
@pytest.mark.parametrize("fault", [Fault(restriction=2.0), Fault(leak=5.0), Fault(leak=9.0)])
def test_boost_falls_with_a_restricted_filter_and_with_leaks(controlled, fault):
    assert solve(controlled, fault).manifold_pressure < controlled.pressure * 0.999


@pytest.mark.published("Isermann 2017, Table 5.4.1: leak of 5 mm P_c 0, of 7 mm P_c and P_t +")
def test_a_larger_leak_makes_the_compressor_work_more(controlled):
    fault = Fault(leak=9.0)
    # a turbine area without end gives no power: what is left is the compressor's
    sound = powers(solve(controlled, Fault()), controlled, Fault())
    leaking = powers(solve(controlled, fault), controlled, fault)
    assert leaking[0] > sound[0]


@pytest.mark.published("Isermann 2017, Table 5.4.1: high-pressure recirculation blocked, p3 +")
def test_recirculation_blocked_raises_the_pressure_ahead_of_the_turbine():
    open_valve = Point(1700.0, 1.25, 2.2, 0.2)
    healthy = solve_healthy(Engine(boost_control=0.0), open_valve)
    blocked = solve(healthy, Fault(recirculation=-20.0))
    assert blocked.exhaust_pressure > healthy.exhaust_pressure


def effect(cause: str, indicator: str, step: int = 3) -> np.ndarray:
    """Mean effect over engines, per region, at the cause's own scale."""
    signature = signatures(SETTING)[cause][-1]
    return signature.effect[:, step, INDICATORS.index(indicator)].mean(axis=0)


def test_apparent_efficiency_answers_as_table_511_says():
    # leak between cooler and engine: printed −, so measured is above reference
    assert (effect("charge_air_leak", "breathing")[1:] > 0).all()
    # recirculation stuck open or leaky: printed ++ and +, so measured is below reference
    assert (effect("egr_stuck_open", "breathing") < 0).all()


def test_pure_sensor_errors_follow_the_exact_log_derivatives():
    # d ln(efficiency) = d ln(airflow) + d ln(T) − d ln(pressure): 40 CFR 1065.930's relation
    engine = Engine()  # mapped vane and valve, an airflow error that is a gain
    healthy = solve_healthy(engine, Point(2400.0, 2.0, 1.6))
    sound = solve(healthy, Fault())

    def change(fault: Fault, name: str) -> float:
        state = solve(healthy, fault)
        return 100.0 * float(np.log(getattr(state, name) / getattr(sound, name)))

    assert change(Fault(airflow_reading=-4.0), "measured_airflow") == pytest.approx(
        100 * np.log(0.96), abs=1e-6
    )
    # 2 kPa on 200 kPa is 1 %
    assert change(Fault(pressure_offset=1.98), "measured_pressure") == pytest.approx(
        100 * np.log(1.01),
        abs=1e-3,  # the solver's tolerance
    )
    warm = solve(healthy, Fault(temperature_offset=3.0))
    assert float(warm.measured_temperature - sound.measured_temperature) == pytest.approx(3.0)


def test_a_pressure_offset_moves_breathing_by_its_share_of_the_pressure():
    offset = signatures(SETTING)["manifold_pressure_offset"][-1]
    mapped = np.abs(offset.effect[:, 3, INDICATORS.index("airflow"), 3]) < 1e-3
    seen = offset.effect[mapped, 3, INDICATORS.index("breathing"), 3]
    assert mapped.any()
    # the baseline over pressure knows that the charge is warmer at more boost: hence 10 %
    np.testing.assert_allclose(seen, -100 * np.log(1 + offset.sizes[3] / 198.0), rtol=0.1)


def test_a_warm_reading_moves_breathing_by_its_share_of_the_temperature():
    warm = signatures(SETTING)["charge_temperature_offset"][-1]
    seen = warm.effect[:, 3, INDICATORS.index("breathing"), 3]
    # 3 K at 320 K is 0.94 %
    np.testing.assert_allclose(seen, 100 * np.log(1 + warm.sizes[3] / 320.0), rtol=0.1)

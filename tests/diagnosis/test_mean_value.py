from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from healthtrack.airpath import mean_value
from healthtrack.airpath.cooler import counterflow_effectiveness
from healthtrack.airpath.engine_parts import Engine, Fault, Point
from healthtrack.airpath.mean_value import IDLING, orifice, solve, solve_healthy
from healthtrack.diagnosis.engines import place, plausible

POINTS = {
    "recirculation": Point(1700.0, 1.25, 2.2, 0.2),
    "closed": Point(2000.0, 1.5, 2.0),
    "full": Point(2800.0, 2.2, 1.35, 0.0, 1.0),
}


@pytest.mark.parametrize("point", POINTS.values(), ids=POINTS)
@pytest.mark.parametrize("control", [0.0, 0.5, 1.0])
def test_without_a_fault_the_engine_stays_where_it_was(point, control):
    healthy = solve_healthy(Engine(boost_control=control, airflow_control=control), point)
    state = solve(healthy, Fault())
    np.testing.assert_allclose(state.measured_airflow, healthy.airflow, rtol=1e-4)
    np.testing.assert_allclose(state.measured_pressure, healthy.pressure, rtol=1e-4)
    np.testing.assert_allclose(state.measured_temperature, healthy.charge_temperature, rtol=1e-4)


@given(
    loss=st.floats(0.0, 20.0),
    leak=st.floats(0.0, 15.0),
    filter_kpa=st.floats(0.0, 4.0),
)
@settings(max_examples=25, deadline=None)
def test_a_mapped_turbine_area_is_kept(loss, leak, filter_kpa):
    healthy = solve_healthy(Engine(), POINTS["closed"])
    state = solve(healthy, Fault(turbocharger_loss=loss, leak=leak, restriction=filter_kpa))
    assert state.area == pytest.approx(healthy.area, rel=1e-3)


def test_a_held_boost_pressure_hides_a_weak_turbocharger_until_the_reserve_is_used_up():
    healthy = solve_healthy(Engine(boost_control=1.0, boost_reserve=0.1), POINTS["full"])
    small, large = (solve(healthy, Fault(turbocharger_loss=loss)) for loss in (3.0, 30.0))
    assert small.manifold_pressure == pytest.approx(healthy.pressure, rel=1e-4)
    assert large.manifold_pressure < 0.97 * healthy.pressure


def test_a_valve_that_holds_the_measured_airflow_hides_a_dirty_sensor():
    healthy = solve_healthy(Engine(airflow_control=1.0), POINTS["recirculation"])
    state = solve(healthy, Fault(airflow_reading=-5.0))
    assert state.measured_airflow == pytest.approx(healthy.airflow, rel=1e-3)
    assert state.airflow == pytest.approx(healthy.airflow / 0.95, rel=1e-3)


def test_a_held_reading_turns_a_sensor_offset_into_real_pressure():
    healthy = solve_healthy(Engine(boost_control=1.0, boost_reserve=0.3), POINTS["closed"])
    state = solve(healthy, Fault(pressure_offset=3.0))
    assert state.measured_pressure == pytest.approx(healthy.pressure, rel=1e-4)
    assert state.manifold_pressure == pytest.approx(healthy.pressure - 3.0, rel=1e-4)


def test_a_leak_of_ten_percent_loses_ten_percent_at_full_boost():
    engine = Engine(full_speed=2800.0, full_pressure_ratio=2.2, boost_control=1.0, cooler_loss=0.0)
    healthy = solve_healthy(engine, Point(2800.0, 2.2, 1.35, 0.0, 1.0))
    state = solve(healthy, Fault(leak=10.0))
    # 10 % of the nominal full flow, which assumes a charge 35 K over ambient
    assert float(state.airflow / healthy.airflow - 1.0) == pytest.approx(0.10, abs=0.015)


def test_an_idling_turbocharger_leaves_the_manifold_to_the_intake():
    healthy = solve_healthy(Engine(), Point(800.0, 1.0, 5.0))
    assert float(healthy.point.pressure_ratio) < IDLING
    state = solve(healthy, Fault(turbocharger_loss=20.0, leak=10.0))
    assert state.measured_airflow == pytest.approx(healthy.airflow, rel=0.05)


def test_an_orifice_chokes_at_the_critical_ratio():
    # 0.684731 and 0.528282: choked air at γ = 1.4 (any gas-dynamics table)
    assert orifice(200.0, 100.0) == pytest.approx(0.684731, rel=1e-5)
    assert orifice(200.0, 0.528282 * 200.0) == pytest.approx(0.684731, rel=1e-5)
    assert orifice(100.0, 100.0) == 0.0


def test_extra_restriction_reads_as_such_whatever_the_flow():
    for point in POINTS.values():
        healthy = solve_healthy(Engine(), point)
        before, after = solve(healthy, Fault()), solve(healthy, Fault(restriction=1.5))
        assert float(after.restriction - before.restriction) == pytest.approx(1.5, abs=0.02)


def test_every_plausible_engine_has_a_plausible_healthy_state():
    regions = ("idle", "part_load_recirculation", "part_load_closed", "full_load")
    unknown = np.zeros(4)
    engines = plausible()
    healthy = solve_healthy(*place(engines, regions, unknown, unknown, unknown))
    assert np.isfinite(healthy.area).all()
    assert (healthy.exhaust_temperature[:, 3] < 1250.0).all()  # a diesel's limit, some 1100 K
    assert (healthy.exhaust_temperature[:, 0] > 320.0).all()
    assert (healthy.exhaust_pressure[:, 3] < 520.0).all()


def test_the_same_seed_draws_the_same_engines_and_another_seed_others():
    one, same, other = plausible(), plausible(), plausible(seed=3)
    np.testing.assert_array_equal(one.engine.cooler_loss, same.engine.cooler_loss)
    assert not np.array_equal(one.engine.cooler_loss, other.engine.cooler_loss)


def test_a_charge_a_hundredth_warmer_fills_with_the_root_of_it_where_all_heat_is_the_walls():
    # Heywood 1988, section 6.2.4: the efficiency goes as √T, so the flow as 1/√T (from memory)
    point = POINTS["closed"]
    engines = [
        Engine(filling_warmth=exponent, cooler_effectiveness=0.75) for exponent in (0.0, 0.5)
    ]
    flows, temperatures = [], []
    for engine in engines:
        fouled = solve(solve_healthy(engine, point), Fault(cooler_loss=25.0))
        sound = solve_healthy(engine, point)
        pressure = fouled.manifold_pressure / sound.pressure
        flows.append(np.log(fouled.airflow / sound.airflow / pressure))
        temperatures.append(np.log(fouled.charge_temperature / sound.charge_temperature))
    exponents = np.array(flows) / np.array(temperatures)
    np.testing.assert_allclose(exponents, [-1.0, -0.5], rtol=1e-3)


def cooled(engine: Engine, relative: float, fault: Fault) -> float:
    point = Point(2000.0, 2.0, 1.4, ambient_temperature=290.0)
    charge = mean_value._cooled(engine, point, np.array(390.0), np.array(relative), fault)
    return float(390.0 - charge)


@pytest.mark.parametrize("law", [0.2, 1.0])
@pytest.mark.parametrize("relative", [1.0, 0.5, 0.25])
def test_the_charge_cooler_cools_by_its_transfer_units(law, relative):
    engine = Engine(cooler_effectiveness=1.0 - np.exp(-1.2), cooler_law=law)
    units = 1.2 * relative**-law
    sound = 100.0 * counterflow_effectiveness(units, 0.0)
    assert cooled(engine, relative, Fault()) == pytest.approx(sound)


def test_a_fouled_cooler_loses_its_points_at_full_flow_and_fewer_at_part_load():
    engine = Engine(cooler_effectiveness=0.8, cooler_law=0.5)
    lost = [
        cooled(engine, relative, Fault()) - cooled(engine, relative, Fault(cooler_loss=15.0))
        for relative in (1.0, 0.5, 0.2)
    ]
    assert lost[0] == pytest.approx(15.0)
    assert lost == sorted(lost, reverse=True)
    # 100 K of which 0.2 and 0.35 are left at full flow, each to the power of 0.2 ** -0.5
    assert lost[2] == pytest.approx(100.0 * (0.35**5**0.5 - 0.2**5**0.5))


def test_a_liquid_circuit_cools_to_its_own_temperature():
    engine = Engine(cooler_effectiveness=0.8, cooler_sink=20.0)
    assert cooled(engine, 1.0, Fault()) == pytest.approx(0.8 * 80.0)
    healthy = solve_healthy(engine, POINTS["closed"])
    same = solve(healthy, Fault())
    assert float(same.charge_temperature) == pytest.approx(float(healthy.charge_temperature))


def test_residual_gas_takes_the_room_that_an_ideal_cycle_says():
    # Heywood 1988, eq. 6.2 (from memory): d ηv / d(pe/pi) = -1/(γ(r - 1)); r 17, γ 1.35
    slope = 1.0 / (1.35 * 16.0)
    assert slope == pytest.approx(0.046, abs=5e-4)
    assert plausible().engine.filling_residual.max() <= slope
    point = POINTS["closed"]
    with_it, without = (
        solve_healthy(Engine(filling_residual=value), point) for value in (slope, 0.0)
    )
    left = 1.0 - slope * (with_it.exhaust_pressure / with_it.pressure - 1.0)
    same_gas = without.charge_temperature / with_it.charge_temperature
    assert with_it.airflow / without.airflow == pytest.approx(left * same_gas, rel=1e-3)

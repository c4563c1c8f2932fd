"""The mean-value model against a published engine model.

Steady states computed from the published parameters of the three-state turbodiesel model with
recirculation and variable-geometry turbine: J. Wahlström & L. Eriksson, "Modelling diesel engines
with a variable-geometry turbocharger and exhaust gas recirculation by optimization of model
parameters for capturing non-linear system dynamics", Proc. IMechE Part D 225(7), 2011 (12.7 L, six
cylinders, open loop). The leak is an added term, not in the paper. Only what the test needs is
copied.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from healthtrack.airpath.engine_parts import Engine, Fault, Point
from healthtrack.airpath.mean_value import solve, solve_healthy

DISPLACEMENT = 12.7
# n_e [rpm], p_im [kPa], p_em [kPa], W_c [g/s], eta_vol, T_em [K], excess air (lam)
HEALTHY = np.array(
    [
        [1200, 128.565, 143.746, 181.427, 0.95567, 571.27, 3.45891],
        [1200, 173.512, 188.242, 241.762, 0.94360, 707.11, 2.30460],
        [1200, 184.470, 178.707, 256.296, 0.94090, 837.52, 1.62877],
        [1500, 152.099, 182.694, 262.504, 0.93503, 568.67, 4.00372],
        [1500, 178.855, 191.023, 306.419, 0.92818, 714.91, 2.33676],
        [1500, 240.617, 251.979, 405.981, 0.91411, 776.60, 2.06401],
        [1800, 143.623, 170.832, 294.127, 0.92459, 588.35, 3.73837],
        [1800, 208.114, 246.198, 418.790, 0.90851, 703.12, 2.66142],
        [1800, 267.938, 323.861, 531.584, 0.89573, 782.14, 2.25215],
    ]
)
# the same points with compressor efficiency -5 %: p_im [kPa], W_c [g/s]
WEAK = np.array(
    [
        [123.758, 174.901],
        [161.953, 226.360],
        [171.995, 239.746],
        [143.580, 248.412],
        [167.087, 287.167],
        [220.438, 373.713],
        [136.542, 280.221],
        [193.442, 390.726],
        [249.760, 497.578],
    ]
)
# and with a small charge-air leak
LEAK = np.array(
    [
        [125.866, 182.716],
        [162.655, 239.606],
        [171.976, 253.893],
        [145.806, 261.039],
        [168.106, 302.236],
        [216.426, 390.331],
        [138.789, 292.174],
        [191.453, 404.977],
        [238.632, 504.152],
    ]
)


@pytest.fixture(scope="module")
def healthy():
    speed, manifold, _, _, filling, _, excess = HEALTHY.T
    # the paper's engine: ideal charge cooling to 300 K, no intake losses, no back pressure
    engine = Engine(
        volumetric_efficiency=filling,
        compressor_efficiency=0.735,
        compressor_slope=0.25,
        compressor_width=0.8,
        full_pressure_ratio=3.0,
        full_speed=1800.0,
        turbine_efficiency=0.78,
        back_pressure=1.0,
        cooler_effectiveness=1.0,
        cooler_loss=0.0,
        restriction=0.0,
    )
    point = Point(speed, manifold / 101.3, excess, 0.0, 0.0, 101.3, 298.0)
    return solve_healthy(engine, point)


def log_change(now: np.ndarray, before: np.ndarray) -> np.ndarray:
    return 100.0 * np.log(now / before)


def test_flow_and_exhaust_temperature_and_pressure_of_the_healthy_engine_agree(healthy):
    _, _, ahead, flow, _, hot, _ = HEALTHY.T
    np.testing.assert_allclose(healthy.airflow * DISPLACEMENT, flow, rtol=0.01)
    # exhaust heat is one number here, a function of speed and mixture in the paper
    np.testing.assert_allclose(healthy.exhaust_temperature, hot, rtol=0.13)
    # what the turbine must build up follows from the balance of powers alone
    np.testing.assert_allclose(healthy.exhaust_pressure, ahead, rtol=0.17)


def test_a_weak_compressor_lowers_pressure_and_flow_alike(healthy):
    state = solve(healthy, Fault(turbocharger_loss=5.0))
    pressure = log_change(state.manifold_pressure, healthy.pressure)
    flow = log_change(state.airflow, healthy.airflow)
    printed = log_change(WEAK, HEALTHY[:, [1, 3]])
    assert (pressure < 0).all()
    np.testing.assert_allclose(flow / pressure, printed[:, 1] / printed[:, 0], atol=0.08)
    # the paper's turbine loses efficiency with speed too, ours does not: its answers are larger
    ratio = pressure / printed[:, 0]
    assert 0.5 < np.median(ratio) < 1.0
    assert spearmanr(pressure, printed[:, 0]).statistic > 0.7


def test_a_leak_lowers_pressure_more_than_flow(healthy):
    state = solve(healthy, Fault(leak=6.0))
    pressure = log_change(state.manifold_pressure, healthy.pressure)
    flow = log_change(state.airflow, healthy.airflow)
    printed = log_change(LEAK, HEALTHY[:, [1, 3]])
    assert (printed[:, 1] > printed[:, 0]).all()
    assert (pressure < 0).all()
    assert (flow > pressure).all()
    assert spearmanr(pressure, printed[:, 0]).statistic > 0.7
    assert spearmanr(flow, printed[:, 1], alternative="greater").pvalue < 0.05

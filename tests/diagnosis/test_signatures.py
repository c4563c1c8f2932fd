from __future__ import annotations

import numpy as np
import pytest

from healthtrack.diagnosis.engines import plausible
from healthtrack.diagnosis.signatures import INDICATORS, LEAK_STATED_AT, Setting, signatures


def test_a_leak_is_stated_at_one_engine_speed_whatever_the_engine():
    # by construction: where p % of the cylinders' flow is lost, the airflow read at given manifold
    # pressure is ln(1 + p) more, on an engine that reaches its full flow at 2 400 or at 3 600 /min
    at_full_boost = Setting(("full_load",), (LEAK_STATED_AT,), (2.2,), (99.0,), cooled_reading=True)
    leak = signatures(at_full_boost)["charge_air_leak"][0]
    place = int(np.argmin(np.abs(leak.sizes - 8.0)))
    breathing = leak.effect[:, place, INDICATORS.index("breathing"), 0]
    lost = leak.sizes[place] / 100.0
    assert 0.04 < lost < 0.12
    assert np.median(breathing) == pytest.approx(100.0 * np.log1p(lost), abs=0.3)
    full_speed = plausible().engine.full_speed[:, 0]
    assert np.ptp(full_speed) > 1000.0
    early, late = (breathing[full_speed < 2800.0], breathing[full_speed > 3200.0])
    assert abs(np.median(early) - np.median(late)) < 0.5


def test_engines_that_cannot_run_as_the_vehicle_does_are_replaced():
    """Boost at low speed: the balance of some plausible engines has no answer, and NaN came out."""
    regions = ("part_load", "part_load", "full_load")
    hard = Setting(regions, (1500.0, 2000.0, 1500.0), (2.0, 1.5, 2.6), (94.0,) * 3, False)
    for signs in signatures(hard).values():
        for signature in signs:
            assert np.isfinite(signature.effect).all()
    easy = Setting(("part_load",), (2000.0,), (1.3,), (99.0,), False)
    different = {
        signature.effect.std(axis=0).max() for signature in signatures(easy)["egr_stuck_open"]
    }
    assert min(different) > 0.0

"""What the diagnosis promises, on engines that its signatures were not derived with.

The engines are other draws of the same model: the weaker test, quick enough for every run. The
stronger one, with an independent simulator through the whole chain, is in DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.diagnosis import CAUSES
from healthtrack.diagnosis.examine import cause_findings
from healthtrack.diagnosis.hypotheses import ladders, weigh
from healthtrack.diagnosis.reading import read
from healthtrack.diagnosis.signatures import INDICATORS, Setting, signatures
from healthtrack.records import Evidence, RegionEvidence

SETTING = Setting(
    regions=("full_load", "idle", "part_load_recirculation", "standstill"),
    engine_speed=(2400.0, 800.0, 1800.0, 800.0),
    pressure_ratio=(1.9, 1.0, 1.25, 1.0),
    ambient_pressure=(99.0,) * 4,
    cooled_reading=True,
)
# what a dozen late drives know a level to, invented after the open logs' scatter
SD = {
    ("airflow", "idle"): 0.6,
    ("airflow", "part_load_recirculation"): 0.8,
    ("airflow", "full_load"): 0.6,
    ("boost", "part_load_recirculation"): 0.6,
    ("boost", "full_load"): 0.6,
    ("breathing", "idle"): 0.5,
    ("breathing", "part_load_recirculation"): 0.7,
    ("breathing", "full_load"): 0.5,
    ("charge_temperature", "part_load_recirculation"): 0.6,
    ("charge_temperature", "full_load"): 0.9,
    ("intake_restriction", "full_load"): 0.25,
    ("standing_pressure", "standstill"): 0.4,
}
SIGNIFICANT = 3.5
"""Standard errors at which the strongest level counts as significant."""


@dataclass(frozen=True)
class Case:
    cause: str
    times: int
    size: float
    evidence: Evidence


def seen(mean: np.ndarray, rng: np.random.Generator) -> Evidence:
    regions = []
    for (indicator, region), sd, value in zip(SD, SD.values(), mean, strict=True):
        place = SETTING.regions.index(region)
        level = value + sd * rng.standard_normal()
        if indicator in {"airflow", "boost", "breathing"}:
            level = 100.0 * np.expm1(level / 100.0)
        speed, ratio = SETTING.engine_speed[place], SETTING.pressure_ratio[place]
        regions.append(
            RegionEvidence(indicator, region, level, sd, 80, speed, None, 99.0 * ratio, 99.0)
        )
    return Evidence(tuple(regions), alerted=bool(np.any(mean)))


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    rng = np.random.default_rng(5)
    others = signatures(SETTING, 8, 777)
    indicator = [INDICATORS.index(name) for name, _ in SD]
    place = [SETTING.regions.index(region) for _, region in SD]
    sd = np.array(list(SD.values()))
    found = []
    for cause, kinds in others.items():
        for signature in kinds:
            for engine in range(8):
                effect = signature.effect[engine][:, indicator, place]
                fine = np.linspace(0.0, abs(signature.sizes[-1]), 300)
                knots = np.abs(signature.sizes)
                curve = np.stack([np.interp(fine, knots, column) for column in effect.T], axis=1)
                strength = np.abs(curve / sd).max(axis=1)
                if strength.max() < SIGNIFICANT:
                    continue
                least = fine[int(np.argmax(strength >= SIGNIFICANT))]
                for times in (2, 3):
                    if times * least > fine[-1]:
                        continue
                    mean = np.array([np.interp(times * least, fine, c) for c in curve.T])
                    size = float(np.sign(signature.sizes[-1]) * times * least)
                    found.append(Case(cause, times, size, seen(mean, rng)))
    return found


def findings(evidence: Evidence):
    reading = read(evidence, VehicleSettings(displacement_l=2.0))
    steps = ladders(reading, signatures(reading.setting))
    return cause_findings(weigh(reading, steps, with_pairs=False))


@pytest.fixture(scope="module")
def told(cases):
    return [(case, findings(case.evidence)) for case in cases]


@pytest.mark.slow
def test_the_top_cause_is_right_in_85_percent_at_twice_and_90_at_three_times(told):
    share = {
        times: np.mean([f[0].cause == case.cause for case, f in told if case.times == times])
        for times in (2, 3)
    }
    assert len(told) > 100
    assert share[2] >= 0.85
    assert share[3] >= 0.90


@pytest.mark.slow
def test_the_size_lies_inside_its_band_as_often_as_promised(told):
    inside = [
        f[0].size_low <= case.size <= f[0].size_high for case, f in told if f[0].cause == case.cause
    ]
    # 95 % promised, 90 to 98 accepted; 2 sd of the binomial are 3 %
    assert 0.90 <= np.mean(inside) <= 1.0


@pytest.mark.slow
def test_probabilities_over_nine_tenths_are_right_as_often(told):
    sure = [f[0].cause == case.cause for case, f in told if f[0].probability >= 0.9]
    assert len(sure) > 50
    assert np.mean(sure) >= 0.93


@pytest.mark.slow
def test_a_sound_vehicle_is_blamed_in_under_two_percent():
    rng = np.random.default_rng(6)
    nothing = np.zeros(len(SD))
    blamed = [findings(seen(nothing, rng))[0].cause != "none" for _ in range(100)]
    assert np.mean(blamed) < 0.02 + 1e-9


def test_every_cause_can_be_seen_by_this_vehicle(cases):
    assert {case.cause for case in cases} == set(CAUSES)

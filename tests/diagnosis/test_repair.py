from __future__ import annotations

import numpy as np
import pytest

from healthtrack.config import MAINTENANCE_KINDS, VehicleSettings
from healthtrack.diagnosis import CAUSES, score_repair
from healthtrack.diagnosis.repair import UNDOES
from healthtrack.records import Evidence, RegionEvidence

CAR = VehicleSettings(displacement_l=2.0)
PLACES = {"part_load_recirculation": (1700.0, 125.0), "full_load": (2400.0, 195.0)}


def evidence(airflow: float, boost: float, breathing: float, sd: float = 0.6) -> Evidence:
    levels = {"airflow": airflow, "boost": boost, "breathing": breathing}
    return Evidence(
        tuple(
            RegionEvidence(name, region, level, sd, 80, speed, None, pressure, 99.0)
            for region, (speed, pressure) in PLACES.items()
            for name, level in levels.items()
        )
    )


def probability(finding, cause: str) -> float:
    return next(item.probability for item in finding.causes if item.cause == cause)


# between a sensor that reads high and a leak: both make more air for the pressure
DOUBTFUL = evidence(2.0, -0.7, 2.7)
HEALED = evidence(0.1, 0.0, 0.0)


def test_a_repair_that_helped_confirms_what_it_aimed_at():
    found = score_repair(DOUBTFUL, HEALED, "charge_air_leak_repaired", CAR)
    assert probability(found, "charge_air_leak") > 0.9
    assert found.gone > 0.9


def test_a_repair_that_did_not_help_clears_what_it_aimed_at():
    helped = score_repair(DOUBTFUL, HEALED, "charge_air_leak_repaired", CAR)
    failed = score_repair(DOUBTFUL, DOUBTFUL, "charge_air_leak_repaired", CAR)
    assert probability(failed, "charge_air_leak") < 0.5 * probability(helped, "charge_air_leak")
    assert failed.gone < 0.1


def test_a_routine_service_undoes_nothing():
    found = score_repair(DOUBTFUL, DOUBTFUL, "service", CAR)
    assert found.gone < 0.1


def test_the_change_is_the_difference_with_the_band_of_both():
    found = score_repair(DOUBTFUL, HEALED, "charge_air_leak_repaired", CAR)
    change = next(x for x in found.changes if (x.indicator, x.region) == ("airflow", "full_load"))
    assert change.change == pytest.approx(-1.9)
    # 1.96·√2·0.6
    assert change.high - change.change == pytest.approx(1.6631, abs=1e-3)


def test_the_diagnosis_before_is_scored_by_what_the_repair_showed():
    sure = evidence(-6.0, 0.0, -6.0)
    right = score_repair(sure, HEALED, "airflow_sensor_replaced", CAR)
    assert right.score == pytest.approx(0.0, abs=0.1)
    surprised = score_repair(DOUBTFUL, HEALED, "charge_air_leak_repaired", CAR)
    assert surprised.score < right.score


def test_a_sensor_of_another_make_may_read_otherwise_and_still_have_healed():
    found = score_repair(
        evidence(-7.0, 0.0, -7.0), evidence(2.5, 0.0, 2.5), "airflow_sensor_replaced", CAR
    )
    assert probability(found, "airflow_sensor_reads_low") > 0.9
    assert found.gone > 0.8


def test_what_only_one_side_saw_is_left_out():
    less = Evidence(HEALED.regions[:2])
    found = score_repair(DOUBTFUL, less, "charge_air_leak_repaired", CAR)
    assert len(found.changes) == 2
    assert score_repair(DOUBTFUL, Evidence(()), "charge_air_leak_repaired", CAR) is None


def test_the_correlation_of_what_is_left_is_kept():
    size = len(DOUBTFUL.regions)
    shared = np.full((size, size), 0.5) + 0.5 * np.eye(size)
    linked = Evidence(DOUBTFUL.regions, tuple(tuple(row) for row in shared))
    found = score_repair(linked, Evidence(HEALED.regions[:3]), "charge_air_leak_repaired", CAR)
    assert len(found.changes) == 3


def test_kinds_and_causes_are_those_of_settings_and_diagnosis():
    assert set(UNDOES) <= set(MAINTENANCE_KINDS)
    assert {cause for causes in UNDOES.values() for cause in causes} <= set(CAUSES)

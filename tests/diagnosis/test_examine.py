from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from healthtrack.config import MAINTENANCE_KINDS, VehicleSettings
from healthtrack.diagnosis import CAUSES, diagnose, examine
from healthtrack.diagnosis.examine import quantiles
from healthtrack.diagnosis.signatures import INDICATORS, Setting, signatures
from healthtrack.records import Evidence, RegionEvidence

CAR = VehicleSettings(displacement_l=2.0)
# region: engine speed, airflow, manifold pressure; an invented two-litre car
PLACES = {
    "standstill": (None, None, 99.0),
    "idle": (800.0, 5.0, 99.0),
    "part_load_recirculation": (1700.0, 16.0, 125.0),
    "full_load": (2400.0, 62.0, 195.0),
}
PERCENT = ("airflow", "boost", "breathing")


def evidence(levels: dict[tuple[str, str], float], sd: float = 0.5, **more) -> Evidence:
    regions = tuple(
        RegionEvidence(name, region, level, sd, 100, *PLACES[region], 99.0)
        for (name, region), level in levels.items()
    )
    return Evidence(regions, **more)


def everywhere(airflow: float, boost: float, breathing: float) -> dict[tuple[str, str], float]:
    levels = dict(zip(PERCENT, (airflow, boost, breathing), strict=True))
    return {
        (name, region): levels[name]
        for region in ("part_load_recirculation", "full_load")
        for name in PERCENT
    }


def probability(causes, name: str) -> float:
    return next(finding.probability for finding in causes if finding.cause == name)


def test_a_sound_vehicle_is_called_sound():
    causes = diagnose(evidence(everywhere(0.3, -0.2, 0.2)), CAR)
    assert causes[0].cause == "none"
    assert causes[0].probability > 0.9


def test_all_causes_are_listed_with_none_and_unknown_sorted_by_probability():
    causes = diagnose(evidence(everywhere(-4.0, 0.0, -4.0)), CAR)
    seen = {*CAUSES, "none", "unknown"} - {"charge_temperature_offset"}
    assert {finding.cause for finding in causes} == seen
    probabilities = [finding.probability for finding in causes]
    assert probabilities == sorted(probabilities, reverse=True)
    assert all(0.0 <= value <= 1.0 for value in probabilities)


def test_airflow_low_everywhere_with_boost_unmoved_is_a_sensor_that_reads_low():
    finding = diagnose(evidence(everywhere(-4.3, 0.0, -4.3)), CAR)[0]
    assert finding.cause == "airflow_sensor_reads_low"
    assert finding.probability > 0.85
    assert finding.size_low < -4.3 < finding.size_high < 0.0
    assert finding.unit == "%"


@pytest.fixture(scope="module")
def offset_levels():
    """Return the levels that an offset of −6 kPa gives on an engine of another draw."""
    regions = ("full_load", "part_load_recirculation")
    setting = Setting(regions, (2400.0, 1700.0), (1.95, 1.25), (99.0, 99.0), cooled_reading=True)
    low = signatures(setting, 8, 777)["manifold_pressure_offset"][0]
    at = int(np.argmin(np.abs(low.sizes + 6.0)))
    assert -9.0 < low.sizes[at] < -3.0
    effect = np.median(low.effect[:, at] * -6.0 / low.sizes[at], axis=0)
    return {
        (name, region): float(effect[INDICATORS.index(name), place])
        for place, region in enumerate(regions)
        for name in PERCENT
    }


def test_an_offset_comes_out_alike_where_the_expectation_follows_that_sensor(offset_levels):
    """A vehicle without an ambient sensor: what was expected went down with the reading."""
    answer = {"airflow": 0.8, "boost": 0.5, "breathing": -0.2}
    plain = diagnose(evidence(offset_levels), CAR)[0]
    levels = {key: level + 6.0 * answer[key[0]] for key, level in offset_levels.items()}
    followed = diagnose(evidence(levels, follows_manifold=answer), CAR)[0]
    for finding in (plain, followed):
        assert finding.cause == "manifold_pressure_offset"
        assert finding.size == pytest.approx(-6.0, abs=1.2)
        assert finding.size_low < -6.0 < finding.size_high
    untold = diagnose(evidence(levels), CAR)[0]
    assert untold.cause != "manifold_pressure_offset" or untold.size > -4.8


def test_missing_boost_with_more_air_per_pressure_is_a_leak():
    levels = {
        ("airflow", "part_load_recirculation"): 3.0,
        ("boost", "part_load_recirculation"): -1.0,
        ("breathing", "part_load_recirculation"): 4.0,
        ("airflow", "full_load"): 4.0,
        ("boost", "full_load"): -3.0,
        ("breathing", "full_load"): 7.0,
        ("airflow", "idle"): 0.1,
    }
    assert diagnose(evidence(levels), CAR)[0].cause == "charge_air_leak"


def test_a_key_on_offset_with_breathing_that_falls_as_pressure_rises_is_that_sensor():
    levels = {
        ("standing_pressure", "standstill"): 4.0,
        ("breathing", "part_load_recirculation"): -3.1,
        ("breathing", "full_load"): -2.0,
    }
    finding = diagnose(evidence(levels), CAR)[0]
    assert finding.cause == "manifold_pressure_offset"
    assert finding.size == pytest.approx(4.0, abs=0.7)
    assert finding.unit == "kPa"


def test_a_pattern_that_no_cause_makes_is_unknown():
    levels = {
        ("airflow", "part_load_recirculation"): 9.0,
        ("breathing", "part_load_recirculation"): -9.0,
        ("boost", "part_load_recirculation"): -9.0,
        ("airflow", "full_load"): -9.0,
        ("breathing", "full_load"): 9.0,
        ("boost", "full_load"): 9.0,
    }
    assert diagnose(evidence(levels), CAR)[0].cause == "unknown"


def test_two_causes_at_once_are_named_as_a_pair():
    levels = everywhere(-6.0, 0.0, -6.0) | {
        ("intake_restriction", "full_load"): 3.5,
        ("intake_restriction", "part_load_recirculation"): 3.6,
    }
    diagnosis = examine(evidence(levels, sd=0.4), CAR)
    assert set(diagnosis.pairs[0].causes) == {"airflow_sensor_reads_low", "air_filter_restricted"}
    for name in diagnosis.pairs[0].causes:
        assert probability(diagnosis.causes, name) > 0.8


def test_with_airflow_alone_what_makes_less_air_can_not_be_told_apart():
    levels = {("airflow", "full_load"): -4.0, ("airflow", "part_load_recirculation"): -3.2}
    diagnosis = examine(evidence(levels), CAR)
    assert len(diagnosis.alike) == 1
    assert "airflow_sensor_reads_low" in diagnosis.alike[0]
    assert len(diagnosis.alike[0]) > 1
    assert diagnosis.causes[0].probability < 0.8


@pytest.mark.parametrize(("full", "part", "filling"), [(6.5, 3.2, -0.3), (6.0, 1.2, -2.8)])
def test_more_air_and_boost_than_healthy_is_no_worn_part(full, part, filling):
    """Altered software, seen on simulated engines: a filter or a valve was blamed for it."""
    levels = {
        ("airflow", "part_load_recirculation"): 0.8 * part,
        ("boost", "part_load_recirculation"): part,
        ("breathing", "part_load_recirculation"): 0.7 * filling,
        ("airflow", "full_load"): 0.85 * full,
        ("boost", "full_load"): full,
        ("breathing", "full_load"): filling,
        ("airflow", "idle"): 0.0,
        ("breathing", "idle"): -0.3,
    }
    causes = diagnose(evidence(levels, alerted=True), CAR)
    assert causes[0].cause == "unknown"
    assert causes[0].probability > 0.7


def test_what_would_settle_most_is_proposed_first():
    # boost and air short alike at full load: turbocharger or filter, and no filter sensor
    levels = {
        ("airflow", "part_load_recirculation"): -1.5,
        ("boost", "part_load_recirculation"): -1.5,
        ("airflow", "full_load"): -3.0,
        ("boost", "full_load"): -3.0,
    }
    looks = examine(evidence(levels), CAR).next_observations
    assert looks[0].observation in {"air_box_pressure", "filter_looked_at"}
    assert [look.settles for look in looks] == sorted((x.settles for x in looks), reverse=True)
    assert all(0.0 <= look.settles <= 1.0 for look in looks)


def test_an_observation_that_is_there_already_is_not_proposed_again():
    levels = everywhere(-4.0, 0.5, -3.0) | {("standing_pressure", "standstill"): 1.5}
    looks = examine(evidence(levels, sd=1.0), CAR).next_observations
    assert "key_on_reading" not in {look.observation for look in looks}


def test_the_ambient_temperature_is_proposed_only_where_it_is_not_logged():
    levels = {("airflow", "full_load"): -3.0}
    with_it = examine(evidence(levels, sd=1.5), CAR)
    without = examine(evidence(levels, sd=1.5, ambient_temperature_logged=False), CAR)
    named = {look.observation for look in with_it.next_observations}
    assert "ambient_temperature_log" not in named
    assert "ambient_temperature_log" in {x.observation for x in without.next_observations}


def test_no_evidence_gives_no_cause():
    assert diagnose(Evidence(()), CAR) == ()
    broken = RegionEvidence("airflow", "full_load", float("nan"), 0.5)
    other = RegionEvidence("some_other_symptom", "full_load", 3.0, 0.5)
    assert diagnose(Evidence((broken, other)), CAR) == ()


def test_less_certain_levels_never_make_the_diagnosis_more_certain():
    tops = [
        probability(
            diagnose(evidence(everywhere(-4, 0, -4), sd=sd), CAR), "airflow_sensor_reads_low"
        )
        for sd in (0.4, 0.8, 1.6, 3.2)
    ]
    # the exact match grows surer of "sensor or an engine that fills worse", not of one of them
    assert all(later <= before + 0.01 for before, later in pairwise(tops))


def test_the_order_in_which_levels_are_given_does_not_matter():
    levels = everywhere(-3.0, -1.0, -2.0)
    one = diagnose(evidence(levels), CAR)
    other = diagnose(evidence(dict(reversed(levels.items()))), CAR)
    assert [x.cause for x in one] == [x.cause for x in other]
    np.testing.assert_allclose(
        [x.probability for x in one], [x.probability for x in other], rtol=1e-6, atol=1e-9
    )


def test_a_common_error_of_all_levels_is_not_taken_for_a_fault():
    levels = everywhere(-2.4, 0.0, -2.4)
    n = len(levels)
    airy = np.array([name != "boost" for name, _ in levels])
    together = np.where(np.outer(airy, airy), 0.95, 0.0)
    np.fill_diagonal(together, 1.0)
    apart = diagnose(evidence(levels, sd=1.4), CAR)
    common = diagnose(
        evidence(levels, sd=1.4, correlation=tuple(tuple(row) for row in together)), CAR
    )
    assert n == 6
    assert probability(common, "none") > probability(apart, "none") + 0.1


def test_an_impossible_correlation_is_mended_not_refused():
    levels = everywhere(-3.0, 0.0, -3.0)
    odd = np.full((6, 6), 0.99)
    odd[0, 1] = odd[1, 0] = -0.99
    np.fill_diagonal(odd, 1.0)
    causes = diagnose(evidence(levels, correlation=tuple(tuple(row) for row in odd)), CAR)
    assert np.isfinite([finding.probability for finding in causes]).all()


def test_a_vehicle_without_displacement_or_operating_points_is_diagnosed_too():
    bare = Evidence(
        tuple(
            RegionEvidence(name, "full_load", level, 0.6)
            for name, level in (("airflow", -5.0), ("boost", 0.0), ("breathing", -5.0))
        )
    )
    assert diagnose(bare, VehicleSettings())[0].cause == "airflow_sensor_reads_low"


def test_quantiles_of_a_fine_ladder_are_those_of_the_distribution():
    # standard normal: ±1.959964
    sizes = np.linspace(-5.0, 5.0, 2001)
    low, middle, high = quantiles(sizes, np.exp(-0.5 * sizes**2), (0.025, 0.5, 0.975))
    assert (low, middle, high) == pytest.approx((-1.959964, 0.0, 1.959964), abs=1e-3)


def test_causes_are_named_as_in_the_command_line_contract():
    assert set(CAUSES) == {
        "airflow_sensor_reads_low",
        "airflow_sensor_reads_high",
        "manifold_pressure_offset",
        "charge_air_leak",
        "turbocharger_weak",
        "charge_cooler_fouled",
        "air_filter_restricted",
        "egr_stuck_open",
        "charge_temperature_offset",
    }
    assert MAINTENANCE_KINDS  # the repairs that undo them are mapped in test_repair


def test_what_came_all_at_once_is_rather_a_hose_than_wear():
    levels = everywhere(-1.5, -1.5, 0.0)
    slow = diagnose(evidence(levels, sd=0.8, onset="drift"), CAR)
    quick = diagnose(evidence(levels, sd=0.8, onset="step"), CAR)
    odds = [
        probability(causes, "charge_air_leak") / probability(causes, "turbocharger_weak")
        for causes in (slow, quick)
    ]
    assert odds[1] > 2.0 * odds[0]


def test_a_sensor_that_is_not_there_is_not_blamed():
    causes = {x.cause for x in diagnose(evidence({("boost", "full_load"): -3.0}), CAR)}
    assert "charge_temperature_offset" not in causes
    assert "airflow_sensor_reads_low" not in causes
    assert "manifold_pressure_offset" in causes


def test_what_the_likeliest_cause_predicts_stands_beside_the_levels():
    diagnosis = examine(evidence(everywhere(-4.0, 0.0, -4.0)), CAR)
    expected = diagnosis.expected[0]
    assert expected.cause == "airflow_sensor_reads_low"
    assert len(expected.levels) == 6
    np.testing.assert_allclose(expected.levels, [-4.0, 0.0, -4.0] * 2, atol=0.6)


def test_an_engine_that_fills_worse_keeps_some_doubt_alive_about_the_sensor():
    causes = diagnose(evidence(everywhere(-5.0, 0.0, -5.0), sd=0.4, alerted=True), CAR)
    assert causes[0].cause == "airflow_sensor_reads_low"
    assert 0.01 < probability(causes, "unknown") < 0.3


def test_where_recirculation_is_taken_back_with_boost_a_weak_turbocharger_breathes_more():
    # an engine that holds its airflow recirculates less when boost is missing: at given manifold
    # pressure, where a healthy one would recirculate more, it breathes more. By construction.
    levels = {
        ("airflow", "part_load_recirculation"): 0.0,
        ("boost", "part_load_recirculation"): -1.8,
        ("breathing", "part_load_recirculation"): 3.5,
        ("airflow", "full_load"): -3.0,
        ("boost", "full_load"): -2.2,
        ("breathing", "full_load"): -0.9,
    }
    causes = diagnose(evidence(levels, alerted=True), CAR)
    assert causes[0].cause in {"turbocharger_weak", "air_filter_restricted"}
    blamed = probability(causes, "turbocharger_weak") + probability(causes, "air_filter_restricted")
    assert blamed > 0.7
    assert probability(causes, "manifold_pressure_offset") < 0.2
